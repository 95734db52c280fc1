package levels

import (
	"fmt"
	"strings"

	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// modulatedLevel adds one line of a modulated level, moved by a gain from the level as stated.
type modulatedLevel func(s *Sheet, name, what string, g rf.Gain, working string)

func modulatedPower(p rf.Power) modulatedLevel {
	return func(s *Sheet, name, what string, g rf.Gain, working string) {
		addLevel(s, name, what, p.Add(g), p.Text(3)+" + "+plus(g)+working)
	}
}

func modulatedCurrent(i rf.Current) modulatedLevel {
	return func(s *Sheet, name, what string, g rf.Gain, working string) {
		addLevel(s, name, what, i.Add(g), i.Text(3)+" + "+plus(g)+working)
	}
}

// plus puts a negative number in brackets.
func plus(g rf.Gain) string {
	if t := g.Text(3); !strings.HasPrefix(t, "-") {
		return t
	}
	return "(" + g.Text(3) + ")"
}

// conventions are those that the modulation's level may have: the one stated, or both.
func conventions(m level.Modulation) []level.Convention {
	if m.Hold != "" {
		return []level.Convention{m.Hold}
	}
	return []level.Convention{level.CarrierHeld, level.PeakHeld}
}

// modulated adds what modulation makes of a level, for each convention that it may have.
func (a *asked) modulated(s *Sheet, named string, add modulatedLevel) {
	if a.modulation == nil {
		return
	}
	a.used["modulation"] = true
	m := *a.modulation
	if m.IsCW() {
		return
	}
	crestAndMean(s, m)
	for _, h := range conventions(m) {
		m.Hold = h
		key := strings.ReplaceAll(string(h), " ", "_")
		add(s, key+"_carrier", fmt.Sprintf("%s: carrier of the %s", h, named), m.CarrierOverLevel(), "")
		add(s, key+"_peak", fmt.Sprintf("%s: crest of the %s", h, named), m.CrestOverLevel(), "")
		add(s, key+"_rms", fmt.Sprintf("%s: r.m.s. of the %s", h, named), m.CarrierOverLevel()+m.MeanOverCarrier(), "")
	}
}

// crestAndMean adds the figures of the envelope alone.
func crestAndMean(s *Sheet, m level.Modulation) {
	crest, mean := "the pulse is as high as the carrier", fmt.Sprintf("10·log10 of the duty %v", m.Duty)
	power := m.Duty.String()
	if m.Kind == level.AM {
		crest = fmt.Sprintf("20·log10(1 + m), m = %v", m.Depth)
		mean = "10·log10(1 + m²/2)"
		power = "1 + m²/2"
	}
	s.gain("crest_over_carrier", "crest of the envelope over the carrier", m.CrestOverCarrier(), crest)
	s.gain("rms_over_carrier", "r.m.s. (mean power) over the carrier", m.MeanOverCarrier(), mean)
	ratio := m.MeanOverCarrier().PowerRatio()
	s.number("mean_power_ratio", "mean power over that of the carrier", ratio, fourDigits(ratio)+" ×", "1", power)
}

// limited compares a power at its crest with the limit.
func (a *asked) limited(s *Sheet, p rf.Power, named string) {
	if !a.limit.Known() || named == "" {
		return
	}
	a.used["limit"] = true
	a.compare(s, p.Text(3), func(crest rf.Gain) (rf.Gain, rf.Bound) {
		return a.limit.Minus(p.Add(crest))
	}, func() { addLevel(s, "limit", "limit", a.limit, "") }, func(crest rf.Gain, working string) {
		addLevel(s, "compared_level", "crest of "+named, p.Add(crest), working)
	})
}

// compare prints level at its crest, limit and headroom, and the pad that a missing headroom needs.
func (a *asked) compare(s *Sheet, text string, headroom func(crest rf.Gain) (rf.Gain, rf.Bound), limit func(),
	compared func(crest rf.Gain, working string)) {
	var crest rf.Gain
	working := "no modulation given"
	if a.modulation != nil {
		m := *a.modulation
		m.Hold = conventions(m)[0]
		crest, working = m.CrestOverLevel(), fmt.Sprintf("%s + %s", text, m.CrestOverLevel().Text(3))
		if a.modulation.Hold == "" && !m.IsCW() {
			working += ", carrier held: the higher of the two"
		}
	}
	compared(crest, working)
	limit()
	h, b := headroom(crest)
	s.bounded("headroom", "headroom below the limit", h, b, "limit − crest")
	switch {
	case b == rf.Unknown || !h.Finite() || b == rf.AtMost && h >= 0 || b == rf.AtLeast && h < 0:
		s.caution("whether the level is within the limit is not known: it is only a bound")
	case h < 0:
		s.gain("pad_needed", "further attenuation needed", -h, "so that the crest is at the limit and not above")
	}
}
