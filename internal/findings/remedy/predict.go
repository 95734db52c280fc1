package remedy

import (
	"encoding/json"
	"fmt"
	"math"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/result"
	"provoke/internal/model/tracking"
	"provoke/internal/units/rf"
)

// PredictionKind names the format of a kept prediction.
const PredictionKind = "remedy prediction 1"

// PredictionName is how its file is called in a job.
const PredictionName = "remedy-prediction.json"

// Prediction is what was predicted before the product was changed, kept in the job beside the run.
type Prediction struct {
	Provoke string   `json:"provoke"` // PredictionKind
	Run     int      `json:"run"`     // before the change
	Change  []string `json:"change"`  // the combination
	Cable   string   `json:"cable"`   // SHA-256 of the cable file, and what was estimated from
	Parts   string   `json:"parts"`   // SHA-256 of the parts file
	Spread  bool     `json:"spread"`  // the bands come from a spread; else they are the middle itself
	// Points are the effects on the onset as a probe current, and for the same drive, in dB.
	Points []PredictedPoint `json:"points"`
}

// PredictedPoint is one frequency.
type PredictedPoint struct {
	Hz        float64 `json:"hz"`
	Probe     float64 `json:"same_probe_db"`
	ProbeLow  float64 `json:"same_probe_low_db"`
	ProbeHigh float64 `json:"same_probe_high_db"`
	Drive     float64 `json:"same_drive_db"`
	DriveLow  float64 `json:"same_drive_low_db"`
	DriveHigh float64 `json:"same_drive_high_db"`
}

// Predict makes a prediction of a combination.
func (m *Model) Predict(c Combination, run int, spread Spread, cableHash, partsHash string) Prediction {
	p := Prediction{Provoke: PredictionKind, Run: run, Change: c.Names(), Cable: cableHash, Parts: partsHash,
		Spread: spread.Known()}
	for i, e := range c.Effects {
		b := c.Bands[i]
		p.Points = append(p.Points, PredictedPoint{m.grid.Hz(i), float64(e.SameProbe), float64(b.Low.SameProbe),
			float64(b.High.SameProbe),
			float64(e.SameDrive), float64(b.Low.SameDrive), float64(b.High.SameDrive)})
	}
	return p
}

// ReadPrediction reads a kept prediction.
func ReadPrediction(data []byte) (Prediction, error) {
	var p Prediction
	if err := json.Unmarshal(data, &p); err != nil {
		return p, fmt.Errorf("read the prediction: %w", err)
	}
	if p.Provoke != PredictionKind {
		return p, fmt.Errorf("read the prediction: it is of kind %q, not %q", p.Provoke, PredictionKind)
	}
	last := 0.0
	for i, x := range p.Points {
		if !(x.Hz > last) || !(x.ProbeLow <= x.Probe && x.Probe <= x.ProbeHigh) ||
			!(x.DriveLow <= x.Drive && x.Drive <= x.DriveHigh) {
			return p, fmt.Errorf("read the prediction: point %d is not in order, or not within its own band", i+1)
		}
		last = x.Hz
	}
	return p, nil
}

// Kept returns the newest prediction that is kept with a run; nil where there is none. attachment
// returns a file of the job by its hash.
func Kept(r result.Run, attachment func(hash string) ([]byte, error)) (*Prediction, error) {
	for i := len(r.Attachments) - 1; i >= 0; i-- {
		a := r.Attachments[i]
		if a.Name != PredictionName {
			continue
		}
		data, err := attachment(a.SHA256)
		if err != nil {
			return nil, fmt.Errorf("the prediction of run %d: %w", r.Number, err)
		}
		p, err := ReadPrediction(data)
		if err != nil {
			return nil, fmt.Errorf("the prediction of run %d: %w", r.Number, err)
		}
		return &p, nil
	}
	return nil, nil
}

// at returns the prediction at a frequency, between its points over the logarithm of frequency; false
// beyond them.
func (p Prediction) at(f rf.Frequency) (PredictedPoint, bool) {
	for i, b := range p.Points {
		if math.Abs(b.Hz-f.Hz()) <= 1e-6*f.Hz() {
			return b, true
		}
		if i == 0 || b.Hz < f.Hz() {
			continue
		}
		a := p.Points[i-1]
		if a.Hz > f.Hz() {
			return PredictedPoint{}, false
		}
		u := math.Log(f.Hz()/a.Hz) / math.Log(b.Hz/a.Hz)
		mix := func(x, y float64) float64 { return x + u*(y-x) }
		return PredictedPoint{f.Hz(), mix(a.Probe, b.Probe), mix(a.ProbeLow, b.ProbeLow), mix(a.ProbeHigh, b.ProbeHigh),
			mix(a.Drive, b.Drive), mix(a.DriveLow, b.DriveLow), mix(a.DriveHigh, b.DriveHigh)}, true
	}
	return PredictedPoint{}, false
}

// Agreement is how measurement and prediction lie to each other.
type Agreement string

// The agreements.
const (
	Within   Agreement = "within the band"
	Better   Agreement = "better than predicted"
	Less     Agreement = "less than predicted"
	NotLess  Agreement = "not less than predicted" // at least that much was measured
	NotKnown Agreement = "not known"               // a bound does not say
)

// Beside is predicted and measured gain of the onset at one frequency.
type Beside struct {
	_ struct{} `tell:"hz=Frequency predicted_db=Predicted low_db=Low high_db=High measured_db=Measured"`
	_ struct{} `tell:"measured_bound=Bound agreement=Agreement"`

	Frequency            rf.Frequency
	Predicted, Low, High rf.Gain
	Measured             rf.Gain
	Bound                rf.Bound
	Agreement            Agreement
}

// PredictedBeside puts a prediction beside a comparison, at the frequencies at which the before-run
// upset. Onsets are currents at the probe, so the effect for the same probe current counts, whatever
// the mode. Half a dB, within which two runs count as the same level, is allowed on either side.
func PredictedBeside(p Prediction, c analysis.Comparison) []Beside {
	var out []Beside
	for _, x := range c.Points {
		if x.Before == nil || !x.Before.Upset || x.After == nil || !x.Gain.Finite() {
			continue
		}
		q, ok := p.at(x.Frequency)
		if !ok {
			continue
		}
		b := Beside{Frequency: x.Frequency, Predicted: rf.Gain(q.Probe), Low: rf.Gain(q.ProbeLow),
			High: rf.Gain(q.ProbeHigh), Measured: x.Gain, Bound: x.GainBound}
		b.Agreement = b.judge()
		out = append(out, b)
	}
	return out
}

func (b Beside) judge() Agreement {
	low, high := b.Low-analysis.SameLevel, b.High+analysis.SameLevel
	switch b.Bound {
	case rf.Exactly:
		switch {
		case b.Measured < low:
			return Less
		case b.Measured > high:
			return Better
		}
		return Within
	case rf.AtLeast:
		switch {
		case b.Measured > high:
			return Better
		case b.Measured >= low:
			return NotLess
		}
	case rf.AtMost:
		if b.Measured < low {
			return Less
		}
	}
	return NotKnown
}

// Tried is how a try of the fixing loop lies to a prediction.
type Tried string

// What a try says of a prediction.
const (
	Agrees      Tried = "agrees"
	Disagrees   Tried = "disagrees"
	TooWide     Tried = "too wide to tell"
	NotMeasured Tried = "not measured"
	NotModelled Tried = "not predicted there"
)

// tellingWidth is how wide limits may be that speak for a prediction: less than the 3 dB from which evidence counts.
const tellingWidth = 3

// BesideTried is predicted and tried gain of the onset at one frequency.
type BesideTried struct {
	_ struct{} `tell:"hz=Frequency predicted_db=Predicted predicted_low_db=Low predicted_high_db=High says=Says"`

	Frequency            rf.Frequency
	Predicted, Low, High rf.Gain
	Measured             tracking.Change
	Says                 Tried
}

// PredictedBesideTried puts a prediction beside the gains of a try, by their limits. The effect for the same probe
// current counts, as in PredictedBeside, with the same half a dB on either side.
func PredictedBesideTried(p Prediction, at []rf.Frequency, gains []tracking.Change) []BesideTried {
	var out []BesideTried
	for i, f := range at {
		b := BesideTried{Frequency: f, Measured: gains[i], Says: NotModelled, Predicted: rf.Gain(math.NaN()),
			Low: rf.Gain(math.NaN()), High: rf.Gain(math.NaN())}
		if q, ok := p.at(f); ok {
			b.Predicted, b.Low, b.High = rf.Gain(q.Probe), rf.Gain(q.ProbeLow), rf.Gain(q.ProbeHigh)
			b.Says = b.judge()
		}
		out = append(out, b)
	}
	return out
}

// judge compares limits with limits. Limits that hold zero say nothing for an effect that was predicted, and wide ones
// say nothing for one.
func (b BesideTried) judge() Tried {
	low, high := float64(b.Low-analysis.SameLevel), float64(b.High+analysis.SameLevel)
	c := b.Measured
	switch {
	case !c.Known():
		return NotMeasured
	case !c.HighOpen && c.High < low, !c.LowOpen && c.Low > high:
		return Disagrees
	case !c.Shown() && (low > 0 || high < 0):
		return TooWide
	case c.LowOpen && low < 0 && high > 0, c.HighOpen && low < 0 && high > 0:
		return TooWide
	case !c.LowOpen && !c.HighOpen && c.High-c.Low > math.Max(tellingWidth, high-low):
		return TooWide
	}
	return Agrees
}
