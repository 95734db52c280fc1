package models

import (
	"provoke/internal/files/problem"
	"provoke/internal/model/cable"
	"provoke/internal/units/rf"
)

// DecouplingJSON is the decoupling for --json.
type DecouplingJSON struct {
	Name      string               `json:"name"`
	File      string               `json:"file"`
	SHA256    string               `json:"sha256"`
	Bias      *rf.Quantity         `json:"bias"`
	Stack     []stackedJSON        `json:"stack"`
	Points    []decoupledJSON      `json:"points"`
	Judgement []string             `json:"judgement"`
	Advice    decouplingAdviceJSON `json:"advice"`
	Remarks   []string             `json:"remarks"`
	Warnings  problem.List         `json:"warnings"`
}

type stackedJSON struct {
	Name     string   `json:"name"`
	Material string   `json:"material"`
	Distance float64  `json:"distance_m"`
	Turns    int      `json:"turns"`
	HalfAt   *float64 `json:"half_at_a_per_m"`
	Guessed  bool     `json:"half_at_guessed"`
	Field    float64  `json:"field_a_per_m"`
	Left     float64  `json:"permeability_left"`
}

type decoupledJSON struct {
	Hz           float64      `json:"hz"`
	Whole        bool         `json:"whole"`
	Missing      string       `json:"missing,omitempty"`
	AtLeast      *float64     `json:"at_least_ohm"`
	Stack        *[2]float64  `json:"stack_ohm"`
	Each         [][2]float64 `json:"each_ohm"`
	WrongWay     *float64     `json:"wrong_way_db"`
	WrongWayBare *float64     `json:"wrong_way_bare_db"`
	Share        *float64     `json:"share_ae"`
	ShareBare    *float64     `json:"share_ae_bare"`
	DUT          *float64     `json:"dut_db"`
	AE           *float64     `json:"ae_db"`
}

type decouplingAdviceJSON struct {
	Order []string `json:"order"`
	Gain  *float64 `json:"gain_db"`
	Text  string   `json:"text"`
}

// Shape is the decoupling for --json: the frequencies that were asked for, or all of the file.
func (s *Decoupling) Shape(asked bool) DecouplingJSON {
	out := DecouplingJSON{Name: s.Name, File: s.File, SHA256: s.Hash, Bias: s.Bias.Quantity(),
		Judgement: append([]string{}, cable.Judge(s.whole)...),
		Advice:    decouplingAdviceJSON{Gain: rf.OrNull(s.advice.Gain), Text: s.advice.Text},
		Remarks:   append([]string{}, s.Remarks...), Warnings: append(problem.List{}, s.Warnings...)}
	for _, k := range s.advice.Order {
		out.Advice.Order = append(out.Advice.Order, s.Stack[k].Name)
	}
	for _, x := range s.Stack {
		j := stackedJSON{Name: x.Name, Material: x.MaterialKey, Distance: float64(x.Distance),
			Turns: max(x.Ferrite.Turns, 1), Guessed: x.HalfAtGuess, Field: float64(x.Field), Left: x.Derating}
		if x.HalfAt > 0 {
			j.HalfAt = rf.OrNull(float64(x.HalfAt))
		}
		out.Stack = append(out.Stack, j)
	}
	rows := s.whole
	if asked {
		rows = s.shown
	}
	for _, x := range rows {
		out.Points = append(out.Points, decoupledOf(x))
	}
	return out
}

func decoupledOf(x cable.Decoupled) decoupledJSON {
	j := decoupledJSON{Hz: x.At.Hz(), Whole: x.Whole, Missing: x.Missing, Each: [][2]float64{}}
	if !x.Whole {
		if x.AtLeast > 0 {
			j.AtLeast = rf.OrNull(float64(x.AtLeast))
		}
		return j
	}
	j.Stack = &[2]float64{real(x.Stack), imag(x.Stack)}
	for _, z := range x.Each {
		j.Each = append(j.Each, [2]float64{real(z), imag(z)})
	}
	j.WrongWay, j.WrongWayBare, j.Share, j.ShareBare = rf.OrNull(x.WrongWay), rf.OrNull(x.WrongWayBare),
		rf.OrNull(x.Share), rf.OrNull(x.ShareBare)
	j.DUT, j.AE = rf.OrNull(x.DUT), rf.OrNull(x.AE)
	return j
}
