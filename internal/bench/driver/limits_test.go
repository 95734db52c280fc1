package driver_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/units/rf"
)

func limiting(t *testing.T, s driver.Source, most rf.Power) []string {
	t.Helper()
	words, err := s.(driver.Limiter).Limit(t.Context(), most)
	must(t, err)
	return words
}

func TestTranscriptOfTheSignalGeneratorWithLimitsTable(t *testing.T) {
	spec := signalGenerator()
	spec.Table = "signal generator with limits"
	s, err := driver.OpenSource(t.Context(), spec,
		options(t, "signal-generator-with-limits", "source", simbench.Config{Generator: simbench.SignalGenerator}))
	must(t, err)
	limiting(t, s, rf.DBm(5))
	workSource(t, s)
}

func TestTranscriptOfTheFunctionGeneratorWithLimitsTable(t *testing.T) {
	spec := functionGenerator("50 Ω")
	spec.Table = "function generator with limits"
	s, err := driver.OpenSource(t.Context(), spec,
		options(t, "function-generator-with-limits", "source", simbench.Config{}))
	must(t, err)
	limiting(t, s, rf.DBm(5))
	workSource(t, s)
}

// TestASourceWithALimitRefusesMoreByItself: the limit leaves room for what a source rounds a level by;
// a level at the limit is taken, half a decibel above it is not.
func TestASourceWithALimitRefusesMoreByItself(t *testing.T) {
	b := simbench.New(simbench.Config{})
	defer b.Close()
	spec := functionGenerator("50 Ω")
	spec.Table = "function generator with limits"
	s, err := driver.OpenSource(t.Context(), spec,
		driver.Options{Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser,
			error) {
			return b.Dial(ctx, "source")
		}})
	must(t, err)
	defer s.Close()
	words := strings.Join(limiting(t, s, rf.DBm(-20)), "; ")
	if !strings.Contains(words, "refuses levels above -19.98 dBm by itself") ||
		!strings.Contains(words, "when the connection is lost") {
		t.Errorf("it says %q", words)
	}
	must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: 5 * rf.Megahertz, Level: rf.DBm(-20),
		Output: true}))
	err = driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: 5 * rf.Megahertz, Level: rf.DBm(-19.5),
		Output: true})
	if err == nil || !strings.Contains(err.Error(), "-222") {
		t.Errorf("above its limit: %v", err)
	}
	if _, err := s.(driver.Limiter).Limit(t.Context(), rf.DBm(0)); !errors.Is(err, driver.ErrWouldRaise) {
		t.Errorf("the limit was changed with the output on: %v", err)
	}
}

func TestASourceWhoseTableKnowsNoLimitHoldsNone(t *testing.T) {
	b := simbench.New(simbench.Config{})
	defer b.Close()
	s, err := driver.OpenSource(t.Context(), functionGenerator("50 Ω"),
		driver.Options{Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser,
			error) {
			return b.Dial(ctx, "source")
		}})
	must(t, err)
	defer s.Close()
	if words := limiting(t, s, rf.DBm(-20)); len(words) != 0 {
		t.Errorf("it says %q", words)
	}
}

func TestALimitIsRoundedUpToTheResolution(t *testing.T) {
	for _, c := range []struct {
		most, want float64
		resolution rf.Gain
	}{{-20, -20, 0.01}, {-20.004, -20, 0.01}, {-20.01, -20.01, 0.01}, {-20.26, -20, 0.5}} {
		if got := driver.LimitFor(rf.DBm(c.most), c.resolution); got.Text(2) != rf.DBm(c.want).Text(2) {
			t.Errorf("%g dBm in steps of %v: %v", c.most, c.resolution, got.Text(2))
		}
	}
}
