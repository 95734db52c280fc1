package rf

import (
	"math"
	"strings"
	"testing"
	"time"
)

// What stands on the right is written as SI 9th edition, 5.4 has it (a space before the unit), with the
// prefix that leaves one to three digits before the decimal sign.
func TestQuantitiesAreWrittenWithThePrefixThatAnEngineerWouldUse(t *testing.T) {
	for _, c := range []struct {
		got, want string
	}{
		{Duration(0).String(), "0 s"},
		{Duration(250 * time.Nanosecond).String(), "0.25 µs"},
		{Duration(12345 * time.Nanosecond).String(), "12.35 µs"}, // four digits
		{Duration(time.Millisecond).String(), "1 ms"},
		{Duration(123456 * time.Microsecond).String(), "123.5 ms"},
		{Duration(time.Second).String(), "1 s"},
		{Duration(12345 * time.Millisecond).String(), "12.35 s"},
		{Duration(time.Minute).String(), "1 min"},
		{Duration(59500 * time.Millisecond).String(), "59.5 s"},
		{Duration(200*time.Second + 400*time.Millisecond).String(), "3 min 20 s"},
		{Duration(3600 * time.Second).String(), "1 h 0 min"},
		{Duration(3660 * time.Second).String(), "1 h 1 min"},
		{Duration(119*time.Second + 600*time.Millisecond).String(), "2 min"},
		{Frequency(999).String(), "999 Hz"},
		{Frequency(1e3).String(), "1 kHz"},
		{Frequency(999e3).String(), "999 kHz"},
		{Frequency(1e6).String(), "1 MHz"},
		{Frequency(999e6).String(), "999 MHz"},
		{Frequency(1e9).String(), "1 GHz"},
		{Frequency(1.2345678e9).String(), "1.234568 GHz"},
		{Frequency(0).String(), "–"},
		{Length(0.05).String(), "50 mm"},
		{Length(1).String(), "1 m"},
		{Length(1.23456).String(), "1.235 m"},
		{Length(0.0123456).String(), "12.35 mm"},
		{Fraction(0.8).String(), "80 %"},
		{Fraction(0.1234567).String(), "12.346 %"},
		{Temperature(23.456).String(), "23.46 °C"},
		{Resistance(0).String(), "0 Ω"},
		{Resistance(150).String(), "150 Ω"},
		{Resistance(4700).String(), "4.70 kΩ"},
		{Resistance(999.6).String(), "1.00 kΩ"}, // rounds up into the next prefix
		{Resistance(99.96).String(), "100 Ω"},
		{Resistance(999.4).String(), "999 Ω"},
		{Resistance(1e6).String(), "1.00 MΩ"},
		{Resistance(2.2e9).String(), "2.20 GΩ"},
		{Resistance(5e12).String(), "5000 GΩ"},
		{Resistance(0.012).String(), "12.0 mΩ"},
		{Capacitance(150e-12).String(), "150 pF"},
		{Capacitance(5e-14).String(), "0.05 pF"},
		{Capacitance(2.2e-9).String(), "2.20 nF"},
		{Capacitance(2.2e-6).String(), "2.20 µF"},
		{Inductance(40e-9).String(), "40.0 nH"},
		{Resistance(math.NaN()).String(), "–"},
		{Amperes(0.01).Linear(), "10.0 mA"},
		{Amperes(0.01).WithBound(AtLeast).Linear(), "at least 10.0 mA"},
		{Current{}.Linear(), "–"},
		{Off[Ampere]().Linear(), "off"},
		{DBm(-0.04).String(), "0.0 dBm"},
		{DBm(-0.06).String(), "-0.1 dBm"},
		{Gain(-0.004).Text(2), "0.00 dB"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

func TestALevelIsAboveAnotherOnlyWhereNoBoundIsInTheWay(t *testing.T) {
	low, high := DBm(10), DBm(11)
	for _, c := range []struct {
		a, b Power
		want bool
	}{
		{high, low, true}, {low, high, false}, {low, low, false},
		{high.WithBound(AtLeast), low, true}, {high.WithBound(AtMost), low, false},
		{high, low.WithBound(AtMost), true}, {high, low.WithBound(AtLeast), false},
		{high.WithBound(AtLeast), low.WithBound(AtMost), true},
		{Power{}, low, false}, {high, Power{}, false},
		{low, Off[Watt](), true}, {low.WithBound(AtLeast), Off[Watt](), true}, {low.WithBound(AtMost), Off[Watt](),
			false},
		{Off[Watt](), low, false}, {Off[Watt](), Off[Watt](), false}, {Power{}, Off[Watt](), false},
	} {
		if got := c.a.Above(c.b); got != c.want {
			t.Errorf("%v above %v: %v", c.a, c.b, got)
		}
	}
}

func TestTheLowerOfTwoLevels(t *testing.T) {
	low, high := DBm(-3), DBm(7)
	for _, c := range [][3]Power{{low, high, low}, {high, low, low}, {low, low, low}, {low, {}, low}, {{}, low, low},
		{{}, {}, {}}, {Off[Watt](), low, Off[Watt]()}, {high, Off[Watt](), Off[Watt]()}} {
		if got := c[0].Lower(c[1]); got != c[2] {
			t.Errorf("the lower of %v and %v is %v", c[0], c[1], got)
		}
	}
	if got := high.Sub(3); got.In() != 4 {
		t.Errorf("7 dBm less 3 dB is %v", got)
	}
}

func TestAGainThatIsNoNumberLeavesNothingKnown(t *testing.T) {
	for _, g := range []Gain{Gain(math.NaN()), Gain(math.Inf(1)), Gain(math.Inf(-1))} {
		if got := DBm(3).Add(g); !got.Absent() {
			t.Errorf("3 dBm + %v dB is %v", float64(g), got)
		}
		if g.Finite() {
			t.Errorf("%v dB is finite", float64(g))
		}
	}
	for _, x := range []float64{math.NaN(), math.Inf(1)} {
		if got := FromDB[Watt](x); !got.Absent() {
			t.Errorf("%v dBW is %v", x, got)
		}
	}
	if got := FromDB[Watt](math.Inf(-1)); !got.IsOff() {
		t.Errorf("-Inf dBW is %v", got)
	}
	if got := Watts(-1); !got.Absent() {
		t.Errorf("-1 W is %v", got)
	}
	if got := Watts(0); !got.IsOff() {
		t.Errorf("0 W is %v", got)
	}
	if got := DBm(3).WithBound(AtLeast).WithBound(Exactly); !got.Exact() {
		t.Errorf("a bound that was taken off stays: %v", got)
	}
}

func TestGainsAreReadAndWritten(t *testing.T) {
	for text, want := range map[string]float64{"3 dB": 3, "-12.5 db": -12.5, "0,5 dB": 0.5, "500 dB": 500} {
		g, err := ParseGain(text)
		if err != nil || g.DB() != want {
			t.Errorf("%q reads as %v (%v)", text, g, err)
		}
		var into Gain
		if err := into.UnmarshalText([]byte(text)); err != nil || into != g {
			t.Errorf("%q is taken in as %v (%v)", text, into, err)
		}
	}
	for _, text := range []string{"3", "3 dBm", "dB", "501 dB", "-501 dB", ""} {
		into := Gain(7)
		if _, err := ParseGain(text); err == nil {
			t.Errorf("%q is read as a gain", text)
		}
		if err := into.UnmarshalText([]byte(text)); err == nil || into != 7 {
			t.Errorf("%q is taken in as %v (%v)", text, into, err)
		}
	}
	if text, _ := Gain(1.23456).MarshalText(); string(text) != "1.2346 dB" {
		t.Errorf("1.23456 dB is written as %q", text)
	}
	if text, _ := Gain(math.NaN()).MarshalText(); len(text) != 0 {
		t.Errorf("no gain is written as %q", text)
	}
}

func TestQuantitiesForOtherPrograms(t *testing.T) {
	if q := Gain(1.23456789).Quantity(AtLeast); q == nil || q.Text != "at least 1.2 dB" || q.Value != 1.234568 ||
		q.Unit != "dB" || q.Bound != "at least" {
		t.Errorf("a gain with a bound is %+v", q)
	}
	if q := Gain(2).Quantity(Exactly); q == nil || q.Text != "2.0 dB" || q.Bound != "" {
		t.Errorf("a gain is %+v", q)
	}
	if Gain(2).Quantity(Unknown) != nil || Gain(math.NaN()).Quantity(Exactly) != nil || Frequency(0).Quantity() != nil {
		t.Error("what is not known has a quantity")
	}
	if q := Frequency(2e6).Quantity(); q == nil || q.Value != 2e6 || q.Text != "2 MHz" {
		t.Errorf("a frequency is %+v", q)
	}
}

func TestTheEmptyTextIsAbsent(t *testing.T) {
	f, d, l, r := Frequency(5), Duration(5), DBm(5), Resistance(5)
	for _, x := range []interface{ UnmarshalText([]byte) error }{&f, &d, &l, &r} {
		if err := x.UnmarshalText(nil); err != nil {
			t.Error(err)
		}
	}
	if f != 0 || d != 0 || !l.Absent() || r != 0 {
		t.Errorf("the empty text leaves %v, %v, %v, %v", f, d, l, r)
	}
	if f.Known() || Frequency(math.NaN()).Known() || Frequency(-1).Known() || !Frequency(0.5).Known() {
		t.Error("which frequencies are known is told wrongly")
	}
}

// The ends of what is taken for a quantity at all.
func TestWhatIsBeyondAnythingIsRefused(t *testing.T) {
	parse := map[string]func(string) error{
		"frequency":   func(s string) error { _, err := ParseFrequency(s); return err },
		"duration":    func(s string) error { _, err := ParseDuration(s); return err },
		"fraction":    func(s string) error { return new(Fraction).UnmarshalText([]byte(s)) },
		"resistance":  func(s string) error { return new(Resistance).UnmarshalText([]byte(s)) },
		"temperature": func(s string) error { return new(Temperature).UnmarshalText([]byte(s)) },
		"power":       func(s string) error { _, err := Parse[Watt](s); return err },
	}
	for _, c := range []struct {
		kind, text string
		good       bool
	}{
		{"frequency", "1e-6 Hz", true}, {"frequency", "0.9e-6 Hz", false}, {"frequency", "1e15 Hz", true}, {"frequency",
			"1.1e15 Hz", false},
		{"duration", "0 s", true}, {"duration", "-1 ms", false}, {"duration", "1e9 s", true}, {"duration", "1.001e9 s",
			false},
		{"fraction", "0 %", true}, {"fraction", "100 %", true}, {"fraction", "100.1 %", false}, {"fraction",
			"-0.1 %", false},
		{"resistance", "0 Ω", true}, {"resistance", "-1 Ω", false}, {"resistance", "1e9 Ω", true},
		{"temperature", "-273.15 °C", true}, {"temperature", "-273.2 °C", false}, {"temperature", "2000 °C", true},
		{"power", "500 dBW", true}, {"power", "500.1 dBW", false}, {"power", "-500 dBW", true}, {"power", "-501 dBW",
			false},
	} {
		if err := parse[c.kind](c.text); (err == nil) != c.good {
			t.Errorf("%s %q: %v", c.kind, c.text, err)
		}
	}
}

func TestHowANumberEndsAndItsUnitBegins(t *testing.T) {
	for _, c := range []struct {
		text   string
		number float64
		unit   string
	}{
		{"1e3Hz", 1e3, "Hz"}, {"1E-3 V", 1e-3, "V"}, {"1e+09 Hz", 1e9, "Hz"}, {"2e9s", 2e9, "s"}, {"5 e", 5,
			"e"}, {"5e", 5, "e"}, {"3 e3", 3, "e3"},
		{"4k7", 4.7, "k"}, {"1M05 Hz", 1.05, "M Hz"}, {"4k9 Ω", 4.9, "kΩ"}, {"4k0", 4.0, "k"}, {"1k99", 1.99,
			"k"}, {"10k", 10, "k"},
		{"+3,5 dB", 3.5, "dB"}, {"0,125 V", 0.125, "V"}, {"1234,567 V", 1234.567, "V"}, {"12,34 V", 12.34, "V"},
		{",125 V", 0.125, "V"},
		{"9 V", 9, "V"}, {"0 V", 0, "V"},
	} {
		x, unit, err := splitNumber(c.text)
		if err != nil || math.Abs(x-c.number) > 1e-12*math.Abs(c.number) ||
			strings.ReplaceAll(unit, " ", "") != strings.ReplaceAll(c.unit, " ", "") {
			t.Errorf("%q is split into %v and %q (%v)", c.text, x, unit, err)
		}
	}
	for _, text := range []string{"1,500 V", "12,345 V", "123,456 V", "-1,500 V", "1.5.0 V", "1,5,0 V", "4.5k7",
		"", "V", "5", "-", "+ V", "1e400 V",
		strings.Repeat("1", 63) + " V"} {
		if x, unit, err := splitNumber(text); err == nil {
			t.Errorf("%q is read as %v %q", text, x, unit)
		}
	}
	if _, _, err := splitNumber(strings.Repeat("1", 62) + " V"); err != nil {
		t.Errorf("64 characters are too long: %v", err)
	}
	if _, err := Parse[Volt]("5 furlong"); err == nil || !strings.Contains(err.Error(),
		"V, mV, µV, Vpp, mVpp, Vpk, dBµV, dBmV or dBV") {
		t.Errorf("a wrong unit does not name the right ones: %v", err)
	}
	if _, err := ParseGain("5 furlong"); err == nil || !strings.Contains(err.Error(), "(want dB)") {
		t.Errorf("a wrong unit does not name the right one: %v", err)
	}
}

// dBm is re 1 mW, dBµW re 1 µW; dBmA re 1 mA; the linear prefixes are those of the SI.
func TestEveryUnitHasItsReference(t *testing.T) {
	w := func(text string) float64 { l, err := Parse[Watt](text); check(t, err); return l.SI() }
	for text, want := range map[string]float64{"0 dBm": 1e-3, "0 dBmW": 1e-3, "0 dBW": 1, "0 dBµW": 1e-6, "1 kW": 1e3,
		"1 MW": 1e6, "1 mW": 1e-3, "1 µW": 1e-6, "1 nW": 1e-9} {
		near(t, text, w(text)/want, 1, 1e-9)
	}
	v := func(text string) float64 { l, err := Parse[Volt](text); check(t, err); return l.SI() }
	for text, want := range map[string]float64{"0 dBmV": 1e-3, "0 dBµV": 1e-6, "0 dBV": 1, "1 Vpk": 1 / math.Sqrt2,
		"1 Vp": 1 / math.Sqrt2, "1 mVpp": 1e-3 / (2 * math.Sqrt2), "1 Vrms": 1, "2 mVrms": 2e-3} {
		near(t, text, v(text)/want, 1, 1e-9)
	}
	a := func(text string) float64 { l, err := Parse[Ampere](text); check(t, err); return l.SI() }
	for text, want := range map[string]float64{"0 dBmA": 1e-3, "0 dBµA": 1e-6, "20 dBµA": 1e-5} {
		near(t, text, a(text)/want, 1, 1e-9)
	}
	// CISPR 16-1-2: a factor of −14 dBS is 14 dBΩ.
	z, err := Parse[Ohm]("-14 dBS")
	check(t, err)
	near(t, "-14 dBS", z.DB(), 14, 1e-12)
	l, err := InUnit[Ohm](14, " dBohm ")
	check(t, err)
	near(t, "14 with the unit elsewhere", l.DB(), 14, 1e-12)
	if _, err := InUnit[Ohm](14.5, "furlong"); err == nil || !strings.Contains(err.Error(), "14.5 furlong") {
		t.Errorf("the number is not told: %v", err)
	}
}

func check(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestScalarsAreWrittenWithoutLoss(t *testing.T) {
	for _, x := range []float64{1.0 / 3, 12345.678901234567, 1e-12} {
		text, _ := Resistance(x).MarshalText()
		var back Resistance
		if err := back.UnmarshalText(text); err != nil || back != Resistance(x) {
			t.Errorf("%v Ω is written as %q and read as %v (%v)", x, text, float64(back), err)
		}
	}
	if text, _ := Resistance(0).MarshalText(); len(text) != 0 {
		t.Errorf("no resistance is written as %q", text)
	}
	text, _ := Fraction(0.125).MarshalText()
	if string(text) != "12.5 %" {
		t.Errorf("an eighth is written as %q", text)
	}
}
