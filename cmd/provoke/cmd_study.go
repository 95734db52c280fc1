package main

import (
	"errors"
	"fmt"
	"slices"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/threshold"
	"provoke/internal/run/engine"
	"provoke/internal/run/session"
	"provoke/internal/tell"
	"provoke/internal/terminal"
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
	Job        string      `arg:"" help:"Job file; with --plan made when it is not there." type:"path"`
	Plan       string      `placeholder:"PLAN.yaml" type:"path" help:"Expose first, as this plan says but for what the study changes. The changed plan is written beside it. Left out: say what the job shows."`
	Runs       []int       `name:"run" placeholder:"N" help:"Runs to work from; left out: the newest that fit. May be repeated."`
	Confidence rf.Fraction `default:"95 %" help:"Confidence of limits."`
	JSON       bool        `name:"json" help:"Print the documented JSON shape."`

	atBench  `embed:""`
	progress func(engine.Status) // replaces the status line in tests
}

func (f studyFlags) check() error {
	if !(f.Confidence > 0 && f.Confidence < 1) {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--confidence %v is not between 0 %% and 100 %%",
			f.Confidence))
	}
	if f.Plan != "" && len(f.Runs) > 0 {
		return terminal.WithCode(terminal.ExitUsage,
			errors.New("--plan exposes anew and --run works from runs that are there: give one"))
	}
	return nil
}

// exposing is the half of a study that exposes.
func (f studyFlags) exposing(at []rf.Frequency) session.Study {
	o := f.order()
	o.PlanFile, o.JobFile, o.Progress = f.Plan, f.Job, f.progress
	return session.Study{At: at, Order: o}
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
		number, short, err := c.exposing(c.At).Threshold(w, c.Method, c.Trials, c.Probability[0], c.Step)
		if err != nil {
			return err
		}
		incomplete, c.Runs = short, []int{number}
	}
	r, err := c.single(w, nil)
	if err != nil {
		return err
	}
	s := analysis.RandomStudyOf(r, c.At, analysis.RandomQuestion{Model: c.Model, Probabilities: c.Probability,
		Confidence: c.Confidence, Memory: c.Memory})
	return errors.Join(c.print(w, tell.ThresholdStudy(s), s), incomplete)
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
	if !(c.Share > 0 && c.Share < 1) {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--share %v is not between 0 %% and 100 %%", c.Share))
	}
	var incomplete error
	if c.Plan != "" {
		number, short, err := c.exposing(c.At).Dwell(w, c.Dwell, c.Trials, c.Below)
		if err != nil {
			return err
		}
		incomplete, c.Runs = short, []int{number}
	}
	r, err := c.single(w, func(o event.Opened) bool { return o.Search != nil && o.Search.Method == plan.Repeated })
	if err != nil {
		return err
	}
	s, err := analysis.DwellStudyOf(r, c.At, c.Share, c.Confidence)
	if err != nil {
		return err
	}
	return errors.Join(c.print(w, tell.DwellTold(s), s), incomplete)
}

type modulationStudy struct {
	studyFlags
	At         []rf.Frequency `placeholder:"FREQUENCY" help:"Frequency. May be repeated; needed with --plan."`
	Modulation []string       `placeholder:"TEXT" help:"Modulation, e.g. \"AM 80 % 1 kHz\". May be repeated; default CW, AM at two depths and two rates, and pulse."`
	Tolerance  rf.Gain        `default:"1 dB" help:"How far onsets may differ and count as the same."`
}

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
		if c.Runs, incomplete, err = c.exposing(c.At).Modulation(w, c.Modulation); err != nil {
			return err
		}
	}
	runs, err := c.chosen(w)
	if err != nil {
		return err
	}
	at := analysis.ModulationStudy(analysis.Outlines(runs...), c.Tolerance)
	at = slices.DeleteFunc(at, func(a analysis.ModulationAt) bool {
		return !(len(c.At) == 0 && len(a.Results) > 1 || slices.Contains(c.At, a.Frequency))
	})
	numbers := tell.Numbers(runs)
	shape := tell.ModulationShape{Runs: numbers, Tolerance: c.Tolerance, At: at}
	return errors.Join(c.print(w, tell.ModulationStudy(numbers, c.Tolerance, at), shape), incomplete)
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
		if c.Runs, incomplete, err = c.exposing(c.At).Repeat(w, c.Times, c.Reclamp); err != nil {
			return err
		}
	}
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	as := 0
	if len(c.Runs) == 0 {
		r, err := newestOf(book, nil)
		if err != nil {
			return err
		}
		as = r.Number
	}
	t, err := book.Repeat(c.Runs, as)
	if err != nil {
		return err
	}
	return errors.Join(c.print(w, t.Study(), t), incomplete)
}

// print prints a study, or its documented shape.
func (f studyFlags) print(w *terminal.World, s tell.Study, shape any) error {
	if f.JSON {
		return terminal.PrintShape(w.Stdout, shape)
	}
	return terminal.Sections(w.Stdout, []tell.Section{s.Section()}, true)
}
