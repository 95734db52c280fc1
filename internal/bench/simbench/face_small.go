package simbench

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
)

func (b *Bench) newAmplifier(in *instrument) {
	in.reset = func() { b.plant.operate = false }
	in.commands = append(in.commands, command{"OUTPut[:STATe]",
		func(a []string) error {
			on, err := oneBool(a)
			if err == nil {
				b.plant.operate = on
			}
			return err
		},
		func([]string) (string, error) { return showBool(b.plant.operate), nil }})
}

// powerMeter reads mean power at the two ports of the directional coupler.
type powerMeter struct {
	p         *plant
	frequency float64
	noise     func() float64
}

func (b *Bench) newPowerMeter(in *instrument) {
	m := &powerMeter{p: &b.plant, noise: b.config.noise(0x706d)}
	in.reset = func() { m.frequency = 0 }
	in.commands = append(in.commands,
		numeric("SENSe:FREQuency", frequencyUnits, 10e3, 1e9, &m.frequency),
		command{"READ1", nil, func([]string) (string, error) { return show(m.read(m.forward())), nil }},
		command{"READ2", nil, func([]string) (string, error) { return show(m.read(m.reverse())), nil }})
}

func (m *powerMeter) forward() float64 { return m.p.now.forwardMean - coupling }

// reverse is what the reverse port shows: the reflected wave and the forward one that leaks
// through the finite directivity, added as powers.
func (m *powerMeter) reverse() float64 {
	return sumPowers(m.p.now.reverseMean, m.p.now.forwardMean-directivity) - coupling
}

func sumPowers(a, b float64) float64 {
	return 10 * math.Log10(math.Pow(10, a/10)+math.Pow(10, b/10))
}

// read adds floor and noise; not a number without a frequency or above the range.
func (m *powerMeter) read(dbm float64) float64 {
	if m.frequency == 0 || dbm > meterRating {
		return notANumber
	}
	return sumPowers(dbm, meterFloor+m.noise()/2) + 0.01*m.noise()
}

func (b *Bench) newMeter(in *instrument) {
	read := func([]string) (string, error) {
		return show(b.plant.product.volts(b.plant.bands)), nil
	}
	in.commands = append(in.commands, command{"READ", nil, read}, command{"MEASure[:VOLTage][:DC]", nil, read})
	in.commands = append(in.commands, b.digitiserCommands(in)...)
}

func (b *Bench) newInterlock(in *instrument) {
	in.commands = append(in.commands, command{"INPut[:STATe]", nil,
		func([]string) (string, error) { return showBool(b.plant.interlock), nil }})
	in.commands = append(in.commands, b.outputCommands(in)...)
}

// choice makes a command whose parameter is one of some words.
func choice(header string, words map[string]func() error) command {
	return command{header: header, set: func(a []string) error {
		text, err := one(a)
		if err != nil {
			return err
		}
		act, ok := words[text]
		if !ok {
			return errIllegal
		}
		return act()
	}}
}

// newHand is what a person does at the bench.
func (b *Bench) newHand(in *instrument) {
	in.commands = append(in.commands, b.handSettings()...)
	in.commands = append(in.commands, b.handQuestions()...)
	in.commands = append(in.commands, b.handProduct()...)
	in.commands = append(in.commands, b.handFaults()...)
}

func (b *Bench) handSettings() []command {
	p := &b.plant
	fixture := func(f Fixture) func() error { return func() error { p.fixture = f; return nil } }
	build := func(x Build) func() error {
		return func() error {
			p.product.build = x
			clear(p.product.states)
			return nil
		}
	}
	flag := func(into *bool, v bool) func() error { return func() error { *into = v; return nil } }
	load := func(highZ bool) func() error {
		return func() error {
			if b.source == nil || b.source.kind != FunctionGenerator {
				return errHardware
			}
			return b.source.setHighZ(highZ)
		}
	}
	words := func(pairs ...any) map[string]func() error {
		m := map[string]func() error{}
		for i := 0; i < len(pairs); i += 2 {
			for _, w := range strings.Fields(pairs[i].(string)) {
				m[w] = pairs[i+1].(func() error)
			}
		}
		return m
	}
	return []command{
		choice("FIXTure", words("CABL CABLE", fixture(Cable), "JIG50", fixture(Jig50), "JIG150", fixture(Jig150))),
		choice("BUILd", words("ORIG ORIGINAL", build(Original), "FIXD FIXED", build(Fixed), "CURE CURED",
			build(Cured))),
		{header: "DUT:RESet", set: func([]string) error { p.product.reset(p.bands); return nil }},
		choice("DUT:HOLD", words("ON 1", flag(&p.product.held, true), "OFF 0", flag(&p.product.held, false))),
		choice("INTerlock", words("CLOS CLOSED", flag(&p.interlock, true), "OPEN", flag(&p.interlock, false))),
		choice("PAD[:ANALyser]", words("IN", flag(&p.analyserPadIn, true), "OUT", flag(&p.analyserPadIn, false))),
		choice("PAD:GENerator", words("IN", flag(&p.generatorPadIn, true), "OUT", flag(&p.generatorPadIn, false))),
		choice("PROBe", words("CONN CONNECTED", flag(&p.probeOpen, false), "OPEN", flag(&p.probeOpen, true))),
		choice("LOAD", words("50", load(false), "INF INFINITY", load(true))),
	}
}

func (b *Bench) handQuestions() []command {
	p := &b.plant
	return []command{
		{header: "FIXTure", query: func([]string) (string, error) { return string(p.fixture), nil }},
		{header: "BUILd", query: func([]string) (string, error) { return string(p.product.build), nil }},
		{header: "ABUSe", query: func([]string) (string, error) {
			parts := []string{strconv.Itoa(len(p.record.abuses))}
			for _, a := range p.record.abuses {
				parts = append(parts, strconv.Quote(a.String()))
			}
			return strings.Join(parts, ","), nil
		}},
		{header: "PEAK:CURRent", query: func([]string) (string, error) {
			r := p.record
			return fmt.Sprintf("%s,%s", show(r.highestCrest), show(r.highestDUT)), nil
		}},
		{header: "RF[:STATe]", query: func([]string) (string, error) { return showBool(p.now.on), nil }},
		{header: "RF:CABLe", query: func([]string) (string, error) { return showBool(p.record.rf.on), nil }},
		{header: "RF:SEConds", query: func([]string) (string, error) { return show(p.record.on.Seconds()), nil }},
		{header: "RF:EXPosures", query: func([]string) (string, error) {
			return strconv.Itoa(p.record.exposures),
				nil
		}},
		{header: "SPEed", query: func([]string) (string, error) { return show(b.config.Speed), nil }},
		{header: "TRUTh", query: func([]string) (string, error) {
			data, err := json.Marshal(b.truth())
			if err != nil {
				return "", err
			}
			return block(data), nil
		}},
	}
}

func (b *Bench) handFaults() []command {
	return []command{
		{header: "FAULt[:INJect]", set: func(a []string) error {
			if len(a) != 1 {
				return errMissing
			}
			f, err := ParseFault(strings.Trim(a[0], `"'`))
			if err != nil {
				return errIllegal
			}
			return b.inject(f.Instrument, f)
		}},
		{header: "FAULt:CLEar", set: func([]string) error {
			for _, name := range Names {
				b.clear(name)
			}
			return nil
		}},
	}
}
