package engine_test

import (
	"math"
	"os"
	"strings"
	"testing"
	"text/template"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/graded"
	"provoke/internal/units/rf"
)

// demoRun carries out the demo's own plan, with both monitors of the demo's bench.
func demoRun(t *testing.T, l *lab, more string) outcome {
	t.Helper()
	text, err := os.ReadFile("../../faces/demo/files/exposure.yaml.tmpl")
	if err != nil {
		t.Fatal(err)
	}
	l.watching = func(rig *driver.Rig) (out []dut.Monitor) {
		for _, m := range l.bench.Monitors {
			if m.Kind == catalog.MonitorText {
				out = append(out, &lineMonitor{spec: m, dial: l.dial})
			} else if x, err := dut.New(m, dut.Options{Meter: rig.Meters[m.ID]}); err == nil {
				out = append(out, x)
			}
		}
		return out
	}
	dwell := l.sim.LeastDwell().Round(time.Millisecond) + time.Millisecond
	var b strings.Builder
	template.Must(template.New("").Option("missingkey=error").Parse(string(text))).Execute(&b, map[string]string{
		"Dwell": rf.Duration(dwell).String(), "Recover": rf.Duration(3 * dwell).String(), "Speed": "40",
		"Bench": "bench.yaml",
		"Step":  "5 %"})
	return l.do(b.String() + more)
}

func trueOnset(l *lab, f rf.Frequency) float64 {
	return 20*math.Log10(l.sim.Onset(simbench.Original, f.Hz(), simbench.CarrierHeldAM)) + 120
}

// Twenty simulated benches (200 with -long) with the demo's own plan: bands, onsets and recovery levels are those that
// the simulator knows. What graded readings say changes where exposures are placed and nothing else: the same onsets,
// and nothing above what is known to upset.
func TestTwentySeedsEveryBandIsFoundAndNoneInvented(t *testing.T) {
	if testing.Short() {
		t.Skip("forty whole runs")
	}
	seeds := uint64(20)
	if *long {
		seeds = 200
	}
	c := counts{}
	for seed := uint64(1); seed <= seeds; seed++ {
		inLab(t, simbench.Config{Seed: seed, Speed: 40}, func(t *testing.T, l *lab) {
			o := demoRun(t, l, "")
			if o.err != nil {
				t.Fatalf("seed %d: %s: %v", seed, o.Verdict, o.err)
			}
			l.mustBeOff(o)
			c.againstTruth(t, l, o, seed)
			plain := demoRun(t, l, "search: {graded: false}\n")
			if plain.err != nil {
				t.Fatalf("seed %d: %s: %v", seed, plain.Verdict, plain.err)
			}
			c.beside(t, plain, o, seed)
			c.estimates(t, l, o, seed)
		})
	}
	t.Logf("figure: %d seeds, %d bands all found and none invented, %d onsets at most %.2f dB from the truth "+
		"(resolution 0.5 dB), "+
		"%d exposures at %d frequencies", seeds, c.bands, c.onsets, c.worst, c.exposures, c.points)
	each := func(n int) float64 { return float64(n) / float64(c.failing) }
	t.Logf("figure: %d failing frequencies: onset at the same step with and without graded readings at %d; %.2f "+
		"exposures each "+
		"without them (%.2f for the bracket), %.2f with (%.2f)", c.failing, c.same, each(c.each[0]), each(c.bracket[0]),
		each(c.each[1]), each(c.bracket[1]))
	t.Logf("figure: %d estimates at frequencies that passed, %d within 1 dB of the truth", c.told, c.close)
	if c.each[1] > c.each[0] || 50*c.same < 49*c.failing {
		t.Error("graded readings change results, or save nothing")
	}
}

// counts is what twenty seeds add up to; of pairs the first is without graded readings.
type counts struct {
	bands, onsets, exposures, points int
	worst                            float64
	failing, same, told, close       int
	each, bracket                    [2]int
}

// againstTruth compares bands and onsets with what the simulator knows.
func (c *counts) againstTruth(t *testing.T, l *lab, o outcome, seed uint64) {
	t.Helper()
	c.exposures += o.Exposures
	c.points += len(o.points)
	truth := l.sim.Edges(simbench.Original, simbench.CarrierHeldAM, 0.01)
	c.bands += len(truth)
	found := failing(o.points)
	for _, tr := range truth {
		if !overlaps(found, tr) {
			t.Errorf("seed %d: the band from %.4g to %.4g Hz was not found", seed, tr[0], tr[1])
		}
	}
	for _, f := range found {
		if !real(l.sim, f) {
			t.Errorf("seed %d: the band from %v to %v is invented", seed, f.Low, f.High)
		}
	}
	for _, th := range o.run.Thresholds() {
		if !th.Onset.Exact() {
			continue
		}
		c.onsets++
		d := th.Onset.In() - trueOnset(l, th.Frequency)
		c.worst = max(c.worst, math.Abs(d))
		// Above: the resolution and the levelling window; both ways: what the analyser, the probe's curve and the
		// pads are off by.
		if d > 0.5+0.3+0.35 || d < -0.45 {
			for _, st := range o.run.Point(th.Frequency).Steps {
				t.Logf("%v %v %v %v %v: %v %v", st.Seq, st.At, st.Step, st.Drive, st.Current, st.Outcome, st.Note)
				for _, r := range st.Readings {
					t.Log(r)
				}
			}
			t.Errorf("seed %d: at %v the onset is %v, the simulator's %.2f dB lower", seed, th.Frequency, th.Onset, d)
		}
	}
}

// beside compares two runs, without graded readings and with them.
func (c *counts) beside(t *testing.T, plain, with outcome, seed uint64) {
	t.Helper()
	var found [2]map[rf.Frequency]result.Threshold
	for i, o := range []outcome{plain, with} {
		found[i] = map[rf.Frequency]result.Threshold{}
		for _, th := range o.run.Thresholds() {
			p := o.run.Point(th.Frequency)
			if !th.Upset || p.Steps[0].Step.Purpose != plan.Sweep {
				continue
			}
			found[i][th.Frequency] = th
			c.each[i] += th.Exposures
			for _, s := range p.Steps {
				if s.Step.Purpose == plan.Sweep || s.Step.Purpose == plan.Onset {
					c.bracket[i]++
				}
			}
		}
	}
	for f, a := range found[0] {
		c.failing++
		b, ok := found[1][f]
		d := math.Abs(float64(a.OnsetOffset - b.OnsetOffset))
		if ok && d < 0.01 && a.Onset.Bound() == b.Onset.Bound() {
			c.same++
		}
		if !ok || d > 0.51 {
			t.Errorf("seed %d, %v: onset %v (%v) without graded readings, %v (%v) with", seed, f, a.Onset,
				a.OnsetOffset,
				b.Onset, b.OnsetOffset)
		}
	}
}

// estimates compares what graded readings say with the truth.
func (c *counts) estimates(t *testing.T, l *lab, o outcome, seed uint64) {
	t.Helper()
	_, all := o.run.Gradings().All()
	for _, x := range all {
		if x.Kind != graded.About || x.Upset {
			continue
		}
		c.told++
		if d := x.Onset - trueOnset(l, x.At); math.Abs(d) <= 1 {
			c.close++
		} else {
			t.Logf("seed %d: at %v about %.2f dBµA (%.2f to %.2f), the truth is %.2f dB lower", seed, x.At, x.Onset,
				x.Low,
				x.High, d)
		}
	}
}

// span is a run of neighbouring frequencies that upset.
type span struct{ Low, High rf.Frequency }

// failing returns the spans of thresholds, which are sorted by frequency.
func failing(all []plan.Threshold) (out []span) {
	inside := false
	for _, t := range all {
		if t.Upset && !inside {
			out = append(out, span{Low: t.Frequency})
		}
		if inside = t.Upset; inside {
			out[len(out)-1].High = t.Frequency
		}
	}
	return out
}

func overlaps(found []span, truth [2]float64) bool {
	for _, f := range found {
		if f.Low.Hz() <= truth[1] && f.High.Hz() >= truth[0] {
			return true
		}
	}
	return false
}

// real reports that the product is upset within the band by what the plan may have put on the cable:
// the level wanted and what analyser and curves are off by.
func real(sim *simbench.Bench, f span) bool {
	for _, tr := range sim.Edges(simbench.Original, simbench.CarrierHeldAM, 0.01*math.Pow(10, 0.45/20)) {
		if f.Low.Hz() >= tr[0]*0.999 && f.High.Hz() <= tr[1]*1.001 {
			return true
		}
	}
	return false
}
