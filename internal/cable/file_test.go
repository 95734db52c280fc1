package cable_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	. "provoke/internal/cable"
	"provoke/internal/problem"
)

func beside(name string) ([]byte, error) { return os.ReadFile(filepath.Join("testdata", name)) }

// sample reads the sample file with some of its text replaced.
func sample(t testing.TB, replace ...string) (*Cable, problem.List) {
	t.Helper()
	data, err := beside("belt-weigher-cable.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	for i := 0; i < len(replace); i += 2 {
		if !strings.Contains(text, replace[i]) {
			t.Fatalf("the sample has no %q", replace[i])
		}
		text = strings.Replace(text, replace[i], replace[i+1], 1)
	}
	return Parse("cable.yaml", []byte(text), beside)
}

func TestTheSampleHasNoProblem(t *testing.T) {
	c, list := sample(t)
	for _, p := range list {
		t.Log(p)
	}
	if c == nil {
		t.Fatal(list.Err())
	}
	g, err := c.Grid()
	if err != nil {
		t.Fatal(err)
	}
	r, err := c.Compute(g)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range c.Resonances(r) {
		t.Log(fmt.Sprintf("%v peak=%v %v prominence %v: %s", x.At, x.Peak, x.OverJig, x.Prominence, x.Cause))
	}
}
