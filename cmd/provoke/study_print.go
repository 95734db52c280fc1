package main

import (
	"fmt"
	"io"
	"math"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/threshold"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// thresholdSheet is what a threshold study prints.
type thresholdSheet struct {
	analysis.RandomStudy
	notAtOnce []analysis.NotDeterministic
}

// evaluate works out the frequencies asked for; else those that analysis.RandomStudyOf chooses.
func (c *thresholdStudy) evaluate(r result.Run) thresholdSheet {
	return thresholdSheet{notAtOnce: analysis.NotDeterministicAt(r), RandomStudy: analysis.RandomStudyOf(r, c.At,
		analysis.RandomQuestion{Model: c.Model, Probabilities: c.Probability, Confidence: c.Confidence, Memory: c.Memory})}
}

func (s thresholdSheet) print(out io.Writer) error {
	fmt.Fprintf(out, "run %d: random thresholds, %s, confidence %v\n", s.Run, s.Question.Model, s.Question.Confidence)
	if s.Stated != "" {
		fmt.Fprintf(out, "stated before the run: %s\n", s.Stated)
	} else {
		fmt.Fprintln(out, "the run was no search for a random threshold: its exposures were not placed for this, and no length was stated beforehand")
	}
	if len(s.Points) == 0 {
		fmt.Fprintln(out, "no frequency of it upset, or is shown not to be deterministic; --at FREQUENCY chooses one")
	}
	for _, x := range s.Points {
		if err := printRandom(out, x); err != nil {
			return err
		}
	}
	for _, t := range s.Refused {
		fmt.Fprintln(out, event.Printable(t))
	}
	return nil
}

func printRandom(out io.Writer, x analysis.Random) error {
	fmt.Fprintf(out, "\n%v: %s, %s", x.Frequency, english.Count(x.Exposures, "exposure", "exposures"), english.Count(x.Upsets, "upset", "upsets"))
	switch x.Overlap {
	case threshold.Separated:
		fmt.Fprintf(out, "; every pass lies below every upset: the onset lies between %v and %v, its spread is not known", x.Passed, x.Upset)
	case threshold.NoUpset:
		fmt.Fprintf(out, "; no upset up to %v", x.Passed)
	case threshold.OnlyUpsets:
		fmt.Fprintf(out, "; only upsets, down to %v", x.Upset)
	}
	fmt.Fprintln(out)
	if x.Fit != nil {
		fmt.Fprintf(out, "  spread (scale of the %s) %s", x.Fit.Model, rf.Gain(x.Fit.Sigma).Text(2))
		if d := x.DixonMood; d != nil {
			weak := ""
			if d.Weak {
				weak = ", weak"
			}
			fmt.Fprintf(out, "; by hand after Dixon and Mood %s, spread %s%s", rf.DBuA(d.Mean).Text(2), rf.Gain(d.Sigma).Text(2), weak)
		}
		fmt.Fprintf(out, "\n  a plain upward ramp with %s at each level would report the onset %s from the 50 %% level\n", english.Count(x.Chances, "chance", "chances"), x.RampBias.Text(2))
	} else if x.Overlap == threshold.Mixed {
		fmt.Fprintf(out, "  %s\n", event.Printable(x.NoFit))
	}
	t := terminal.Table(out)
	if x.Overlap == threshold.Mixed || x.Overlap == threshold.Separated {
		fmt.Fprintln(t, "  upset probability\tcurrent\tlimits (profile likelihood)\tlimits (Fieller)")
		for _, l := range x.Levels {
			fmt.Fprintf(t, "  %v\t%v\t%s\t%s\n", l.Probability, l.Current, tell.LimitWords(l.Low, l.High), tell.LimitWords(l.FiellerLow, l.FiellerHigh))
		}
		fmt.Fprintln(t, "\t\t\t")
	}
	fmt.Fprintln(t, "  level\tupsets\tprobability\tlimits (exact)")
	for _, a := range x.At {
		limits := fmt.Sprintf("%.1f %% to %.1f %%", 100*float64(a.Low), 100*float64(a.High))
		if a.Upsets == 0 {
			limits = fmt.Sprintf("at most %.1f %%", 100*float64(a.High))
		}
		fmt.Fprintf(t, "  %v\t%d of %d\t%.0f %%\t%s\n", a.Current, a.Upsets, a.Trials, 100*float64(a.Upsets)/float64(a.Trials), limits)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, n := range x.Notes {
		fmt.Fprintf(out, "  %s\n", n)
	}
	return nil
}

// The shapes of --json.
type (
	thresholdJSON struct {
		Run              int                         `json:"run"`
		Stated           string                      `json:"stated"`
		Confidence       float64                     `json:"confidence"`
		Model            string                      `json:"model"`
		At               []randomJSON                `json:"at"`
		NotDeterministic []tell.NotDeterministicJSON `json:"not_deterministic"`
	}
	randomJSON struct {
		Hz        float64           `json:"hz"`
		Exposures int               `json:"exposures"`
		Upsets    int               `json:"upsets"`
		Overlap   string            `json:"overlap"`
		Passed    *rf.Quantity      `json:"passed"`
		Upset     *rf.Quantity      `json:"upset"`
		Spread    *float64          `json:"spread_db"`
		NoFit     string            `json:"no_fit,omitempty"`
		Levels    []randomLevelJSON `json:"levels"`
		DixonMood *dixonMoodJSON    `json:"dixon_mood"`
		RampBias  *float64          `json:"ramp_bias_db"`
		Chances   int               `json:"chances"`
		Shares    []upsetShareJSON  `json:"shares"`
		Notes     []string          `json:"notes"`
	}
	randomLevelJSON struct {
		Probability float64      `json:"probability"`
		Current     *rf.Quantity `json:"current"`
		Low         *rf.Quantity `json:"low"`
		High        *rf.Quantity `json:"high"`
		FiellerLow  *rf.Quantity `json:"fieller_low"`
		FiellerHigh *rf.Quantity `json:"fieller_high"`
	}
	dixonMoodJSON struct {
		Mean  *rf.Quantity `json:"mean"`
		Sigma *float64     `json:"sigma_db"`
		Weak  bool         `json:"weak"`
	}
	upsetShareJSON struct {
		Current *rf.Quantity `json:"current"`
		Trials  int          `json:"trials"`
		Upsets  int          `json:"upsets"`
		Low     float64      `json:"low"`
		High    float64      `json:"high"`
	}
)

func (s thresholdSheet) json() thresholdJSON {
	out := thresholdJSON{Run: s.Run, Stated: s.Stated, Confidence: rounded(float64(s.Question.Confidence)), Model: string(s.Question.Model), At: []randomJSON{}, NotDeterministic: []tell.NotDeterministicJSON{}}
	for _, n := range s.notAtOnce {
		out.NotDeterministic = append(out.NotDeterministic, tell.NotDeterministicJSON{Hz: n.Frequency.Hz(), Why: n.Why})
	}
	for _, x := range s.Points {
		q := randomJSON{Hz: x.Frequency.Hz(), Exposures: x.Exposures, Upsets: x.Upsets, Overlap: string(x.Overlap), Passed: x.Passed.Quantity(), Upset: x.Upset.Quantity(),
			NoFit: x.NoFit, Levels: []randomLevelJSON{}, Chances: x.Chances, Shares: []upsetShareJSON{}, Notes: append([]string{}, x.Notes...)}
		if x.Fit != nil {
			q.Spread, q.RampBias = rf.OrNull(rf.Gain(x.Fit.Sigma), 3), rf.OrNull(x.RampBias, 3)
		}
		if d := x.DixonMood; d != nil {
			q.DixonMood = &dixonMoodJSON{rf.DBuA(d.Mean).Quantity(), rf.OrNull(rf.Gain(d.Sigma), 3), d.Weak}
		}
		for _, l := range x.Levels {
			q.Levels = append(q.Levels, randomLevelJSON{rounded(float64(l.Probability)), l.Current.Quantity(), l.Low.Quantity(), l.High.Quantity(), l.FiellerLow.Quantity(), l.FiellerHigh.Quantity()})
		}
		for _, a := range x.At {
			q.Shares = append(q.Shares, upsetShareJSON{a.Current.Quantity(), a.Trials, a.Upsets, rounded(float64(a.Low)), rounded(float64(a.High))})
		}
		out.At = append(out.At, q)
	}
	return out
}

// dwellJSON is the shape of a dwell study.
type dwellJSON struct {
	Run        int           `json:"run"`
	Confidence float64       `json:"confidence"`
	Share      float64       `json:"share"`
	At         []dwellAtJSON `json:"at"`
	Latency    float64       `json:"latency_s"`
}

type dwellAtJSON struct {
	Hz        float64   `json:"hz"`
	Exposures int       `json:"exposures"`
	Upsets    int       `json:"upsets"`
	Times     []float64 `json:"times_s"`
	Longest   float64   `json:"longest_without_s"`
	Median    *float64  `json:"median_s"`
	Rate      *float64  `json:"rate_per_s"`
	RateLow   *float64  `json:"rate_low"`
	RateHigh  *float64  `json:"rate_high"`
	Shape     *float64  `json:"shape"`
	Scale     *float64  `json:"scale_s"`
	Character string    `json:"character"`
	Needed    *float64  `json:"needed_s"`
	Shown     bool      `json:"needed_shown"`
	By        string    `json:"needed_by"`
	ToShow    int       `json:"exposures_to_show"`
	Dwell     float64   `json:"dwell_s"` // of the exposures
}

func (c *dwellStudy) evaluate(r result.Run) (dwellJSON, error) {
	if !(c.Share > 0 && c.Share < 1) {
		return dwellJSON{}, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--share %v is not between 0 %% and 100 %%", c.Share))
	}
	study, err := analysis.DwellStudyOf(r, c.At, c.Share, c.Confidence)
	out := dwellJSON{Run: r.Number, Confidence: rounded(float64(c.Confidence)), Share: rounded(float64(c.Share)), At: []dwellAtJSON{}, Latency: study.Latency.Std().Seconds()}
	if err != nil {
		return out, err
	}
	for _, d := range study.At {
		n := d.Needed
		x := dwellAtJSON{Hz: d.Frequency.Hz(), Exposures: d.Exposures, Upsets: d.Upsets, Times: []float64{}, Longest: rounded(d.Longest), Median: rf.OrNull(d.Median, 4), Rate: rf.OrNull(d.Rate, 4),
			RateLow: rf.OrNull(d.RateLow, 4), RateHigh: rf.OrNull(d.RateHigh, 4), Shape: rf.OrNull(d.Shape, 4), Scale: rf.OrNull(d.Scale, 4), Character: string(d.Character),
			Needed: rf.OrNull(n.Seconds, 4), Shown: n.Shown, By: n.Method, ToShow: n.Exposures, Dwell: r.Opened.Dwell.Std().Seconds()}
		for _, t := range d.Times {
			x.Times = append(x.Times, rounded(t))
		}
		out.At = append(out.At, x)
	}
	return out, nil
}

func secondsText(x *float64) string {
	if x == nil {
		return "–"
	}
	return rf.Duration(time.Duration(*x * 1e9).Round(time.Microsecond)).String()
}

func (c *dwellStudy) print(out io.Writer, r result.Run, s dwellJSON) error {
	fmt.Fprintf(out, "run %d: time to upset, exposures of at most %v, confidence %v\n", r.Number, r.Opened.Dwell, c.Confidence)
	if r.Opened.Search == nil || r.Opened.Search.Method != plan.Repeated {
		fmt.Fprintln(out, "the run was no dwell study: its exposures are of different levels, and short ones cut off late upsets")
	}
	t := terminal.Table(out)
	fmt.Fprintln(t, "frequency\texposures\tupset\tshortest\tmedian\tlongest\ttimes")
	for _, x := range s.At {
		first, last := (*float64)(nil), (*float64)(nil)
		if n := len(x.Times); n > 0 {
			first, last = &x.Times[0], &x.Times[n-1]
		}
		fmt.Fprintf(t, "%v\t%d\t%d\t%s\t%s\t%s\t%s\n", rf.Frequency(x.Hz), x.Exposures, x.Upsets, secondsText(first), secondsText(x.Median), secondsText(last), x.Character)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	longest := 0.0
	for _, x := range s.At {
		f := rf.Frequency(x.Hz)
		if x.Needed == nil {
			fmt.Fprintf(out, "%v: the dwell that catches %v cannot be said", f, c.Share)
			if x.Upsets == 0 && x.RateHigh != nil {
				fmt.Fprintf(out, "; upsets come at most %.3g times a second", *x.RateHigh)
			}
			fmt.Fprintln(out)
			continue
		}
		longest = max(longest, *x.Needed)
		fmt.Fprintf(out, "%v: a dwell of %s catches %v of the upsets (%s)", f, secondsText(x.Needed), c.Share, x.By)
		if !x.Shown {
			fmt.Fprintf(out, "; %d exposures would show it without a distribution", x.ToShow)
		}
		if x.Exposures > x.Upsets {
			fmt.Fprintf(out, "; %d of %d exposures did not upset at all", x.Exposures-x.Upsets, x.Exposures)
		}
		fmt.Fprintln(out)
	}
	if s.Latency > 0 {
		fmt.Fprintf(out, "times hold the monitor's own delay, up to %s\n", secondsText(&s.Latency))
	}
	if longest > 0 {
		up := math.Ceil(longest*100) / 100
		fmt.Fprintf(out, "write into the bench file, and every plan with a shorter dwell is warned of:\n  dut: {needed_dwell: %s}\n", inSeconds(rf.Duration(up*1e9)))
	}
	return nil
}

// modulationSheet is what a modulation study prints.
type modulationSheet struct {
	runs      []int
	tolerance rf.Gain
	at        []analysis.ModulationAt
}

func (c *modulationStudy) evaluate(runs []result.Run) modulationSheet {
	s := modulationSheet{tolerance: c.Tolerance}
	for _, r := range runs {
		s.runs = append(s.runs, r.Number)
	}
	asked := map[rf.Frequency]bool{}
	for _, f := range c.At {
		asked[f] = true
	}
	for _, a := range analysis.ModulationStudy(runs, c.Tolerance) {
		if len(c.At) == 0 && len(a.Results) > 1 || asked[a.Frequency] {
			s.at = append(s.at, a)
		}
	}
	return s
}

func (s modulationSheet) print(out io.Writer) error {
	fmt.Fprintf(out, "modulation study, %s: onset as the run's level means it, as carrier, at the crest, and as mean\n\n", numbersOf(s.runs))
	t := terminal.Table(out)
	fmt.Fprintln(t, "frequency\tmodulation\trun\tonset\tcarrier\tcrest\tmean")
	for _, a := range s.at {
		for _, r := range a.Results {
			fmt.Fprintf(t, "%v\t%s\t%d\t%v\t%v\t%v\t%v\n", a.Frequency, analysis.Modulation(r.Modulation), r.Run, r.Onset, r.Carrier, r.Crest, r.Mean)
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	for _, a := range s.at {
		fmt.Fprintf(out, "%v: answers to %s (%s)\n", a.Frequency, a.Responds, a.Why)
	}
	if len(s.at) == 0 {
		fmt.Fprintln(out, "no frequency was exposed under more than one modulation")
	}
	return nil
}

type (
	modulationJSON struct {
		Runs      []int              `json:"runs"`
		Tolerance *float64           `json:"tolerance_db"`
		At        []modulationAtJSON `json:"at"`
	}
	modulationAtJSON struct {
		Hz         float64                `json:"hz"`
		Responds   string                 `json:"responds"`
		Why        string                 `json:"why"`
		PeakSpread *float64               `json:"peak_spread_db"`
		MeanSpread *float64               `json:"mean_spread_db"`
		Results    []modulationResultJSON `json:"results"`
	}
	modulationResultJSON struct {
		Run        int          `json:"run"`
		Modulation string       `json:"modulation"`
		Onset      *rf.Quantity `json:"onset"`
		Carrier    *rf.Quantity `json:"carrier"`
		Crest      *rf.Quantity `json:"crest"`
		Mean       *rf.Quantity `json:"mean"`
	}
)

func (s modulationSheet) json() modulationJSON {
	out := modulationJSON{Runs: s.runs, Tolerance: rf.OrNull(s.tolerance, 3), At: []modulationAtJSON{}}
	for _, a := range s.at {
		q := modulationAtJSON{a.Frequency.Hz(), string(a.Responds), a.Why, rf.OrNull(a.PeakSpread, 3), rf.OrNull(a.MeanSpread, 3), []modulationResultJSON{}}
		for _, r := range a.Results {
			q.Results = append(q.Results, modulationResultJSON{r.Run, analysis.Modulation(r.Modulation), r.Onset.Quantity(), r.Carrier.Quantity(), r.Crest.Quantity(), r.Mean.Quantity()})
		}
		out.At = append(out.At, q)
	}
	return out
}

// repeatSheet is the shape of a repeat study.
type repeatSheet struct {
	Runs     []int              `json:"runs"`
	Onset    []repeatedJSON     `json:"onset"`
	Transfer []transferJSON     `json:"transfer"`
	Drift    []runDriftJSON     `json:"drift"`
	spread   analysis.Transfers // for print
}

type repeatedJSON struct {
	Hz        float64      `json:"hz"`
	N         int          `json:"n"`
	Bounds    int          `json:"bounds"`
	Upset     int          `json:"upset"`
	Tested    int          `json:"tested"`
	Mean      *rf.Quantity `json:"mean"`
	Low       *rf.Quantity `json:"low"`
	High      *rf.Quantity `json:"high"`
	Deviation *float64     `json:"deviation_db"`
}

type transferJSON struct {
	Hz        float64  `json:"hz"`
	N         int      `json:"n"`
	Deviation *float64 `json:"deviation_db"`
}

type runDriftJSON struct {
	Run     int      `json:"run"`
	Hz      float64  `json:"hz"`
	Drift   *float64 `json:"drift_db"`
	U       *float64 `json:"u_db"`
	Drifted bool     `json:"drifted"`
	Says    string   `json:"says"`
}

func (c *repeatStudy) evaluate(w *terminal.World) (repeatSheet, error) {
	out := repeatSheet{Onset: []repeatedJSON{}, Transfer: []transferJSON{}, Drift: []runDriftJSON{}}
	var runs []result.Run
	if len(c.Runs) > 0 {
		job, read, err := c.read(w, c.Runs)
		if err != nil {
			return out, err
		}
		defer job.Close()
		runs = read
		for _, r := range runs {
			out.drift(r, func() (rf.Gain, error) { return uncertaintyAtCheck(w, job, r) })
		}
	} else {
		job, newest, err := c.newest(w, nil)
		if err != nil {
			return out, err
		}
		defer job.Close()
		if runs, err = repeatsOf(w, job, newest); err != nil {
			return out, err
		}
		for _, r := range runs {
			out.drift(r, func() (rf.Gain, error) { return uncertaintyAtCheck(w, job, r) })
		}
	}
	if len(runs) < 2 {
		return out, fmt.Errorf("a spread needs two runs of the same plan on the same bench; there is %s: give --plan PLAN.yaml to make them", english.Count(len(runs), "run", "runs"))
	}
	r := analysis.Repeat(runs)
	out.Runs, out.spread = r.Runs, analysis.Transfers(r.Transfer)
	for _, x := range r.Onset {
		out.Onset = append(out.Onset, repeatedJSON{x.Frequency.Hz(), x.N, x.Bounds, x.Upset, x.Tested, x.Mean.Quantity(), x.Low.Quantity(), x.High.Quantity(), rf.OrNull(x.Deviation, 3)})
	}
	for _, x := range r.Transfer {
		out.Transfer = append(out.Transfer, transferJSON{x.Frequency.Hz(), x.N, rf.OrNull(x.Deviation, 3)})
	}
	return out, nil
}

// drift adds how the check point of a run moved.
func (s *repeatSheet) drift(r result.Run, known func() (rf.Gain, error)) {
	d, ok := analysis.StabilityOf(r)
	if !ok {
		return
	}
	x := runDriftJSON{Run: r.Number, Hz: d.Frequency.Hz(), Drift: rf.OrNull(d.Drift, 3)}
	u, err := known()
	if err != nil {
		x.Says = fmt.Sprintf("the current at the check point %v moved by %s at most at the same drive; its uncertainty is not known: %v", d.Frequency, d.Drift.Text(2), err)
	} else {
		x.U, x.Drifted, x.Says = rf.OrNull(u, 3), d.Drifted(u), d.Says(u)
	}
	s.Drift = append(s.Drift, x)
}

func (s repeatSheet) print(out io.Writer) error {
	fmt.Fprintf(out, "%s repeat one another\n\n", numbersOf(s.Runs))
	t := terminal.Table(out)
	fmt.Fprintln(t, "frequency\tupset in\tmean onset\tlowest\thighest\tdeviation of the onset\tof the current at the same drive")
	for _, x := range s.Onset {
		transfer, n := s.spread.At(rf.Frequency(x.Hz))
		current := "–"
		if n > 1 {
			current = fmt.Sprintf("%s (%d runs)", transfer.Text(2), n)
		}
		deviation := "–"
		if x.Deviation != nil {
			deviation = fmt.Sprintf("%.2f dB (%d runs)", *x.Deviation, x.N)
		}
		if x.Bounds > 0 && x.Upset > 0 {
			deviation += fmt.Sprintf(", %d only bounds", x.Bounds)
		}
		fmt.Fprintf(t, "%v\t%d of %d\t%s\t%s\t%s\t%s\t%s\n", rf.Frequency(x.Hz), x.Upset, x.Tested, quantityText(x.Mean), quantityText(x.Low), quantityText(x.High), deviation, current)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, x := range s.Onset {
		if x.Upset > 0 && x.Upset < x.Tested {
			fmt.Fprintf(out, "%v: upset in %d of %d runs only: the product is not deterministic there, or the set-up is not\n", rf.Frequency(x.Hz), x.Upset, x.Tested)
		}
	}
	for _, d := range s.Drift {
		fmt.Fprintf(out, "run %d: %s\n", d.Run, d.Says)
	}
	return nil
}
