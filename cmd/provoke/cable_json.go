package main

import (
	"provoke/internal/files/problem"
	"provoke/internal/model/cable"
	"provoke/internal/units/rf"
)

// The documented JSON shapes of provoke cable.

type cableJSON struct {
	Name       string               `json:"name"`
	File       string               `json:"file"`
	SHA256     string               `json:"sha256"`
	Forward    *rf.Quantity         `json:"forward"`
	Impedance  float64              `json:"impedance_ohm"`
	Length     float64              `json:"length_m"`
	ModelTo    *float64             `json:"model_to_hz"`
	Clamp      string               `json:"clamp"`
	Points     []cablePointJSON     `json:"points"`
	Resonances []cableResonanceJSON `json:"resonances"`
	Along      []cableAlongJSON     `json:"along"`
	Estimate   *cableEstimateJSON   `json:"estimate"`
	Remarks    []string             `json:"remarks"`
	Warnings   problem.List         `json:"warnings"`
}

type cablePointJSON struct {
	Hz             float64      `json:"hz"`
	DUT            *rf.Quantity `json:"dut"`
	Probe          *rf.Quantity `json:"probe"`
	Clamp          *rf.Quantity `json:"clamp"`
	AE             *rf.Quantity `json:"ae"`
	Jig            *rf.Quantity `json:"jig"`
	OverJig        *float64     `json:"over_jig_db"`
	Correction     *float64     `json:"correction_db"`
	CorrectionLow  *float64     `json:"correction_low_db"`
	CorrectionHigh *float64     `json:"correction_high_db"`
	PerCentimetre  *float64     `json:"correction_db_per_cm"`
}

type cableResonanceJSON struct {
	Hz         float64  `json:"hz"`
	Kind       string   `json:"kind"` // "high" or "low"
	OverJig    *float64 `json:"over_jig_db"`
	Prominence *float64 `json:"prominence_db"`
	ToDUT      float64  `json:"wavelengths_to_dut"`
	ToAE       float64  `json:"wavelengths_to_ae"`
	Cause      string   `json:"cause"`
}

type cableAlongJSON struct {
	Hz     float64          `json:"hz"`
	Places []cablePlaceJSON `json:"places"`
}

type cablePlaceJSON struct {
	M       float64      `json:"m"`
	Current *rf.Quantity `json:"current"`
}

type cableEstimateJSON struct {
	Run        int                  `json:"run"`
	Confidence float64              `json:"confidence"`
	Quantities []cableEstimatedJSON `json:"quantities"`
	RMS        float64              `json:"rms_db"`
	Worst      float64              `json:"worst_db"`
	WorstHz    float64              `json:"worst_hz"`
	Used       int                  `json:"used"`
	Left       int                  `json:"left"`
	Converged  bool                 `json:"converged"`
	Correlated []string             `json:"correlated"`
}

type cableEstimatedJSON struct {
	Name  string   `json:"name"`
	Unit  string   `json:"unit"`
	Start float64  `json:"start"`
	Value *float64 `json:"value"`
	Low   *float64 `json:"low"`
	High  *float64 `json:"high"`
}

// valueOrNull is an estimated figure, or null where the readings do not tell it.
func valueOrNull(q cable.Estimated) *float64 {
	if !q.Known() {
		return nil
	}
	return rf.OrNull(q.Value, -1)
}

func gainOrNull(g rf.Gain) *float64 { return rf.OrNull(g, -1) }

// json returns the sheet for --json: the frequencies that were asked for, or all of the file.
func (s *cableSheet) json(asked bool) cableJSON {
	c := s.cable
	out := cableJSON{Name: c.Name, File: c.File, SHA256: c.Hash, Forward: c.Forward.Quantity(), Impedance: float64(c.Line.Impedance), Length: float64(c.Length()),
		Clamp: c.ClampWhat, Points: []cablePointJSON{}, Resonances: []cableResonanceJSON{}, Along: []cableAlongJSON{}, Remarks: append([]string{}, c.Remarks...), Warnings: append(problem.List{}, s.warnings...)}
	if f := c.Above(); f.Known() {
		out.ModelTo = rf.OrNull(f.Hz(), -1)
	}
	r, sensitive := s.shown, s.sensitive
	if !asked {
		if whole, err := c.Sensitivity(s.whole.Grid); err == nil {
			r, sensitive = s.whole, whole
		}
	}
	for i := range r.Grid.Len() {
		out.Points = append(out.Points, pointJSON(r, i, sensitive[i]))
	}
	for _, x := range s.resonances {
		kind := "low"
		if x.Peak {
			kind = "high"
		}
		out.Resonances = append(out.Resonances, cableResonanceJSON{x.At.Hz(), kind, gainOrNull(x.OverJig), gainOrNull(x.Prominence), x.ToDUT, x.ToAE, x.Cause})
	}
	for _, a := range s.along {
		line := cableAlongJSON{Hz: a.at.Hz()}
		for _, p := range a.places {
			line.Places = append(line.Places, cablePlaceJSON{float64(p.At), amperes(p.Current).Quantity()})
		}
		out.Along = append(out.Along, line)
	}
	out.Estimate = s.estimateJSON()
	return out
}

func pointJSON(r *cable.Response, i int, x cable.Sensitivity) cablePointJSON {
	p := cablePointJSON{Hz: r.Grid.Hz(i), DUT: amperes(r.DUT[i]).Quantity(), Probe: amperes(r.Probe[i]).Quantity(), Clamp: amperes(r.Clamp[i]).Quantity(),
		AE: amperes(r.AE[i]).Quantity(), Jig: rf.Amperes(r.Jig[i]).Quantity(), OverJig: gainOrNull(r.OverJig(i))}
	if g, ok := r.Correction(i); ok {
		p.Correction, p.CorrectionLow, p.CorrectionHigh, p.PerCentimetre = gainOrNull(g), gainOrNull(x.Low), gainOrNull(x.High), gainOrNull(x.PerCentimetre)
	}
	return p
}

func (s *cableSheet) estimateJSON() *cableEstimateJSON {
	e := s.estimate
	if e == nil {
		return nil
	}
	out := &cableEstimateJSON{Run: s.run, Confidence: e.Confidence, RMS: e.RMS.DB(), Worst: e.Worst.DB(), WorstHz: e.WorstAt.Hz(), Used: e.Used, Left: e.Left, Converged: e.Converged, Correlated: append([]string{}, e.Correlated...)}
	for _, q := range e.Quantities {
		out.Quantities = append(out.Quantities, cableEstimatedJSON{string(q.Quantity), q.Unit, q.Start, valueOrNull(q), rf.OrNull(q.Low, -1), rf.OrNull(q.High, -1)})
	}
	return out
}
