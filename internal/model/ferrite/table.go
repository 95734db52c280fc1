package ferrite

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"

	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
	"provoke/internal/model/twoport"
)

// Names that a column may have, in lower case.
var (
	realNames = []string{"µ′", "µ'", "mu'", "mu′", "mu_real", "real"}
	lossNames = []string{"µ″", "µ''", "µ\"", "mu''", "mu\"", "mu″", "mu_loss", "loss"}
)

// Hash returns the SHA-256, in hexadecimal, of a file's bytes.
func Hash(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// ParseTable reads a table of complex permeability with columns of a frequency ("f/MHz"), µ′ ("mu'", "mu_real") and
// µ″ ("mu”", "mu_loss"). A cell that is empty or a dash is not tabulated. All problems come back at once; the table
// is nil when one of them is more than a warning.
func ParseTable(name string, data []byte) (*twoport.Table, problem.List) {
	t, columns := tabular.Named(name, data, "write a heading such as \"f/MHz;µ′;µ″\" and one row per frequency",
		tabular.Wanted{Names: []string{"frequency"}, Quantity: tabular.OfFrequency},
		tabular.Wanted{Names: realNames, Quantity: tabular.OfNumber},
		tabular.Wanted{Names: lossNames, Quantity: tabular.OfNumber})
	if columns == nil {
		return nil, t.Sorted()
	}
	var rows []twoport.Row
	for _, r := range t.Rows {
		row := twoport.Row{At: t.Frequency(r, columns[0])}
		for k, into := range []**float64{&row.Real, &row.Loss} {
			if r.Tells(columns[k+1]) {
				x, _ := t.CellOf(r, columns[k+1], tabular.OfNumber)
				*into = &x
			}
		}
		rows = append(rows, row)
	}
	if t.Problems.Err() != nil {
		return nil, t.Sorted()
	}
	out, err := twoport.NewTable(name, rows)
	if err != nil {
		for _, e := range parts(err) {
			t.Fail(0, 0, e.Error(), "")
		}
		return nil, t.Sorted()
	}
	if n := out.Incomplete(); n > 0 {
		lo, hi := out.Band()
		what := fmt.Sprintf("%d of %d rows lack µ′ or µ″: the material is known whole from %v to %v only", n, len(rows),
			lo, hi)
		if !lo.Known() {
			what = fmt.Sprintf("%d of %d rows lack µ′ or µ″: the material is known whole nowhere", n, len(rows))
		}
		t.Warn(0, 0, what, "what is not tabulated is not taken for zero; frequencies outside are refused")
	}
	return out, t.Sorted()
}

func parts(err error) []error {
	var joined interface{ Unwrap() []error }
	if errors.As(err, &joined) {
		return joined.Unwrap()
	}
	return []error{err}
}
