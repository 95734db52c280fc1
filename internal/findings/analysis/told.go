package analysis

import (
	"slices"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
)

// toldBetween is how many exposures between the compared ones are told where nobody chooses, and how many runs of the
// fixing loop.
const toldBetween = 3

// Pair returns which runs are compared where nobody says: the newest exposure before which something was
// changed, and the run whose frequencies it exposed again; where it exposed nobody's again, the first exposure. Zeros
// where there are no two such runs. The runs need no more than their number and how they were opened.
func Pair(runs []result.Run) (before, after int) {
	first, again := 0, 0
	for _, r := range runs {
		switch {
		case r.Opened.RunKind != plan.Exposure:
		case first == 0:
			first = r.Number
		case r.Opened.Changed != "":
			after, again = r.Number, r.Opened.Again
		}
	}
	switch {
	case after == 0:
		return 0, 0
	case again != 0 && has(runs, again):
		return again, after
	}
	return first, after
}

func has(runs []result.Run, number int) bool {
	for _, r := range runs {
		if r.Number == number && r.Opened.RunKind == plan.Exposure {
			return true
		}
	}
	return false
}

// Told returns which runs a report tells in full where nobody says: the compared ones with the newest exposures
// between them; else the newest exposure; else the newest run.
func Told(runs []result.Run) (before, after int, detailed []int) {
	before, after = Pair(runs)
	if after != 0 {
		return before, after, Between(runs, before, after)
	}
	newest, exposure := 0, 0
	for _, r := range runs {
		switch r.Opened.RunKind {
		case event.LaboratoryKind: // nothing was done on the bench
		case plan.Exposure:
			exposure = r.Number
		default:
			newest = r.Number
		}
	}
	for _, n := range []int{exposure, newest} {
		if n != 0 {
			return 0, 0, []int{n}
		}
	}
	return 0, 0, nil
}

// Between returns two compared runs with the exposures and the fixing loops between them, the newest if there are many.
func Between(runs []result.Run, before, after int) []int {
	var out []int
	for _, kind := range []plan.RunKind{plan.Exposure, plan.Fixing} {
		var of []int
		for _, r := range runs {
			if r.Number > before && r.Number < after && r.Opened.RunKind == kind {
				of = append(of, r.Number)
			}
		}
		out = append(out, of[max(0, len(of)-toldBetween):]...)
	}
	slices.Sort(out)
	return append(append([]int{before}, out...), after)
}
