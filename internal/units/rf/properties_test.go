package rf

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// anyLevel draws absent, off, exact and bounded levels.
func anyLevel[U Unit](t *rapid.T, label string) Level[U] {
	db := rapid.Float64Range(-300, 200).Draw(t, label)
	switch rapid.IntRange(0, 4).Draw(t, label+" kind") {
	case 0:
		return Level[U]{}
	case 1:
		return Off[U]()
	case 2:
		return FromDB[U](db).WithBound(AtLeast)
	case 3:
		return FromDB[U](db).WithBound(AtMost)
	}
	return FromDB[U](db)
}

func TestPrintedThenReadIsTheSameLevel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := anyLevel[Ampere](t, "level")
		text, err := l.MarshalText()
		if err != nil {
			t.Fatal(err)
		}
		var back Current
		if err := back.UnmarshalText(text); err != nil {
			t.Fatalf("%q cannot be read back: %v", text, err)
		}
		if back.Bound() != l.Bound() || back.IsOff() != l.IsOff() || l.Known() && math.Abs(back.DB()-l.DB()) > 1e-6 {
			t.Fatalf("%q read back as %v, was %v", text, back, l)
		}
	})
}

func TestPrintedThenReadIsTheSameFrequency(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := Frequency(rapid.Float64Range(1e-3, 1e12).Draw(t, "f"))
		text, _ := f.MarshalText()
		var back Frequency
		if err := back.UnmarshalText(text); err != nil || back != f {
			t.Fatalf("%q read back as %v (%v)", text, back.Hz(), err)
		}
		short, err := ParseFrequency(f.String())
		if err != nil || math.Abs(short.Hz()/f.Hz()-1) > 1e-6 {
			t.Fatalf("%q is not within 1 in 10⁶ of %v Hz", f.String(), f.Hz())
		}
	})
}

func TestAbsentStaysAbsent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := Gain(rapid.Float64().Draw(t, "gain"))
		r := Resistance(rapid.Float64().Draw(t, "resistance"))
		if !(Power{}).Add(g).Absent() || !(Power{}).WithBound(AtMost).Absent() {
			t.Fatal("a gain or a bound made something of an absent power")
		}
		if !VoltageAcross(Power{}, r).Absent() || !PowerInto(Voltage{}, r).Absent() ||
			!CurrentThrough(Power{}, r).Absent() ||
			!PowerOfCurrent(Current{}, r).Absent() || !CurrentOfVoltage(Voltage{}, r).Absent() ||
			!VoltageOfCurrent(Current{}, r).Absent() ||
			!ProbeVoltage(Current{}, DBOhm(g.DB())).Absent() || !ProbeCurrent(Voltage{}, DBOhm(g.DB())).Absent() {
			t.Fatal("a conversion made something of an absent level")
		}
		if d, b := (Power{}).Minus(anyLevel[Watt](t, "other")); d.Finite() || b != Unknown {
			t.Fatal("a distance from an absent level")
		}
	})
}

func TestAnAbsentResistanceGivesAnAbsentLevelAndNeverOff(t *testing.T) {
	for _, r := range []Resistance{0, -50, Resistance(math.NaN())} {
		if l := VoltageAcross(DBm(30), r); !l.Absent() {
			t.Errorf("1 W across an absent resistance is %v", l)
		}
		if l := PowerInto(Volts(1), r); !l.Absent() {
			t.Errorf("1 V into an absent resistance is %v", l)
		}
		if l := VoltageOfCurrent(Amperes(1), r); !l.Absent() {
			t.Errorf("1 A through an absent resistance is %v", l)
		}
		if l := PowerOfCurrent(Amperes(1), r); !l.Absent() {
			t.Errorf("1 A through an absent resistance is %v", l)
		}
	}
}

func TestExceedsFailsClosed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l, limit := anyLevel[Watt](t, "level"), anyLevel[Watt](t, "limit")
		if l.Exceeds(limit) {
			return
		}
		// Only here may RF pass: both are known, and nothing that the level may be is above.
		if limit.Absent() || limit.Bound() != Exactly {
			t.Fatalf("%v passed under the limit %v", l, limit)
		}
		if l.Absent() || l.Bound() == AtLeast || l.DB() > limit.DB() {
			t.Fatalf("%v passed under the limit %v", l, limit)
		}
	})
	if (Power{}).Exceeds(Power{}) == false || DBm(0).Exceeds(Power{}) == false ||
		Off[Watt]().Exceeds(Power{}) == false {
		t.Error("something passed under an absent limit")
	}
	if DBm(0).Exceeds(DBm(0)) || Off[Watt]().Exceeds(DBm(-100)) || !DBm(-100).Exceeds(Off[Watt]()) {
		t.Error("a level at its limit exceeds it, or off does")
	}
}

func TestConversionAndBackIsTheSameWithinAThousandthOfADecibel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := DBm(rapid.Float64Range(-150, 80).Draw(t, "power"))
		r := Resistance(rapid.Float64Range(1e-3, 1e6).Draw(t, "resistance"))
		zt := DBOhm(rapid.Float64Range(-60, 60).Draw(t, "Zt"))
		i := CurrentThrough(p, r)
		for _, q := range []Power{
			PowerInto(VoltageAcross(p, r), r),
			PowerOfCurrent(i, r),
			PowerInto(VoltageOfCurrent(i, r), r),
			PowerOfCurrent(CurrentOfVoltage(VoltageAcross(p, r), r), r),
			PowerOfCurrent(ProbeCurrent(ProbeVoltage(i, zt), zt), r),
		} {
			if d, b := q.Minus(p); b != Exactly || math.Abs(d.DB()) > 0.001 {
				t.Fatalf("%v came back as %v", p, q)
			}
		}
	})
}

func TestABoundTravelsWithItsLevel(t *testing.T) {
	p := DBm(10).WithBound(AtMost)
	if got := CurrentThrough(p.Add(3), 50); got.Bound() != AtMost {
		t.Errorf("the current of %v is %v", p.Add(3), got)
	}
	for _, c := range []struct {
		l, m Power
		want Bound
	}{
		{DBm(1), DBm(0), Exactly},
		{DBm(1).WithBound(AtLeast), DBm(0), AtLeast},
		{DBm(1), DBm(0).WithBound(AtMost), AtLeast},
		{DBm(1).WithBound(AtMost), DBm(0), AtMost},
		{DBm(1), DBm(0).WithBound(AtLeast), AtMost},
		{DBm(1).WithBound(AtMost), DBm(0).WithBound(AtMost), Unknown},
		{Off[Watt](), DBm(0), Unknown},
	} {
		if _, b := c.l.Minus(c.m); b != c.want {
			t.Errorf("%v − %v is a distance %q, want %q", c.l, c.m, b, c.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"-27.4 dBm", "1.2 Vpp", "10 mA", "14 dBohm", "off", "at most 12 dBµA", "1M5",
		"4k7", "1,500 V", "9.9E37 V", "1e400 V", "µ", "\xb5V"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p, errP := Parse[Watt](text)
		v, errV := Parse[Volt](text)
		a, errA := Parse[Ampere](text)
		z, errZ := Parse[Ohm](text)
		checkParsed(t, text, p, errP)
		checkParsed(t, text, v, errV)
		checkParsed(t, text, a, errA)
		checkParsed(t, text, z, errZ)
	})
}

// checkParsed states what holds for whatever was typed: an error gives absent, a level prints and
// reads back as itself and its numbers are finite.
func checkParsed[U Unit](t *testing.T, text string, l Level[U], err error) {
	t.Helper()
	if (err != nil) != l.Absent() {
		t.Fatalf("%q gave %v and the error %v", text, l, err)
	}
	if err != nil {
		return
	}
	back, err := Parse[U](l.Text(6))
	if err != nil || back.Bound() != l.Bound() || l.Known() && math.Abs(back.DB()-l.DB()) > 1e-6 {
		t.Fatalf("%q printed as %q and read back as %v (%v)", text, l.Text(6), back, err)
	}
	if q := l.Quantity(); math.IsNaN(q.Value) || math.IsInf(q.Value, 0) {
		t.Fatalf("%q has the value %v", text, q.Value)
	}
}

func FuzzParseFrequency(f *testing.F) {
	for _, s := range []string{"150 kHz", "27,12 MHz", "1M5", "455k", "80 mHz", "0 Hz", "-1 Hz", "1e300 GHz",
		"1e-300 Hz"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		x, err := ParseFrequency(text)
		if (err == nil) != x.Known() {
			t.Fatalf("%q gave %v Hz and the error %v", text, x.Hz(), err)
		}
		if err != nil {
			return
		}
		out, _ := x.MarshalText()
		if back, err := ParseFrequency(string(out)); err != nil || back != x {
			t.Fatalf("%q printed as %q and read back as %v Hz (%v)", text, out, back.Hz(), err)
		}
	})
}
