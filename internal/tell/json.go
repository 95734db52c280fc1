package tell

import (
	"provoke/internal/findings/analysis"
	"provoke/internal/units/rf"
)

// FindingsJSON is the shape of `provoke findings --json`. Names are stable. A quantity is an
// rf.Quantity, with its bound where one applies; what is not known is null. Frequencies in fields
// that end in "hz" are numbers in hertz, gains in fields that end in "db" numbers in decibel.
type FindingsJSON struct {
	Run         int          `json:"run"`
	Kind        string       `json:"kind"`
	Label       string       `json:"label"`
	Changed     string       `json:"changed"`
	Verdict     *string      `json:"verdict"` // null while the run is open
	Profile     ProfileJSON  `json:"profile"`
	Modulation  string       `json:"modulation"`
	Points      []PointJSON  `json:"points"`
	Bands       []BandJSON   `json:"bands"`
	MarginTo    string       `json:"margin_to"` // "the level wanted", or "the calibrated drive" where a calibration was replayed
	Exposures   int          `json:"exposures"`
	Upsets      int          `json:"upsets"` // frequencies that upset
	Highest     *rf.Quantity `json:"highest"`
	Control     *int         `json:"control"` // run that upsets were compared with
	FalseAlarms *AlarmsJSON  `json:"false_alarms"`
	Drift       []DriftJSON  `json:"drift"`
	// Uncertainty says what the u_db of the points rest on; null where none is stated.
	Uncertainty *UncertaintyJSON `json:"uncertainty"`
	// NotDeterministic are frequencies at which the DUT gave both outcomes, or an upset below a pass.
	NotDeterministic []NotDeterministicJSON `json:"not_deterministic"`
}

// UncertaintyJSON is how the uncertainties of a run's onsets are stated.
type UncertaintyJSON struct {
	Confidence float64 `json:"confidence"`
	Bench      string  `json:"bench"`
	SHA256     string  `json:"bench_sha256"`
	Rests      string  `json:"rests"`
}

// NotDeterministicJSON is one frequency of a DUT that is not deterministic.
type NotDeterministicJSON struct {
	Hz  float64 `json:"hz"`
	Why string  `json:"why"`
}

// ProfileJSON is the level profile; Mark is the words to show with it where it is not verified.
type ProfileJSON struct {
	ID       string  `json:"id"`
	Title    string  `json:"title"`
	Verified bool    `json:"verified"`
	Mark     *string `json:"mark"`
}

// PointJSON is one frequency of the immunity profile.
type PointJSON struct {
	Hz          float64      `json:"hz"`
	Onset       *rf.Quantity `json:"onset"`
	Recovery    *rf.Quantity `json:"recovery"`
	Wanted      *rf.Quantity `json:"wanted"`
	MarginDB    *float64     `json:"margin_db"`
	MarginBound *string      `json:"margin_bound"` // "at least", "at most"; null when exact or not known
	Class       *string      `json:"class"`        // null where nothing upset
	Exposures   int          `json:"exposures"`
	Upset       bool         `json:"upset"`
	Origin      *string      `json:"onset_origin"` // "measured", "asked for", "predicted"
	Below       *rf.Quantity `json:"below"`        // highest that did not upset under the onset
	Reached     *rf.Quantity `json:"reached"`
	Upsets      int          `json:"upsets_at_onset"`
	Trials      int          `json:"trials_at_onset"`
	Latched     bool         `json:"latched"`
	NotReached  bool         `json:"not_reached"`
	Limited     *string      `json:"limited"`
	Monotone    string       `json:"monotone"`
	MonitorOrAE bool         `json:"monitor_or_ae"`
	// UDB is the expanded uncertainty of the current, K its coverage factor; the onset lies from Low to High with
	// the same confidence (low null where no level below was stood). Null where none is stated.
	UDB  *float64     `json:"u_db"`
	K    *float64     `json:"k"`
	Low  *rf.Quantity `json:"onset_low"`
	High *rf.Quantity `json:"onset_high"`
}

// BandJSON is one failing band. below_hz and above_hz are the nearest frequencies outside; the edge
// lies between only where low_shown and high_shown say so.
type BandJSON struct {
	LowHz       float64      `json:"low_hz"`
	HighHz      float64      `json:"high_hz"`
	BelowHz     *float64     `json:"below_hz"`
	AboveHz     *float64     `json:"above_hz"`
	LowShown    bool         `json:"low_shown"`
	HighShown   bool         `json:"high_shown"`
	LowGap      bool         `json:"low_not_exposed"` // nothing was exposed between the band and below_hz, which upset too
	HighGap     bool         `json:"high_not_exposed"`
	LowestHz    float64      `json:"lowest_hz"`
	Lowest      *rf.Quantity `json:"lowest_onset"`
	Wanted      *rf.Quantity `json:"wanted"`
	MarginDB    *float64     `json:"margin_db"`
	MarginBound *string      `json:"margin_bound"`
	Class       *string      `json:"class"`
	Points      int          `json:"points"`
	Exposures   int          `json:"exposures"`
	Monotone    string       `json:"monotone"`
	MonitorOrAE bool         `json:"monitor_or_ae"`
}

// AlarmsJSON counts the false alarms of a baseline.
type AlarmsJSON struct {
	Alarms int `json:"alarms"`
	Dwells int `json:"dwells"`
}

// DriftJSON is how far a monitor's reading without RF moved from the first point's.
type DriftJSON struct {
	Monitor string  `json:"monitor"`
	Unit    string  `json:"unit"`
	First   float64 `json:"first"`
	Last    float64 `json:"last"`
	Largest float64 `json:"largest"`
	Exceeds bool    `json:"exceeds_half_tolerance"`
}

// ComparisonJSON is the shape of `provoke compare --json`.
type ComparisonJSON struct {
	Before       RunJSON            `json:"before"`
	After        RunJSON            `json:"after"`
	MarginDB     float64            `json:"margin_asked_db"`
	GainOf       string             `json:"gain_of"` // "current", or "drive" where both runs replayed a calibration
	Verdict      string             `json:"verdict"` // "shown", "not shown", "no difference shown", "worse"
	Reasons      []string           `json:"reasons"`
	Differences  []DifferenceJSON   `json:"differences"`
	Reservations []string           `json:"reservations"`
	Points       []ComparedJSON     `json:"points"`
	Bands        []ComparedBandJSON `json:"bands"`
	// Predicted is what provoke remedy predicted before the change, kept with the before-run; null
	// where nothing was.
	Predicted *PredictedJSON `json:"predicted"`
}

// RunJSON names a run.
type RunJSON struct {
	Run     int    `json:"run"`
	Label   string `json:"label"`
	Changed string `json:"changed"`
}

// DifferenceJSON is something that differs between the runs; with forbids the verdict cannot be
// "shown".
type DifferenceJSON struct {
	What    string `json:"what"`
	Before  string `json:"before"`
	After   string `json:"after"`
	Forbids bool   `json:"forbids"`
}

// ComparedJSON is one frequency of both runs.
type ComparedJSON struct {
	Hz        float64      `json:"hz"`
	Before    *rf.Quantity `json:"before"` // onset
	After     *rf.Quantity `json:"after"`
	Wanted    *rf.Quantity `json:"wanted"`
	Required  *rf.Quantity `json:"required"`
	GainDB    *float64     `json:"gain_db"`
	GainBound *string      `json:"gain_bound"`
	Verdict   string       `json:"verdict"`
	Why       *string      `json:"why"`
}

// ComparedBandJSON is a failing band before, after, or both.
type ComparedBandJSON struct {
	Before    *BandJSON `json:"before"`
	After     *BandJSON `json:"after"`
	Fate      string    `json:"fate"`
	GainDB    *float64  `json:"least_gain_db"`
	GainBound *string   `json:"least_gain_bound"`
}

// JSON is the shape of provoke findings --json.
func (t RunTold) JSON() FindingsJSON {
	out, o := Findings(t.Findings), t.Onsets
	if o.Worst.Components == nil {
		return out
	}
	out.Uncertainty = &UncertaintyJSON{Confidence: rf.Round(float64(o.Worst.Expanded.Confidence), 4), Bench: o.Bench.Name, SHA256: o.Bench.Hash, Rests: o.Worst.Rests()}
	for i, p := range out.Points {
		if u, ok := o.At[rf.Frequency(p.Hz)]; ok {
			out.Points[i].UDB, out.Points[i].K = rf.OrNullRounded(u.U(), 3), rf.OrNullRounded(u.K(), 4)
			out.Points[i].Low, out.Points[i].High = u.Low.Quantity(), u.High.Quantity()
		}
	}
	return out
}

// Findings returns the JSON shape of findings.
func Findings(f analysis.Findings) FindingsJSON {
	out := FindingsJSON{
		Run: f.Run, Kind: string(f.Opened.RunKind), Label: f.Opened.Label, Changed: f.Opened.Changed,
		Profile:    ProfileJSON{ID: f.Opened.Profile.ID, Title: f.Opened.Profile.Title, Verified: f.Opened.Profile.Verified},
		Modulation: analysis.Modulation(f.Opened.Modulation),
		Points:     []PointJSON{}, Bands: []BandJSON{}, Drift: []DriftJSON{},
		MarginTo: f.Level(), Exposures: f.Exposures, Upsets: f.Upsets, Highest: f.Highest.Quantity(),
	}
	if f.Ended {
		out.Verdict = text(string(f.Verdict))
	}
	if mark := f.Opened.Profile.Mark(); mark != "" {
		out.Profile.Mark = text(mark)
	}
	if f.Control != 0 {
		out.Control = &f.Control
	}
	for _, p := range f.Points {
		out.Points = append(out.Points, point(p))
	}
	for _, b := range f.Bands {
		out.Bands = append(out.Bands, *band(&b))
	}
	if a := f.FalseAlarms; a != nil {
		out.FalseAlarms = &AlarmsJSON{a.Alarms, a.Dwells}
	}
	for _, d := range f.Drift {
		out.Drift = append(out.Drift, DriftJSON{d.Monitor, d.Unit, d.First, d.Last, d.Largest, d.Exceeds()})
	}
	out.NotDeterministic = []NotDeterministicJSON{}
	for _, n := range f.NotDeterministic {
		out.NotDeterministic = append(out.NotDeterministic, NotDeterministicJSON{n.Frequency.Hz(), n.Why})
	}
	return out
}

func point(p analysis.Point) PointJSON {
	return PointJSON{
		Hz: p.Frequency.Hz(), Onset: p.Onset.Quantity(), Recovery: p.Recovery.Quantity(), Wanted: p.Wanted.Quantity(),
		MarginDB: rf.OrNullRounded(p.Margin, 3), MarginBound: bound(p.MarginBound), Class: text(string(p.Class)),
		Exposures: p.Exposures, Upset: p.Upset, Origin: text(string(p.OnsetOrigin)), Below: p.Below.Quantity(),
		Reached: p.Reached.Quantity(), Upsets: p.UpsetsAtOnset, Trials: p.TrialsAtOnset, Latched: p.Latched,
		NotReached: p.NotReached, Limited: text(p.Limited), Monotone: string(p.Monotone), MonitorOrAE: p.InControl,
	}
}

func band(b *analysis.Band) *BandJSON {
	if b == nil {
		return nil
	}
	return &BandJSON{
		LowHz: b.Low.Frequency.Hz(), HighHz: b.High.Frequency.Hz(), BelowHz: b.Low.Outside.OrNull(), AboveHz: b.High.Outside.OrNull(),
		LowShown: b.Low.Shown, HighShown: b.High.Shown, LowGap: b.Low.Gap, HighGap: b.High.Gap,
		LowestHz: b.Lowest.Frequency.Hz(), Lowest: b.Lowest.Onset.Quantity(), Wanted: b.Lowest.Wanted.Quantity(),
		MarginDB: rf.OrNullRounded(b.Lowest.Margin, 3), MarginBound: bound(b.Lowest.MarginBound), Class: text(string(b.Class)),
		Points: b.Points, Exposures: b.Exposures, Monotone: string(b.Monotone), MonitorOrAE: b.InControl,
	}
}

// JSON is the shape of provoke compare --json.
func (c CompareTold) JSON() ComparisonJSON {
	out := Comparison(c.Comparison)
	out.Predicted = Predicted(c.Predicted, c.Comparison)
	return out
}

// Comparison returns the JSON shape of a comparison.
func Comparison(c analysis.Comparison) ComparisonJSON {
	out := ComparisonJSON{
		Before: runJSON(c.Before), After: runJSON(c.After), MarginDB: float64(c.Margin), Verdict: string(c.Verdict),
		Reasons: notNil(c.Reasons), Reservations: notNil(c.Reservations),
		Differences: []DifferenceJSON{}, Points: []ComparedJSON{}, Bands: []ComparedBandJSON{},
	}
	out.GainOf = "current"
	if InDrive(c) != "" {
		out.GainOf = "drive"
	}
	for _, d := range c.Differences {
		out.Differences = append(out.Differences, DifferenceJSON{d.What, d.Before, d.After, d.Forbids})
	}
	for _, p := range c.Points {
		out.Points = append(out.Points, compared(p))
	}
	for _, b := range c.Bands {
		out.Bands = append(out.Bands, ComparedBandJSON{band(b.Before), band(b.After), string(b.Fate), rf.OrNullRounded(b.LeastGain, 3), bound(b.LeastGainBound)})
	}
	return out
}

func runJSON(f analysis.Findings) RunJSON { return RunJSON{f.Run, f.Opened.Label, f.Opened.Changed} }

func compared(p analysis.ComparedPoint) ComparedJSON {
	out := ComparedJSON{
		Hz: p.Frequency.Hz(), Required: p.Required.Quantity(), Wanted: p.Wanted().Quantity(),
		GainDB: rf.OrNullRounded(p.Gain, 3), GainBound: bound(p.GainBound), Verdict: string(p.Verdict), Why: text(p.Why),
	}
	if p.Before != nil {
		out.Before = p.Before.Onset.Quantity()
	}
	if p.After != nil {
		out.After = p.After.Onset.Quantity()
	}
	return out
}

func text(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func bound(b rf.Bound) *string {
	if b == rf.Unknown {
		return nil
	}
	return text(b.String())
}

func notNil(list []string) []string {
	if list == nil {
		return []string{}
	}
	return list
}
