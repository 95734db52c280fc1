package session

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// A study exposes at its own frequencies alone, whatever its plan visits first.
func TestAStudyDoesNotVisitWhatItsPlanVisitsFirst(t *testing.T) {
	file := filepath.Join(t.TempDir(), "plan.yaml")
	if err := os.WriteFile(file, []byte("provoke: plan 1\nbench: b.yaml\nkind: exposure\nlevel: 60 mA\n"+
		"first: [41 MHz]\ngrid:\n  - {from: 1 MHz, to: 80 MHz, step: 1 %}\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	s := Study{Order: Order{PlanFile: file}, At: []rf.Frequency{27.12e6}}
	made, err := s.derived(&terminal.World{Stderr: &bytes.Buffer{}}, "dwell")
	if err != nil {
		t.Fatal(err)
	}
	p, _, err := LoadPlanAlone(made)
	if err != nil || len(p.Grid) != 1 || p.Grid[0] != 27.12e6 || len(p.First) != 0 {
		t.Errorf("%v: %v, first %v", err, p.Grid, p.First)
	}
}
