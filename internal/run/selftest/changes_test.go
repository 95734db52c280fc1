package selftest_test

import (
	"sync"
	"testing"
	"testing/synctest"

	"provoke/internal/job/event"
	"provoke/internal/run/selftest"
)

// TestAChangeBehindTheProgramsBack does runs in which somebody turns a knob, gear goes into standby and comes
// back, or gives another level than it says: setting × phase × modulation × with and without a power meter.
func TestAChangeBehindTheProgramsBack(t *testing.T) {
	const seed, lanes = 8, 2
	changes := selftest.DrawChanges(150, seed)
	if *long {
		changes = selftest.Changes()
	}
	var mu sync.Mutex
	var sum selftest.ChangesResult
	t.Run("each", func(t *testing.T) {
		for lane := range lanes {
			t.Run("", func(t *testing.T) {
				t.Parallel()
				for i := lane; i < len(changes); i += lanes {
					synctest.Test(t, func(t *testing.T) {
						o := changes[i].Do(t.Context())
						mu.Lock()
						sum.Add(changes[i], o)
						mu.Unlock()
					})
				}
			})
		}
	})
	for _, b := range sum.Breaches {
		t.Error(b)
	}
	if sum.Happened < sum.Cases*3/4 || sum.Verdicts[event.TrippedEnd] < sum.Cases/3 {
		t.Errorf("the campaign shows little: %d of %d changes happened, verdicts %v", sum.Happened, sum.Cases,
			sum.Verdicts)
	}
	t.Logf("figure: changes behind the program's back, of %d: %d cases, %d happened, verdicts %v; longest off the "+
		"level in a step that counts %v (%s); longest over a rating %v; longest from a change to the recorded cause "+
		"of the trip %v",
		len(selftest.Changes()), sum.Cases, sum.Happened, sum.Verdicts, sum.Off, sum.Longest, sum.Over, sum.Seen)
}
