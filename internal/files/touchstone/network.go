// Package touchstone reads and writes S-parameter files of the Touchstone format, versions 1.0, 1.1,
// 2.0 and 2.1 (IBIS Open Forum, "Touchstone File Format Specification"). It is strict where a lenient
// reader would be wrong by a factor of a thousand, and says where and why. It computes no network: the
// chain of two-ports is package twoport.
//
// Inside a Network there is one convention: frequencies in hertz, S-parameters as complex numbers at
// the reference resistances of the file, ports counted from 1, S(2,1) the wave out of port 2 for a wave
// into port 1. Z, Y, H and G of a file are converted on reading. Where the format leaves room, this is
// decided:
//
//   - accepted in silence: any letter case, tabs, blanks before #, [ and data, CR, LF and CRLF, a byte
//     order mark, comments of any characters, blank lines and comments inside a matrix, reordered and
//     missing option fields (GHz, S, MA, R 50), continuation lines, f = 0;
//   - accepted with a warning: "#MHz" and "R50" without a blank, more than four pairs on a line, Fortran
//     exponents, a second option line (ignored, as the format says), a row given twice with the same
//     figures (dropped), a negative magnitude, a port count that only the data tell, data after [End]
//     (ignored), a missing [End], several references on the option line of a version 2.0 file;
//   - refused: everything else that is not in the format, among it a missing option line, decimal
//     commas, NaN and inf, frequencies that fall or repeat, a complex reference, a file name that
//     contradicts the data, version 2 keywords without [Version], and counts that do not agree.
//
// Version 1 stores Z/R, Y·R, H (h11/R, h22·R) and G (g11·R, g22/R) and the noise resistance as Rn/R;
// version 2 stores ohm and siemens. The scaling of H and G is from memory.
package touchstone

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// MaximumPorts is the largest number of ports that is read. MaximumConverted is the largest for files
// of Z or Y, which cost the cube of it.
const (
	MaximumPorts     = 256
	MaximumConverted = 64
)

// MaximumBytes is the size of the largest file that is read.
const MaximumBytes = 64 << 20

// Network is what a Touchstone file holds.
type Network struct {
	Name      string    // of the file
	Version   string    // "1.0", "1.1", "2.0" or "2.1"
	Ports     int       // number of ports
	Parameter string    // "S", "Y", "Z", "H" or "G", as the file has it
	Format    string    // "MA", "DB" or "RI", as the file has it
	Unit      string    // "Hz", "kHz", "MHz" or "GHz", as the file has it
	Reference []float64 // ohm, one per port
	// Frequencies rise strictly, in hertz. The first may be 0.
	Frequencies []float64
	// Modes is empty for ordinary ports. In a mixed-mode file it tells what each row and column is.
	Modes    []Mode
	Noise    []NoisePoint
	Warnings problem.List

	data []complex128 // point after point, row after row
}

// Mode is one mode of a mixed-mode network: 'S' single-ended at port A, 'D' differential or 'C' common
// between ports A and B. The reference of a differential mode is twice, of a common mode half that of
// its ports.
type Mode struct {
	Kind byte
	A, B int
}

// String prints the mode as the format writes it: "S1", "D2,3".
func (m Mode) String() string {
	if m.Kind == 'S' {
		return fmt.Sprintf("S%d", m.A)
	}
	return fmt.Sprintf("%c%d,%d", m.Kind, m.A, m.B)
}

// NoisePoint is one row of noise data of a two-port.
type NoisePoint struct {
	Hz           float64
	MinimumNF    rf.Gain    // minimum noise figure
	OptimumGamma complex128 // source reflection that gives it
	Resistance   float64    // equivalent noise resistance, in ohm
}

// Matrix is a square matrix, row after row. It is part of a Network: do not change it.
type Matrix struct {
	N    int
	Data []complex128
}

// At returns an element by the port the wave leaves and the port it enters, counted from 1: At(2, 1)
// is S21.
func (m Matrix) At(to, from int) complex128 { return m.Data[(to-1)*m.N+from-1] }

// New makes a network of S-parameters: s holds ports² numbers per frequency, row after row. It refuses
// what a file would be refused for.
func New(name string, reference []float64, hz []float64, s []complex128) (*Network, error) {
	n := len(reference)
	if n < 1 || n > MaximumPorts {
		return nil, fmt.Errorf("a network has 1 to %d ports, not %d", MaximumPorts, n)
	}
	if len(hz) == 0 || len(s) != len(hz)*n*n {
		return nil, fmt.Errorf("%d frequencies of a %d-port need %d numbers, not %d", len(hz), n, len(hz)*n*n, len(s))
	}
	for _, r := range reference {
		if !(r > 0) || math.IsInf(r, 0) {
			return nil, fmt.Errorf("the reference %v Ω is not above 0 Ω", r)
		}
	}
	for i, f := range hz {
		if !(f >= 0 && f <= highest) || i > 0 && f <= hz[i-1] {
			return nil, fmt.Errorf("frequencies must rise: %v Hz", f)
		}
	}
	for _, x := range s {
		if !finite(x) {
			return nil, fmt.Errorf("an S-parameter is not a finite number")
		}
	}
	return &Network{
		Name: name, Version: "1.0", Ports: n, Parameter: "S", Format: "RI", Unit: "Hz",
		Reference: append([]float64(nil), reference...), Frequencies: append([]float64(nil), hz...),
		data: append([]complex128(nil), s...),
	}, nil
}

func finite(x complex128) bool {
	r, i := real(x), imag(x)
	return r-r == 0 && i-i == 0
}

// Points returns the number of frequencies.
func (n *Network) Points() int { return len(n.Frequencies) }

// S returns the S-parameters of one frequency.
func (n *Network) S(point int) Matrix {
	k := n.Ports * n.Ports
	return Matrix{n.Ports, n.data[point*k : (point+1)*k : (point+1)*k]}
}

// Band returns the lowest and the highest frequency.
func (n *Network) Band() (low, high rf.Frequency) {
	if len(n.Frequencies) == 0 {
		return 0, 0
	}
	return rf.Frequency(n.Frequencies[0]), rf.Frequency(n.Frequencies[len(n.Frequencies)-1])
}

// At returns the S-parameters between the points of the file, straight in real and imaginary part over
// linear frequency; beyond the ends it returns a *curve.OutsideError.
//
// Real and imaginary part and not magnitude and phase, because the result is a weighted mean of two
// matrices: a passive network stays passive and a reciprocal one reciprocal, a null is passed without a
// jump of phase, and no phase has to be unwrapped. The price is a magnitude that is too low where the
// phase turns far from point to point: by 1 − cos(φ/2) at worst, 0.3 dB for 30°. Where only a magnitude
// is wanted, use GainCurve, which interpolates decibels.
func (n *Network) At(f rf.Frequency) (Matrix, error) {
	low, high := n.Band()
	hz := f.Hz()
	const slack = 1e-9
	if len(n.Frequencies) == 0 || !(hz >= low.Hz()*(1-slack) && hz <= high.Hz()*(1+slack)) {
		return Matrix{}, &curve.OutsideError{At: f, Low: low, High: high, Source: n.Name}
	}
	i := sort.SearchFloat64s(n.Frequencies, hz)
	switch {
	case i == len(n.Frequencies):
		return n.S(i - 1), nil
	case i == 0 || n.Frequencies[i] == hz:
		return n.S(i), nil
	}
	a, b := n.Frequencies[i-1], n.Frequencies[i]
	t := complex((hz-a)/(b-a), 0)
	before, after := n.S(i-1), n.S(i)
	out := Matrix{n.Ports, make([]complex128, n.Ports*n.Ports)}
	for k := range out.Data {
		out.Data[k] = (1-t)*before.Data[k] + t*after.Data[k]
	}
	return out, nil
}

// single reports that the network has one reference for all ports.
func (n *Network) single() bool {
	for _, r := range n.Reference {
		if r != n.Reference[0] {
			return false
		}
	}
	return true
}

// describeReference prints "50 Ω" or "50 Ω, 75 Ω".
func describeReference(ohm []float64) string {
	var s []string
	same := true
	for _, r := range ohm {
		s = append(s, fmt.Sprintf("%g Ω", r))
		same = same && r == ohm[0]
	}
	if same && len(s) > 0 {
		return s[0]
	}
	return strings.Join(s, ", ")
}

// DescribeReference prints the reference resistances: "50 Ω" when all are alike, else one per port.
func (n *Network) DescribeReference() string { return describeReference(n.Reference) }
