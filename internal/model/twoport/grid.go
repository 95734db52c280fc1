package twoport

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/units/rf"
)

// Grid is a list of rising frequencies with what many parts need of them. It is a small value; make
// it with NewGrid. The zero Grid has no frequency.
type Grid struct {
	hz, ln []float64
	first  int      // index of hz[0] in the grid that NewGrid made
	root   *float64 // first frequency of that grid: tells one grid from another
}

// NewGrid makes a grid of frequencies, which must be known and rise strictly.
func NewGrid(f []rf.Frequency) (Grid, error) {
	if len(f) == 0 {
		return Grid{}, errors.New("a frequency grid needs at least one frequency")
	}
	g := Grid{hz: make([]float64, len(f)), ln: make([]float64, len(f))}
	for i, x := range f {
		if !x.Known() {
			return Grid{}, fmt.Errorf("frequency %d of the grid is not a finite number above zero", i+1)
		}
		if i > 0 && x <= f[i-1] {
			return Grid{}, fmt.Errorf("frequency %d of the grid, %v, is not above the one before, %v", i+1, x, f[i-1])
		}
		g.hz[i], g.ln[i] = x.Hz(), math.Log(x.Hz())
	}
	g.root = &g.hz[0]
	return g, nil
}

// Logarithmic makes a grid of n frequencies from low to high with equal ratios; n is 2 or more.
func Logarithmic(low, high rf.Frequency, n int) (Grid, error) {
	if n < 2 || !low.Known() || !high.Known() || low >= high {
		return Grid{},
			fmt.Errorf("a logarithmic grid needs two known frequencies that rise and two points or more, not %d from "+
				"%v to %v", n, low, high)
	}
	f := make([]rf.Frequency, n)
	for i := range f {
		f[i] = rf.Frequency(low.Hz() * math.Pow(high.Hz()/low.Hz(), float64(i)/float64(n-1)))
	}
	f[n-1] = high
	return NewGrid(f)
}

// Len returns the number of frequencies.
func (g Grid) Len() int { return len(g.hz) }

// Hz returns frequency i in hertz.
func (g Grid) Hz(i int) float64 { return g.hz[i] }

// Frequency returns frequency i.
func (g Grid) Frequency(i int) rf.Frequency { return rf.Frequency(g.hz[i]) }

// Frequencies returns a copy of all frequencies.
func (g Grid) Frequencies() []rf.Frequency {
	out := make([]rf.Frequency, len(g.hz))
	for i, x := range g.hz {
		out[i] = rf.Frequency(x)
	}
	return out
}

// omega returns 2πf of frequency i.
func (g Grid) omega(i int) float64 { return 2 * math.Pi * g.hz[i] }

// part returns the frequencies from a to before b.
func (g Grid) part(a, b int) Grid {
	return Grid{hz: g.hz[a:b], ln: g.ln[a:b], first: g.first + a, root: g.root}
}

// blockSize is how many frequencies are carried through all parts at once: the figures of a block
// stay in the processor's first cache.
const blockSize = 256

// OnePort is an impedance over frequency.
type OnePort interface {
	// Impedance fills z, as long as the grid, with the impedance in ohm; Open is infinite. After an
	// error z means nothing.
	Impedance(g Grid, z []complex128) error
}

// TwoPort is a network with an input and an output over frequency.
type TwoPort interface {
	// Matrices fills m, as long as the grid, with the chain matrices from input to output. After an
	// error m means nothing.
	Matrices(g Grid, m []ABCD) error
}

// ImpedanceAt returns a one-port's impedance at one frequency.
func ImpedanceAt(p OnePort, f rf.Frequency) (complex128, error) {
	g, err := NewGrid([]rf.Frequency{f})
	if err != nil {
		return 0, err
	}
	var z [1]complex128
	err = p.Impedance(g, z[:])
	return z[0], err
}

// ImpedancesOf returns a one-port's impedance at every frequency of a grid.
func ImpedancesOf(p OnePort, g Grid) ([]complex128, error) {
	z := make([]complex128, g.Len())
	return z, p.Impedance(g, z)
}

// MatrixAt returns a two-port's chain matrix at one frequency.
func MatrixAt(t TwoPort, f rf.Frequency) (ABCD, error) {
	g, err := NewGrid([]rf.Frequency{f})
	if err != nil {
		return ABCD{}, err
	}
	var m [1]ABCD
	err = t.Matrices(g, m[:])
	return m[0], err
}

// MatricesOf returns a two-port's chain matrix at every frequency of a grid.
func MatricesOf(t TwoPort, g Grid) ([]ABCD, error) {
	m := make([]ABCD, g.Len())
	return m, t.Matrices(g, m)
}

// finite reports that z is neither infinite nor NaN.
func finite(z complex128) bool { return z-z == 0 }

// reciprocal returns 1/z for a finite z that is not zero; faster than the language's division,
// which looks after infinities.
func reciprocal(z complex128) complex128 {
	x, y := real(z), imag(z)
	d := 1 / (x*x + y*y)
	return complex(x*d, -y*d)
}
