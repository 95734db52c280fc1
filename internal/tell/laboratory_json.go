package tell

import (
	"provoke/internal/findings/analysis"
	"provoke/internal/units/rf"
)

// The shapes of --json.
type (
	// LaboratoryShape is the shape of provoke laboratory --json.
	LaboratoryShape struct {
		Run        int                     `json:"run"`
		Laboratory string                  `json:"laboratory"`
		Report     string                  `json:"report"`
		Confidence float64                 `json:"confidence"`
		Factor     float64                 `json:"factor"`
		LabU       *float64                `json:"laboratory_u_db"`
		LabAssumed bool                    `json:"laboratory_u_assumed"`
		BenchGuess bool                    `json:"bench_u_assumed"`
		Failures   []laboratoryFailureJSON `json:"failures"`
		BenchOnly  []benchOnlyJSON         `json:"bench_only"`
	}
	laboratoryFailureJSON struct {
		From          *float64     `json:"from_hz"`
		To            *float64     `json:"to_hz"`
		Level         string       `json:"level"`
		Modulation    string       `json:"modulation"`
		Class         string       `json:"class"`
		What          string       `json:"what"`
		Fate          string       `json:"fate"`
		Exposed       int          `json:"exposed"`
		Upset         int          `json:"upset"`
		At            *float64     `json:"at_hz"`
		Onset         *rf.Quantity `json:"onset"`
		Asks          *rf.Quantity `json:"asks"`
		AsksHigh      *rf.Quantity `json:"asks_high"`
		Indicative    string       `json:"indicative,omitempty"`
		PerUnit       *rf.Quantity `json:"per_unit"`
		Unit          string       `json:"unit"`
		PublishedLow  *rf.Quantity `json:"published_low"`
		PublishedHigh *rf.Quantity `json:"published_high"`
		Published     string       `json:"published_source,omitempty"`
		Beside        string       `json:"beside,omitempty"`
		Base          *rf.Quantity `json:"base"`
		BaseFrom      string       `json:"base_from"`
		Margin        *float64     `json:"margin_db"`
		RequiredLow   *rf.Quantity `json:"required_low"`
		Required      *rf.Quantity `json:"required"`
		NoConfidence  string       `json:"no_confidence,omitempty"`
		Notes         []string     `json:"notes"`
	}
	benchOnlyJSON struct {
		Low      float64      `json:"low_hz"`
		High     float64      `json:"high_hz"`
		Onset    *rf.Quantity `json:"onset"`
		Tested   bool         `json:"tested"`
		TestedAt string       `json:"tested_at"`
		Why      string       `json:"why"`
	}
)

// LaboratoryJSON is the shape of provoke laboratory --json.
func LaboratoryJSON(l analysis.BesideLaboratory) LaboratoryShape {
	out := LaboratoryShape{Run: l.Run, Laboratory: l.Report.Laboratory, Report: l.Report.Report, Confidence: rf.Round(float64(l.Certainty.Confidence), 4),
		Factor: rf.Round(l.Certainty.Factor, 4), LabU: rf.OrNullRounded(l.Certainty.Laboratory, 3), LabAssumed: l.Certainty.AssumedLaboratory, BenchGuess: l.Certainty.AssumedBench,
		Failures: []laboratoryFailureJSON{}, BenchOnly: []benchOnlyJSON{}}
	for _, p := range l.Points {
		x := p.LaboratoryFailure
		out.Failures = append(out.Failures, laboratoryFailureJSON{x.From.OrNull(), x.To.OrNull(), x.Level, x.Modulation, x.Class, x.What, string(p.Fate), p.Exposed, p.Upset,
			p.At.OrNull(), p.Onset.Quantity(), p.Asks.Quantity(), p.AsksHigh.Quantity(), p.Indicative, p.PerUnit.Quantity(), p.Unit, p.PublishedLow.Quantity(), p.PublishedHigh.Quantity(),
			p.PublishedSource, p.Beside, p.Base.Quantity(), p.BaseFrom, rf.OrNullRounded(p.Margin, 3), p.RequiredLow.Quantity(), p.Required.Quantity(), p.NoConfidence, append([]string{}, p.Notes...)})
	}
	for _, b := range l.BenchOnly {
		out.BenchOnly = append(out.BenchOnly, benchOnlyJSON{b.Low.Frequency.Hz(), b.High.Frequency.Hz(), b.Lowest.Onset.Quantity(), b.Tested, b.TestedAt, b.Why})
	}
	return out
}
