// Package dut watches the device under test: a meter's reading, text lines, a command's exit
// status, the operator's key. A monitor delivers samples with the time at which they were read;
// a Judge, which is pure, says whether a sample is an upset. Whether RF was on at a sample's own
// time, and what follows, is the engine's business.
package dut

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"provoke/internal/catalog"
	"provoke/internal/rf"
)

// Sample is one look at the DUT.
type Sample struct {
	At       time.Time // when it was read, with the monotonic clock
	Monitor  string    // id of the monitor
	Text     string    // as read, control characters removed, at most 200 characters
	Value    float64
	HasValue bool
	// Error marks a line of the error pattern, a non-zero exit status, or the operator's key.
	Error bool
	// Lost says that the DUT or its meter could not be read, and why.
	Lost string
}

// Monitor is one way of watching.
type Monitor interface {
	// ID returns the catalog id.
	ID() string
	// Start begins to deliver samples, from a goroutine of the monitor, until Close. It fails when
	// the connection cannot be made. deliver does not block.
	Start(ctx context.Context, deliver func(Sample)) error
	// Reset sends the DUT its reset. It returns ErrNoReset where only a person can.
	Reset(ctx context.Context) error
	Close() error
}

// ErrNoReset is returned by Reset where the bench file gives no way to reset the DUT.
var ErrNoReset = errors.New("this monitor cannot reset the DUT")

// Judge says whether a sample is an upset.
type Judge struct {
	Monitor     catalog.Monitor
	Baseline    float64
	HasBaseline bool
}

// Bad reports whether the sample is outside what the DUT does when it is well, and why.
func (j Judge) Bad(s Sample) (why string, bad bool) {
	switch {
	case s.Lost != "":
		return "cannot be read: " + s.Lost, true
	case s.Error:
		if s.Text != "" {
			return "reports " + s.Text, true
		}
		return "reports an error", true
	case !s.HasValue || !j.HasBaseline:
		return "", false
	}
	off := s.Value - j.Baseline
	if math.Abs(off) <= j.Monitor.Tolerance {
		return "", false
	}
	return fmt.Sprintf("reads %s, %s from the baseline, tolerance ±%s", j.number(s.Value), j.signed(off), j.number(j.Monitor.Tolerance)), true
}

func (j Judge) number(x float64) string { return fmt.Sprintf("%.4g %s", x, j.Monitor.Unit) }
func (j Judge) signed(x float64) string { return fmt.Sprintf("%+.4g %s", x, j.Monitor.Unit) }

// Latency returns the time from the DUT's state to its reading.
func (j Judge) Latency() time.Duration { return time.Duration(j.Monitor.Latency) }

// Silence returns the longest time without a sample that is still well; 0 where silence is normal.
func (j Judge) Silence() time.Duration { return time.Duration(j.Monitor.Silence) }

// SilentFor words a silence.
func (j Judge) SilentFor(d time.Duration) string {
	return fmt.Sprintf("silent for %v, limit %v", rf.Duration(d.Round(time.Millisecond)), j.Monitor.Silence)
}
