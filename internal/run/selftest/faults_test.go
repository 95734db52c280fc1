package selftest_test

import (
	"flag"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"runtime/debug"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/selftest"
	"provoke/internal/units/rf"
)

var long = flag.Bool("long",
	false,
	"the long version of the fault tests: a longer run, every message and line, further kinds of fault, more pairs")

var every = flag.Bool("every", false, "a fault at every message, in place of a third of them")

// TestMain lets the collector of garbage run seldom: the thousands of short runs live in a few megabytes, and a third
// of the time would go to it.
func TestMain(m *testing.M) {
	debug.SetGCPercent(800)
	os.Exit(m.Run())
}

// tally sums up what the cases came to.
type tally struct {
	mu       sync.Mutex
	cases    int
	verdicts map[event.Verdict]int
	slowest  time.Duration
	slow     string
}

// under does a case under a fake clock and reports what must not happen.
func under(t *testing.T, sum *tally, faults ...simbench.Fault) selftest.Outcome {
	t.Helper()
	var o selftest.Outcome
	synctest.Test(t, func(t *testing.T) {
		o = selftest.Case{Faults: faults, Long: *long, Wait: 20 * time.Second}.Do(t.Context())
	})
	for _, b := range o.Breaches {
		t.Errorf("%+v: %s", faults, b)
	}
	sum.mu.Lock()
	defer sum.mu.Unlock()
	sum.cases++
	sum.verdicts[o.Verdict]++
	if o.OnAfter > sum.slowest {
		sum.slowest, sum.slow = o.OnAfter, fmt.Sprintf("%+v", faults)
	}
	return o
}

func (s *tally) print(t *testing.T, what string) {
	unopened := s.verdicts[""]
	delete(s.verdicts, "")
	t.Logf("figure: %s: %d cases; %d not opened, verdicts %v; RF off at the latest %v after the recorded cause (%s)",
		what, s.cases, unopened, s.verdicts, s.slowest, s.slow)
}

func newTally() *tally { return &tally{verdicts: map[event.Verdict]int{}} }

// undisturbed counts the messages to each instrument in a run without a fault.
func undisturbed(t *testing.T) selftest.Outcome {
	t.Helper()
	o := under(t, newTally())
	found := false
	for _, th := range o.Points {
		found = found || th.Onset.Bound == rf.Exactly
	}
	if o.Verdict != event.DoneUpset || !found {
		t.Fatalf("undisturbed: %s, onset found %v: %v", o.Verdict, found, o.Err)
	}
	t.Logf("figure: the undisturbed run takes %v, %d records, messages %v", o.Took, len(o.Kinds), o.Messages)
	return o
}

// TestAFaultAtEveryMessageOfARun does one short run for messages to every instrument and every kind of fault that
// begins with that message, for good and for that message alone: a third of the messages for each kind, each kind
// another one, and with -every (or -long) all of them.
func TestAFaultAtEveryMessageOfARun(t *testing.T) {
	whole := undisturbed(t)
	sum := newTally()
	kinds := selftest.Kinds
	if *long {
		kinds = selftest.All()
	}
	t.Run("each", func(t *testing.T) {
		for _, instrument := range selftest.Instruments {
			for _, kind := range kinds {
				for _, times := range []int{0, 1} {
					if times == 1 && (kind == simbench.FaultAbsent || kind == simbench.FaultReboots) {
						continue // for good, or once anyway
					}
					t.Run(fmt.Sprintf("%s@%s/%d", kind, instrument, times), func(t *testing.T) {
						t.Parallel()
						step := map[string]int{"dut": 7, "meter": 4}[instrument] // every line is like the one before
						if step == 0 {
							step = 3
						}
						if *every || *long {
							step = 1
						}
						// Another third for each fault, so that together they begin with every message.
						for n := (len(kind) + times) % step; n < whole.Messages[instrument] && !t.Failed(); n += step {
							o := under(t, sum, simbench.Fault{Kind: kind, Instrument: instrument,
								After: n, Times: times})
							if instrument != "dut" && instrument != "meter" {
								sameFindings(t, whole, o)
							}
						}
					})
				}
			}
		}
	})
	sum.print(t, "a fault at every message")
}

// sameFindings: a run that ends as if nothing had been wrong found what there is to find.
func sameFindings(t *testing.T, whole, o selftest.Outcome) {
	t.Helper()
	if o.Verdict != event.DoneUpset && o.Verdict != event.Done {
		return
	}
	if o.Verdict != whole.Verdict || len(o.Points) != len(whole.Points) {
		t.Errorf("ended %s with %d points, undisturbed %s with %d", o.Verdict, len(o.Points), whole.Verdict,
			len(whole.Points))
		return
	}
	for i, th := range o.Points {
		if w := whole.Points[i]; th.Frequency != w.Frequency || th.Upset != w.Upset || th.Onset != w.Onset {
			t.Errorf("found %+v, undisturbed %+v", th, w)
		}
	}
}

// TestPairsOfFaults samples two faults that come together, with a seed.
func TestPairsOfFaults(t *testing.T) {
	messages := maps.Clone(undisturbed(t).Messages)
	sum := newTally()
	n := 150
	if *long {
		n = 5000
	}
	const seed, lanes = 6, 4
	r := rand.New(rand.NewPCG(seed, 0))
	pairs := make([][]simbench.Fault, n)
	for i := range pairs {
		pairs[i] = []simbench.Fault{selftest.Draw(r, messages), selftest.Draw(r, messages)}
	}
	t.Run("each", func(t *testing.T) {
		for lane := range lanes {
			t.Run(fmt.Sprint(lane), func(t *testing.T) {
				t.Parallel()
				for i := lane; i < n && !t.Failed(); i += lanes {
					under(t, sum, pairs[i]...)
				}
			})
		}
	})
	sum.print(t, fmt.Sprintf("pairs of faults, seed %d", seed))
}
