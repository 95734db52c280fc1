package sweep_test

import (
	"slices"
	"testing"
	"time"

	"provoke/internal/model/sweep"
	"provoke/internal/units/rf"
)

// evenly passes 1 MHz a second: on the way up it is at 1 MHz + t, on the way down at 61 MHz − t.
var evenly = sweep.Sweep{Law: sweep.Linear, From: 1 * MHz, To: 61 * MHz, Time: 60 * time.Second}

// reset is an upset that a reset ended.
func reset(onset, asked, well float64) sweep.Seen {
	return sweep.Seen{Onset: sweep.Look{From: seconds(onset - 0.1), To: seconds(onset)},
		Reset: sweep.Look{From: seconds(asked), To: seconds(well)}}
}

// holds says where bands do not hold the truth, in their order.
func holds(t *testing.T, bands []sweep.Band, truth ...[2]rf.Frequency) {
	t.Helper()
	if len(bands) != len(truth) {
		t.Fatalf("%d bands, want %d: %s", len(bands), len(truth), tellAll(bands))
	}
	for i, b := range bands {
		if x := truth[i]; b.LowLeast > x[0] || b.LowMost < x[0] || b.HighLeast > x[1] || b.HighMost < x[1] {
			t.Errorf("%v to %v is not within %s", x[0], x[1], tellAll(bands[i:i+1]))
		}
	}
}

// Bands at 17, 23.5 to 25 and 34 MHz. Each pass was blind at the beginning of the middle one, and a reset inside it
// brought the upset that shows it: neither pass alone tells it from its neighbour, both together do.
func TestAnUpsetThatNoBandExplainsIsABandOfItsOwn(t *testing.T) {
	up := sweep.Observed{Sweep: evenly, Upsets: []sweep.Seen{reset(16.1, 23, 23.5), reset(23.7, 27, 27.5),
		reset(33.1, 36.1, 36.3)}}
	down := sweep.Observed{Sweep: evenly.Reversed(), Upsets: []sweep.Seen{reset(27, 36, 36.5), reset(36.8, 39.8, 40),
		reset(44, 47, 47.2)}}
	holds(t, sweep.Bands([]sweep.Observed{up, down}, limit), [2]rf.Frequency{17 * MHz, 17.1 * MHz},
		[2]rf.Frequency{23.5 * MHz, 25 * MHz}, [2]rf.Frequency{34 * MHz, 34.1 * MHz})
}

// A pass that takes two bands for one, because the second upset came soon after a reset, adds no third to the two
// that the other passes told apart. Bands 20 to 23.2 MHz and 25 to 25.1 MHz; the product reacts 0.1 s late.
func TestAPassThatTookTwoBandsForOneAddsNone(t *testing.T) {
	fast := evenly
	fast.Time = 30 * time.Second
	a, b := [2]rf.Frequency{20 * MHz, 23.2 * MHz}, [2]rf.Frequency{25 * MHz, 25.1 * MHz}
	slow := sweep.Observed{Sweep: evenly, Upsets: append([]sweep.Seen{reset(19.1, 22.1, 22.3)},
		watched(evenly, b[0], b[1], 0.1, 0.05, true).Upsets...)}
	all := []sweep.Observed{slow}
	for _, s := range []sweep.Sweep{evenly.Reversed(), fast, fast.Reversed()} {
		upsets := append(watched(s, a[0], a[1], 0.1, 0.05, true).Upsets,
			watched(s, b[0], b[1], 0.1, 0.05, true).Upsets...)
		if s.Down() {
			slices.Reverse(upsets)
		}
		all = append(all, sweep.Observed{Sweep: s, Upsets: upsets})
	}
	holds(t, sweep.Bands(all, limit), a, b)
}

// A product that is well after a reset just before the end of the pass may still be in the band.
func TestAResetJustBeforeTheEndOfAPassEndsNoBand(t *testing.T) {
	up := sweep.Observed{Sweep: evenly, Upsets: []sweep.Seen{reset(54.1, 57.1, 57.3)}}
	holds(t, sweep.Bands([]sweep.Observed{up}, limit), [2]rf.Frequency{55 * MHz, 61 * MHz})
}

// A latency of 1 s that is a tenth longer or shorter in each pass, the worst way round, with readings that leave
// nothing else open.
func TestTheLimitsAllowForALatencyThatVaries(t *testing.T) {
	fast := evenly
	fast.Time = 30 * time.Second
	var all []sweep.Observed
	for i, s := range []sweep.Sweep{evenly, evenly.Reversed(), fast, fast.Reversed()} {
		all = append(all, watched(s, 20*MHz, 21*MHz, []float64{1.1, 1.1, 0.9, 0.9}[i], 0, false))
	}
	holds(t, sweep.Bands(all, limit), [2]rf.Frequency{20 * MHz, 21 * MHz})
}

// Two monitors that see one band, one of them later, tell one band; what only one of them sees stays apart.
func TestBandsOfTwoMonitorsThatOverlapAreOne(t *testing.T) {
	var all []sweep.Observed
	for _, s := range []sweep.Sweep{evenly, evenly.Reversed()} {
		o := sweep.Observed{Sweep: s}
		first := watched(s, 20*MHz, 22*MHz, 0.2, 0.05, true).Upsets[0]
		later := watched(s, 20*MHz, 22*MHz, 0.8, 0.05, true).Upsets[0]
		alone := watched(s, 40*MHz, 41*MHz, 0.8, 0.05, true).Upsets[0]
		first.Monitor, later.Monitor, alone.Monitor = "line", "output", "output"
		if o.Upsets = []sweep.Seen{first, later, alone}; s.Down() {
			o.Upsets = []sweep.Seen{alone, first, later}
		}
		all = append(all, o)
	}
	bands := sweep.Bands(all, limit)
	holds(t, bands, [2]rf.Frequency{20 * MHz, 22 * MHz}, [2]rf.Frequency{40 * MHz, 41 * MHz})
	near(t, "the latency of what reacts first", bands[0].Latency.Seconds(), 0.2, 0.2)
}
