package main

import (
	"path/filepath"
	"testing"

	"provoke/internal/terminal"
)

func TestTheExamplesOfTheModelsAreReadAsTheyStand(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "models")
	if code, _, errs := benchRun("new", dir, "--models"); code != terminal.ExitDone {
		t.Fatal(errs)
	}
	at := func(name string) string { return filepath.Join(dir, name) }
	for _, args := range [][]string{{"cable", at("cable.yaml")}, {"decoupling", at("decoupling.yaml")}, {"remedy", at("parts.yaml")}, {"design", "clamp", at("clamp.yaml")}} {
		if code, out, errs := benchRun(args...); code != terminal.ExitDone || len(out) < 200 {
			t.Errorf("%v: exit code %d\n%s%s", args, code, out, errs)
		}
	}
	if code, _, _ := benchRun("new", dir, "--models"); code != terminal.ExitError {
		t.Error("the examples were written over")
	}
}
