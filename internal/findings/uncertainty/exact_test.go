package uncertainty

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"provoke/internal/units/rf"
)

// One input each, against its closed form: normal 1.96 u; rectangular 0.95 a; triangular a·(1 − √0.05);
// U-shaped a·sin(0.95·π/2); Student's t from the t table (JCGM 100, table G.2: 2.26 at 9, 4.30 at 2).
func TestIntervalsOfOneInput(t *testing.T) {
	for _, c := range []struct {
		in   Input
		want float64
	}{
		{Certificate("normal", 2, 2), 1.959964},
		{Limits("rectangular", 1, Rectangular), 0.95},
		{Limits("triangular", 1, Triangular), 1 - math.Sqrt(0.05)},
		{Limits("U-shaped", 1, UShaped), math.Sin(0.95 * math.Pi / 2)},
		{Repeated("ten readings", 1, 10, 1), 2.262157},
		{Repeated("three readings", 1, 3, 1), 4.302653},
	} {
		i, err := Budget{Inputs: []Input{c.in}}.Interval(0.95)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(i.High/c.want-1) > 0.01 || math.Abs(i.Low+i.High) > 0.01*c.want {
			t.Errorf("%s: %+v, want ± %g", c.in.Name, i, c.want)
		}
	}
}

// Two rectangles of the same width make a triangle of twice the width; any number of normals a normal.
func TestIntervalsOfSums(t *testing.T) {
	two := Budget{Inputs: []Input{Limits("a", 1, Rectangular), Limits("b", 1, Rectangular)}}
	i, err := two.Interval(0.95)
	if want := 2 * (1 - math.Sqrt(0.05)); err != nil || math.Abs(i.High-want) > 0.01 {
		t.Errorf("two rectangles: %+v, want %g (%v)", i, want, err)
	}
	norms := Budget{Inputs: []Input{Certificate("a", 3, 1), Certificate("b", 4, 1)}}
	if i, _ = norms.Interval(0.6827); math.Abs(i.High-5) > 0.02 {
		t.Errorf("3 and 4: %+v, want 5", i)
	}
	norms.Correlations = []Correlation{{0, 1, 1}}
	if i, _ = norms.Interval(0.6827); math.Abs(i.High-7) > 0.03 {
		t.Errorf("3 and 4, which move together: %+v, want 7", i)
	}
	if i, err := (Budget{Inputs: []Input{Limits("nothing", 0, Rectangular)}}).Interval(0.95); err != nil ||
		i != (Interval{}) {
		t.Errorf("an input that is known exactly: %+v (%v)", i, err)
	}
}

// What is worked out is what a simulation of the same budget finds, whatever the budget.
func TestIntervalsAgreeWithTheSimulation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var b Budget
		for range rapid.IntRange(1, 6).Draw(t, "inputs") {
			half := rapid.Float64Range(0.05, 2).Draw(t, "half")
			switch rapid.IntRange(0, 5).Draw(t, "kind") {
			case 0:
				b.Inputs = append(b.Inputs, Certificate("c", half, 2))
			case 1:
				b.Inputs = append(b.Inputs, Limits("r", half, Rectangular))
			case 2:
				b.Inputs = append(b.Inputs, Limits("t", half, Triangular))
			case 3:
				in, _ := Mismatch("m", half/5, FixedMagnitudes)
				b.Inputs = append(b.Inputs, in)
			case 4:
				in, _ := Mismatch("d", half/5, BoundedMagnitudes)
				b.Inputs = append(b.Inputs, in)
			case 5:
				b.Inputs = append(b.Inputs, Repeated("s", half, rapid.IntRange(4, 12).Draw(t, "readings"), 1))
			}
		}
		got, err := b.Interval(0.95)
		if err != nil {
			t.Fatal(err)
		}
		// Of 100,000 draws 2.5 % lie beyond each end, give or take five standard deviations of that count: 0.25 %.
		// A bound on the ends themselves would have to know how heavy the tails are.
		const give = 2 * 0.0025
		simulated := func(confidence rf.Fraction) Interval {
			s, err := b.Simulate(rand.New(rand.NewPCG(1, 2)), 100_000, confidence)
			if err != nil {
				t.Fatal(err)
			}
			return s.Symmetric
		}
		in, out := simulated(0.95-give), simulated(0.95+give)
		// what the working out itself may be off by: where values pile up at an end it shows
		step := 0.005 * got.HalfWidth()
		if out.Low-step > got.Low || got.Low > in.Low+step || in.High-step > got.High || got.High > out.High+step {
			t.Fatalf("%+v does not lie between %+v and %+v of the simulation", got, in, out)
		}
	})
}

func BenchmarkInterval(b *testing.B) {
	in, _ := Mismatch("mismatch", 0.1, FixedMagnitudes)
	budget := Budget{Inputs: []Input{in, Certificate("probe", 2, 2), Repeated("repeats", 0.4, 3, 1)}}
	for range 7 {
		budget.Inputs = append(budget.Inputs, Limits("limits", 0.5, Rectangular))
	}
	for b.Loop() {
		budget.Interval(rf.Fraction(0.95))
	}
}
