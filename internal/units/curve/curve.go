// Package curve holds a value that depends on frequency: the gain of an amplifier, the insertion
// loss of a clamp, the transfer impedance of a probe. It interpolates in decibel over the logarithm
// of frequency, straight between the points (a spline through calibration data invents ripple),
// refuses to extrapolate, and keeps where its figures came from together with a hash of them, and
// recognises units. Curves are read from tables by package trace, from Touchstone files by package touchstone.
package curve

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/units/rf"
)

// Value is what a curve may carry.
type Value interface {
	rf.Gain | rf.Power | rf.Voltage | rf.Current | rf.Transimpedance
}

// Point is one value at one frequency.
type Point[V Value] struct {
	At    rf.Frequency
	Value V
}

// Curve is a value over frequency. The zero Curve is absent: every reading of it is an error.
type Curve[V Value] struct {
	source string
	flat   bool // the one value holds over the band; no band means at any frequency
	f      []float64
	x      []float64 // log10 of f
	y      []float64 // dB re the SI unit
}

// OutsideError says that a curve was asked for a value beyond its ends.
type OutsideError struct {
	At, Low, High rf.Frequency
	Source        string
}

func (e *OutsideError) Error() string {
	return fmt.Sprintf("%v is outside %s, which covers %v to %v", e.At, e.Source, e.Low, e.High)
}

func toDB[V Value](v V) float64 {
	switch v := any(v).(type) {
	case rf.Gain:
		return v.DB()
	case rf.Power:
		return v.DB()
	case rf.Voltage:
		return v.DB()
	case rf.Current:
		return v.DB()
	case rf.Transimpedance:
		return v.DB()
	}
	return math.NaN()
}

func fromDB[V Value](db float64) V {
	var v V
	switch p := any(&v).(type) {
	case *rf.Gain:
		*p = rf.Gain(db)
	case *rf.Power:
		*p = rf.FromDB[rf.Watt](db)
	case *rf.Voltage:
		*p = rf.FromDB[rf.Volt](db)
	case *rf.Current:
		*p = rf.FromDB[rf.Ampere](db)
	case *rf.Transimpedance:
		*p = rf.FromDB[rf.Ohm](db)
	}
	return v
}

// symbol names what the decibels of a curve are relative to: "W", "V", "A", "Ω", or "" for a gain.
func symbol[V Value]() string {
	var v V
	switch any(v).(type) {
	case rf.Power:
		return "W"
	case rf.Voltage:
		return "V"
	case rf.Current:
		return "A"
	case rf.Transimpedance:
		return "Ω"
	}
	return ""
}

// bounded reports that a value is only a bound, such as "at most 3 dBm".
func bounded[V Value](v V) bool {
	l, ok := any(v).(interface {
		Known() bool
		Exact() bool
	})
	return ok && l.Known() && !l.Exact()
}

// New makes a curve of points, which it sorts. It refuses an empty list, an absent or repeated
// frequency (within 1 part in 10¹²), a value that is not a finite number of decibel and one that is
// only a bound.
func New[V Value](points []Point[V], source string) (Curve[V], error) {
	if len(points) == 0 {
		return Curve[V]{}, fmt.Errorf("%s has no points", source)
	}
	sorted := append([]Point[V](nil), points...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].At < sorted[j].At })
	c := Curve[V]{source: source}
	for i, p := range sorted {
		db := toDB(p.Value)
		switch {
		case !p.At.Known():
			return Curve[V]{}, fmt.Errorf("%s has a point without a frequency above 0 Hz", source)
		case math.IsNaN(db) || math.IsInf(db, 0):
			return Curve[V]{}, fmt.Errorf("%s has no finite value at %v", source, p.At)
		case bounded(p.Value):
			return Curve[V]{}, fmt.Errorf("%s has only a bound at %v", source, p.At)
		case i > 0 && p.At <= sorted[i-1].At*(1+1e-12):
			return Curve[V]{}, fmt.Errorf("%s has two values at %v", source, p.At)
		}
		c.f = append(c.f, p.At.Hz())
		c.x = append(c.x, math.Log10(p.At.Hz()))
		c.y = append(c.y, db)
	}
	return c, nil
}

// Flat makes a curve of one value between low and high; two absent frequencies mean everywhere. The
// curve is absent when the value is not an exact finite number, when only one end is known, or when
// low is above high.
func Flat[V Value](v V, low, high rf.Frequency, source string) Curve[V] {
	db := toDB(v)
	if math.IsNaN(db) || math.IsInf(db, 0) || bounded(v) || low.Known() != high.Known() || low > high {
		return Curve[V]{source: source}
	}
	c := Curve[V]{source: source, flat: true, y: []float64{db}}
	if low.Known() {
		c.f = []float64{low.Hz(), high.Hz()}
	}
	return c
}

// Absent reports that nothing is known.
func (c Curve[V]) Absent() bool { return len(c.y) == 0 }

// Source names the origin of the figures.
func (c Curve[V]) Source() string { return c.source }

// Band returns the frequencies between which the curve holds; both absent for a curve that holds
// everywhere or nowhere.
func (c Curve[V]) Band() (low, high rf.Frequency) {
	if len(c.f) == 0 {
		return 0, 0
	}
	return rf.Frequency(c.f[0]), rf.Frequency(c.f[len(c.f)-1])
}

// Points returns the points of the curve; a flat curve over a band has its two ends.
func (c Curve[V]) Points() []Point[V] {
	var out []Point[V]
	for i, f := range c.f {
		y := c.y[0]
		if !c.flat {
			y = c.y[i]
		}
		out = append(out, Point[V]{rf.Frequency(f), fromDB[V](y)})
	}
	return out
}

// IsFlat reports that the curve is one value.
func (c Curve[V]) IsFlat() bool { return c.flat }

// At returns the value at a frequency. Beyond the ends it returns an *OutsideError, on an absent
// curve an error. Frequencies that differ from an end by rounding (1 part in 10⁹) count as the end.
func (c Curve[V]) At(f rf.Frequency) (V, error) {
	var none V
	if c.Absent() {
		if c.source != "" {
			return none, fmt.Errorf("%s has no figures at %v", c.source, f)
		}
		return none, fmt.Errorf("no figures are known at %v", f)
	}
	if !f.Known() {
		return none, fmt.Errorf("%s was asked for a value at no frequency", c.source)
	}
	if len(c.f) == 0 {
		return fromDB[V](c.y[0]), nil
	}
	n := len(c.f)
	hz := f.Hz()
	const slack = 1e-9
	if hz < c.f[0]*(1-slack) || hz > c.f[n-1]*(1+slack) {
		return none, &OutsideError{f, rf.Frequency(c.f[0]), rf.Frequency(c.f[n-1]), c.source}
	}
	if c.flat {
		return fromDB[V](c.y[0]), nil
	}
	i := sort.SearchFloat64s(c.f, hz)
	switch {
	case i == n:
		return fromDB[V](c.y[n-1]), nil
	case c.f[i] == hz || i == 0:
		return fromDB[V](c.y[i]), nil
	}
	x := math.Log10(hz)
	t := (x - c.x[i-1]) / (c.x[i] - c.x[i-1])
	return fromDB[V](c.y[i-1] + t*(c.y[i]-c.y[i-1])), nil
}

// Hash returns the SHA-256, in hexadecimal, of the figures in a canonical text: a line "dB" with the
// SI unit that the decibels are relative to (nothing for a gain), then one line "hertz TAB decibel" per
// point. A flat curve has the line "flat TAB decibel" and then its two ends, if it has a band. Numbers
// are the shortest that read back the same. The source does not enter; the hash of an absent curve is
// empty.
func (c Curve[V]) Hash() string {
	if c.Absent() {
		return ""
	}
	var b strings.Builder
	fmt.Fprintf(&b, "dB%s\n", symbol[V]())
	if c.flat {
		fmt.Fprintf(&b, "flat\t%s\n", strconv.FormatFloat(c.y[0], 'g', -1, 64))
		for _, f := range c.f {
			fmt.Fprintf(&b, "%s\n", strconv.FormatFloat(f, 'g', -1, 64))
		}
	} else {
		for i := range c.f {
			fmt.Fprintf(&b, "%s\t%s\n", strconv.FormatFloat(c.f[i], 'g', -1, 64),
				strconv.FormatFloat(c.y[i], 'g', -1, 64))
		}
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:])
}
