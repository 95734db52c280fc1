package tell

import (
	"provoke/internal/findings/analysis"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// The shapes of --json.
type (
	// ThresholdShape is the shape of provoke study threshold --json.
	ThresholdShape struct {
		Run              int                    `json:"run"`
		Stated           string                 `json:"stated"`
		Confidence       float64                `json:"confidence"`
		Model            string                 `json:"model"`
		At               []randomJSON           `json:"at"`
		NotDeterministic []NotDeterministicJSON `json:"not_deterministic"`
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

// ThresholdJSON is the shape of provoke study threshold --json.
func ThresholdJSON(s analysis.RandomStudy, notAtOnce []analysis.NotDeterministic) ThresholdShape {
	out := ThresholdShape{Run: s.Run, Stated: s.Stated, Confidence: rf.Round(float64(s.Question.Confidence), 4), Model: string(s.Question.Model), At: []randomJSON{}, NotDeterministic: []NotDeterministicJSON{}}
	for _, n := range notAtOnce {
		out.NotDeterministic = append(out.NotDeterministic, NotDeterministicJSON{Hz: n.Frequency.Hz(), Why: n.Why})
	}
	for _, x := range s.Points {
		q := randomJSON{Hz: x.Frequency.Hz(), Exposures: x.Exposures, Upsets: x.Upsets, Overlap: string(x.Overlap), Passed: x.Passed.Quantity(), Upset: x.Upset.Quantity(),
			NoFit: x.NoFit, Levels: []randomLevelJSON{}, Chances: x.Chances, Shares: []upsetShareJSON{}, Notes: append([]string{}, x.Notes...)}
		if x.Fit != nil {
			q.Spread, q.RampBias = rf.OrNullRounded(rf.Gain(x.Fit.Sigma), 3), rf.OrNullRounded(x.RampBias, 3)
		}
		if d := x.DixonMood; d != nil {
			q.DixonMood = &dixonMoodJSON{rf.DBuA(d.Mean).Quantity(), rf.OrNullRounded(rf.Gain(d.Sigma), 3), d.Weak}
		}
		for _, l := range x.Levels {
			q.Levels = append(q.Levels, randomLevelJSON{rf.Round(float64(l.Probability), 4), l.Current.Quantity(), l.Low.Quantity(), l.High.Quantity(), l.FiellerLow.Quantity(), l.FiellerHigh.Quantity()})
		}
		for _, a := range x.At {
			q.Shares = append(q.Shares, upsetShareJSON{a.Current.Quantity(), a.Trials, a.Upsets, rf.Round(float64(a.Low), 4), rf.Round(float64(a.High), 4)})
		}
		out.At = append(out.At, q)
	}
	return out
}

// DwellShape is the shape of a dwell study.
// DwellShape is the shape of provoke study dwell --json.
type DwellShape struct {
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

// DwellJSON is the shape of provoke study dwell --json.
func DwellJSON(r result.Run, study analysis.DwellStudy) DwellShape {
	out := DwellShape{Run: r.Number, Confidence: rf.Round(float64(study.Confidence), 4), Share: rf.Round(float64(study.Share), 4), At: []dwellAtJSON{}, Latency: study.Latency.Std().Seconds()}
	for _, d := range study.At {
		n := d.Needed
		x := dwellAtJSON{Hz: d.Frequency.Hz(), Exposures: d.Exposures, Upsets: d.Upsets, Times: []float64{}, Longest: rf.Round(d.Longest, 4), Median: rf.OrNullRounded(d.Median, 4), Rate: rf.OrNullRounded(d.Rate, 4),
			RateLow: rf.OrNullRounded(d.RateLow, 4), RateHigh: rf.OrNullRounded(d.RateHigh, 4), Shape: rf.OrNullRounded(d.Shape, 4), Scale: rf.OrNullRounded(d.Scale, 4), Character: string(d.Character),
			Needed: rf.OrNullRounded(n.Seconds, 4), Shown: n.Shown, By: n.Method, ToShow: n.Exposures, Dwell: r.Opened.Dwell.Std().Seconds()}
		for _, t := range d.Times {
			x.Times = append(x.Times, rf.Round(t, 4))
		}
		out.At = append(out.At, x)
	}
	return out
}

type (
	// ModulationShape is the shape of provoke study modulation --json.
	ModulationShape struct {
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

// ModulationJSON is the shape of provoke study modulation --json.
func ModulationJSON(runs []result.Run, tolerance rf.Gain, at []analysis.ModulationAt) ModulationShape {
	out := ModulationShape{Runs: numbers(runs), Tolerance: rf.OrNullRounded(tolerance, 3), At: []modulationAtJSON{}}
	for _, a := range at {
		q := modulationAtJSON{a.Frequency.Hz(), string(a.Responds), a.Why, rf.OrNullRounded(a.PeakSpread, 3), rf.OrNullRounded(a.MeanSpread, 3), []modulationResultJSON{}}
		for _, r := range a.Results {
			q.Results = append(q.Results, modulationResultJSON{r.Run, analysis.Modulation(r.Modulation), r.Onset.Quantity(), r.Carrier.Quantity(), r.Crest.Quantity(), r.Mean.Quantity()})
		}
		out.At = append(out.At, q)
	}
	return out
}

// RepeatShape is the shape of a repeat study.
// RepeatShape is the shape of provoke study repeat --json.
type RepeatShape struct {
	Runs     []int          `json:"runs"`
	Onset    []repeatedJSON `json:"onset"`
	Transfer []transferJSON `json:"transfer"`
	Drift    []runDriftJSON `json:"drift"`
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

// JSON is the shape of provoke study repeat --json.
func (t RepeatTold) JSON() any {
	out := RepeatShape{Runs: t.Runs, Onset: []repeatedJSON{}, Transfer: []transferJSON{}, Drift: []runDriftJSON{}}
	for _, x := range t.Onset {
		out.Onset = append(out.Onset, repeatedJSON{x.Frequency.Hz(), x.N, x.Bounds, x.Upset, x.Tested, x.Mean.Quantity(), x.Low.Quantity(), x.High.Quantity(), rf.OrNullRounded(x.Deviation, 3)})
	}
	for _, x := range t.Transfer {
		out.Transfer = append(out.Transfer, transferJSON{x.Frequency.Hz(), x.N, rf.OrNullRounded(x.Deviation, 3)})
	}
	for _, d := range t.Drift {
		x := runDriftJSON{Run: d.Run, Hz: d.Frequency.Hz(), Drift: rf.OrNullRounded(d.Drift, 3), Says: d.Words}
		if d.Known {
			x.U, x.Drifted = rf.OrNullRounded(d.U, 3), d.Drifted(d.U)
		}
		out.Drift = append(out.Drift, x)
	}
	return out
}

// numbers are the numbers of runs.
func numbers(runs []result.Run) (out []int) {
	for _, r := range runs {
		out = append(out, r.Number)
	}
	return out
}
