package main

import (
	"fmt"
	"strings"
	"testing"

	"provoke/internal/bench/simbench"
)

// A run on the cable whose clamp was left in the jig is doubted, and only that one. A cable's current
// varies with frequency once the cable is an eighth of a wave long; a jig's does not.
func TestARunWhoseClampWasLeftInTheJigIsDoubted(t *testing.T) {
	t.Parallel()
	const drive = "kind: control\nmode: constant drive\ndrive: -45 dBm\nmodulation: CW\nsearch: {onset: " +
		"false}\nfirst_light: {below: 6 dB}"
	doubted := func(c simbench.Config, to float64) (errs, notes string) {
		b := newWorkbench(t, c)
		b.plan("plan.yaml", 150e3, to, "40 %", drive)
		_, _, errs = b.do("run", "plan.yaml", "--job", "j.provoke", "--arm")
		_, notes, _ = b.do("journal", "j.provoke", "--run", "1")
		return errs, notes
	}
	for _, fixture := range []simbench.Fixture{simbench.Jig50, simbench.Jig150} {
		errs, notes := doubted(simbench.Config{Seed: 1, Fixture: fixture}, 79e6)
		const asks = "was the clamp still in the jig"
		if !strings.Contains(errs, asks) || !strings.Contains(notes, asks) ||
			!strings.Contains(notes, fmt.Sprint(fixture)) {
			t.Errorf("the clamp was in the %v:\n%s\n%s", fixture, errs, notes)
		}
	}
	for seed := range uint64(8) {
		if errs, _ := doubted(simbench.Config{Seed: seed + 1}, 79e6); strings.Contains(errs, "jig") {
			t.Errorf("cable %d is taken for a jig:\n%s", seed+1, errs)
		}
	}
	// Up to 5 MHz a cable of 1 to 2 m tells nothing, and nothing is said.
	if errs, _ := doubted(simbench.Config{Seed: 1, Fixture: simbench.Jig150}, 5e6); strings.Contains(errs,
		"was the clamp") {
		t.Errorf("doubted below the frequencies that can tell:\n%s", errs)
	}
}
