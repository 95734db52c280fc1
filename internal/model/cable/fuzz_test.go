package cable_test

import (
	"math"
	"math/cmplx"
	"testing"

	. "provoke/internal/model/cable"
)

// Whatever a file says, provoke tells its problems or computes numbers.
func FuzzFiles(f *testing.F) {
	f.Add(replaced(f, "belt-weigher-cable.yaml", nil), false)
	f.Add([]byte(plain("{series: [{resistor: 10 Ω}, {capacitor: 150 pF}]}", "{lisn: 50 µH + 5 Ω}", "")), false)
	f.Add([]byte(plain("{open: true}", "{ferrites: []}",
		"on_cable: [{name: a, at: 0.3 m, across: {parallel: [{resistor: 0 Ω}]}}]")), false)
	f.Add(replaced(f, "belt-weigher-decoupling.yaml", nil), true)
	f.Fuzz(func(t *testing.T, data []byte, decoupling bool) {
		if decoupling {
			d, list := ParseDecoupling("x.yaml", data, beside)
			if (d == nil) == (list.Err() == nil) {
				t.Fatalf("%v, %v", d, list)
			}
			return
		}
		c, list := Parse("x.yaml", data, beside)
		if (c == nil) == (list.Err() == nil) {
			t.Fatalf("%v, %v", c, list)
		}
		if c == nil {
			return
		}
		c.Points = min(c.Points, 20)
		g, err := c.Grid()
		if err != nil {
			t.Fatal(err)
		}
		r, err := c.Compute(g)
		if err != nil {
			return // between the ends of the band a part may not be known
		}
		for i := range r.DUT {
			if x := cmplx.Abs(r.DUT[i]) + cmplx.Abs(r.AE[i]) + r.Jig[i]; math.IsNaN(x) || math.IsInf(x, 0) {
				t.Fatalf("%v at %v", x, g.Frequency(i))
			}
		}
		c.Resonances(r)
	})
}
