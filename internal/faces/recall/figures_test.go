package recall

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"provoke/internal/job/archive"
)

// Quartiles of a few values as numpy.percentile of Debian's numpy gives them by its default, linear method.
func TestSpreadsAreThoseOfNumpy(t *testing.T) {
	for _, c := range []struct {
		values []float64
		want   [5]float64
	}{{[]float64{8, 1, 4, 2}, [5]float64{1, 1.75, 3, 5, 8}}, {[]float64{3, 1, 2}, [5]float64{1, 1.5, 2, 2.5, 3}},
		{[]float64{7}, [5]float64{7, 7, 7, 7, 7}}} {
		var in []bounded
		for _, v := range c.values {
			in = append(in, bounded{v, ""})
		}
		s := spreadOf(in)
		if got := [5]float64{s.Least, s.Quarter, s.Median, s.Three, s.Most}; got != c.want || s.MostBounded {
			t.Errorf("%v: %v, want %v", c.values, got, c.want)
		}
	}
	for _, c := range []struct {
		bounds [3]string
		want   bool
	}{{[3]string{"", "", "at least"}, false}, {[3]string{"", "at least", ""}, true}, {[3]string{"at least", "", ""},
		true}} {
		if got := spreadOf([]bounded{{1, c.bounds[0]}, {2, c.bounds[1]}, {3,
			c.bounds[2]}}); got.MedianBounded != c.want || !got.MostBounded {
			t.Errorf("%v: the median is told as a bound: %v", c.bounds, got.MedianBounded)
		}
	}
}

// calibrations of one curve that is flat at each value.
func calibrations(values ...float64) (out []archive.Calibration) {
	for i, v := range values {
		out = append(out, archive.Calibration{Serial: "P-1", Item: "PROBE1", What: "transfer impedance", Unit: "dBΩ",
			SHA256: fmt.Sprint(i), Points: []archive.CurvePoint{{Hz: 1e6, Value: v}, {Hz: 1e7, Value: v}}})
	}
	return out
}

// The limit of a fifth calibration behind 14.00, 14.10, 13.90 and 14.05 dBΩ is 0.88011 dB: t(0.99865, 3) = 9.21870 by
// scipy.stats.t.ppf of Debian's scipy, times s = 0.085391 dB, times √(1 + 1/4).
func TestTheLimitOfAControlChartByHand(t *testing.T) {
	c := chartOf(calibrations(14.00, 14.10, 13.90, 14.05, 14.90))
	e := c.Entries[4]
	if want := 0.88011; math.Abs(e.Limit-want) > 1e-5 || math.Abs(e.Shift-0.8875) > 1e-9 || !e.Drifted ||
		c.Frequencies != 2 {
		t.Errorf("%+v, want a limit of %g dB", e, want)
	}
	if e := chartOf(calibrations(14.00, 14.10, 13.90, 14.05, 14.85)).Entries[4]; e.Drifted {
		t.Errorf("%+v: within the limit, and told as drifted", e)
	}
	// What drifted is no base: a second calibration that lies as far off is told as drifted too.
	if c := chartOf(calibrations(13.9, 13.94, 13.86, 13.9, 15.4, 15.9)); !c.Entries[4].Drifted ||
		!c.Entries[5].Drifted {
		t.Errorf("%+v: a drift hides the next one", c.Entries)
	}
	if e := chartOf(calibrations(14, 14, 99)).Entries[2]; e.Drifted || !math.IsNaN(e.Limit) {
		t.Errorf("%+v: two calibrations gave limits", e)
	}
}

// A part that does not drift is told as drifted as often as the chart says: in 0.27 % of calibrations.
func TestAControlChartAlarmsAsOftenAsItSays(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for _, n := range []int{3, 5, 12} {
		const trials = 8000
		false_ := 0
		for range trials {
			values := make([]float64, n+1)
			for i := range values {
				values[i] = 14 + 0.1*r.NormFloat64()
			}
			if chartOf(calibrations(values...)).Entries[n].Drifted {
				false_++
			}
		}
		share := float64(false_) / trials
		if math.Abs(share-0.0027) > 4*math.Sqrt(0.0027/trials) {
			t.Errorf("after %d calibrations %.2f %% false alarms, 0.27 %% are told", n, 100*share)
		}
		t.Logf("figure: control chart after %d calibrations without drift: %.2f %% told as drifted of %d (told: "+
			"0.27 %%)", n, 100*share,
			trials)
	}
}
