package sweep

import (
	"fmt"
	"slices"
	"time"

	"provoke/internal/units/rf"
)

// Look is a time since the beginning of a pass that is known as far as the looks at the product lie
// apart: the product changed after From and not after To.
type Look struct{ From, To time.Duration }

// Known reports that there was such a change.
func (l Look) Known() bool { return l.To > 0 && l.To >= l.From }

// Seen is one upset of a pass. It ends in one of three ways: the product recovered by itself, it was
// well after a reset, or it was not well again in this pass.
type Seen struct {
	Onset    Look
	Recovery Look // by itself; not Known otherwise
	// Reset is from the last reset before the product was well to the look that saw it well; not Known
	// where it recovered by itself or was not well again in this pass.
	Reset   Look
	Monitor string
}

// Observed is one pass with what the product did.
type Observed struct {
	Sweep  Sweep
	Within time.Duration // how well the beginning of the pass is known, either way
	Upsets []Seen        // in the order of time
}

// Band is a range of frequencies in which the product is upset.
type Band struct {
	Low, High rf.Frequency // as estimated; equal where width and latency cannot be told apart
	// LowLeast to LowMost and HighLeast to HighMost are the limits within which the ends must lie. The
	// limits are not statistical: they are the sum of what each reading leaves open.
	LowLeast, LowMost, HighLeast, HighMost rf.Frequency
	// Latency of the onset with its limits.
	Latency, LatencyLeast, LatencyMost time.Duration
	// SearchLow to SearchHigh is where a stepped run has to look to confirm the band or to reject it.
	SearchLow, SearchHigh rf.Frequency
	Rests                 string   // on what the estimate rests, in words
	Notes                 []string // what the user should know
}

// Within returns the furthest that a limit of an end lies from its estimate.
func (b Band) Within() rf.Frequency {
	return max(b.Low-b.LowLeast, b.LowMost-b.Low, b.High-b.HighLeast, b.HighMost-b.High)
}

// Bands puts the upsets of several passes of one law between the same ends together; most is the longest latency that
// the product may
// have. Upsets of one monitor in different passes are one band where some band and some latency
// explain them all; what no other pass saw makes a band of its own. Bands of different monitors that
// overlap are told as one. Where not one upset on the way up goes with one on the way down, the
// beginnings are taken to be marked worse than was said, by as much as makes some go together, and
// that is told.
func Bands(passes []Observed, most time.Duration) []Band {
	bands, paired := bandsOf(passes, most)
	for worse := leastWorse; !paired && worse <= mostWorse; worse *= 2 {
		widened := slices.Clone(passes)
		for i := range widened {
			widened[i].Within += worse
		}
		if b, ok := bandsOf(widened, most); ok {
			for i := range b {
				b[i].Notes = append(b[i].Notes,
					fmt.Sprintf("the passes go together only if their beginnings were marked up to %v worse than was "+
						"said: the limits allow for that", rf.Duration(worse)))
			}
			return b
		}
	}
	return bands
}

// How much worse than said the beginnings of passes may be taken to be marked.
const leastWorse, mostWorse = 125 * time.Millisecond, time.Second

// bandsOf also reports whether upsets of both directions went together, or one direction saw none.
func bandsOf(passes []Observed, most time.Duration) (bands []Band, paired bool) {
	var monitors []string
	var swept, saw [2]bool // upwards, downwards
	for _, o := range passes {
		way := 0
		if o.Sweep.Down() {
			way = 1
		}
		swept[way], saw[way] = true, saw[way] || len(o.Upsets) > 0
	}
	paired = !saw[0] || !saw[1]
	for _, monitor := range monitorsOf(passes) {
		var groups []group
		var sightings [][]sighting
		for i, o := range passes {
			s := sightingsOf(i, o, monitor, most)
			sightings, groups = append(sightings, s), align(groups, s, most)
		}
		first := len(bands)
		for _, g := range unexplained(groups, slices.Concat(sightings...), most) {
			bands, monitors, paired = append(bands, g.band(swept, most)), append(monitors, monitor), paired || g.both()
		}
		for _, x := range unlooked(sightings) {
			reach(bands[first:], passes[0].Sweep.f(x[0]), passes[0].Sweep.f(x[1]))
		}
	}
	return overlapping(bands, monitors), paired
}
