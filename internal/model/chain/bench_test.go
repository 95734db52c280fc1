package chain_test

import (
	"provoke/internal/files/catalog"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

const (
	low  = 10 * rf.Kilohertz
	high = 200 * rf.Megahertz
	f    = 10 * rf.Megahertz
)

func flat[V curve.Value](v V) curve.Curve[V] { return curve.Flat(v, low, high, "test figures") }

func id(name string) catalog.Identity { return catalog.Identity{ID: name} }

// bare is a generator straight into a clamp, all ratings far away.
func bare(insertion rf.Gain) *catalog.Bench {
	return &catalog.Bench{
		Source: catalog.Source{Identity: id("GEN1"), Band: catalog.Band{Low: low, High: high},
			Minimum: rf.DBm(-80), Maximum: rf.DBm(60), Resolution: 0.01},
		Clamp: catalog.Clamp{Identity: id("CLAMP1"), InsertionLoss: flat(insertion), ReturnLoss: flat(rf.Gain(6)),
			MaximumForward: rf.DBm(60)},
		Cable: catalog.Cable{Identity: id("W1"), MaximumCurrent: rf.Amperes(100), ExpectedLow: -20, ExpectedHigh: 10},
	}
}

// full is a whole bench: 10 dB pad, amplifier of 40 dB and 37 dBm, coax, coupler and power meter,
// clamp of two turns, probe of 5 Ω, 20 dB pad, analyser.
func full() *catalog.Bench {
	b := bare(8)
	b.Source.Maximum = rf.DBm(20)
	b.ToAmplifier = []catalog.Passive{{Identity: id("PAD1"), Kind: "pad", Loss: curve.Flat(rf.Gain(10), 0, 0, "pad"),
		MaximumPower: rf.Watts(1)}}
	b.Amplifier = &catalog.Amplifier{Identity: id("AMP1"), Band: catalog.Band{Low: low, High: high},
		Gain: flat(rf.Gain(40)), Compression: flat(rf.DBm(37)), Saturation: rf.DBm(39.5), MaximumInput: rf.DBm(3),
		ReflectedLimit: rf.DBm(40)}
	b.ToClamp = []catalog.Passive{{Identity: id("COAX1"), Kind: "coax", Loss: flat(rf.Gain(0.3)),
		MaximumPower: rf.Watts(50)}}
	b.Coupler = &catalog.Coupler{Identity: id("CPL1"), Forward: flat(rf.Gain(40)), Reverse: flat(rf.Gain(41)),
		Loss: flat(rf.Gain(0.2)), MaximumPower: rf.Watts(50)}
	b.PowerMeter = &catalog.PowerMeter{Identity: id("PM1"), MaximumInput: rf.DBm(20), Floor: rf.DBm(-60)}
	b.Clamp.MaximumForward = rf.Watts(10)
	b.Cable.MaximumCurrent = rf.Amperes(0.5)
	b.Probe = &catalog.Probe{Identity: id("PROBE1"), TransferImpedance: flat(rf.Ohms(5)), MaximumCurrent: rf.Amperes(1)}
	b.ToAnalyser = []catalog.Passive{{Identity: id("PAD2"), Kind: "pad", Loss: curve.Flat(rf.Gain(20), 0, 0, "pad"),
		MaximumPower: rf.Watts(1)}}
	b.Analyser = &catalog.Analyser{Identity: id("SA1"), Band: catalog.Band{Low: low, High: high},
		MaximumInput: rf.DBm(20), MixerLimit: rf.DBm(-10), Floor: rf.DBm(-110)}
	return b
}
