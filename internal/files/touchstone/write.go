package touchstone

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"strconv"
	"strings"

	"provoke/internal/units/rf"
)

// WriteOptions says how a network is written. The zero value writes S as real and imaginary part over
// hertz, in version 1.0, or 1.1 where the references differ.
type WriteOptions struct {
	Version   string // "1.0", "1.1", "2.0" or "2.1"
	Parameter string // "S", "Z", "Y", "H" or "G"
	Format    string // "RI", "MA" or "DB"
	Unit      string // "Hz", "kHz", "MHz" or "GHz"
	Comments  []string
}

// settle fills the defaults in and refuses what the format cannot say.
func (o WriteOptions) settle(n *Network) (WriteOptions, error) {
	if o.Version == "" {
		o.Version = "1.0"
		if !n.single() {
			o.Version = "1.1"
		}
	}
	for _, d := range []struct {
		value    *string
		standard string
		allowed  []string
	}{
		{&o.Version, "1.0", []string{"1.0", "1.1", "2.0", "2.1"}},
		{&o.Parameter, "S", []string{"S", "Z", "Y", "H", "G"}},
		{&o.Format, "RI", []string{"RI", "MA", "DB"}},
		{&o.Unit, "Hz", []string{"Hz", "kHz", "MHz", "GHz"}},
	} {
		if *d.value == "" {
			*d.value = d.standard
		}
		if !strings.Contains(" "+strings.Join(d.allowed, " ")+" ", " "+*d.value+" ") {
			return o, fmt.Errorf("%q is not one of %s", *d.value, strings.Join(d.allowed, ", "))
		}
	}
	v1 := o.Version[0] == '1'
	switch last := len(n.Frequencies) - 1; {
	case last < 0:
		return o, errors.New("the network has no frequencies")
	case (o.Parameter == "H" || o.Parameter == "G") && n.Ports != 2:
		return o, fmt.Errorf("%s-parameters belong to 2 ports, not to %d", o.Parameter, n.Ports)
	case o.Version == "1.0" && !n.single():
		return o, fmt.Errorf("version 1.0 has one reference for all ports, not %s", n.DescribeReference())
	case o.Version == "1.1" && o.Parameter != "S" && !n.single():
		return o, fmt.Errorf("version 1 does not say how %s-parameters are scaled when the references differ",
			o.Parameter)
	case v1 && len(n.Modes) > 0:
		return o, errors.New("version 1 has no mixed-mode networks")
	case len(n.Modes) > 0 && o.Parameter != "S":
		return o, fmt.Errorf("a mixed-mode network is not converted to %s-parameters", o.Parameter)
	case len(n.Noise) > 0 && n.Ports != 2:
		return o, errors.New("noise data belong to 2 ports")
	case v1 && len(n.Noise) > 0 && n.Noise[0].Hz > n.Frequencies[last]:
		return o,
			errors.New("version 1 can tell noise data from network data only when they start at or below the last " +
				"frequency; write version 2.0")
	}
	return o, nil
}

// Write writes the network. What it writes, Parse reads back: numbers are the shortest that read back
// the same, so that S as RI over Hz comes back bit for bit. A two-port of version 2 is written in the order 21_12, as
// in version 1.
func (n *Network) Write(w io.Writer, options WriteOptions) error {
	o, err := options.settle(n)
	if err != nil {
		return fmt.Errorf("cannot write %s as Touchstone: %w", n.Name, err)
	}
	out := &writer{w: bufio.NewWriter(w), n: n, o: o, scale: unitScale[strings.ToLower(o.Unit)].scale}
	out.head()
	for i := range n.Frequencies {
		if err := out.matrix(i); err != nil {
			return fmt.Errorf("cannot write %s as Touchstone: at %v: %w", n.Name, rf.Frequency(n.Frequencies[i]), err)
		}
	}
	out.noise()
	if out.two() {
		out.text("[End]\n")
	}
	return out.w.Flush() // bufio keeps the first error
}

type writer struct {
	w     *bufio.Writer
	n     *Network
	o     WriteOptions
	scale float64
	buf   []byte
}

func (w *writer) two() bool { return w.o.Version[0] == '2' }

func (w *writer) text(format string, args ...any) { fmt.Fprintf(w.w, format, args...) }

func shortest(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

func (w *writer) head() {
	for _, c := range w.o.Comments {
		for _, line := range strings.FieldsFunc(c, func(r rune) bool { return r == '\n' || r == '\r' }) {
			w.text("! %s\n", line)
		}
	}
	if w.two() {
		w.text("[Version] %s\n", w.o.Version)
	}
	w.text("# %s %s %s R", w.o.Unit, w.o.Parameter, w.o.Format)
	if w.o.Version == "1.1" && !w.n.single() {
		for _, r := range w.n.Reference {
			w.text(" %s", shortest(r))
		}
	} else {
		w.text(" %s", shortest(w.n.Reference[0]))
	}
	w.text("\n")
	if w.two() {
		w.keywords()
	}
}

func (w *writer) keywords() {
	w.text("[Number of Ports] %d\n", w.n.Ports)
	if w.n.Ports == 2 {
		w.text("[Two-Port Data Order] 21_12\n")
	}
	w.text("[Number of Frequencies] %d\n", w.n.Points())
	if len(w.n.Noise) > 0 {
		w.text("[Number of Noise Frequencies] %d\n", len(w.n.Noise))
	}
	w.text("[Reference]")
	for _, r := range w.n.Reference {
		w.text(" %s", shortest(r))
	}
	w.text("\n")
	if len(w.n.Modes) > 0 {
		w.text("[Mixed-Mode Order]")
		for _, m := range w.n.Modes {
			w.text(" %v", m)
		}
		w.text("\n")
	}
	w.text("[Network Data]\n")
}

// matrix writes one frequency: one line for one and two ports, else a line per row of the matrix, cut
// after four pairs.
func (w *writer) matrix(point int) error {
	m := w.n.S(point)
	values, err := immittance(w.o.Parameter, m)
	if err != nil {
		return fmt.Errorf("there are no %s-parameters: %w", w.o.Parameter, err)
	}
	if w.two() && w.o.Parameter != "S" {
		for i := range m.N {
			for j := range m.N {
				values[i*m.N+j] /= complex(normal(w.o.Parameter, w.n.Reference, i, j), 0)
			}
		}
	}
	if m.N == 2 {
		values[1], values[2] = values[2], values[1]
	}
	w.buf = strconv.AppendFloat(w.buf[:0], w.n.Frequencies[point]/w.scale, 'g', -1, 64)
	for k, x := range values {
		if m.N > 2 && k > 0 && k%m.N == 0 || m.N > 4 && k%m.N%4 == 0 && k%m.N > 0 {
			w.buf = append(w.buf, "\n "...)
		}
		if err := w.pair(x); err != nil {
			return err
		}
	}
	w.buf = append(w.buf, '\n')
	w.w.Write(w.buf)
	return nil
}

func (w *writer) pair(x complex128) error {
	a, b := real(x), imag(x)
	if w.o.Format != "RI" {
		a, b = cmplx.Abs(x), cmplx.Phase(x)*180/math.Pi
	}
	if w.o.Format == "DB" {
		if a == 0 {
			return errors.New("zero has no decibel; write RI or MA")
		}
		a = 20 * math.Log10(a)
	}
	w.buf = append(w.buf, ' ')
	w.buf = strconv.AppendFloat(w.buf, a, 'g', -1, 64)
	w.buf = append(w.buf, ' ')
	w.buf = strconv.AppendFloat(w.buf, b, 'g', -1, 64)
	return nil
}

func (w *writer) noise() {
	if len(w.n.Noise) == 0 {
		return
	}
	if w.two() {
		w.text("[Noise Data]\n")
	} else {
		w.text("! noise data\n")
	}
	for _, p := range w.n.Noise {
		rn := p.Resistance
		if !w.two() {
			rn /= w.n.Reference[0]
		}
		w.text("%s %s %s %s %s\n", shortest(p.Hz/w.scale), shortest(p.MinimumNF.DB()),
			shortest(cmplx.Abs(p.OptimumGamma)), shortest(cmplx.Phase(p.OptimumGamma)*180/math.Pi), shortest(rn))
	}
}
