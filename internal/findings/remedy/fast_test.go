package remedy

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"provoke/internal/units/rf"
)

// The search's way and the plain way to the currents agree on every kind of combination.
func TestTheSearchComputesWhatTheCableComputes(t *testing.T) {
	data, err := os.ReadFile("testdata/parts.yaml")
	if err != nil {
		t.Fatal(err)
	}
	f, problems := Parse("parts.yaml", data, func(name string) ([]byte,
		error) {
		return os.ReadFile(filepath.Join("testdata", name))
	})
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	// Places at the probe, at the connector, at the clamp, at a part of the cable, and beyond the clamp.
	for i, at := range []rf.Length{0, 0.05, 0.3, 1, 1.5, 1.7} {
		f.Parts[0].Alternatives[i].At = at
	}
	frequencies, _ := f.Grid(300)
	m, err := NewModel(f.Cable, f.Port, frequencies)
	if err != nil {
		t.Fatal(err)
	}
	quick, err := newFast(m, f.Parts)
	if err != nil {
		t.Fatal(err)
	}
	all, err := combinations(f.Parts, 3)
	if err != nil {
		t.Fatal(err)
	}
	room := quick.walker()
	for i := 0; i < len(all); i += 7 {
		fast, err := quick.solve(room, all[i])
		if err != nil {
			t.Fatal(err)
		}
		plain, err := m.solve(choicesOf(f.Parts, all[i]))
		if err != nil {
			t.Fatal(err)
		}
		for k := range plain.probe {
			for _, x := range [][2]complex128{{fast.circuit[k], plain.circuit[k]}, {fast.probe[k], plain.probe[k]}} {
				if d := square(x[0]-x[1]) / square(x[1]); !(math.Sqrt(d) < 1e-9) {
					t.Fatalf("%v at %v: %v and %v", Combination{Choices: choicesOf(f.Parts, all[i])}.Names(),
						m.grid.Frequency(k), x[0], x[1])
				}
			}
		}
	}
}
