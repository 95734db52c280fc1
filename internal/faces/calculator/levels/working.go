package levels

import (
	"fmt"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// speedOfLight in vacuum, m/s (SI, exact).
const speedOfLight = 299_792_458

// The constants of the 50 Ω system, as they stand in the working.
const (
	dBmToDBuV  = "106.990 dB (10·log10 50 Ω + 90)"
	dBmToDBuA  = "73.010 dB (90 − 10·log10 50 Ω)"
	halfOfLoop = "300 Ω"
)

// work computes every subject; what was asked for and has no effect is a problem, so that nothing
// is left out in silence.
func (a *asked) work() ([]Sheet, problem.List) {
	var sheets []Sheet
	var list problem.List
	for _, subject := range a.subjects {
		before := a.used
		a.used = map[string]bool{}
		s, p := a.one(subject)
		s.With = a.gearUsed()
		for gear := range before {
			a.used[gear] = true
		}
		list = append(list, p...)
		sheets = append(sheets, s)
	}
	if len(a.vswr) > 0 {
		sheets = append(sheets, a.matches())
	}
	if len(a.subjects) == 0 {
		sheets = append(sheets, a.gearAlone()...)
	}
	for _, gear := range []struct{ name, hint string }{
		{"loss", "pads and coax need a level, and beside a current also zt or il"},
		{"zt", "zt needs an analyser's reading or a current"},
		{"il", "il needs a current, or a power at the clamp"},
		{"limit", "a limit needs a level of its kind: dBm with a power, voltage, or a current through zt or il; mA " +
			"with a current"},
		{"modulation", "a modulation needs a level, or stands alone"},
	} {
		if place, ok := a.places[gear.name]; ok && !a.used[gear.name] && len(list) == 0 {
			list = append(list, problem.Problem{File: place, What: "this changes nothing of what was asked",
				Hint: gear.hint})
		}
	}
	return sheets, list
}

// gearUsed returns the gear that entered the last result, as it was written.
func (a *asked) gearUsed() []string {
	var out []string
	for _, g := range a.gear {
		if a.used[g.name] {
			out = append(out, g.text)
		}
	}
	return out
}

func (a *asked) one(subject levelSubject) (Sheet, problem.List) {
	s := Sheet{Input: subject.input}
	switch {
	case subject.profile != nil:
		return s, a.profile(&s, subject)
	case subject.power.Known():
		s.Kind = "power"
		return s, a.coaxial(&s, subject.power, rf.Voltage{})
	case subject.voltage.Known():
		s.Kind = "voltage"
		return s, a.coaxial(&s, rf.PowerInto(subject.voltage, rf.Z0), subject.voltage)
	case subject.current.Known():
		s.Kind = "current"
		addLevel(&s, "current", "current", subject.current, "")
		inJig(&s, subject.current)
		return s, a.onCable(&s, subject.current, false)
	case subject.emf.Known():
		s.Kind = "emf"
		emf150(&s, subject.emf)
		return s, a.onCable(&s, level.LoopCurrent(subject.emf, level.Loop150), true)
	case subject.field.PerMetre().Known():
		s.Kind = "field"
		fieldSheet(&s, subject.field)
	case subject.s21 != nil:
		s.Kind = "s21"
		z := rf.TransimpedanceOfJigGain(*subject.s21)
		transfer(&s, z, fmt.Sprintf("33.979 dB (20·log10 50 Ω) + %s, a perfect 50 Ω jig", plus(*subject.s21)))
	default:
		s.Kind = "frequency"
		frequencySheet(&s, subject.frequency)
	}
	return s, nil
}

// coaxial works a power or voltage in 50 Ω: what it is in every unit, then what it means at an
// analyser behind a probe, or at the clamp.
func (a *asked) coaxial(s *Sheet, p rf.Power, given rf.Voltage) problem.List {
	if a.il != nil && !a.zt.Absent() {
		return problem.List{{File: a.places["zt"], What: fmt.Sprintf("beside %q both zt and il are given", s.Input),
			Hint: "a power or voltage is either an analyser's reading (zt) or a forward power (il): leave one out"}}
	}
	v := rf.VoltageAcross(p, rf.Z0)
	if given.Absent() {
		addLevel(s, "power", "power in 50 Ω", p, "")
		addLevel(s, "voltage", "voltage in 50 Ω, r.m.s.", v, p.Text(3)+" + "+dBmToDBuV)
	} else {
		addLevel(s, "voltage", "voltage, r.m.s.", v, asGiven(s.Input, v))
		addLevel(s, "power", "power in 50 Ω", p, v.Text(3)+" − "+dBmToDBuV)
	}
	s.peakToPeak("peak_to_peak", "voltage of the sine, peak to peak", v, "2√2 × r.m.s.")
	addLevel(s, "current_in_50_ohm", "current in 50 Ω", rf.CurrentThrough(p, rf.Z0), p.Text(3)+" + "+dBmToDBuA)
	switch {
	case !a.zt.Absent():
		a.reading(s, v)
	case a.il != nil:
		a.forward(s, p)
	default:
		highZ(s, p, given)
		a.beforeLosses(s, p)
	}
	a.modulated(s, "level", modulatedPower(p))
	a.limited(s, p, "the level as given")
	return nil
}

// asGiven shows how a peak or peak-to-peak voltage became r.m.s.
func asGiven(input string, v rf.Voltage) string {
	switch {
	case strings.Contains(input, "pp"):
		return input + " / (2√2)"
	case strings.Contains(input, "Vp"):
		return input + " / √2"
	}
	return ""
}

// highZ shows both sides of the high-Z trap.
func highZ(s *Sheet, p rf.Power, given rf.Voltage) {
	v := rf.VoltageAcross(p, rf.Z0)
	double := rf.GainOfAmplitudeRatio(2)
	s.peakToPeak("high_z_setting", "a generator set for high-Z shows", v.Add(double),
		"twice the voltage that it gives into 50 Ω")
	if given.Known() {
		addLevel(s, "high_z_delivers", "if this is a high-Z setting, 50 Ω gets", p.Sub(double), p.Text(3)+" − 6.021 dB")
	}
}

// lossText returns the losses as they enter a sum, and the sum.
func (a *asked) lossSum(sign string) (string, rf.Gain) {
	var text string
	var sum rf.Gain
	for _, l := range a.losses {
		text += fmt.Sprintf(" %s %s %s", sign, l.loss.Text(3), l.name)
		sum += l.loss
	}
	if len(a.losses) > 0 {
		a.used["loss"] = true
	}
	return text, sum
}

func (a *asked) beforeLosses(s *Sheet, p rf.Power) {
	if len(a.losses) == 0 {
		return
	}
	text, sum := a.lossSum("+")
	addLevel(s, "before_losses", "before pads and coax", p.Add(sum), p.Text(3)+text)
}

// reading works back from an analyser's reading to the current through the probe:
// I[dBµA] = U[dBµV] + pads + coax − Zt[dBΩ].
func (a *asked) reading(s *Sheet, v rf.Voltage) {
	a.used["zt"] = true
	text, sum := a.lossSum("+")
	if len(a.losses) > 0 {
		addLevel(s, "before_losses", "at the probe, before pads and coax", v.Add(sum), v.Text(3)+text)
	}
	at := v.Add(sum)
	addLevel(s, "cable_current", "cable current", rf.ProbeCurrent(at, a.zt), at.Text(3)+" − "+a.zt.Text(3))
}

// forward works from a power toward the clamp to the current in its jig.
func (a *asked) forward(s *Sheet, p rf.Power) {
	a.used["il"] = true
	text, sum := a.lossSum("−")
	f := p.Sub(sum)
	if len(a.losses) > 0 {
		addLevel(s, "forward_power", "forward power at the clamp", f, p.Text(3)+text)
	}
	i := rf.CurrentThrough(f.Sub(*a.il), rf.Z0)
	addLevel(s, "jig_current", "current in the 50 Ω jig", i, fmt.Sprintf("%s − %s insertion loss + %s", f.Text(3),
		a.il.Text(3), dBmToDBuA))
	s.caution("a cable carries what its own impedance lets it: at a resonance 10 dB more, elsewhere 20 dB less than " +
		"the jig (common practice)")
}

// inJig shows what a current is in the 50 Ω jig and behind 150 Ω.
func inJig(s *Sheet, i rf.Current) {
	addLevel(s, "power_in_50_ohm", "power in one 50 Ω jig port", rf.PowerOfCurrent(i, rf.Z0), i.Text(3)+" − "+dBmToDBuA)
	addLevel(s, "emf_50_ohm_jig", "e.m.f. behind it in a 50 + 50 Ω jig", level.EMFOfLoopCurrent(i, level.Loop50),
		i.Linear()+" × 100 Ω")
	addLevel(s, "emf_150_ohm_loop", "e.m.f. behind it in a 150 + 150 Ω loop", level.EMFOfLoopCurrent(i, level.Loop150),
		i.Linear()+" × "+halfOfLoop)
}

// emf150 shows what an e.m.f. behind 150 Ω gives.
func emf150(s *Sheet, u0 rf.Voltage) {
	umr := level.JigReading(u0)
	addLevel(s, "emf", "e.m.f. U0 behind 150 Ω", u0, "")
	addLevel(s, "loop_current", "current in a matched loop", level.LoopCurrent(u0, level.Loop150), u0.Linear()+
		" / 300 Ω")
	addLevel(s, "clamp_limit", "largest current of a clamp", level.ClampLimit(u0), u0.Linear()+" / 150 Ω")
	addLevel(s, "jig_reading", "jig reading Umr behind 150-to-50 Ω", umr, u0.Linear()+" / 6")
	addLevel(s, "jig_reading_power", "the same as a power in 50 Ω", rf.PowerInto(umr, rf.Z0), umr.Text(3)+" − "+
		dBmToDBuV)
	s.caution("IEC 61000-4-6: r.m.s. of the unmodulated carrier; the limit U0/150 is " + level.Unverified)
}

// onCable works from a current to the drive of the clamp and to the analyser's reading.
func (a *asked) onCable(s *Sheet, i rf.Current, isEMF bool) problem.List {
	if a.il != nil && isEMF {
		return problem.List{{File: a.places["il"], What: fmt.Sprintf("an insertion loss in the 50 Ω jig does not give "+
			"the drive for %q", s.Input),
			Hint: "an e.m.f. is set in a 150 + 150 Ω loop: calibrate there, or give the current"}}
	}
	compared, named := rf.Power{}, ""
	if a.il != nil {
		compared, named = a.driveFor(s, i), "forward power"
	}
	if !a.zt.Absent() {
		compared, named = a.analyserLevel(s, i), "analyser level"
	}
	if named != "" {
		a.modulated(s, named, modulatedPower(compared))
	} else {
		a.modulated(s, "current", modulatedCurrent(i))
	}
	a.limited(s, compared, named)
	if a.limitI.Known() {
		a.used["limit"] = true
		a.compare(s, i.Text(3), func(crest rf.Gain) (rf.Gain, rf.Bound) {
			g, b := a.limitI.Minus(i.Add(crest))
			return g, b
		}, func() { addLevel(s, "limit", "limit", a.limitI, "") }, func(crest rf.Gain, working string) {
			addLevel(s, "compared_level", "crest of the current", i.Add(crest), working)
		})
	}
	return nil
}

// driveFor: P[dBm] = I[dBµA] − 73.01 + IL (P = 50 Ω·I²·10^(IL/10)).
func (a *asked) driveFor(s *Sheet, i rf.Current) rf.Power {
	a.used["il"] = true
	f := rf.PowerOfCurrent(i, rf.Z0).Add(*a.il)
	addLevel(s, "forward_power", "forward power at the clamp, in the jig", f,
		fmt.Sprintf("%s − %s + %s insertion loss", i.Text(3), dBmToDBuA, a.il.Text(3)))
	if len(a.losses) > 0 && a.zt.Absent() {
		text, sum := a.lossSum("+")
		addLevel(s, "before_clamp_losses", "power before pads and coax", f.Add(sum), f.Text(3)+text)
	}
	s.caution("the forward power holds in the 50 Ω jig; a cable may take 10 dB less or 20 dB more for the same " +
		"current " +
		"(common practice)")
	return f
}

// analyserLevel: U[dBµV] = I[dBµA] + Zt[dBΩ] − pads − coax.
func (a *asked) analyserLevel(s *Sheet, i rf.Current) rf.Power {
	a.used["zt"] = true
	u := rf.ProbeVoltage(i, a.zt)
	addLevel(s, "probe_voltage", "probe's voltage into 50 Ω", u, i.Text(3)+" + "+a.zt.Text(3))
	p := rf.PowerInto(u, rf.Z0)
	addLevel(s, "probe_output", "the same as a power", p, u.Text(3)+" − "+dBmToDBuV)
	if len(a.losses) == 0 {
		return p
	}
	text, sum := a.lossSum("−")
	addLevel(s, "analyser_voltage", "voltage at the analyser", u.Sub(sum), u.Text(3)+text)
	addLevel(s, "analyser_level", "level at the analyser", p.Sub(sum), p.Text(3)+text)
	return p.Sub(sum)
}
