package twoport

import (
	"errors"
	"fmt"
	"math"
	"sort"

	"provoke/internal/units/rf"
)

// ErrMissing says that a material is not known at a frequency. Not tabulated is not zero: a table on
// logarithmic paper leaves out what is small or negative.
var ErrMissing = errors.New("not tabulated")

// Permeability is a relative permeability µ′ − jµ″ over frequency.
type Permeability interface {
	// Fill fills mu, as long as the grid. It wraps ErrMissing where the material is not known whole.
	Fill(g Grid, mu []complex128) error
}

// Row is one row of a table of permeability. A component that is not tabulated is nil.
type Row struct {
	At         rf.Frequency
	Real, Loss *float64 // µ′ and µ″
}

// Table is a material as a table. It interpolates each component straight in log–log between the
// rows that have it (in the value itself where one of two neighbours is not positive), and refuses
// what lies beyond the first and the last of them. Make it with NewTable.
type Table struct {
	name       string
	real, loss column
	skipped    int
}

// column is one component: its own rows only.
type column struct{ hz, ln, value, lnValue []float64 }

// NewTable makes a table. It refuses fewer than two rows with µ′ or with µ″, frequencies that do not
// rise, and a negative µ″, which would make the material a source.
func NewTable(name string, rows []Row) (*Table, error) {
	t := &Table{name: name}
	last := rf.Frequency(0)
	var errs []error
	for i, r := range rows {
		switch {
		case !r.At.Known() || r.At <= last:
			errs = append(errs, fmt.Errorf("material %s, row %d: %v is not above the frequency before it", name,
				i+1, r.At))
		case r.Loss != nil && !(*r.Loss >= 0):
			errs = append(errs,
				fmt.Errorf("material %s, row %d at %v: µ″ is %v; it must not be negative (a passive material only "+
					"loses)", name, i+1, r.At, *r.Loss))
		default:
			t.real.add(r.At, r.Real)
			t.loss.add(r.At, r.Loss)
			if r.Real == nil || r.Loss == nil {
				t.skipped++
			}
		}
		last = max(last, r.At)
	}
	if len(errs) == 0 && (len(t.real.hz) < 2 || len(t.loss.hz) < 2) {
		errs = append(errs,
			fmt.Errorf("material %s: a table needs at least two rows with µ′ and two with µ″, not %d and %d",
				name, len(t.real.hz), len(t.loss.hz)))
	}
	for _, c := range [][]float64{t.real.value, t.loss.value} {
		for _, x := range c {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				errs = append(errs, fmt.Errorf("material %s: %v is no permeability", name, x))
			}
		}
	}
	if err := errors.Join(errs...); err != nil {
		return nil, err
	}
	return t, nil
}

func (c *column) add(at rf.Frequency, x *float64) {
	if x == nil {
		return
	}
	c.hz, c.ln = append(c.hz, at.Hz()), append(c.ln, math.Log(at.Hz()))
	c.value, c.lnValue = append(c.value, *x), append(c.lnValue, math.Log(*x))
}

// ends allows for rounding at the ends of a column.
const ends = 1e-9

// at returns the component between its rows; the second argument is the logarithm of the first.
func (c column) at(hz, ln float64) (float64, error) {
	n := len(c.hz)
	if n == 0 || hz < c.hz[0]*(1-ends) || hz > c.hz[n-1]*(1+ends) {
		return 0, ErrMissing
	}
	k := min(max(sort.SearchFloat64s(c.hz, hz), 1), n-1)
	return c.between(k, ln), nil
}

// between interpolates between rows k−1 and k.
func (c column) between(k int, ln float64) float64 {
	u := (ln - c.ln[k-1]) / (c.ln[k] - c.ln[k-1])
	u = min(max(u, 0), 1)
	a, b := c.value[k-1], c.value[k]
	if a > 0 && b > 0 {
		return math.Exp(c.lnValue[k-1] + u*(c.lnValue[k]-c.lnValue[k-1]))
	}
	return a + u*(b-a)
}

// fill calls put with the component at each frequency of a grid, going along the table once. It
// returns the first frequency that has none.
func (c column) fill(g Grid, put func(i int, x float64)) (missing rf.Frequency, err error) {
	k := 1
	for i, hz := range g.hz {
		if hz < c.hz[0]*(1-ends) || hz > c.hz[len(c.hz)-1]*(1+ends) {
			return g.Frequency(i), ErrMissing
		}
		for k < len(c.hz)-1 && hz > c.hz[k] {
			k++
		}
		put(i, c.between(k, g.ln[i]))
	}
	return 0, nil
}

// Band returns the frequencies between which both components are tabulated; both absent where there
// are none.
func (t *Table) Band() (low, high rf.Frequency) {
	lo := max(t.real.hz[0], t.loss.hz[0])
	hi := min(t.real.hz[len(t.real.hz)-1], t.loss.hz[len(t.loss.hz)-1])
	if lo >= hi {
		return 0, 0
	}
	return rf.Frequency(lo), rf.Frequency(hi)
}

// Incomplete returns how many rows lack a component.
func (t *Table) Incomplete() int { return t.skipped }

// Fill fills mu with the permeability.
func (t *Table) Fill(g Grid, mu []complex128) error {
	if at, err := t.real.fill(g, func(i int, x float64) { mu[i] = complex(x, 0) }); err != nil {
		return t.missing("µ′", at, t.real, err)
	}
	if at, err := t.loss.fill(g, func(i int, x float64) { mu[i] -= complex(0, x) }); err != nil {
		return t.missing("µ″", at, t.loss, err)
	}
	return nil
}

func (t *Table) missing(what string, at rf.Frequency, c column, err error) error {
	return fmt.Errorf("material %s: %s is %w at %v, only from %v to %v; what is not in a table is not zero: use a "+
		"table that reaches further, or leave the frequency out",
		t.name, what, err, at, rf.Frequency(c.hz[0]), rf.Frequency(c.hz[len(c.hz)-1]))
}
