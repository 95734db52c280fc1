package ferrite

import (
	"math"
	"testing"
)

// FuzzParseTable: a table of permeability is refused with its place, or its frequencies rise and its
// figures are finite.
func FuzzParseTable(f *testing.F) {
	f.Add([]byte("f/MHz;µ′;µ″\n0.1;800;10\n1;790;30\n"))
	f.Add([]byte("f/MHz;µ′;µ″\n0.1;-;10\n1;1e999;30\n"))
	f.Add([]byte("# remark\n\xff"))
	f.Fuzz(func(t *testing.T, data []byte) {
		table, list := ParseTable("t.csv", data)
		if (table == nil) != (list.Err() != nil) {
			t.Fatalf("%v beside %v", table, list)
		}
		if table == nil {
			return
		}
		low, high := table.Band()
		if (low.Known() || high.Known()) && !(low > 0 && high > low && !math.IsInf(float64(high), 0)) {
			t.Fatalf("from %v to %v", low, high)
		}
	})
}
