// Package joined joins what a product or an instrument wrote by itself to the steps of a run.
package joined

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"provoke/internal/files/trace"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/units/rf"
)

// Window is the time in which a step was done, from its intent to its closing record.
type Window struct {
	From, to      time.Time
	step, attempt int
	at            rf.Frequency
}

// Windows lists when the steps of a run were done.
func Windows(job *store.Job, run int) ([]Window, error) {
	if run == 0 {
		n, err := job.Newest()
		if err != nil {
			return nil, err
		}
		run = n
	}
	var out []Window
	var began time.Time
	for rec, err := range job.Records(run, 1) {
		if err != nil && !errors.Is(err, event.ErrUnreadable) {
			return nil, fmt.Errorf("read run %d: %w", run, err)
		}
		switch e := rec.Event.(type) {
		case event.Intent:
			began = rec.At
		case event.StepClosed:
			out = append(out, Window{began, rec.At, e.Step.Number, e.Attempt, e.Step.Point.Frequency})
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("run %d has no closed steps that a log could be joined to", run)
	}
	return out, nil
}

// Log sorts entries into steps, those with coarse stamps into every one they may belong to. What surely comes
// before the first step is the baseline.
func Log(windows []Window, entries []trace.Entry, tolerance float64) (event.LogRead, error) {
	first, last := windows[0].From, windows[len(windows)-1].to
	width := slices.MaxFunc(entries, func(a, b trace.Entry) int { return cmp.Compare(a.Width, b.Width) }).Width
	if entries[len(entries)-1].At.Add(width).Before(first) || entries[0].At.After(last) {
		return event.LogRead{}, fmt.Errorf("the log lasts from %s to %s and has nothing of the run, which lasted "+
			"from %s to %s: is --offset, --zone or --date right?",
			stampText(entries[0].At), stampText(entries[len(entries)-1].At), stampText(first), stampText(last))
	}
	if width >= last.Sub(first) {
		return event.LogRead{}, fmt.Errorf("the stamps tell the time to %v only and all steps of the run together "+
			"lasted %v, so nothing can be said of any: write the log with finer stamps",
			rf.Duration(width), rf.Duration(last.Sub(first).Round(time.Millisecond)))
	}
	out := event.LogRead{Width: rf.Duration(width)}
	baseline := meanBefore(entries, first)
	if tolerance > 0 {
		if baseline == nil {
			return out, errors.New("the log has no reading before the first step, so a tolerance has nothing to lie " +
				"round; leave --tolerance away, or begin the log before RF")
		}
		out.Tolerance = &tolerance
	}
	out.Baseline = baseline
	i, counted := 0, 0
	for _, w := range windows {
		s := event.LogStep{Step: w.step, Attempt: w.attempt, Frequency: w.at}
		for i < len(entries) && entries[i].At.Add(width).Before(w.From) {
			i++
		}
		for k := i; k < len(entries) && !entries[k].At.After(w.to); k++ {
			if e := entries[k]; e.At.Before(w.From) && !e.At.Add(e.Width).After(w.From) {
				continue
			}
			if k >= counted { // else it was in the step before too
				out.Entries, counted = out.Entries+1, k+1
			}
			addEntry(&s, entries[k], baseline, tolerance)
		}
		out.Steps = append(out.Steps, s)
	}
	return out, nil
}

func stampText(t time.Time) string { return t.Local().Format("2006-01-02 15:04:05 -07:00") }

func meanBefore(entries []trace.Entry, first time.Time) *float64 {
	sum, n := 0.0, 0
	for _, e := range entries {
		if e.HasValue && e.At.Before(first) && !e.At.Add(e.Width).After(first) {
			sum, n = sum+e.Value, n+1
		}
	}
	if n == 0 {
		return nil
	}
	mean := sum / float64(n)
	return &mean
}

// addEntry adds a line of the log to its step.
func addEntry(s *event.LogStep, e trace.Entry, baseline *float64, tolerance float64) {
	s.Entries++
	bad := e.Error
	if e.HasValue {
		v := e.Value
		if s.Low == nil || v < *s.Low {
			s.Low = &v
		}
		if s.High == nil || v > *s.High {
			s.High = &v
		}
		bad = bad || tolerance > 0 && baseline != nil && math.Abs(v-*baseline) > tolerance
	}
	if bad {
		if s.Bad++; s.Bad == 1 {
			s.First = e.Text
			if r := []rune(s.First); len(r) > 200 {
				s.First = string(r[:200])
			}
		}
	}
}

// AnotherHour refuses a log whose stamps name no zone, if a clock that is an hour off, or runs in UTC, would fit
// the run as well: which it is, nobody can tell from the file.
func AnotherHour(windows []Window, entries []trace.Entry) error {
	if slices.ContainsFunc(entries, func(e trace.Entry) bool { return e.Zoned }) {
		return nil
	}
	first, last := windows[0].From, windows[len(windows)-1].to
	inside := func(by time.Duration) int {
		n := 0
		for _, e := range entries {
			if at := e.At.Add(by); !at.Before(first) && !at.After(last) {
				n++
			}
		}
		return n
	}
	_, east := first.In(time.Local).Zone()
	here := inside(0)
	for _, by := range []time.Duration{time.Hour, -time.Hour, time.Duration(east) * time.Second} {
		if by != 0 && here > 0 && inside(by) > 0 {
			return fmt.Errorf("the stamps name no zone, and the log has lines of the run whether its clock is right "+
				"or %s is added: say --zone (local, utc, +01:00) or --offset", Signed(by))
		}
	}
	return nil
}

// Signed writes a duration with its sign.
func Signed(d time.Duration) string {
	sign := "+"
	if d < 0 {
		sign, d = "-", -d
	}
	if d == 0 {
		return "+0 s"
	}
	return sign + rf.Duration(d).String()
}
