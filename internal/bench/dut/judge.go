package dut

import (
	"fmt"
	"math"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

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
		return j.badAtPeaks(s)
	}
	return fmt.Sprintf("reads %s, %s from the baseline, tolerance ±%s", j.number(s.Value), j.signed(off),
		j.number(j.Monitor.Tolerance)), true
}

// badAtPeaks looks at the extremes of a capture whose mean is right.
func (j Judge) badAtPeaks(s Sample) (why string, bad bool) {
	if !s.HasRange || !(j.Monitor.PeakTolerance > 0) {
		return "", false
	}
	worst := s.High
	if j.Baseline-s.Low > s.High-j.Baseline {
		worst = s.Low
	}
	off := worst - j.Baseline
	if math.Abs(off) <= j.Monitor.PeakTolerance {
		return "", false
	}
	return fmt.Sprintf("reads %s on average, and %s at its peaks, %s from the baseline, tolerance ±%s there",
		j.number(s.Value), j.number(worst), j.signed(off), j.number(j.Monitor.PeakTolerance)), true
}

func (j Judge) number(x float64) string { return j.text("%.*f", x) }
func (j Judge) signed(x float64) string { return j.text("%+.*f", x) }

// text prints a number with one decimal more than its tolerance needs.
func (j Judge) text(format string, x float64) string {
	decimals := 4
	if t := j.Monitor.Tolerance; t > 0 {
		decimals = min(max(1+int(math.Ceil(-math.Log10(t)-1e-9)), 0), 9)
	}
	return strings.TrimSpace(fmt.Sprintf(format, decimals, x) + " " + j.Monitor.Unit)
}

// Latency returns the time from the DUT's state to its reading.
func (j Judge) Latency() time.Duration { return time.Duration(j.Monitor.Latency) }

// Silence returns the longest time without a sample that is still well; 0 where silence is normal.
func (j Judge) Silence() time.Duration { return time.Duration(j.Monitor.Silence) }

// SilentFor words a silence.
func (j Judge) SilentFor(d time.Duration) string {
	return fmt.Sprintf("silent for %v, limit %v", rf.Duration(d.Round(time.Millisecond)), j.Monitor.Silence)
}
