package levels

import (
	"fmt"
	"math"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// profile shows what a standard asks for at a frequency, or at the corners of its level.
func (a *asked) profile(s *Sheet, subject levelSubject) problem.List {
	p := *subject.profile
	s.Kind = "profile"
	s.caution(p.Title + "; " + p.Source)
	if p.Mark() != "" {
		s.caution(fmt.Sprintf("%s; figures %s", p.Mark(), p.Confidence))
	}
	s.caution("the level is the " + p.Means)
	for _, n := range p.Notes {
		s.caution(n)
	}
	var usual []string
	for _, m := range p.Modulations {
		usual = append(usual, m.String())
	}
	s.caution("modulation: " + strings.Join(usual, "; "))
	if !subject.at.Known() {
		for _, f := range p.Corners {
			ask, err := p.At(f)
			if err != nil {
				return problem.List{{File: s.Input, What: err.Error()}}
			}
			if ask.EMF.Known() {
				addLevel(s, "emf", "e.m.f. asked at "+f.String(), ask.EMF, "")
				continue
			}
			addLevel(s, "asked_current", "current asked at "+f.String(), ask.Current, "")
		}
		return nil
	}
	ask, err := p.At(subject.at)
	if err != nil {
		return problem.List{{File: s.Input, What: err.Error()}}
	}
	held := a.modulation
	if held != nil {
		m := p.Convention(*held)
		a.modulation = &m
		defer func() { a.modulation = held }()
	}
	if ask.EMF.Known() {
		emf150(s, ask.EMF)
		return a.onCable(s, ask.Current, true)
	}
	addLevel(s, "asked_current", "current asked, in the 50 Ω jig", ask.Current, "")
	if ask.Limit.Known() {
		addLevel(s, "clamp_limit", "current limit of the standard", ask.Limit, "")
	}
	inJig(s, ask.Current)
	return a.onCable(s, ask.Current, false)
}

func fieldSheet(s *Sheet, e level.FieldStrength) {
	r := level.IndicativeCurrent(e)
	p := level.Pairings()
	addLevel(s, "indicative_low", "indicative current, low end", r.Low,
		fmt.Sprintf("%v × 1.5 mA per V/m (%s)", e, p[0].Name))
	addLevel(s, "indicative_high", "indicative current, high end", r.High,
		fmt.Sprintf("%v × 3.33 mA per V/m (%s)", e, p[len(p)-1].Name))
	s.caution(r.Caution)
}

func frequencySheet(s *Sheet, f rf.Frequency) {
	lambda := rf.Length(speedOfLight / f.Hz())
	add := func(name, what string, l rf.Length, working string) {
		s.number(name, what, float64(l), l.String(), "m", working)
	}
	add("wavelength", "wavelength in air", lambda, "299 792 458 m/s / "+f.String())
	add("quarter_wavelength", "a quarter of it", lambda/4,
		"where an open cable end looks like a short, and the reverse")
	add("tenth_of_wavelength", "a tenth of it", lambda/10, "beyond it the current at the probe is not the current at "+
		"the connector")
}

// transfer shows a transfer impedance in its three spellings.
func transfer(s *Sheet, z rf.Transimpedance, working string) {
	addLevel(s, "transfer_impedance", "transfer impedance Zt", z, working)
	g := rf.Gain(-z.DB())
	s.number("transfer_admittance", "as transfer admittance", g.DB(), strings.Replace(g.Text(3), "dB", "dBS", 1), "dBS",
		"−Zt in dBΩ")
}

// gearAlone shows what gear says by itself when there is no level to apply it to.
func (a *asked) gearAlone() []Sheet {
	var out []Sheet
	if !a.zt.Absent() && len(a.losses) == 0 {
		s := Sheet{Input: "zt " + a.zt.Text(3), Kind: "zt"}
		transfer(&s, a.zt, "")
		a.used["zt"] = true
		out = append(out, s)
	}
	if a.modulation != nil && !a.modulation.IsCW() {
		m := *a.modulation
		s := Sheet{Input: m.String(), Kind: "modulation"}
		crestAndMean(&s, m)
		for _, h := range conventions(m) {
			m.Hold = h
			key := strings.ReplaceAll(string(h), " ", "_")
			s.gain(key+"_carrier_over_level", fmt.Sprintf("%s: carrier over the level", h), m.CarrierOverLevel(), "")
			s.gain(key+"_peak_over_level", fmt.Sprintf("%s: crest over the level", h), m.CrestOverLevel(), "")
			s.gain(key+"_rms_over_level", fmt.Sprintf("%s: r.m.s. over the level", h), m.CarrierOverLevel()+
				m.MeanOverCarrier(), "")
		}
		a.used["modulation"] = true
		out = append(out, s)
	}
	return out
}

// matches shows reflection and return loss of each standing wave ratio and, of exactly two, the
// error that they can make together: 20·log10(1 ± |Γ1|·|Γ2|).
func (a *asked) matches() Sheet {
	s := Sheet{Kind: "match"}
	var inputs []string
	var gamma []float64
	for _, v := range a.vswr {
		inputs = append(inputs, v.input)
		g := (v.ratio - 1) / (v.ratio + 1)
		gamma = append(gamma, g)
		of := " of VSWR " + fourDigits(v.ratio)
		s.number("reflection", "reflection |Γ|"+of, g, fmt.Sprintf("%.4f", g), "1", "(VSWR − 1) / (VSWR + 1)")
		if g == 0 {
			s.caution("VSWR 1 is a perfect match: nothing comes back, and the return loss has no number")
			continue
		}
		s.gain("return_loss", "return loss"+of, rf.GainOfAmplitudeRatio(1/g), "−20·log10 |Γ|")
		s.gain("mismatch_loss", "mismatch loss"+of, rf.GainOfPowerRatio(1/(1-g*g)), "−10·log10(1 − |Γ|²)")
	}
	s.Input = strings.Join(inputs, ", ")
	if len(gamma) == 2 {
		x := gamma[0] * gamma[1]
		high, low := rf.GainOfAmplitudeRatio(1+x), rf.GainOfAmplitudeRatio(1-x)
		s.gain("mismatch_high", "the two together: at most", high, "20·log10(1 + |Γ1|·|Γ2|)")
		s.gain("mismatch_low", "the two together: at least", low, "20·log10(1 − |Γ1|·|Γ2|)")
		s.gain("mismatch_uncertainty", "standard uncertainty, U-shaped", (high-low)/2/math.Sqrt2, "half the width / √2")
	}
	return s
}
