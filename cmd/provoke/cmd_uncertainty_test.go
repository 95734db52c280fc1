package main

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"provoke/internal/faces/calculator/budget"
	"provoke/internal/terminal"
)

func TestTheUncertaintyOfTheSampleBenchIsPrinted(t *testing.T) {
	code, out, errs := benchRunOf(1000, "uncertainty", sampleBench, "--at", "30 MHz", "--draws", "20000")
	if code != terminal.ExitDone || errs != "" {
		t.Fatalf("code %d\n%s", code, errs)
	}
	for _, want := range []string{
		"30 MHz: U = ± 1.85 dB (k = 1.92, confidence 95 %), standard uncertainty 0.96 dB",
		"Monte Carlo, 20000 draws, seed 1:",
		"PROBE1 transfer impedance", "bench file, U = 1.00 dB (k = 2)", "ASSUMED: no repeated runs are given",
		"U without it",
	} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is missing in\n%s", want, out)
		}
	}
	_, table, _ := benchRun("uncertainty", sampleBench)
	if !strings.Contains(table, "80 MHz") || !strings.Contains(table, "3 of 8") || strings.Contains(table, "NaN") {
		t.Errorf("table\n%s", table)
	}
}

// Shares add up to the whole; the same seed gives the same bytes.
func TestTheUncertaintyInJSON(t *testing.T) {
	args := []string{"uncertainty", sampleBench, "--at", "1 MHz", "--draws", "20000", "--json"}
	code, out, errs := benchRun(args...)
	if _, again, _ := benchRun(args...); code != terminal.ExitDone || again != out {
		t.Fatalf("code %d, %s; again %v", code, errs, again == out)
	}
	var sheet budget.UncertaintyJSON
	if err := json.Unmarshal([]byte(out), &sheet); err != nil || len(sheet.Points) != 1 {
		t.Fatalf("%v\n%s", err, out)
	}
	share := 0.0
	for _, c := range sheet.Points[0].Components {
		share += c.Share
	}
	if p := sheet.Points[0]; math.Abs(share-1) > 0.001 || *p.U < 1.7 || *p.U > 1.9 || p.Freedom != nil ||
		p.Simulated == nil {
		t.Errorf("shares %g, %+v", share, p)
	}
}

func TestUncertaintyOutsideTheBandSaysWhere(t *testing.T) {
	code, _, errs := benchRun("uncertainty", sampleBench, "--at", "500 MHz")
	if code == terminal.ExitDone || !strings.Contains(errs, "500 MHz") || !strings.Contains(errs, "100 MHz") {
		t.Errorf("code %d: %s", code, errs)
	}
}

func TestTheCableModelTakesThePlaceOfTheEstimate(t *testing.T) {
	code, out, errs := benchRun("uncertainty", sampleBench, "--at", "30 MHz", "--draws", "0", "--cable",
		"../../internal/model/cable/testdata/belt-weigher-cable.yaml")
	if code != terminal.ExitDone || !strings.Contains(out, "model of the cable in") ||
		strings.Contains(out, "no model of the cable") {
		t.Errorf("code %d\n%s\n%s", code, out, errs)
	}
}
