package analysis_test

import (
	"slices"
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
)

// Runs made with --again 3 were passed over for run 1.
func TestTheRunThatWasExposedAgainIsTheOneComparedWith(t *testing.T) {
	exposure := func(n, again int, changed string) result.Run {
		return result.Run{Number: n, Opened: event.Opened{RunKind: plan.Exposure, Again: again, Changed: changed}}
	}
	other := func(n int, kind plan.RunKind) result.Run {
		return result.Run{Number: n, Opened: event.Opened{RunKind: kind}}
	}
	for name, c := range map[string]struct {
		runs          []result.Run
		before, after int
		detailed      []int
	}{
		"again 3": {[]result.Run{exposure(1, 0, ""), other(2, plan.Baseline),
			exposure(3, 0, ""), exposure(4, 3, "ferrite")}, 3, 4, []int{3, 4}},
		"nobody's again": {[]result.Run{exposure(1, 0, ""), exposure(3, 0, ""),
			exposure(4, 0, "ferrite")}, 1, 4, []int{1, 3, 4}},
		"again a run that is no exposure": {[]result.Run{exposure(1, 0, ""), other(2, plan.Control),
			exposure(4, 2, "ferrite")}, 1, 4, []int{1, 4}},
		"the newest change": {[]result.Run{exposure(1, 0, ""), exposure(2, 0, ""), exposure(3, 1, "a"),
			exposure(4, 2, "b")}, 2, 4, []int{2, 3, 4}},
		"nothing changed": {[]result.Run{exposure(1, 0, ""), exposure(2, 0, ""),
			other(3, plan.Baseline)}, 0, 0, []int{2}},
		"no exposure": {[]result.Run{other(1, plan.Baseline), other(2, event.LaboratoryKind)}, 0, 0,
			[]int{1}},
		"many between": {[]result.Run{exposure(1, 0, ""), exposure(2, 1, "a"), exposure(3, 1, "b"),
			exposure(4, 1, "c"), exposure(5, 1, "d"), exposure(6, 1, "e")}, 1, 6, []int{1, 3, 4, 5, 6}},
	} {
		if before, after, detailed := analysis.Told(c.runs); before != c.before || after != c.after ||
			!slices.Equal(detailed, c.detailed) {
			t.Errorf("%s: %d, %d, %v", name, before, after, detailed)
		}
	}
	if before, after, detailed := analysis.Told(nil); before != 0 || after != 0 || detailed != nil {
		t.Errorf("no runs: %d, %d, %v", before, after, detailed)
	}
}
