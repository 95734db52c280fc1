package simbench

import (
	"math"
	"strings"
)

// source is the generator's front: settings that the plant does not need to know.
type source struct {
	b         *Bench
	in        *instrument
	kind      Generator
	highZ     bool   // counts for an open circuit: the display doubles
	unit      string // VPP, VRMS, DBM
	generator *generatorState
	largest   float64 // V r.m.s. into 50 Ω that it takes at most while limited
	limited   bool
	linkOff   bool // the output goes off when the last connection is lost
}

const (
	modulationLow, modulationHigh = 0.1, 100e3
	volts50MaximumVpp             = 10.0
)

func (b *Bench) newSource(in *instrument) *source {
	s := &source{b: b, in: in, kind: b.config.Generator, generator: &b.plant.generator}
	in.identity = "provoke simulated bench,function generator," + b.config.Serial + ",1"
	if s.kind == SignalGenerator {
		in.identity = "provoke simulated bench,signal generator," + b.config.Serial + ",1"
	}
	in.reset = s.reset
	in.commands = append(in.commands, s.outputCommands()...)
	in.commands = append(in.commands, s.modulationCommands()...)
	in.commands = append(in.commands, s.limitCommands()...)
	in.commands = append(in.commands, s.leftCommands()...)
	if s.kind == SignalGenerator {
		in.commands = append(in.commands, s.powerCommands()...)
	} else {
		in.commands = append(in.commands, s.voltageCommands()...)
	}
	s.reset()
	return s
}

func (s *source) reset() {
	*s.generator = generatorState{hz: 1e6, volts: s.lowest(),
		mod: Modulation{AMDepth: 0.5, AMRate: 1e3, PulseDuty: 0.5, PulseRate: 1e3}}
	s.highZ, s.unit = false, "VPP"
	s.largest, s.limited, s.linkOff = s.highest(), false, false
}

// lowest is the lowest level as volts r.m.s. into 50 Ω.
func (s *source) lowest() float64 {
	if s.kind == SignalGenerator {
		return voltsOf(signalMinimum)
	}
	return functionMinimum / (2 * math.Sqrt2)
}

func (s *source) highest() float64 { return volts50MaximumVpp / (2 * math.Sqrt2) }

func (s *source) outputCommands() []command {
	g := s.generator
	return []command{
		{header: "[SOURce:]FREQuency[:CW]",
			set: func(a []string) error {
				v, err := oneNumber(a, frequencyUnits, generatorLow, generatorHigh)
				if err == nil {
					g.hz = v
				}
				return err
			},
			query: func(a []string) (string, error) { return limited(a, g.hz, generatorLow, generatorHigh) }},
		{header: "OUTPut[:STATe]",
			set: func(a []string) error {
				on, err := oneBool(a)
				if err == nil {
					g.on = on
				}
				return err
			},
			query: func([]string) (string, error) { return showBool(g.on), nil }},
	}
}

// guarded sets something and takes it back where the crest would go beyond the generator's
// largest output.
func (s *source) guarded(change func(g *generatorState)) error {
	before := *s.generator
	change(s.generator)
	crest := s.generator.volts
	if s.generator.am {
		crest *= 1 + s.generator.mod.AMDepth
	}
	if crest > s.highest()*(1+1e-9) {
		*s.generator = before
		return errConflict
	}
	if s.limited && s.generator.volts > s.largest*(1+1e-6) && s.generator.volts > before.volts {
		*s.generator = before
		return errRange
	}
	return nil
}

// limitCommands are what the generator holds by itself.
func (s *source) limitCommands() []command {
	header, unit := "[SOURce:]VOLTage:LIMit", func() string { return s.unit }
	if s.kind == SignalGenerator {
		header, unit = "[SOURce:]POWer:LIMit", func() string { return "DBM" }
	}
	flag := func(into *bool) (func([]string) error, func([]string) (string, error)) {
		return func(a []string) error {
			on, err := oneBool(a)
			if err == nil {
				*into = on
			}
			return err
		}, func([]string) (string, error) { return showBool(*into), nil }
	}
	limitSet, limitAsk := flag(&s.limited)
	linkSet, linkAsk := flag(&s.linkOff)
	return []command{
		{header + "[:AMPLitude]", func(a []string) error {
			text, err := one(a)
			if err != nil {
				return err
			}
			x, suffix, err := number(text)
			if err != nil {
				return err
			}
			if suffix != "" {
				return errSuffix
			}
			s.largest = s.meant(x, unit())
			return nil
		}, func([]string) (string, error) {
			if s.kind == SignalGenerator {
				return show(dBmOf(s.largest)), nil
			}
			return show(s.shown(s.largest)), nil
		}},
		{header + ":STATe", limitSet, limitAsk},
		{"OUTPut:PROTection:LINK", linkSet, linkAsk},
	}
}

// lost is told when the last connection is gone. The protection is one of the session and ends with it.
func (s *source) lost() {
	if s.linkOff {
		s.generator.on, s.linkOff = false, false
	}
}

func (s *source) setNumber(units map[string]float64, low, high float64,
	change func(g *generatorState, v float64)) func([]string) error {
	return func(a []string) error {
		v, err := oneNumber(a, units, low, high)
		if err != nil {
			return err
		}
		return s.guarded(func(g *generatorState) { change(g, v) })
	}
}

func (s *source) setBool(change func(g *generatorState, on bool)) func([]string) error {
	return func(a []string) error {
		on, err := oneBool(a)
		if err != nil {
			return err
		}
		return s.guarded(func(g *generatorState) { change(g, on) })
	}
}

func (s *source) modulationCommands() []command {
	g := s.generator
	return []command{
		{"[SOURce:]AM:STATe", s.setBool(func(g *generatorState, on bool) { g.am = on }),
			func([]string) (string, error) { return showBool(g.am), nil }},
		{"[SOURce:]AM:DEPTh", s.setNumber(percentUnits, 0, 100,
			func(g *generatorState, v float64) { g.mod.AMDepth = v / 100 }),
			func(a []string) (string, error) { return limited(a, g.mod.AMDepth*100, 0, 100) }},
		{"[SOURce:]AM:INTernal:FREQuency", s.setNumber(frequencyUnits, modulationLow, modulationHigh,
			func(g *generatorState, v float64) { g.mod.AMRate = v }),
			func(a []string) (string, error) { return limited(a, g.mod.AMRate, modulationLow, modulationHigh) }},
		{"[SOURce:]PULM:STATe", s.setBool(func(g *generatorState, on bool) { g.pulse = on }),
			func([]string) (string, error) { return showBool(g.pulse), nil }},
		{"[SOURce:]PULM:INTernal:FREQuency", s.setNumber(frequencyUnits, modulationLow, modulationHigh,
			func(g *generatorState, v float64) { g.mod.PulseRate = v }),
			func(a []string) (string, error) { return limited(a, g.mod.PulseRate, modulationLow, modulationHigh) }},
		{"[SOURce:]PULM:INTernal:DCYCle", s.setNumber(percentUnits, 0.1,
			100, func(g *generatorState, v float64) { g.mod.PulseDuty = v / 100 }),
			func(a []string) (string, error) { return limited(a, g.mod.PulseDuty*100, 0.1, 100) }},
	}
}

// powerCommands are those of the signal generator: it counts in dBm into 50 Ω, in steps of 0.01 dB.
func (s *source) powerCommands() []command {
	low, high := signalMinimum, dBmOf(s.highest())
	high = math.Floor(high*100) / 100
	return []command{
		{"[SOURce:]POWer[:LEVel][:IMMediate][:AMPLitude]",
			s.setNumber(decibelUnits, low, high,
				func(g *generatorState, v float64) { g.volts = voltsOf(math.Round(v*100) / 100) }),
			func(a []string) (string, error) { return limited(a, s.shownPower(), low, high) }},
		{"UNIT:POWer",
			func(a []string) error {
				text, err := one(a)
				if err == nil && text != "DBM" {
					return errIllegal
				}
				return err
			},
			func([]string) (string, error) { return "DBM", nil }},
	}
}

// shownPower is the level as the signal generator answers it.
func (s *source) shownPower() float64 {
	dbm := dBmOf(s.generator.volts)
	if s.b.plant.manner.quantised {
		return math.Round(dbm*10) / 10
	}
	return dbm
}

// shown converts volts r.m.s. into 50 Ω to what the function generator displays.
func (s *source) shown(volts float64) float64 {
	if s.b.plant.manner.quantised {
		volts = roundTo(volts, 3)
	}
	if s.highZ {
		volts *= 2
	}
	switch s.unit {
	case "VPP":
		return volts * 2 * math.Sqrt2
	case "DBM":
		return dBmOf(volts)
	}
	return volts
}

// meant is the reverse of shown, for a unit.
func (s *source) meant(x float64, unit string) float64 {
	volts := x
	switch unit {
	case "VPP":
		volts = x / (2 * math.Sqrt2)
	case "DBM":
		volts = voltsOf(x)
	}
	if s.highZ {
		volts /= 2
	}
	return volts
}

// fourDigits rounds to four significant digits, the function generator's resolution.
func fourDigits(x float64) float64 { return roundTo(x, 4) }

// roundTo rounds to so many significant digits.
func roundTo(x float64, digits float64) float64 {
	if x == 0 {
		return 0
	}
	step := math.Pow(10, math.Floor(math.Log10(math.Abs(x)))-digits+1)
	return math.Round(x/step) * step
}

func (s *source) setVoltage(a []string) error {
	text, err := one(a)
	if err != nil {
		return err
	}
	unit, volts := s.unit, 0.0
	switch text {
	case "MIN", "MINIMUM":
		volts = s.lowest()
	case "MAX", "MAXIMUM":
		volts = s.highest()
	default:
		x, suffix, err := number(text)
		if err != nil {
			return err
		}
		if x, unit, err = voltageUnit(x, suffix, unit); err != nil {
			return err
		}
		if unit == "DBM" && s.highZ {
			return errConflict
		}
		if unit == "DBM" {
			x = math.Round(x*100) / 100
		} else {
			x = fourDigits(x)
		}
		volts = s.meant(x, unit)
	}
	if volts < s.lowest()*(1-1e-3) || volts > s.highest()*(1+1e-4) {
		return errRange
	}
	return s.guarded(func(g *generatorState) { g.volts = math.Min(volts, s.highest()) })
}

// voltageUnit reads the suffix of an amplitude; without one the unit that is set counts.
func voltageUnit(x float64, suffix, unit string) (float64, string, error) {
	if suffix == "" {
		return x, unit, nil
	}
	if suffix == "DBM" {
		return x, "DBM", nil
	}
	if rest, found := strings.CutPrefix(suffix, "M"); found {
		x, suffix = x*1e-3, rest
	}
	switch suffix {
	case "VPP", "VRMS":
		return x, suffix, nil
	case "V":
		if unit == "DBM" {
			return 0, "", errSuffix
		}
		return x, unit, nil
	}
	return 0, "", errSuffix
}

// voltageCommands are those of the function generator.
func (s *source) voltageCommands() []command {
	return []command{
		{"[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", s.setVoltage,
			func(a []string) (string, error) {
				return limited(a, s.shown(s.generator.volts), s.shown(s.lowest()), s.shown(s.highest()))
			}},
		{"[SOURce:]VOLTage:UNIT", s.setUnit, func([]string) (string, error) { return s.unit, nil }},
		{"OUTPut:LOAD", s.setLoad, func([]string) (string, error) {
			if s.highZ {
				return "9.9E37", nil
			}
			return show(50), nil
		}},
	}
}

func (s *source) setUnit(a []string) error {
	text, err := one(a)
	switch {
	case err != nil:
		return err
	case text == "DBM" && s.highZ:
		return errConflict
	case text != "VPP" && text != "VRMS" && text != "DBM":
		return errIllegal
	}
	s.unit = text
	return nil
}

// setLoad changes what the display counts for. The output stays what it was; the number on the
// display doubles or halves.
func (s *source) setLoad(a []string) error {
	text, err := one(a)
	if err != nil {
		return err
	}
	if text == "INF" || text == "INFINITY" {
		return s.setHighZ(true)
	}
	x, unit, err := number(text)
	switch {
	case err != nil:
		return err
	case unit != "" && unit != "OHM":
		return errSuffix
	case x > 9e37:
		return s.setHighZ(true)
	case x != 50:
		return errRange
	}
	return s.setHighZ(false)
}

func (s *source) setHighZ(on bool) error {
	if on && s.unit == "DBM" {
		return errConflict
	}
	s.highZ = on
	return nil
}
