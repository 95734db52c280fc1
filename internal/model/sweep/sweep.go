// Package sweep turns time into frequency for a source that sweeps by itself, and what a slow device
// under test did on the way up and on the way down into bands of frequency with limits of error. It
// is arithmetic only: who starts the source, watches the product and keeps the clock is package
// engine.
//
// In the coordinate u, which is f in a linear sweep and ln f in a logarithmic one, a sweep moves at a
// constant rate R. A product that reacts after a latency τ to a band from a to b upsets at
// u = a + Rτ on the way up and at u = b − Rτ on the way down. The mean of the two is the middle of the
// band whatever τ is; their difference is 2Rτ − (b − a), and two rates tell τ from the width.
package sweep

import (
	"errors"
	"fmt"
	"math"
	"time"

	"provoke/internal/units/rf"
)

// Law is how frequency grows with time.
type Law string

// The laws.
const (
	Linear Law = "linear" // so many hertz a second
	Log    Law = "log"    // so many decades a second
)

// Sweep is what a source does by itself.
type Sweep struct {
	Law      Law
	From, To rf.Frequency  // where a pass begins and ends; From above To sweeps down
	Time     time.Duration // of one pass
	Pause    time.Duration // from the end of a pass to the beginning of the next: fly-back
	Passes   int           // 0 counts as 1
	// Steps is the number of equal steps in u that a sweep by steps has; 0 for a steady one.
	Steps int
	// Tolerance is how well the source keeps Time, as a share of it.
	Tolerance float64
}

// Check says what is wrong with a sweep, or nil.
func (s Sweep) Check() error {
	switch {
	case s.Law != Linear && s.Law != Log:
		return fmt.Errorf("the law %q is neither linear nor log", s.Law)
	case !s.From.Known() || !s.To.Known() || s.From <= 0 || s.To <= 0:
		return errors.New("a sweep needs two frequencies above 0 Hz")
	case s.From == s.To:
		return errors.New("a sweep begins and ends at different frequencies")
	case s.Time <= 0:
		return errors.New("a sweep needs a time")
	case s.Pause < 0 || s.Passes < 0 || s.Steps < 0 || s.Steps == 1:
		return errors.New("pause, passes and steps of a sweep cannot be negative, and one step is no sweep")
	case s.Tolerance < 0 || s.Tolerance > 0.5:
		return errors.New("the tolerance of a sweep's time lies between 0 % and 50 %")
	}
	return nil
}

// Down reports that the sweep goes from the higher to the lower frequency.
func (s Sweep) Down() bool { return s.From > s.To }

// Reversed returns the sweep in the other direction.
func (s Sweep) Reversed() Sweep { s.From, s.To = s.To, s.From; return s }

// Ends returns the lower and the higher frequency.
func (s Sweep) Ends() (low, high rf.Frequency) { return min(s.From, s.To), max(s.From, s.To) }

// u is the coordinate in which the sweep moves at a constant rate.
func (s Sweep) u(f rf.Frequency) float64 {
	if s.Law == Linear {
		return f.Hz()
	}
	return math.Log(f.Hz())
}

// f is the way back.
func (s Sweep) f(u float64) rf.Frequency {
	if s.Law == Linear {
		return rf.Frequency(u)
	}
	return rf.Frequency(math.Exp(u))
}

// rate is how fast u moves, with sign, per second.
func (s Sweep) rate() float64 { return (s.u(s.To) - s.u(s.From)) / s.Time.Seconds() }

// At returns the frequency at a time since the beginning of a pass. Before the beginning and after
// the end it is where the pass begins or ends, and running is false.
func (s Sweep) At(t time.Duration) (f rf.Frequency, running bool) {
	part := t.Seconds() / s.Time.Seconds()
	switch {
	case part < 0:
		return s.From, false
	case part > 1:
		return s.To, false
	case part == 1:
		return s.To, true
	}
	if s.Steps > 1 {
		part = math.Floor(part*float64(s.Steps)) / float64(s.Steps-1)
	}
	if part == 0 {
		return s.From, true
	}
	return s.f(s.u(s.From) + part*(s.u(s.To)-s.u(s.From))), true
}

// When returns the time since the beginning of a pass at which it is at a frequency; ok is false where
// it never is.
func (s Sweep) When(f rf.Frequency) (t time.Duration, ok bool) {
	if low, high := s.Ends(); f < low || f > high {
		return 0, false
	}
	part := (s.u(f) - s.u(s.From)) / (s.u(s.To) - s.u(s.From))
	return time.Duration(math.Round(part * float64(s.Time))), true
}

// Dwell returns how long a pass stays between two frequencies: W/R in a linear sweep,
// T·ln(high/low)/ln(f2/f1) in a logarithmic one. It must exceed the time in which the product reacts,
// or the sweep is too fast for it.
func (s Sweep) Dwell(low, high rf.Frequency) time.Duration {
	return time.Duration(math.Abs((s.u(high) - s.u(low)) / s.rate() * 1e9))
}
