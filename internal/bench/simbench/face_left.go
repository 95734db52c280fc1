package simbench

import (
	"math"
	"slices"
	"time"
)

// left is what the last user may have left on: it makes something else of the carrier than what is set.
type left struct {
	square   bool
	sweep    bool
	burst    bool
	fm, pm   bool
	external bool    // AM from the socket at the back, at which nothing is connected
	pulseExt bool    // pulse modulation likewise
	offset   float64 // direct voltage, V into 50 Ω
}

const (
	// directRating is the direct voltage that the amplifier's input stands.
	directRating = 0.01
	// sweepTime and sweepSpan: the frequency goes up by half in a second and begins anew.
	sweepTime, sweepSpan = time.Second, 0.5
	deviation            = 100e3 // Hz, of frequency modulation
	burstDuty, burstRate = 0.5, 1e3
)

// carrier returns the frequency and the level that really come out at a time. A square wave of the same
// peak has a fundamental of 4/π; an external input with nothing connected halves the carrier, as of a
// modulator that is set for full depth.
func (l left) carrier(hz, volts float64, am bool, at time.Duration) (float64, float64) {
	if l.sweep {
		hz *= 1 + sweepSpan*float64(at%sweepTime)/float64(sweepTime)
	}
	if l.fm {
		hz += deviation
	}
	if l.square {
		volts *= 4 / math.Pi
	}
	if l.external && am {
		volts /= 2
	}
	return hz, volts
}

// gated adds the gaps of a burst to a modulation.
func (l left) gated(m Modulation) Modulation {
	if l.burst && m.PulseDuty == 0 {
		m.PulseDuty, m.PulseRate = burstDuty, burstRate
	}
	return m
}

// squared adds the third harmonic of a square wave, a third of its fundamental, as the amplifier passes it.
func (p *plant) squared(o *outputs, hz, in float64) {
	third := p.amplify(3*hz, in/3)[0]
	for _, v := range []*[3]float64{&o.carrier, &o.crest, &o.mean} {
		v[2] = math.Hypot(v[2], third)
	}
}

// weldedOn reports whether the output relay has stuck; it does so when it closes.
func (p *plant) weldedOn(on bool) bool {
	p.welded = p.welded || p.sticky && on
	return p.welded
}

// leftCommands are those by which it can be set and read.
func (s *source) leftCommands() []command {
	g := s.generator
	flag := func(header string, into *bool) command {
		return command{header, func(a []string) error {
			on, err := oneBool(a)
			if err == nil {
				*into = on
			}
			return err
		}, func([]string) (string, error) { return showBool(*into), nil }}
	}
	// word is one of two words: the first means false.
	word := func(header string, into *bool, no, yes []string) command {
		return command{header, func(a []string) error {
			text, err := one(a)
			switch {
			case err != nil:
				return err
			case slices.Contains(no, text):
				*into = false
			case slices.Contains(yes, text):
				*into = true
			default:
				return errIllegal
			}
			return nil
		}, func([]string) (string, error) {
			if *into {
				return yes[0], nil
			}
			return no[0], nil
		}}
	}
	inside, outside := []string{"INT", "INTERNAL"}, []string{"EXT", "EXTERNAL"}
	out := []command{flag("[SOURce:]FM:STATe", &g.left.fm), flag("[SOURce:]PM:STATe", &g.left.pm),
		word("[SOURce:]AM:SOURce", &g.left.external, inside, outside),
		word("[SOURce:]PULM:SOURce", &g.left.pulseExt, inside, outside)}
	if s.kind == SignalGenerator {
		return append(out, word("[SOURce:]FREQuency:MODE", &g.left.sweep, []string{"CW", "FIX", "FIXED"},
			[]string{"SWE", "SWEEP", "LIST"}))
	}
	return append(out, word("[SOURce:]FUNCtion[:SHAPe]", &g.left.square, []string{"SIN", "SINUSOID"},
		[]string{"SQU", "SQUARE"}),
		flag("[SOURce:]SWEep:STATe", &g.left.sweep), flag("[SOURce:]BURSt:STATe", &g.left.burst),
		command{"[SOURce:]VOLTage:OFFSet", func(a []string) error {
			v, err := oneNumber(a, map[string]float64{"": 1, "V": 1, "MV": 1e-3}, -5, 5)
			if err == nil {
				g.left.offset = v
			}
			return err
		}, func([]string) (string, error) { return show(g.left.offset), nil }})
}
