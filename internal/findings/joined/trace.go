package joined

import (
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/event"
	"provoke/internal/units/rf"
)

// PiecesToAnalyser lists the pieces through which the current is read.
func PiecesToAnalyser(b *catalog.Bench) []string {
	var out []string
	if b.Probe != nil {
		out = append(out, b.Probe.ID)
	}
	for _, p := range b.ToAnalyser {
		out = append(out, p.ID)
	}
	if b.Analyser != nil {
		out = append(out, b.Analyser.ID)
	}
	return out
}

// BoundsOf warns of points that are only bounds.
func BoundsOf(file string, read event.TraceRead) problem.List {
	low, high := 0, 0
	for _, p := range read.Points {
		switch p.Current.Bound() {
		case rf.AtMost:
			low++
		case rf.AtLeast:
			high++
		}
	}
	var out problem.List
	add := func(n int, what string) {
		if n > 0 {
			out = append(out, problem.Problem{File: file, Warning: true,
				What: fmt.Sprintf("%d of %d currents are %s", n, len(read.Points), what)})
		}
	}
	add(low, "at most what is shown: the reading is within 10 dB of the analyser's floor")
	add(high, "at least what is shown: the analyser was overloaded")
	return out
}
