package level

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"provoke/internal/units/rf"
)

const (
	khz = rf.Kilohertz
	mhz = rf.Megahertz

	meansEMF = "open-circuit e.m.f. behind 150 Ω, r.m.s. of the unmodulated carrier; U0/300 Ω flows in a matched " +
		"loop; the peak rises when AM goes on"
	meansISO = "r.m.s. current in the 50 Ω jig, CW; with AM the peak of the envelope is held at the CW level and the " +
		"carrier is lowered"
	meansAir = "r.m.s. current in the 50 Ω fixture, taken during the peak of the modulation"
	meansMil = "r.m.s. current in the 50 Ω fixture of the unmodulated carrier; the pulse has the same peak"

	memoryHigh   = "from memory, high"
	memoryMedium = "from memory, medium"
)

func amIEC() Modulation { return Modulation{Kind: AM, Depth: 0.8, Rate: khz, Hold: CarrierHeld} }

func pulse50(hold Convention) Modulation {
	return Modulation{Kind: Pulse, Duty: 0.5, Rate: khz, Hold: hold}
}

// profiles are made once; they are data and nobody changes them.
var profiles = sync.OnceValue(func() []Profile {
	return slices.Concat(iecBasic(), generic(), iso11452(), unR10(), cs114(), hirf(), do160())
})

// Profiles returns all named profiles in the order of their standards.
func Profiles() []Profile { return slices.Clone(profiles()) }

// Lookup returns the named profile with an id such as "iec-61000-4-6/level-3"; for an id that is
// not known the error names the nearest.
func Lookup(id string) (Profile, error) {
	var ids []string
	for _, p := range profiles() {
		if p.ID == normalID(id) {
			return p, nil
		}
		ids = append(ids, p.ID)
	}
	return Profile{}, unknownID("level profile", id, ids)
}

// emfProfile makes a profile of an e.m.f. behind 150 Ω that depends on frequency.
func emfProfile(p Profile, u0 func(rf.Frequency) rf.Voltage) Profile {
	p.Means, p.Hold, p.Modulations = meansEMF, CarrierHeld, []Modulation{amIEC()}
	p.Steps = []string{"iec-61000-4-6"}
	if !p.Low.Known() {
		p.Low, p.High = 150*khz, 80*mhz
	}
	p.Corners = ends(p.Corners, p.Low, p.High)
	p.at = func(f rf.Frequency) (Ask, error) { return emfAsk(u0(f)), nil }
	return p
}

func flat(volts float64) func(rf.Frequency) rf.Voltage {
	return func(rf.Frequency) rf.Voltage { return rf.Volts(volts) }
}

// ends adds the ends of a band to its corners, ascending.
func ends(corners []rf.Frequency, low, high rf.Frequency) []rf.Frequency {
	out := []rf.Frequency{low, high}
	for _, c := range corners {
		if c > low && c < high {
			out = append(out, c)
		}
	}
	slices.Sort(out)
	return out
}

// iecBasic are the levels of IEC 61000-4-6. 1, 3 and 10 V agree with a manufacturer's manual and a
// list posting (standards.md, S:3 and S:4); the table itself was not read.
func iecBasic() []Profile {
	var out []Profile
	for i, volts := range []float64{1, 3, 10} {
		p := Profile{
			ID:     fmt.Sprintf("iec-61000-4-6/level-%d", i+1),
			Title:  fmt.Sprintf("IEC 61000-4-6 level %d, %g V e.m.f.", i+1, volts),
			Source: "IEC 61000-4-6 edition 5 (2023), table of test levels", Confidence: memoryHigh,
			Notes: []string{
				"AM 80 % ± 5 %, sine 1 kHz ± 10 %.",
				"The clamp may drive U0/150 Ω at most, 6.02 dB above the matched-loop current.",
				"Frequencies at which the DUT may be sensitive (clocks, their harmonics) are tested besides.",
			},
		}
		wide := p
		wide.VariantOf = p.ID
		wide.ID += "/to-230-mhz"
		wide.Title += ", up to 230 MHz"
		wide.Low, wide.High = 150*khz, 230*mhz
		wide.Notes = append(slices.Clone(p.Notes),
			"80 to 230 MHz is for a product standard to ask for (Annex B); the impedance of a CDN is there 150 Ω ± "+
				"60 Ω.")
		out = append(out, emfProfile(p, flat(volts)), emfProfile(wide, flat(volts)))
	}
	return out
}

// band is a range of frequencies with both ends in it.
type band struct{ low, high rf.Frequency }

// ismBands are the bands for industrial, scientific and medical use below 80 MHz (ITU Radio
// Regulations 5.138 and 5.150; from memory, high).
var ismBands = []band{{6.765 * mhz, 6.795 * mhz}, {13.553 * mhz, 13.567 * mhz}, {26.957 * mhz, 27.283 * mhz},
	{40.66 * mhz, 40.70 * mhz}}

// amateurBands are those that IEC 60601-1-2 edition 4 names for home healthcare (from memory,
// medium).
var amateurBands = []band{
	{1.8 * mhz, 2.0 * mhz}, {3.5 * mhz, 4.0 * mhz}, {5.3 * mhz, 5.4 * mhz}, {7 * mhz, 7.3 * mhz}, {10.1 * mhz,
		10.15 * mhz},
	{14 * mhz, 14.2 * mhz}, {18.07 * mhz, 18.17 * mhz}, {21.0 * mhz, 21.4 * mhz}, {24.89 * mhz, 24.99 * mhz},
	{28.0 * mhz, 29.7 * mhz}, {50 * mhz, 54 * mhz},
}

func generic() []Profile {
	older := []band{{47 * mhz, 68 * mhz}}
	medical := append(slices.Clone(ismBands), amateurBands...)
	return []Profile{
		emfProfile(Profile{
			ID: "iec-61000-6-1", Title: "IEC 61000-6-1 residential, commercial and light-industrial, 3 V e.m.f.",
			Source: "IEC 61000-6-1, immunity tables", Confidence: memoryHigh,
			Notes: []string{"Signal ports with cables longer than 3 m, d.c. and a.c. power ports. Performance " +
				"criterion A."},
		}, flat(3)),
		emfProfile(Profile{
			ID: "iec-61000-6-2", Title: "IEC 61000-6-2 industrial, 10 V e.m.f.",
			Source: "IEC 61000-6-2, immunity tables", Confidence: memoryHigh,
			Notes: []string{"Signal ports with cables longer than 3 m, d.c. and a.c. power ports. Performance " +
				"criterion A."},
		}, flat(10)),
		emfProfile(Profile{
			ID: "iec-61000-6-2/older-edition", VariantOf: "iec-61000-6-2",
			Title:      "IEC 61000-6-2 older edition, 10 V e.m.f., 3 V from 47 to 68 MHz",
			Source:     "IEC 61000-6-2, an older edition, immunity tables",
			Confidence: "from memory, high; the exception medium",
			Notes:      []string{"From 47 MHz to 68 MHz, both included here, the level is 3 V."},
			Corners:    edges(older),
		}, insideOutside(older, 3, 10)),
		emfProfile(Profile{
			ID:         "iec-60601-1-2/professional",
			Title:      "IEC 60601-1-2 professional healthcare, 3 V e.m.f., 6 V in ISM bands",
			Source:     "IEC 60601-1-2:2014, immunity tables; band limits from the ITU Radio Regulations",
			Confidence: "3 V and 6 V read in a device maker's table; bands from memory, high",
			Notes: []string{"6 V in the ISM bands, their edges included. The bands are narrow: lay the grid on the " +
				"profile's corners too."},
			Corners: edges(ismBands),
		}, insideOutside(ismBands, 6, 3)),
		emfProfile(Profile{
			ID: "iec-60601-1-2/home", Title: "IEC 60601-1-2 home healthcare, 3 V e.m.f., 6 V in ISM and amateur bands",
			Source: "IEC 60601-1-2:2014, immunity tables; band limits from the ITU Radio Regulations",
			Confidence: "3 V and 6 V read in a device maker's table; ISM bands from memory, high; amateur bands from " +
				"memory, medium",
			Notes: []string{"6 V in the ISM and amateur bands, their edges included. The bands are narrow: lay the " +
				"grid on the profile's corners too."},
			Corners: edges(medical),
		}, insideOutside(medical, 6, 3)),
		emfProfile(Profile{
			ID: "en-55035", Title: "EN 55035 (CISPR 35) multimedia, 3 V e.m.f. falling to 1 V",
			Source:     "EN 55035, continuous conducted disturbances",
			Confidence: "3 V and a taper read in a list posting; the rest from memory, high",
			Notes: []string{"3 V to 10 MHz, falling to 1 V at 30 MHz in volts linearly with the logarithm of " +
				"frequency, 1 V to 80 MHz. Whether the standard means volts or decibel is to be checked: at 17.32 " +
				"MHz it is 2.0 V or 1.73 V."},
			Corners: []rf.Frequency{10 * mhz, 30 * mhz},
		}, taper55035),
		emfProfile(Profile{
			ID: "en-55024", Title: "EN 55024 (withdrawn) information technology, 3 V e.m.f.",
			Source:     "EN 55024, continuous conducted disturbances",
			Confidence: "flat read in a list posting; 3 V from memory, high",
		}, flat(3)),
		emfProfile(Profile{
			ID: "iec-61326-1/industrial", Title: "IEC 61326-1 industrial electromagnetic environment, 3 V e.m.f.",
			Source: "IEC 61326-1, immunity tables", Confidence: memoryMedium,
		}, flat(3)),
		emfProfile(Profile{
			ID: "iec-61326-1/basic", Title: "IEC 61326-1 basic electromagnetic environment, 3 V e.m.f.",
			Source: "IEC 61326-1, immunity tables", Confidence: memoryMedium,
		}, flat(3)),
	}
}

// taper55035 falls from 3 V to 1 V between 10 and 30 MHz, in volts linearly over log f.
func taper55035(f rf.Frequency) rf.Voltage {
	t := math.Log(float64(f)/10e6) / math.Log(3)
	return rf.Volts(3 - 2*min(1, max(0, t)))
}

// edges are the ends and the middle of bands, for a grid not to miss them.
func edges(bands []band) []rf.Frequency {
	var out []rf.Frequency
	for _, b := range bands {
		out = append(out, b.low, (b.low+b.high)/2, b.high)
	}
	return out
}

func insideOutside(bands []band, in, out float64) func(rf.Frequency) rf.Voltage {
	return func(f rf.Frequency) rf.Voltage {
		for _, b := range bands {
			if f >= b.low*(1-endSlack) && f <= b.high*(1+endSlack) {
				return rf.Volts(in)
			}
		}
		return rf.Volts(out)
	}
}

// currentProfile makes a profile of a current in the 50 + 50 Ω jig.
func currentProfile(p Profile, s Shape, limit func(rf.Current) rf.Current) Profile {
	p.Corners = ends([]rf.Frequency{s.LowCorner, s.HighCorner}, p.Low, p.High)
	p.at = s.ask(Loop50, limit)
	return p
}

// isoModulations are the modulations of ISO 11452 with the peak held: AM to 800 MHz; above, which
// bulk current injection does not reach, pulses of 577 µs every 4600 µs.
func isoModulations() []Modulation {
	return []Modulation{{Kind: CW}, {Kind: AM, Depth: 0.8, Rate: khz, Hold: PeakHeld}}
}

func iso11452() []Profile {
	var out []Profile
	names := []string{"i", "ii", "iii", "iv"}
	for n, milliamperes := range []float64{60, 100, 150, 200} {
		shape := Shape{rf.Amperes(milliamperes / 1e3), 3 * mhz, 20, 200 * mhz, -20}
		out = append(out, currentProfile(Profile{
			ID:     "iso-11452-4/level-" + names[n],
			Title:  fmt.Sprintf("ISO 11452-4 severity %s, %g mA", []string{"I", "II", "III", "IV"}[n], milliamperes),
			Source: "ISO 11452-4, informative annex of severity levels", Confidence: memoryMedium,
			Means: meansISO, Hold: PeakHeld, Modulations: isoModulations(),
			Notes: []string{
				"1 to 3 MHz the level times f/3 MHz; 3 to 200 MHz flat; 200 to 400 MHz the level times 200 MHz/f.",
				"The closed-loop method may raise the forward power to four times that of the calibration unless the " +
					"test plan says otherwise.",
				"Level V is by agreement.",
			},
			Low: mhz, High: 400 * mhz, Steps: []string{"iso-11452-1/log", "iso-11452-1/linear"},
		}, shape, nil))
	}
	return out
}

func unR10() []Profile {
	bci := func(id string, mA float64, confidence, note string) Profile {
		return currentProfile(Profile{
			ID:     id,
			Title:  fmt.Sprintf("UN R10 bulk current injection, %g mA", mA),
			Source: "UN Regulation No. 10, immunity of electronic sub-assemblies", Confidence: confidence,
			Means: meansISO, Hold: PeakHeld, Modulations: isoModulations(),
			Notes: []string{note, "AM depth 0.8 ± 0.04, 1 kHz.",
				"The rule's band goes on to 2000 MHz with other methods."},
			Low: 20 * mhz, High: 400 * mhz, Steps: []string{"un-r10", "iso-11452-1/log"},
		}, Shape{Flat: rf.Amperes(mA / 1e3), LowCorner: 20 * mhz, HighCorner: 400 * mhz}, nil)
	}
	reduced := bci("un-r10/bci-60-ma/80-percent", 48, "48 mA read in the text of an EU vehicle rule",
		"80 % of the level, as one EU vehicle rule prints it.")
	reduced.VariantOf = "un-r10/bci-60-ma"
	return []Profile{
		bci("un-r10/bci-60-ma", 60, memoryHigh, "60 mA over at least 90 % of the band, 50 mA over all of it."),
		reduced,
	}
}

// cs114Flat are the flat parts of curves 1 to 5 of MIL-STD-461 CS114 in dBµA (from memory, high;
// 1.5 mA per V/m times 5, 20, 50, 100 and 200 V/m agrees within 0.6 dB).
var cs114Flat = [5]float64{77, 89, 97, 103, 109}

// cs114HighSlope is the fall above 30 MHz in dB per decade (from memory, medium: to be checked on
// the figure).
const cs114HighSlope = -10

// cs114AboveLimit is how far above the limit the cable current may come before the test counts as
// passed with less than the calibration's power (from memory, high).
const cs114AboveLimit rf.Gain = 6

// cs114FixedLimit are the fixed limits of 461F and G, curves 1 to 5, dBµA (from memory, medium).
var cs114FixedLimit = [5]float64{83, 95, 103, 109, 115}

func cs114() []Profile {
	var out []Profile
	for n := range cs114Flat {
		shape := Shape{rf.DBuA(cs114Flat[n]), mhz, 20, 30 * mhz, cs114HighSlope}
		tracking := func(asked rf.Current) rf.Current { return asked.Add(cs114AboveLimit) }
		fixed := func(rf.Current) rf.Current { return rf.DBuA(cs114FixedLimit[n]) }
		p := Profile{
			ID:     fmt.Sprintf("cs114/curve-%d", n+1),
			Title:  fmt.Sprintf("MIL-STD-461 CS114 curve %d, %g dBµA", n+1, cs114Flat[n]),
			Source: "MIL-STD-461, figure CS114-1", Confidence: "from memory: high to 30 MHz, medium above",
			Means: meansMil, Hold: CarrierHeld, Modulations: []Modulation{pulse50(CarrierHeld)},
			Low: 10 * khz, High: 200 * mhz, Steps: []string{"mil-std-461"},
			Notes: []string{
				"The fall of 10 dB per decade above 30 MHz is to be checked on the figure.",
				"The current limit follows the level 6 dB above it at each frequency (461E); the variant limit-fixed " +
					"has one limit per curve (461F and G). The wording is disputed in the trade; this is the lower " +
					"of the two.",
			},
		}
		toFixed, wide := p, p
		toFixed.ID, toFixed.VariantOf = p.ID+"/limit-fixed", p.ID
		toFixed.Title += ", fixed current limit"
		toFixed.Notes = []string{p.Notes[0], fmt.Sprintf(
			"The current limit is %g dBµA at every frequency (461F and G; from memory, medium).", cs114FixedLimit[n])}
		wide.ID, wide.VariantOf = p.ID+"/to-400-mhz", p.ID
		wide.Title += ", up to 400 MHz"
		wide.High = 400 * mhz
		wide.Notes = append(slices.Clone(p.Notes),
			"Up to 400 MHz in 461D (from memory, medium) and by agreement with the buyer.")
		out = append(out, currentProfile(p, shape, tracking), currentProfile(toFixed, shape, fixed),
			currentProfile(wide, shape, tracking))
	}
	return append(out, currentProfile(Profile{
		ID: "cs114/ships-power-cables", Title: "MIL-STD-461 CS114 ships and submarines, complete power cables, 77 dBµA",
		Source:     "MIL-STD-461, CS114",
		Confidence: "level read in a laboratory's summary; columns of the table from memory, low",
		Means:      meansMil, Hold: CarrierHeld, Modulations: []Modulation{pulse50(CarrierHeld)},
		Low: 4 * khz, High: mhz, Steps: []string{"mil-std-461"},
		Notes: []string{"Besides the curve of the platform."},
	}, Shape{Flat: rf.DBuA(77), LowCorner: 4 * khz, HighCorner: mhz}, nil))
}

// airborne is the shape that 14 CFR Part 25 Appendix L and RTCA DO-160 section 20 share.
func airborne(milliamperes float64) Shape {
	return Shape{rf.Amperes(milliamperes / 1e3), 500 * khz, 20, 40 * mhz, -20}
}

func airborneProfile(p Profile, milliamperes float64, limit func(rf.Current) rf.Current) Profile {
	p.Means, p.Hold = meansAir, PeakHeld
	p.Modulations = []Modulation{{Kind: CW}, pulse50(PeakHeld)}
	p.Low, p.High, p.Steps = 10*khz, 400*mhz, []string{"do-160"}
	return currentProfile(p, airborne(milliamperes), limit)
}

func hirf() []Profile {
	return []Profile{
		airborneProfile(Profile{
			ID: "14-cfr-hirf/level-1", Title: "14 CFR HIRF equipment level 1, 30 mA",
			Source: "14 CFR Part 25 Appendix L, also Part 27 Appendix D and Part 29", Confidence: "read",
			Verified: true,
			Notes: []string{
				"0.6 mA at 10 kHz rising 20 dB per decade to 30 mA at 500 kHz, 30 mA to 40 MHz, falling 20 dB per " +
					"decade to 3 mA at 400 MHz.",
				"CW, and 1 kHz square wave of at least 90 % depth.",
				"Beside it stand 20 V/m from 100 to 400 MHz and 150 V/m in pulses from 400 MHz to 8 GHz, which this " +
					"program does not make.",
			},
		}, 30, nil),
		airborneProfile(Profile{
			ID: "14-cfr-hirf/level-3", Title: "14 CFR HIRF equipment level 3, 7.5 mA",
			Source: "14 CFR Part 25 Appendix L", Confidence: "from memory, high",
			Notes: []string{"The shape of level 1: 0.15 mA at 10 kHz, 7.5 mA from 500 kHz to 40 MHz, 0.75 mA at 400 " +
				"MHz."},
		}, 7.5, nil),
	}
}

func do160() []Profile {
	categories := []struct {
		letter      string
		milliampere float64
		cap         float64 // mA
		confidence  string
	}{
		{"S", 1.5, 5, "level from memory, high; current cap from memory, low"},
		{"T", 7.5, 25, "level from memory, high; current cap from memory, low"},
		{"R", 30, 100, "level equal to that read in 14 CFR Part 25 App. L level 1; current cap from memory, low"},
		{"W", 150, 500, "level from memory, medium; current cap from memory, low"},
		{"Y", 300, 1000, "level from memory, medium; current cap from memory, low"},
	}
	var out []Profile
	for _, c := range categories {
		out = append(out, airborneProfile(Profile{
			ID:     "do-160/category-" + normalID(c.letter),
			Title:  fmt.Sprintf("RTCA DO-160 section 20 category %s, %g mA", c.letter, c.milliampere),
			Source: "RTCA DO-160 section 20, conducted susceptibility", Confidence: c.confidence,
			Notes: []string{fmt.Sprintf(
				"The forward power of the fixture calibration is replayed; the cable current may not go above %v.",
				rf.Amperes(c.cap/1e3).Linear())},
		}, c.milliampere, func(rf.Current) rf.Current { return rf.Amperes(c.cap / 1e3) }))
	}
	return out
}
