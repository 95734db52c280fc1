package curve

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/units/rf"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tol)
	}
}

func mustNew[V Value](t testing.TB, source string, points ...Point[V]) Curve[V] {
	t.Helper()
	c, err := New(points, source)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Straight in decibel over the logarithm of frequency. A loss of 20 dB at 1 MHz, 10 dB at 10 MHz and
// 16 dB at 40 MHz. Worked by hand:
//
//	2 MHz:   log10(2)/log10(10) = 0.301030 of the way from 20 to 10: 20 − 3.010300 = 16.989700
//	√10 MHz: half the decade: 15
//	5 MHz:   0.698970 of the way: 20 − 6.989700 = 13.010300
//	20 MHz:  log10(2)/log10(4) = half the way from 10 to 16: 13
func TestACurveIsStraightInDecibelOverLogFrequency(t *testing.T) {
	c := mustNew(t, "clamp", Point[rf.Gain]{40e6, 16}, Point[rf.Gain]{1e6, 20}, Point[rf.Gain]{10e6, 10})
	for _, p := range []struct{ hz, db float64 }{
		{1e6, 20}, {2e6, 16.9897000434}, {1e6 * math.Sqrt(10), 15}, {5e6, 13.0102999566}, {10e6, 10}, {20e6, 13}, {40e6,
			16},
	} {
		got, err := c.At(rf.Frequency(p.hz))
		if err != nil {
			t.Fatal(err)
		}
		near(t, rf.Frequency(p.hz).String(), got.DB(), p.db, 1e-9)
	}
}

// 5 Ω at 1 MHz and 10 Ω at 100 MHz: at 10 MHz the geometric mean √50 Ω.
func TestAnImpedanceIsInterpolatedGeometrically(t *testing.T) {
	c := mustNew(t, "probe", Point[rf.Transimpedance]{1e6, rf.Ohms(5)}, Point[rf.Transimpedance]{100e6, rf.Ohms(10)})
	got, err := c.At(10e6)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "Zt at 10 MHz", got.SI(), math.Sqrt(50), 1e-9)
}

func TestACurveRefusesToExtrapolate(t *testing.T) {
	c := mustNew(t, "clamp.csv", Point[rf.Gain]{1e6, 20}, Point[rf.Gain]{10e6, 10})
	for _, f := range []rf.Frequency{0.999e6, 10.001e6, 1, 1e12} {
		_, err := c.At(f)
		var outside *OutsideError
		if !errors.As(err, &outside) || outside.At != f || outside.Low != 1e6 || outside.High != 10e6 {
			t.Errorf("at %v the error is %v", f, err)
		}
	}
	_, err := c.At(20e6)
	if want := "20 MHz is outside clamp.csv, which covers 1 MHz to 10 MHz"; err == nil || err.Error() != want {
		t.Errorf("the error says %q, want %q", err, want)
	}
	if got, err := c.At(10e6 * (1 + 1e-12)); err != nil || got != 10 {
		t.Errorf("an end missed by rounding gave %v, %v", got, err)
	}
	if _, err := c.At(0); err == nil {
		t.Error("an absent frequency gave a value")
	}
	flat := Flat[rf.Gain](3, 1e6, 10e6, "pad")
	if _, err := flat.At(11e6); err == nil {
		t.Error("a flat curve gave a value beyond its band")
	}
	if got, err := Flat[rf.Gain](3, 0, 0, "pad").At(11e9); err != nil || got != 3 {
		t.Errorf("a value that holds everywhere gave %v, %v", got, err)
	}
}

func TestPointsThatMakeNoCurveAreRefused(t *testing.T) {
	for say, points := range map[string][]Point[rf.Power]{
		"no points":                nil,
		"two values at 1 MHz":      {{1e6, rf.DBm(1)}, {1e6, rf.DBm(2)}},
		"without a frequency":      {{0, rf.DBm(1)}},
		"no finite value at 1 MHz": {{1e6, rf.Power{}}},
		"no finite value at 2 MHz": {{2e6, rf.Off[rf.Watt]()}},
		"only a bound at 1 MHz":    {{1e6, rf.DBm(1).WithBound(rf.AtMost)}},
	} {
		if _, err := New(points, "x"); err == nil || points != nil && !strings.Contains(err.Error(), say) {
			t.Errorf("%v: error %v, want %q", points, err, say)
		}
	}
	for _, c := range []Curve[rf.Power]{
		Flat(rf.Power{}, 0, 0, "x"), Flat(rf.DBm(1), 1e6, 0, "x"), Flat(rf.DBm(1), 0, 1e6, "x"), Flat(rf.DBm(1),
			2e6, 1e6, "x"),
		Flat(rf.DBm(1).WithBound(rf.AtLeast), 0, 0, "x"),
	} {
		if !c.Absent() {
			t.Errorf("%+v should be absent", c)
		}
	}
}

func TestAbsentStaysAbsent(t *testing.T) {
	var c Curve[rf.Current]
	low, high := c.Band()
	if !c.Absent() || low.Known() || high.Known() || c.Points() != nil || c.Hash() != "" {
		t.Errorf("the zero curve knows something: %+v", c)
	}
	if v, err := c.At(1e6); err == nil || !v.Absent() {
		t.Errorf("an absent curve gave %v, %v", v, err)
	}
}

// The canonical text is written out here so that another program can make the same hash.
func TestTheHashIsThatOfTheFiguresAndDoesNotChange(t *testing.T) {
	sha := func(text string) string { h := sha256.Sum256([]byte(text)); return hex.EncodeToString(h[:]) }
	a := mustNew(t, "a.csv", Point[rf.Gain]{10e6, 10}, Point[rf.Gain]{150e3, 20.5})
	if want := sha("dB\n150000\t20.5\n1e+07\t10\n"); a.Hash() != want {
		t.Errorf("hash %s, want %s", a.Hash(), want)
	}
	if b := mustNew(t, "b.csv", Point[rf.Gain]{150e3, 20.5}, Point[rf.Gain]{10e6, 10}); b.Hash() != a.Hash() {
		t.Error("the order of the points or the name of the file changed the hash")
	}
	z := mustNew(t, "a.csv", Point[rf.Transimpedance]{10e6, rf.DBOhm(10)},
		Point[rf.Transimpedance]{150e3, rf.DBOhm(20.5)})
	if want := sha("dBΩ\n150000\t20.5\n1e+07\t10\n"); z.Hash() != want {
		t.Errorf("hash %s, want %s", z.Hash(), want)
	}
	if got, want := Flat[rf.Gain](3, 1e6, 2e6, "x").Hash(), sha("dB\nflat\t3\n1e+06\n2e+06\n"); got != want {
		t.Errorf("hash %s, want %s", got, want)
	}
}

func anyCurve(t *rapid.T) (Curve[rf.Gain], []Point[rf.Gain]) {
	hz := rapid.SliceOfNDistinct(rapid.Float64Range(9e3, 1e9), 2, 20, func(f float64) int64 { return int64(f) }).Draw(t,
		"hz")
	var points []Point[rf.Gain]
	for _, f := range hz {
		points = append(points, Point[rf.Gain]{rf.Frequency(f), rf.Gain(rapid.Float64Range(-100, 100).Draw(t, "dB"))})
	}
	c, err := New(points, "drawn")
	if err != nil {
		t.Fatal(err)
	}
	return c, points
}

func TestAValueLiesBetweenItsNeighbours(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, given := anyCurve(t)
		for _, p := range given {
			if v, err := c.At(p.At); err != nil || v != p.Value {
				t.Fatalf("at the point %v the curve is %v (%v), want %v", p.At, v, err, p.Value)
			}
		}
		points := c.Points()
		i := rapid.IntRange(1, len(points)-1).Draw(t, "segment")
		a, b := points[i-1], points[i]
		f := a.At + rf.Frequency(rapid.Float64Range(0, 1).Draw(t, "share"))*(b.At-a.At)
		v, err := c.At(f)
		if err != nil || v.DB() < math.Min(a.Value.DB(), b.Value.DB())-1e-9 || v.DB() > math.Max(a.Value.DB(),
			b.Value.DB())+1e-9 {
			t.Fatalf("%v at %v is not between %v and %v (%v)", v, f, a.Value, b.Value, err)
		}
	})
}
