package rf

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
)

// near fails the test unless got is within tol of want.
func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

// Sine into 50 Ω: P = (Vpp/2√2)²/50. check_values.csv G01–G09; the cases 0.2, 0.6325, 2 and 10 Vpp
// agree with a generator manual's table (physics.md S20).
func TestPeakToPeakVoltsIntoFiftyOhm(t *testing.T) {
	for _, c := range []struct {
		id  string
		vpp float64
		dbm float64
	}{
		{"G01", 0.6, -0.4575749056},
		{"G02", 0.632455, -4.399376196e-07},
		{"G03", 1, 3.979400087},
		{"G04", 2, 10},
		{"G05", 10, 23.97940009},
		{"G06", 20, 30},
		{"G07", 0.2, -10},
		{"G08", 0.632455532, 0},
		// The high-Z trap: a generator that shows 2 Vpp for a high-impedance load gives half into 50 Ω.
		{"G09", 2.0 / 2, 3.979400087},
	} {
		near(t, c.id, PowerInto(VoltsPP(c.vpp), Z0).In(), c.dbm, 0.001)
	}
	near(t, "G08 backwards", VoltageAcross(DBm(0), Z0).SI()*2*math.Sqrt2, 0.632455532, 1e-5)
}

// check_values.csv G10–G13; standards.md section 10 rows 8–11. m = 0.8: peak 1+m, mean power
// 1+m²/2 (closed form).
func TestAMPeakIsFivePointOneDecibelsAboveCarrier(t *testing.T) {
	peak := GainOfAmplitudeRatio(1.8)
	near(t, "G10, row 8: peak", peak.DB(), 5.105450102, 1e-4)
	mean := GainOfPowerRatio(1 + 0.8*0.8/2)
	near(t, "G11, row 10: mean power", mean.PowerRatio(), 1.32, 1e-7)
	near(t, "G12: mean power", mean.DB(), 1.205739312, 1e-4)
	near(t, "G13, row 9: r.m.s.", mean.AmplitudeRatio(), 1.148912529, 1e-6)
	// Peak held: the carrier goes down by the peak; mean power 1.32/1.8².
	near(t, "row 11: carrier", (-peak).DB(), -5.105, 0.0005)
	near(t, "row 11: mean power", (mean - peak).PowerRatio(), 0.40741, 0.00001)
	near(t, "row 11: mean power", (mean - peak).DB(), -3.8997, 0.0005)
	// Row 12: pulses of 577 µs every 4600 µs.
	near(t, "row 12: duty", GainOfPowerRatio(577.0/4600).DB(), -9.0158, 0.0005)
}

// standards.md section 10 rows 1–7 and 19–20, check_values.csv C37, C38, P10, P11, P16 (IEC
// 61000-4-6 principle from memory; the rest is arithmetic).
func TestLevelsOfTheTrade(t *testing.T) {
	near(t, "row 1, P10: 0 dBm in 50 Ω", VoltageAcross(DBm(0), Z0).In(), 106.9897, 1e-4)
	near(t, "row 1: 0 dBm in 50 Ω", CurrentThrough(DBm(0), Z0).In(), 73.0103, 0.0005)

	umr := func(u0 float64) Voltage { return Volts(u0 / 6) } // (50/150)/2
	near(t, "row 2: Umr", umr(10).SI(), 1.66667, 0.00167)
	down, _ := umr(10).Minus(Volts(10))
	near(t, "row 2, C38: Umr under U0", down.DB(), -15.56302501, 1e-3)
	near(t, "row 3: Umr", umr(3).SI(), 0.5, 0.0005)
	near(t, "row 3: Umr", umr(3).In(), 113.979, 0.005)
	near(t, "row 3: Umr in 50 Ω", PowerInto(umr(3), Z0).In(), 6.990, 0.005)

	loop := CurrentOfVoltage(Volts(1), 300)
	near(t, "row 4: loop current", loop.SI(), 3.3333e-3, 3.3e-6)
	near(t, "row 4: loop current", loop.In(), 70.458, 0.005)
	ten := CurrentOfVoltage(Volts(10), 300)
	near(t, "C37: loop current", ten.SI()*1e3, 33.33333333, 1e-6)
	limit := CurrentOfVoltage(Volts(10), 150)
	near(t, "row 5: clamp limit", limit.SI(), 66.667e-3, 66e-6)
	near(t, "row 5: clamp limit", limit.In(), 96.478, 0.005)
	over, _ := limit.Minus(ten)
	near(t, "row 5: limit over loop", over.DB(), 6.021, 0.005)

	less, _ := Volts(3).Minus(Volts(10))
	near(t, "row 6: 10 V to 3 V", less.DB(), -10.458, 0.005)
	near(t, "row 7: 100 Ω into 50 Ω", GainOfAmplitudeRatio(150.0/50).DB(), 9.542, 0.005)

	near(t, "row 19: 100 mA in the jig", PowerOfCurrent(Amperes(0.1), 50).SI(), 0.5, 1e-12)
	near(t, "row 19: e.m.f. of the 50+50 Ω loop", VoltageOfCurrent(Amperes(0.1), 100).SI(), 10, 1e-12)
	near(t, "row 20: 10 V in 10 Ω", CurrentOfVoltage(Volts(10), 10).In(), 120, 1e-9)
	near(t, "row 27", DBuA(109).SI(), 281.84e-3, 281.84e-3*0.0005)
	near(t, "row 29: 20 V/m × 1.5 mA", Amperes(20*1.5e-3).In(), 89.542, 0.005)
	near(t, "P11: the jig's constant", TransimpedanceOfJigGain(0).In(), 33.97940009, 1e-4)
	near(t, "P16: -11 dBΩ", DBOhm(-11).SI(), 0.2818382931, 0.2818382931*1e-4)
}

// standards.md section 10 rows 13–15; formulas of CISPR 16-1-2.
func TestProbeReadingToCurrent(t *testing.T) {
	i := ProbeCurrent(Volts(1e-3), DBOhm(14))
	near(t, "row 13", i.In(), 46, 0.005)
	near(t, "row 13", i.SI(), 199.5e-6, 0.2e-6)
	zt := TransimpedanceOfJigGain(-20)
	near(t, "row 14", zt.In(), 13.979, 0.005)
	near(t, "row 14", zt.SI(), 5.000, 0.003)

	factor, err := Parse[Ohm]("0 dBS")
	if err != nil {
		t.Fatal(err)
	}
	near(t, "row 15", ProbeCurrent(Volts(10e-6), factor).In(), 20, 1e-9)
	near(t, "back", ProbeVoltage(Amperes(10e-6), factor).SI(), 10e-6, 1e-15)

	if bound, _ := Parse[Ohm]("at most 14 dBS"); bound.String() != "at least -14.0 dBΩ" {
		t.Errorf("an admittance of at most 14 dBS is an impedance of %v, want at least -14.0 dBΩ", bound)
	}
	if got := ProbeCurrent(Volts(1e-3), DBOhm(14).WithBound(AtLeast)); !got.Absent() {
		t.Errorf("a transfer impedance that is only a bound gave the current %v", got)
	}
}

// standards.md section 10 rows 16–18, check_values.csv C24 and C25: P = 50·I²·10^(IL/10).
func TestForwardPowerForAJigCurrent(t *testing.T) {
	forward := func(i Current, loss Gain) Power { return PowerOfCurrent(i, 50).Add(loss) }
	p := forward(Amperes(0.1), 7)
	near(t, "row 16, C24", p.SI(), 2.505936168, 2.5e-4)
	near(t, "row 16, C25", p.In(), 33.9897, 0.001)
	near(t, "row 17", forward(Amperes(0.06), 10).SI(), 1.8000, 0.0018)
	near(t, "row 17", forward(Amperes(0.06), 10).In(), 32.553, 0.001)
	near(t, "row 18", forward(DBuA(109), 14).SI(), 99.76, 0.1)
	near(t, "row 18", forward(DBuA(109), 14).In(), 49.990, 0.001)
}

func TestALevelIsReadAsAnEngineerWritesIt(t *testing.T) {
	for text, want := range map[string]Power{
		"-27.4 dBm": DBm(-27.4), "−27,4dBm": DBm(-27.4), "1 W": DBm(30), "20 mW": Watts(0.02),
		"1e-3 W": DBm(0), "5 uW": Watts(5e-6), "0 dBW": DBm(30), "off": Off[Watt](), "0 W": Off[Watt](),
		"at most -80 dBm": DBm(-80).WithBound(AtMost), "at least 1 kW": DBm(60).WithBound(AtLeast),
	} {
		got, err := Parse[Watt](text)
		if err != nil || got.Bound() != want.Bound() || got.IsOff() != want.IsOff() ||
			math.Abs(got.In()-want.In()) > 1e-9 {
			t.Errorf("%q read as %v (%v), want %v", text, got, err, want)
		}
	}
	for text, want := range map[string]float64{ // volt r.m.s.
		"1 Vpp": 1 / (2 * math.Sqrt2), "1 Vpk": 1 / math.Sqrt2, "1 Vrms": 1, "120 dBµV": 1, "120 dBμV": 1,
		"120 dBuV": 1, "500 mVpp": 0.5 / (2 * math.Sqrt2), "66 dBuV": 1.9952623e-3, "0 dBV": 1, "60 dBmV": 1,
	} {
		got, err := Parse[Volt](text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
		}
		near(t, text, got.SI(), want, want*1e-7)
	}
	for text, want := range map[string]float64{
		"10 mA": 0.01, "80 dBuA": 0.01, "20 dBmA": 0.01, "-40 dBA": 0.01, "10000 µA": 0.01,
	} {
		got, _ := Parse[Ampere](text)
		near(t, text, got.SI(), want, 1e-12)
	}
	for text, want := range map[string]float64{
		"5 ohm": 5, "5 Ω": 5, "5 \u2126": 5, "5000 mOhm": 5, "13.9794 dBohm": 5, "13.9794 dBΩ": 5, "-13.9794 dBS": 5,
	} {
		got, _ := Parse[Ohm](text)
		near(t, text, got.SI(), want, 1e-4)
	}
}

func TestALevelThatSaysTooLittleOrTooMuchIsRefused(t *testing.T) {
	for text, say := range map[string]string{
		"":                               "does not start with a number",
		"10":                             "no unit",
		"dBm":                            "does not start with a number",
		"3 DBM":                          `did you mean "dBm"`,
		"3 dBµA":                         "unknown power unit",
		"3 V":                            "unknown power unit",
		"-1 W":                           "cannot be negative",
		"1.000.000 W":                    "more than one decimal sign",
		"1,500 W":                        "two ways; write 1.500 or 1500",
		"1e999 W":                        "not a number",
		"1e300 W":                        "beyond anything",
		"9.9E37 dBm":                     "beyond anything",
		"at least 0 W":                   "no bound",
		"- dBm":                          "not a number",
		"NaN dBm":                        "does not start with a number",
		strings.Repeat("1", 70) + " dBm": "too long",
	} {
		l, err := Parse[Watt](text)
		if err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("%q gave %v, %v; want an error that says %q", text, l, err, say)
		}
		if !l.Absent() {
			t.Errorf("%q was refused but gave %v", text, l)
		}
	}
}

func TestAFrequencyIsReadAsAnEngineerWritesIt(t *testing.T) {
	for text, want := range map[string]float64{
		"150 kHz": 150e3, "27,12 MHz": 27.12e6, "27.12MHz": 27.12e6, "1M5": 1.5e6, "455k": 455e3,
		"1 GHz": 1e9, "50 Hz": 50, "0,150 MHz": 150e3, "1.5e6 Hz": 1.5e6, "2G4": 2.4e9,
	} {
		got, err := ParseFrequency(text)
		if err != nil {
			t.Errorf("%q: %v", text, err)
		}
		near(t, text, got.Hz(), want, 1e-6)
	}
	for text, say := range map[string]string{
		"80 Mhz": `did you mean "MHz"`, "80 mHz": `did you mean "MHz"`, "80": "no unit", "0 Hz": "above 0 Hz",
		"-1 MHz": "above 0 Hz", "1,500 MHz": "two ways", "1M.5": "unknown frequency unit", "1.5M5": "two decimal signs",
		"1e300 GHz": "no radio frequency", "1 000 Hz": "unknown frequency unit",
	} {
		if got, err := ParseFrequency(text); err == nil || !strings.Contains(err.Error(), say) || got.Known() {
			t.Errorf("%q gave %v, %v; want an error that says %q", text, got, err, say)
		}
	}
}

func TestEveryPrintedNumberCarriesItsUnit(t *testing.T) {
	for _, c := range [][2]string{
		{DBuA(80).String(), "80.0 dBµA"}, {DBuA(80).Linear(), "10.0 mA"}, {DBm(-0.04).String(), "0.0 dBm"},
		{DBuA(12.3).WithBound(AtMost).String(), "at most 12.3 dBµA"}, {Off[Watt]().String(), "off"}, {Power{}.String(),
			"–"},
		{Gain(math.NaN()).String(), "–"}, {Gain(math.Inf(-1)).String(), "-∞ dB"}, {Gain(5.105).String(), "5.1 dB"},
		{Frequency(27.12e6).String(), "27.12 MHz"}, {Frequency(150e3).String(), "150 kHz"}, {Frequency(0).String(),
			"–"},
		{Resistance(4700).String(), "4.70 kΩ"}, {Capacitance(150e-12).String(), "150 pF"}, {Length(0.05).String(),
			"50 mm"},
		{Fraction(0.8).String(), "80 %"}, {Temperature(23).String(), "23 °C"}, {Duration(200e9).String(), "3 min 20 s"},
		{Ohms(0.2818).Linear(), "282 mΩ"}, {Watts(999.9).Linear(), "1.00 kW"},
	} {
		if c[0] != c[1] {
			t.Errorf("printed %q, want %q", c[0], c[1])
		}
	}
}

func TestAScalarIsReadWithItsUnit(t *testing.T) {
	var r Resistance
	var c Capacitance
	var l Inductance
	var d Length
	var f Fraction
	var k Temperature
	var s Duration
	for _, x := range []struct {
		text string
		into interface{ UnmarshalText([]byte) error }
		want string
	}{
		{"4k7", &r, "4.70 kΩ"}, {"150 ohm", &r, "150 Ω"}, {"150pF", &c, "150 pF"}, {"40 nH", &l, "40.0 nH"},
		{"50 mm", &d, "50 mm"}, {"80 %", &f, "80 %"}, {"-5 °C", &k, "-5 °C"}, {"1,5 min", &s, "1 min 30 s"},
		{"500 ms", &s, "500 ms"},
	} {
		if err := x.into.UnmarshalText([]byte(x.text)); err != nil {
			t.Errorf("%q: %v", x.text, err)
			continue
		}
		if got := x.into.(interface{ String() string }).String(); got != x.want {
			t.Errorf("%q read as %q, want %q", x.text, got, x.want)
		}
	}
	for _, x := range []struct {
		text string
		into interface{ UnmarshalText([]byte) error }
	}{
		{"-5 Ω", &r}, {"-1 pF", &c}, {"-1 nH", &l}, {"-1 m", &d}, {"120 %", &f}, {"-300 °C", &k}, {"-1 s", &s},
		{"5", &r}, {"5 F", &r}, {"1e300 h", &s},
	} {
		if err := x.into.UnmarshalText([]byte(x.text)); err == nil {
			t.Errorf("%q was taken for a %T", x.text, x.into)
		}
	}
}

func TestALevelInJSONIsTextWithItsUnit(t *testing.T) {
	out, err := json.Marshal(struct {
		L Current
		A Current
		Q *Quantity
		N *Quantity
	}{DBuA(80).WithBound(AtLeast), Current{}, DBuA(80).WithBound(AtLeast).Quantity(), Current{}.Quantity()})
	const want = `{"L":"at least 80.000000 dBµA","A":"","Q":{"text":"at least 80.0 dBµA","value":0.01,"unit":"A","bound":"at least"},"N":null}`
	if err != nil || string(out) != want {
		t.Errorf("got  %s\nwant %s (%v)", out, want, err)
	}
}

func TestAFrequencyIsRoundedToFourDigits(t *testing.T) {
	for f, want := range map[Frequency]Frequency{40421234: 40420000, 149896: 149900, 99.996: 100, 0: 0,
		27.12e6: 27.12e6} {
		near(t, f.String()+" rounded", f.Rounded().Hz(), want.Hz(), 1e-6)
	}
}
