package jig

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strconv"

	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Origin is what a curve file says of itself in comments.
type Origin struct {
	What    string   // "transfer impedance of the probe"
	Program string   // name and version of the program
	Sources []string // files or runs, with their hashes
	Notes   []string
}

// WriteCurve writes a curve as a CSV file that a bench file takes: comments with the origin and the
// hash of the figures, a header with the units, one row per frequency. What it writes, trace.Curve
// reads back with the same hash.
func WriteCurve[V curve.Value](w io.Writer, c curve.Curve[V], column string, o Origin) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "# %s\n", oneLine(o.What))
	if o.Program != "" {
		fmt.Fprintf(b, "# written by %s\n", oneLine(o.Program))
	}
	for _, s := range o.Sources {
		fmt.Fprintf(b, "# from %s\n", oneLine(s))
	}
	for _, s := range o.Notes {
		fmt.Fprintf(b, "# %s\n", oneLine(s))
	}
	fmt.Fprintf(b, "# SHA-256 of the figures %s\n", c.Hash())
	fmt.Fprintf(b, "f/Hz;%s\n", column)
	for _, p := range c.Points() {
		fmt.Fprintf(b, "%s;%s\n", number(p.At.Hz()), number(decibel(p.Value)))
	}
	return b.Flush()
}

// number is the shortest text that reads back the same, without an exponent.
func number(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// decibel is the figure of a curve in dB against its SI unit.
func decibel[V curve.Value](v V) float64 {
	switch v := any(v).(type) {
	case rf.Gain:
		return v.DB()
	case rf.Transimpedance:
		return v.DB()
	case rf.Power:
		return v.DB()
	case rf.Voltage:
		return v.DB()
	case rf.Current:
		return v.DB()
	}
	return 0
}

// oneLine keeps a comment on its line.
func oneLine(s string) string {
	out := []rune(s)
	for i, r := range out {
		if r < ' ' {
			out[i] = ' '
		}
	}
	return string(out)
}

func median(x []float64) float64 {
	slices.Sort(x)
	if n := len(x); n%2 == 1 {
		return x[n/2]
	} else {
		return (x[n/2-1] + x[n/2]) / 2
	}
}
