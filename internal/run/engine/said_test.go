package engine_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
)

// A step is told of, and counted, only once the journal holds it.
func TestAStepThatTheDiskRefusesIsNotTold(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		closed := 0
		memoryFails = func(e event.Event) error {
			if _, ok := e.(event.StepClosed); ok {
				if closed++; closed == 2 {
					return errors.New("no space left on the device")
				}
			}
			return nil
		}
		defer func() { memoryFails = nil }()
		told, exposures := 0, 0
		l.progress = func(s engine.Status) { told, exposures = max(told, s.Done), max(exposures, s.Exposures) }
		o := l.do(planText("{list: [1 MHz, 2 MHz, 5 MHz]}", "search: {onset: false}"))
		if o.err == nil || len(o.run.Steps) != 1 {
			t.Fatalf("%s, %d steps: %v", o.Verdict, len(o.run.Steps), o.err)
		}
		if told != 1 || exposures != 1 || o.Exposures != 1 {
			t.Errorf("told of %d steps and %d exposures, the result says %d; the journal holds 1", told, exposures,
				o.Exposures)
		}
		l.mustBeOff(o)
	})
}

// A mark counts in the step that is going on when it is heard, whatever moment of it the key was pressed in, and
// when nothing is going on, in the next.
func TestAMarkAlwaysCounts(t *testing.T) {
	for _, c := range []struct {
		phase string
		done  int
		ago   time.Duration // the key, before it is heard
		step  int           // that counts it
	}{
		{"levelling", 1, 0, 1},
		{"levelling", 1, 30 * time.Millisecond, 1},
		{"exposing", 1, 200 * time.Millisecond, 1},
		{"exposing", 0, 0, 0},
	} {
		inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
			marked := false
			l.progress = func(s engine.Status) {
				if s.Phase == c.phase && s.Done == c.done && !marked {
					marked = true
					l.operator <- engine.Command{Want: engine.Mark, Text: "smoke", At: time.Now().Add(-c.ago)}
				}
			}
			o := l.do(planText("{list: [1 MHz, 2 MHz, 5 MHz]}", "search: {onset: false}"))
			if o.Verdict != event.DoneUpset || o.Upsets != 1 || !o.run.Steps[c.step].Outcome.Upset {
				t.Errorf("%+v: %s, %d upsets: %v", c, o.Verdict, o.Upsets, o.err)
			}
			l.mustBeOff(o)
		})
	}
}

// A mark that comes when the last step has just closed does not vanish.
func TestAMarkAfterTheLastStepIsTold(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2}, func(t *testing.T, l *lab) {
		closed := 0
		memoryFails = func(e event.Event) error { // the disk writes the last step while the key is pressed
			if _, ok := e.(event.StepClosed); ok {
				if closed++; closed == 2 {
					l.operator <- engine.Command{Want: engine.Mark, Text: "smoke", At: time.Now()}
					time.Sleep(time.Millisecond)
				}
			}
			return nil
		}
		defer func() { memoryFails = nil }()
		o := l.do(planText("{list: [1 MHz, 2 MHz]}", "search: {onset: false}"))
		if o.Verdict != event.Incomplete || !strings.Contains(o.Why, "smoke") {
			t.Errorf("%s (%s): %v", o.Verdict, o.Why, o.err)
		}
		l.mustBeOff(o)
	})
}
