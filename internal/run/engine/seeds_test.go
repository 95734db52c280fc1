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

// TestTwentySeedsEveryBandIsFoundAndNoneInvented runs the demo's own plan on twenty simulated benches and
// compares bands, onsets and recovery levels with what the simulator knows.
func TestTwentySeedsEveryBandIsFoundAndNoneInvented(t *testing.T) {
	if testing.Short() {
		t.Skip("twenty whole runs")
	}
	text, err := os.ReadFile("../../faces/demo/files/exposure.yaml.tmpl")
	if err != nil {
		t.Fatal(err)
	}
	tmpl := template.Must(template.New("").Option("missingkey=error").Parse(string(text)))
	bands, onsets, exposures, points := 0, 0, 0, 0
	worst := 0.0
	for seed := uint64(1); seed <= 20; seed++ {
		inLab(t, simbench.Config{Seed: seed, Speed: 40}, func(t *testing.T, l *lab) {
			dwell := l.sim.LeastDwell().Round(time.Millisecond) + time.Millisecond
			var b strings.Builder
			tmpl.Execute(&b, map[string]string{"Dwell": rf.Duration(dwell).String(),
				"Recover": rf.Duration(3 * dwell).String(), "Speed": "40", "Bench": "bench.yaml", "Step": "5 %"})
			o := l.do(b.String())
			if o.err != nil {
				t.Fatalf("seed %d: %s: %v", seed, o.Verdict, o.err)
			}
			l.mustBeOff(o)
			exposures += o.Exposures
			points += len(o.points)
			truth := l.sim.Edges(simbench.Original, simbench.CarrierHeldAM, 0.01)
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
			bands += len(truth)
			for _, th := range o.run.Thresholds() {
				if !th.Onset.Exact() {
					continue
				}
				onsets++
				known := 20*math.Log10(l.sim.Onset(simbench.Original, th.Frequency.Hz(), simbench.CarrierHeldAM)) + 120
				d := th.Onset.In() - known
				worst = max(worst, math.Abs(d))
				// Above: the resolution and the levelling window; both ways: what the analyser, the probe's
				// curve and the pads are off by.
				if d > 0.5+0.3+0.35 || d < -0.45 {
					for _, st := range o.run.Steps {
						if st.Step.Point.Frequency == th.Frequency {
							t.Logf("%v %v %v %v %v: %v %v", st.Seq, st.At, st.Step, st.Drive, st.Current, st.Outcome,
								st.Note)
							for _, r := range st.Readings {
								t.Log(r)
							}
						}
					}
					t.Errorf("seed %d: at %v the onset is %v, the simulator's %.2f dBµA", seed, th.Frequency,
						th.Onset, known)
				}
			}
		})
	}
	t.Logf("figure: 20 seeds, %d bands all found and none invented, %d onsets at most %.2f dB from the truth "+
		"(resolution 0.5 dB), %d exposures at %d frequencies", bands, onsets, worst, exposures, points)
}

// What graded readings say changes where exposures are placed and nothing else: the same onsets and recovery levels,
// on twenty simulated benches (200 with -long), never above what is known to upset.
func TestGradedReadingsPlaceExposuresAndChangeNoResult(t *testing.T) {
	if testing.Short() {
		t.Skip("forty whole runs")
	}
	text, err := os.ReadFile("../../faces/demo/files/exposure.yaml.tmpl")
	if err != nil {
		t.Fatal(err)
	}
	tmpl := template.Must(template.New("").Option("missingkey=error").Parse(string(text)))
	seeds := uint64(4)
	if *long {
		seeds = 200
	}
	var exposures, bracket [2]int
	failing, same, off, told, close := 0, 0, 0, 0, 0
	for seed := uint64(1); seed <= seeds; seed++ {
		var found [2]map[rf.Frequency]result.Threshold
		for i, more := range []string{"search: {graded: false}\n", ""} {
			inLab(t, simbench.Config{Seed: seed, Speed: 40}, func(t *testing.T, l *lab) {
				dwell := l.sim.LeastDwell().Round(time.Millisecond) + time.Millisecond
				var b strings.Builder
				tmpl.Execute(&b, map[string]string{"Dwell": rf.Duration(dwell).String(),
					"Recover": rf.Duration(3 * dwell).String(), "Speed": "40", "Bench": "bench.yaml", "Step": "2 %"})
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
				o := l.do(b.String() + more)
				if o.err != nil {
					t.Fatalf("seed %d: %s: %v", seed, o.Verdict, o.err)
				}
				l.mustBeOff(o)
				found[i] = map[rf.Frequency]result.Threshold{}
				for _, th := range o.run.Thresholds() {
					if p := o.run.Point(th.Frequency); th.Upset && p.Steps[0].Step.Purpose == plan.Sweep {
						found[i][th.Frequency] = th
						exposures[i] += th.Exposures
						for _, s := range p.Steps {
							if s.Step.Purpose == plan.Sweep || s.Step.Purpose == plan.Onset {
								bracket[i]++
							}
						}
					}
				}
				if _, all := o.run.Gradings().All(); i == 1 {
					for _, x := range all {
						if x.Kind == graded.About && !x.Upset {
							told++
							d := x.Onset - 20*math.Log10(l.sim.Onset(simbench.Original, x.At.Hz(),
								simbench.CarrierHeldAM)) - 120
							if math.Abs(d) <= 1 {
								close++
							} else {
								t.Logf("seed %d: at %v about %.2f dBµA (%.2f to %.2f), the truth is %.2f dB lower",
									seed, x.At,
									x.Onset, x.Low, x.High, d)
							}
						}
					}
				}
			})
		}
		for f, a := range found[0] {
			failing++
			b, ok := found[1][f]
			switch d := float64(a.OnsetOffset - b.OnsetOffset); {
			case ok && math.Abs(d) < 0.01 && a.Onset.Bound() == b.Onset.Bound():
				same++
			case !ok || math.Abs(d) > 0.51:
				off++
				t.Errorf("seed %d, %v: onset %v (%v) without graded readings, %v (%v) with", seed, f, a.Onset,
					a.OnsetOffset,
					b.Onset, b.OnsetOffset)
			}
		}
	}
	each := func(n int) float64 { return float64(n) / float64(failing) }
	t.Logf("figure: %d seeds, %d failing frequencies: onset at the same step in %.1f %%, one step of 0.5 dB apart in "+
		"the others "+
		"(%d further); %.2f exposures each without graded readings (%.2f for the bracket), %.2f with (%.2f)", seeds,
		failing,
		100*each(same), off, each(exposures[0]), each(bracket[0]), each(exposures[1]), each(bracket[1]))
	t.Logf("figure: %d estimates where nothing was exposed above, %d within 1 dB of the truth", told, close)
	if exposures[1] >= exposures[0] {
		t.Error("graded readings save nothing")
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
