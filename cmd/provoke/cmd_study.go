package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/level"
	"provoke/internal/model/threshold"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// studyCommand gathers the studies. Each exposes when a plan is given, and then, or without a plan,
// says what the runs of the job show.
type studyCommand struct {
	Threshold  thresholdStudy  `cmd:"" help:"The level of a chosen upset probability, with limits, where the product upsets at random."`
	Dwell      dwellStudy      `cmd:"" help:"Time to upset over repeated exposures at one level, and the dwell that catches a chosen share."`
	Modulation modulationStudy `cmd:"" help:"Onset under several modulations: does the product answer to peak, mean or rate?"`
	Repeat     repeatStudy     `cmd:"" help:"The same run several times, the clamp taken off and put on again: spread per frequency, drift."`
}

// studyFlags are what all studies have.
type studyFlags struct {
	Job         string      `arg:"" help:"Job file; with --plan made when it is not there." type:"path"`
	Plan        string      `placeholder:"PLAN.yaml" type:"path" help:"Expose first, as this plan says but for what the study changes. The changed plan is written beside it. Left out: say what the job shows."`
	Runs        []int       `name:"run" placeholder:"N" help:"Runs to work from; left out: the newest that fit. May be repeated."`
	Confidence  rf.Fraction `default:"95 %" help:"Confidence of limits."`
	Operator    string      `placeholder:"NAME" help:"Who stands at the bench."`
	Room        string      `placeholder:"TEXT" help:"Where the bench stands."`
	Temperature string      `placeholder:"TEXT" help:"Temperature of the room, with its unit."`
	Humidity    string      `placeholder:"TEXT" help:"Relative humidity of the room, with its unit."`
	Arm         bool        `help:"Accept the worst case at every rating without being asked."`
	JSON        bool        `name:"json" help:"Print the documented JSON shape."`

	progress func(engine.Status) // replaces the status line in tests
}

func (f studyFlags) check() error {
	if !(f.Confidence > 0 && f.Confidence < 1) {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--confidence %v is not between 0 %% and 100 %%", f.Confidence))
	}
	if f.Plan != "" && len(f.Runs) > 0 {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--plan exposes anew and --run works from runs that are there: give one"))
	}
	return nil
}

// listOf writes frequencies as a segment of a grid.
func listOf(at []rf.Frequency) string {
	var out []string
	for _, f := range at {
		text, _ := f.MarshalText()
		out = append(out, string(text))
	}
	return "[{list: [" + strings.Join(out, ", ") + "]}]"
}

// derive writes the plan of a study beside the plan that it was made from, and returns its name. A
// file that is there is never replaced.
func derive(w *terminal.World, planFile, study string, changes ...plan.Change) (string, error) {
	data, err := terminal.ReadText(planFile)
	if err != nil {
		return "", fmt.Errorf("read the plan file: %w", err)
	}
	return writeApart(w, strings.TrimSuffix(planFile, filepath.Ext(planFile))+"-"+study, plan.Rewrite(data, changes...))
}

// writeApart writes a plan under a name of its own that begins with base, and returns the name. A file
// that is there is never replaced; one that holds the same is used as it is.
func writeApart(w *terminal.World, base string, text []byte) (string, error) {
	for n := 1; n < 1000; n++ {
		name := base + ".yaml"
		if n > 1 {
			name = fmt.Sprintf("%s-%d.yaml", base, n)
		}
		if there, err := terminal.ReadText(name); err == nil {
			if bytes.Equal(there, text) {
				return name, nil
			}
			continue
		}
		if err := writeNew(name, string(text)); err != nil {
			return "", err
		}
		fmt.Fprintf(w.Stderr, "wrote %s\n", name)
		return name, nil
	}
	return "", fmt.Errorf("write %s.yaml: a thousand files of such a name are there", base)
}

// expose does one run of a study and returns its number. A run that did not close all points is
// reported and counts.
func (f studyFlags) expose(w *terminal.World, planFile, label string) (number int, incomplete error, err error) {
	res, err := perform(w, performance{planFile: planFile, jobFile: f.Job, label: label, operator: f.Operator, room: f.Room,
		temperature: f.Temperature, humidity: f.Humidity, armed: f.Arm, progress: f.progress, begun: func(n int, _ *store.Job) { number = n }})
	if res.Verdict == event.RFNotKnownOff {
		fmt.Fprint(w.Stderr, "\n*** RF IS NOT KNOWN TO BE OFF ***\n*** Switch the generator and the amplifier off by hand, now. ***\n\n")
	}
	if err != nil {
		return number, nil, err
	}
	fmt.Fprintf(w.Stderr, "run %d, %s: %s, %d of %s upset\n", number, label, res.Verdict, res.Upsets, english.Count(res.Exposures, "exposure", "exposures"))
	if res.Verdict == event.Incomplete {
		incomplete = terminal.WithCode(terminal.ExitIncomplete, fmt.Errorf("run %d: %s", number, res.Why))
	}
	return number, incomplete, nil
}

// read folds the runs of a study out of the job.
func (f studyFlags) read(w *terminal.World, numbers []int) (*store.Job, []result.Run, error) {
	job, err := store.OpenReadOnly(f.Job)
	if err != nil {
		return nil, nil, damage(err)
	}
	tellLeftBehind(w, job)
	var out []result.Run
	for _, n := range numbers {
		r, err := readRun(w, job, n)
		if err != nil {
			job.Close()
			return nil, nil, err
		}
		out = append(out, r)
	}
	return job, out, nil
}

// newest returns the newest exposure that fits; any exposure where fits is nil.
func (f studyFlags) newest(w *terminal.World, fits func(event.Opened) bool) (*store.Job, result.Run, error) {
	job, err := store.OpenReadOnly(f.Job)
	if err != nil {
		return nil, result.Run{}, damage(err)
	}
	tellLeftBehind(w, job)
	infos, err := job.Runs()
	if err != nil {
		job.Close()
		return nil, result.Run{}, damage(err)
	}
	for i := len(infos) - 1; i >= 0; i-- {
		if infos[i].Opened.RunKind == plan.Exposure && (fits == nil || fits(infos[i].Opened)) {
			r, err := readRun(w, job, infos[i].Run)
			if err != nil {
				job.Close()
			}
			return job, r, err
		}
	}
	job.Close()
	return nil, result.Run{}, errors.New("the job holds no run that this study can work from: give --plan PLAN.yaml to expose, or --run N")
}

// single reads the one run that a study works from.
func (f studyFlags) single(w *terminal.World, fits func(event.Opened) bool) (*store.Job, result.Run, error) {
	if len(f.Runs) == 0 {
		return f.newest(w, fits)
	}
	if len(f.Runs) > 1 {
		return nil, result.Run{}, terminal.WithCode(terminal.ExitUsage, errors.New("this study works from one run: give one --run"))
	}
	job, runs, err := f.read(w, f.Runs)
	if err != nil {
		return nil, result.Run{}, err
	}
	return job, runs[0], nil
}

type thresholdStudy struct {
	studyFlags
	At          []rf.Frequency  `placeholder:"FREQUENCY" help:"Frequency. May be repeated; needed with --plan."`
	Method      plan.Method     `enum:"staircase,adaptive" default:"staircase" help:"staircase, or adaptive: placed by maximum likelihood."`
	Trials      int             `default:"30" help:"Exposures at each frequency, stated beforehand."`
	Probability []rf.Fraction   `placeholder:"SHARE" default:"50 %" help:"Upset probability: the first is the one that the search looks for. May be repeated."`
	Step        rf.Gain         `default:"1 dB" help:"Step of the search: half to one and a half of the spread."`
	Model       threshold.Model `enum:"probit,logistic" default:"probit" help:"Shape of the upset probability: probit or logistic."`
	Memory      rf.Duration     `placeholder:"TIME" help:"Time in which the product forgets: a dwell holds that many chances, which bias a plain ramp."`
}

// Help is the long help.
func (thresholdStudy) Help() string {
	return `Near its onset a product may upset with a probability. A staircase (one step up after a pass, down after an upset; for other
probabilities than 50 % transformed or weighted) or an adaptive search takes a number of exposures that is fixed
beforehand; a probit or logistic fit then gives the level of a chosen probability with its limits, by the profile of the
likelihood and by Fieller's theorem. Where every pass lies below every upset only the bracket is told. Without an upset
the exact upper limit of the probability is told (Clopper–Pearson).

--json prints {"run","stated","confidence","model","at":[{"hz","exposures","upsets","overlap","passed","upset","spread_db","no_fit",
"levels":[{"probability","current","low","high","fieller_low","fieller_high"}],"dixon_mood":{"mean","sigma_db","weak"},
"ramp_bias_db","chances","shares":[{"current","trials","upsets","low","high"}],"notes":[...]}],"not_deterministic":[{"hz",
"why"}]}. A limit is null where the exposures do not bound that side.`
}

// Run exposes where a plan is given, and says what was shown.
func (c *thresholdStudy) Run(w *terminal.World) error {
	if err := c.check(); err != nil {
		return err
	}
	var incomplete error
	if c.Plan != "" {
		if len(c.At) == 0 {
			return terminal.WithCode(terminal.ExitUsage, errors.New("say where with --at FREQUENCY"))
		}
		file, err := derive(w, c.Plan, "threshold", plan.Change{Key: "grid", Value: listOf(c.At)}, plan.Change{Key: "edges"}, plan.Change{Key: "drift_check"},
			plan.Change{Key: "search", Value: fmt.Sprintf("{method: %s, trials: %d, probability: %v, step: %v}", c.Method, c.Trials, c.Probability[0], c.Step)})
		if err != nil {
			return err
		}
		var number int
		if number, incomplete, err = c.expose(w, file, "threshold study"); err != nil {
			return err
		}
		c.Runs = []int{number}
	}
	job, r, err := c.single(w, nil)
	if err != nil {
		return err
	}
	defer job.Close()
	s := c.evaluate(r)
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, s.json())
	} else {
		err = terminal.OnPage(w.Stdout, s.print)
	}
	return errors.Join(err, incomplete)
}

type dwellStudy struct {
	studyFlags
	At     []rf.Frequency `placeholder:"FREQUENCY" help:"Frequency. May be repeated; needed with --plan."`
	Below  rf.Gain        `default:"0 dB" placeholder:"'N dB'" help:"Level of the exposures, below the level wanted: at or above the onset."`
	Trials int            `default:"20" help:"Exposures at each frequency; 59 show a 95 % dwell whatever the distribution."`
	Dwell  rf.Duration    `placeholder:"TIME" help:"Longest exposure; default ten times the plan's dwell."`
	Share  rf.Fraction    `default:"95 %" help:"Share of the upsets that a dwell must catch."`
}

// Help is the long help.
func (dwellStudy) Help() string {
	return `Exposes at one level again and again, each time until the product upsets or the dwell is over, and looks at the times: all
about the same (a delay, a cycle), as likely at any moment (chance), or likelier the longer RF is on. Then the dwell that
catches the share: by order statistics where there are exposures enough, else from a fitted distribution, which is called
an estimate. Times are from RF at the level to the first bad reading, so they hold the monitor's own delay.

--json prints {"run","confidence","share","at":[{"hz","exposures","upsets","times_s":[...],"longest_without_s","median_s",
"rate_per_s","rate_low","rate_high","shape","scale_s","character","needed_s","needed_shown","needed_by","exposures_to_show",
"dwell_s"}],"latency_s"}.`
}

// Run exposes where a plan is given, and says what was shown.
func (c *dwellStudy) Run(w *terminal.World) error {
	if err := c.check(); err != nil {
		return err
	}
	var incomplete error
	if c.Plan != "" {
		var err error
		if incomplete, err = c.repeatedly(w); err != nil {
			return err
		}
	}
	job, r, err := c.single(w, func(o event.Opened) bool { return o.Search != nil && o.Search.Method == plan.Repeated })
	if err != nil {
		return err
	}
	defer job.Close()
	s, err := c.evaluate(r)
	if err != nil {
		return err
	}
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, s)
	} else {
		err = terminal.OnPage(w.Stdout, func(out io.Writer) error { return c.print(out, r, s) })
	}
	return errors.Join(err, incomplete)
}

func (c *dwellStudy) repeatedly(w *terminal.World) (incomplete error, err error) {
	if len(c.At) == 0 {
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("say where with --at FREQUENCY"))
	}
	p, _, err := loadPlanAlone(c.Plan)
	if err != nil {
		return nil, err
	}
	dwell := c.Dwell
	if dwell <= 0 {
		dwell = 10 * p.Dwell
	}
	file, err := derive(w, c.Plan, "dwell", plan.Change{Key: "grid", Value: listOf(c.At)}, plan.Change{Key: "edges"}, plan.Change{Key: "drift_check"},
		plan.Change{Key: "dwell", Value: inSeconds(dwell)},
		plan.Change{Key: "search", Value: fmt.Sprintf("{method: repeat, trials: %d, below: %v}", c.Trials, c.Below)})
	if err != nil {
		return nil, err
	}
	number, incomplete, err := c.expose(w, file, "dwell study")
	c.Runs = []int{number}
	return incomplete, err
}

// inSeconds writes a duration as a plan reads it.
func inSeconds(d rf.Duration) string {
	text, _ := d.MarshalText()
	return string(text)
}

type modulationStudy struct {
	studyFlags
	At         []rf.Frequency `placeholder:"FREQUENCY" help:"Frequency. May be repeated; needed with --plan."`
	Modulation []string       `placeholder:"TEXT" help:"Modulation, e.g. \"AM 80 % 1 kHz\". May be repeated; default CW, AM at two depths and two rates, and pulse."`
	Tolerance  rf.Gain        `default:"1 dB" help:"How far onsets may differ and count as the same."`
}

// usualModulations are those of a study that does not say otherwise.
var usualModulations = []string{"CW", "AM 80 % 1 kHz", "AM 30 % 1 kHz", "AM 80 % 400 Hz", "pulse 1 kHz 50 %"}

// Help is the long help.
func (modulationStudy) Help() string {
	return `Finds the onset at the same frequencies under several modulations, one run each, and puts them into one table as carrier,
r.m.s. at the crest, and r.m.s. over the modulation. Where the crests agree the product answers to the peak, where the
means agree to the mean power, where neither does the rate counts.

--json prints {"runs":[...],"tolerance_db","at":[{"hz","responds","why","peak_spread_db","mean_spread_db","results":[{"run",
"modulation","onset","carrier","crest","mean"}]}]}.`
}

// Run exposes where a plan is given, and says what was shown.
func (c *modulationStudy) Run(w *terminal.World) error {
	if err := c.check(); err != nil {
		return err
	}
	var incomplete error
	if c.Plan != "" {
		var err error
		if incomplete, err = c.modulate(w); err != nil {
			return err
		}
	}
	runs, err := c.chosen(w)
	if err != nil {
		return err
	}
	s := c.evaluate(runs)
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, s.json())
	} else {
		err = terminal.OnPage(w.Stdout, s.print)
	}
	return errors.Join(err, incomplete)
}

func (c *modulationStudy) modulate(w *terminal.World) (incomplete error, err error) {
	if len(c.At) == 0 {
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("say where with --at FREQUENCY"))
	}
	all := c.Modulation
	if len(all) == 0 {
		all = usualModulations
	}
	for _, text := range all {
		if _, err := level.ParseModulation(text); err != nil {
			return nil, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--modulation: %w", err))
		}
	}
	for i, text := range all {
		file, err := derive(w, c.Plan, fmt.Sprintf("modulation-%d", i+1), plan.Change{Key: "grid", Value: listOf(c.At)}, plan.Change{Key: "edges"},
			plan.Change{Key: "drift_check"}, plan.Change{Key: "modulation", Value: text}, plan.Change{Key: "search", Value: "{recovery: false}"})
		if err != nil {
			return nil, err
		}
		number, short, err := c.expose(w, file, "modulation study: "+text)
		if err != nil {
			return nil, err
		}
		incomplete = errors.Join(incomplete, short)
		c.Runs = append(c.Runs, number)
	}
	return incomplete, nil
}

// chosen returns the runs named, or the newest of each modulation on the bench of the newest exposure.
func (c *modulationStudy) chosen(w *terminal.World) ([]result.Run, error) {
	if len(c.Runs) > 0 {
		job, runs, err := c.read(w, c.Runs)
		if err == nil {
			job.Close()
		}
		return runs, err
	}
	job, newest, err := c.newest(w, nil)
	if err != nil {
		return nil, err
	}
	defer job.Close()
	infos, err := job.Runs()
	if err != nil {
		return nil, damage(err)
	}
	var known []result.Run
	for _, i := range infos {
		known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
	}
	var out []result.Run
	for _, n := range analysis.OneOfEachModulation(known, newest) {
		r, err := readRun(w, job, n)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

type repeatStudy struct {
	studyFlags
	At      []rf.Frequency `placeholder:"FREQUENCY" help:"Chosen frequencies in place of the plan's. May be repeated."`
	Times   int            `default:"3" help:"Number of runs."`
	Reclamp bool           `help:"Before each further run ask for the clamp to be taken off the cable and put on again."`
}

// Help is the long help.
func (repeatStudy) Help() string {
	return `Does the same run several times and tells the spread at each frequency: of the onset (set-up and product together) and of
the current at the same drive (the set-up alone, a Type A contribution that "provoke uncertainty --job" takes up). With
--reclamp it stops before each further run until the clamp was taken off and put on again. Where the plan has a
drift_check, each run's drift is held against the uncertainty.

--json prints {"runs":[...],"onset":[{"hz","n","bounds","upset","tested","mean","low","high","deviation_db"}],"transfer":[{"hz",
"n","deviation_db"}],"drift":[{"run","hz","drift_db","u_db","drifted","says"}]}. deviation_db is the experimental standard
deviation of one run; null with fewer than two exact figures.`
}

// Run exposes where a plan is given, and says what was shown.
func (c *repeatStudy) Run(w *terminal.World) error {
	if err := c.check(); err != nil {
		return err
	}
	var incomplete error
	if c.Plan != "" {
		var err error
		if incomplete, err = c.again(w); err != nil {
			return err
		}
	}
	s, err := c.evaluate(w)
	if err != nil {
		return err
	}
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, s)
	} else {
		err = terminal.OnPage(w.Stdout, s.print)
	}
	return errors.Join(err, incomplete)
}

func (c *repeatStudy) again(w *terminal.World) (incomplete error, err error) {
	if c.Times < 2 || c.Times > 100 {
		return nil, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--times %d: between 2 and 100 runs show a spread", c.Times))
	}
	file := c.Plan
	if len(c.At) > 0 {
		if file, err = derive(w, c.Plan, "repeat", plan.Change{Key: "grid", Value: listOf(c.At)}, plan.Change{Key: "edges"}, plan.Change{Key: "drift_check"}); err != nil {
			return nil, err
		}
	}
	for i := range c.Times {
		if i > 0 && c.Reclamp {
			fmt.Fprintf(w.Stdout, "RF is off. Take the clamp off the cable and put it on again as it was, then press Enter (q and Enter ends): ")
			if text, ok := w.Line(w.Ctx); !ok || strings.TrimSpace(text) == "q" {
				return nil, terminal.WithCode(terminal.ExitStopped, fmt.Errorf("ended after %s", english.Count(i, "run", "runs")))
			}
		}
		number, short, err := c.expose(w, file, fmt.Sprintf("repeat %d of %d", i+1, c.Times))
		if err != nil {
			return nil, err
		}
		incomplete = errors.Join(incomplete, short)
		c.Runs = append(c.Runs, number)
	}
	return incomplete, nil
}
