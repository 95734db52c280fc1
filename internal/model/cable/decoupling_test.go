package cable_test

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"

	. "provoke/internal/model/cable"
	"provoke/internal/model/twoport"
)

func stack(t testing.TB, replace ...string) *Decoupling {
	t.Helper()
	d, list := decoupling(t, replace...)
	if d == nil {
		t.Fatal(list.Err())
	}
	return d
}

func TestAStackIsTheSumOfItsFerrites(t *testing.T) {
	d := stack(t)
	g, err := d.Cable.Grid()
	if err != nil {
		t.Fatal(err)
	}
	rows, err := d.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range rows {
		if !x.Whole || cmplx.Abs(x.Stack-x.Each[0]-x.Each[1]) > 1e-9 {
			t.Fatalf("%+v", x)
		}
		if x.Share < 0 || x.Share > 1 || !x.DUT.Finite() || !x.AE.Finite() {
			t.Fatalf("%+v", x)
		}
	}
	// An MnZn core above its resonance looks like a lossy capacitor (physics notes, section 4).
	if last := rows[len(rows)-1]; imag(last.Each[0]) >= 0 || real(last.Each[0]) <= 0 {
		t.Errorf("at %v the MnZn cores have %v Ω", last.At, last.Each[0])
	}
}

// With everything short against the wavelength and no path to the plane between, clamp, stack and
// both ends are one loop: the stack lowers both currents alike, and provoke says so.
func TestAFerriteAloneLowersBothCurrents(t *testing.T) {
	d := stack(t)
	g, err := twoport.Logarithmic(150e3, 5e6, 30)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := d.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	x := rows[20]
	if math.Abs(x.DUT.DB()-x.AE.DB()) > 0.3 || x.DUT > -1 {
		t.Errorf("%+v", x)
	}
	if all := strings.Join(Judge(rows), "\n"); !strings.Contains(all, "a way to the plane between clamp and stack") {
		t.Error(all)
	}
}

// With such a way, the AE's current falls and the DUT's stays.
func TestAWayToThePlaneBeforeTheStackKeepsTheCurrentInTheDUT(t *testing.T) {
	d := stack(t)
	d.Cable.Parts = append(d.Cable.Parts, Part{Name: "capacitor to the plane", At: d.Cable.ClampToDUT + 0.02,
		Two: twoport.Shunt{Z: twoport.Capacitor{Farad: 10e-9, ESR: 0.1}}})
	rows, err := d.Compute(frequencies(t, 5e6))
	if err != nil {
		t.Fatal(err)
	}
	if x := rows[0]; x.DUT < -0.5 || x.AE > -6 || x.WrongWay > x.WrongWayBare-6 {
		t.Errorf("%+v", x)
	}
}

// µ halves at the field that is given, by the definition of it.
func TestBiasDeratesThePermeability(t *testing.T) {
	if got := Derating(35, 35); got != 0.5 {
		t.Errorf("%v of the permeability is left at the field that halves it", got)
	}
	if got := Derating(0, 35); got != 1 {
		t.Errorf("%v is left without a field", got)
	}
	// 63 × 38 mm: le = 152.09 mm (row C02), so that 5.323 A through one turn make 35 A/m.
	d := stack(t, "bias: 20 mA", "bias: 5.323 A")
	if x := d.Stack[0]; math.Abs(x.Derating-0.5) > 1e-3 || x.HalfAtGuess || math.Abs(float64(x.Field)-35) > 0.01 {
		t.Errorf("%+v", x)
	}
	if x := d.Stack[1]; !x.HalfAtGuess || x.Derating >= 1 {
		t.Errorf("%+v", x)
	}
	if all := strings.Join(d.Remarks, "\n"); !strings.Contains(all, "common practice, not verified") {
		t.Error(all)
	}
	g := frequencies(t, 1e6)
	with, err := d.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	without, err := stack(t, "bias: 20 mA", "bias: off").Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	if r := imag(with[0].Each[0]) / imag(without[0].Each[0]); math.Abs(r-0.5) > 0.002 {
		t.Errorf("at half of the permeability the core has %v of its reactance", r)
	}
}

func TestAMaterialThatIsNotTabulatedGivesABoundOnly(t *testing.T) {
	table := "# invented\nf/MHz;µ′;µ″\n0.1;900;3\n5;840;380\n15;140;560\n20;-;430\n100;-;45\n"
	d, list := ParseDecoupling("decoupling.yaml", replaced(t, "belt-weigher-decoupling.yaml", nil),
		func(name string) ([]byte, error) {
			if name == "invented-mnzn.csv" {
				return []byte(table), nil
			}
			return beside(name)
		})
	if d == nil {
		t.Fatal(list.Err())
	}
	rows, err := d.Compute(frequencies(t, 10e6, 50e6))
	if err != nil {
		t.Fatal(err)
	}
	if !rows[0].Whole || rows[1].Whole || rows[1].AtLeast <= 0 || !strings.Contains(rows[1].Missing,
		"µ′ is not tabulated at 50 MHz") {
		t.Errorf("%+v", rows)
	}
	if all := strings.Join(Judge(rows), "\n"); !strings.Contains(all, "at 1 of 2 frequencies") {
		t.Error(all)
	}
}

func TestAnotherOrderIsAdvisedOnlyWhenItChangesSomething(t *testing.T) {
	// Side by side in the wire the order of two ferrites is no matter.
	d := stack(t, "distance: 300 mm", "distance: 0 mm")
	g, err := twoport.Logarithmic(1e6, 80e6, 60)
	if err != nil {
		t.Fatal(err)
	}
	a, err := d.Advise(g)
	if err != nil {
		t.Fatal(err)
	}
	if a.Gain > 1e-6 || a.Order[0] != 0 || !strings.Contains(a.Text, "leave the order as it is") {
		t.Errorf("%+v", a)
	}
	// With a capacitor to the plane between them it matters which of them stands beyond it. Twelve sleeves
	// have several times the impedance of the cores.
	d.Stack[1].Distance = 0.3
	d.Stack[1].Ferrite.Core.Count = 12
	if g, err = twoport.Logarithmic(5e6, 30e6, 60); err != nil {
		t.Fatal(err)
	}
	d.Cable.Parts = append(d.Cable.Parts, Part{Name: "capacitor", At: d.Cable.ClampToDUT + 0.2,
		Two: twoport.Shunt{Z: twoport.Capacitor{Farad: 1e-9, ESR: 1}}})
	a, err = d.Advise(g)
	if err != nil {
		t.Fatal(err)
	}
	d.Stack[0], d.Stack[1] = d.Stack[1], d.Stack[0]
	d.Stack[0].Distance, d.Stack[1].Distance = d.Stack[1].Distance, d.Stack[0].Distance
	b, err := d.Advise(g)
	if err != nil {
		t.Fatal(err)
	}
	// One of the two orders is the better one, and whoever has the other is told.
	if (a.Gain >= LeastGain) == (b.Gain >= LeastGain) || a.Gain > 0 && b.Gain > 0 {
		t.Errorf("%+v and, turned round, %+v", a, b)
	}
	for _, x := range []Advice{a, b} {
		if x.Gain >= LeastGain && (x.Order[0] != 1 || !strings.Contains(x.Text, "from the clamp toward the AE put")) {
			t.Errorf("%+v", x)
		}
	}
}

func TestProblemsOfADecouplingFileAreTold(t *testing.T) {
	for _, c := range []struct {
		replace []string
		says    string
	}{
		{[]string{"cable: belt-weigher-cable.yaml", "cable: none.yaml"}, `cannot read the cable file "none.yaml"`},
		{[]string{"manganese-zinc: 35 A/m", "manganese: 35 A/m"}, `half_at: there is no material "manganese"`},
		{[]string{"35 A/m", "35"}, "no unit of field strength"},
		{[]string{"distance: 300 mm", "distance: 3 m"}, "and the cable ends at 1.4 m"},
		{[]string{"distance: 300 mm", "distance: -3 mm"}, `stack[1].distance: length "-3 mm" is out of range`},
		{[]string{"material: manganese-zinc\n    turns: 1", "turns: 1"}, "material is not given"},
		{[]string{"bias: 20 mA", "bias: at most 20 mA"}, "not one known figure"},
	} {
		d, list := decoupling(t, c.replace...)
		if err := list.Err(); d != nil || err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, want it to say %q", c.replace, err, c.says)
		}
	}
}
