package analysis

import (
	"fmt"
	"math"
	"sort"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Repeated is what the same figure came to in several runs at one frequency, in dB.
type Repeated struct {
	_ struct{} `tell:"hz=Frequency n=N bounds=Bounds upset=Upset tested=Tested mean=Mean low=Low high=High"`
	_ struct{} `tell:"deviation_db=Deviation"`

	Frequency rf.Frequency
	// N is the number of runs with an exact figure here; Bounds that of runs with only a bound.
	N, Bounds int
	// Mean is the mean of the exact figures; absent where there is none. A transfer has its mean in
	// MeanGain instead, current over drive in dB re 1 A/√W.
	Mean     rf.Current
	MeanGain rf.Gain
	// Low and High are the ends of the exact figures.
	Low, High rf.Current
	// Deviation is the experimental standard deviation of one run, NaN with fewer than two.
	Deviation rf.Gain
	// Upset is the number of runs in which the DUT upset here, of Tested.
	Upset, Tested int
}

// Repeatability is what repeated runs say of the set-up and of the DUT.
type Repeatability struct {
	Runs []int
	// Onset is the spread of the onset: set-up and DUT together. Transfer is that of the current at
	// the same drive: the set-up alone (clamp put on anew, connectors, drift of the gear).
	Onset, Transfer []Repeated
}

// Repeatable returns the runs that repeat the given one: same kind, fixture, plan and bench, closed
// as done. The given run is among them.
func Repeatable(runs []Outline, as result.Run) []Outline {
	var out []Outline
	for _, o := range runs {
		r := o.Head
		a, b := r.Opened, as.Opened
		same := a.RunKind == b.RunKind && a.Fixture == b.Fixture && a.Plan.SHA256 == b.Plan.SHA256 &&
			a.Bench.SHA256 == b.Bench.SHA256 && a.Changed == b.Changed
		if same && b.RunKind != plan.Fixing &&
			(r.Verdict == event.Done || r.Verdict == event.DoneUpset || r.Verdict == event.Incomplete) {
			out = append(out, o)
		}
	}
	return out
}

// Repeat compares runs that repeat one another, frequency by frequency.
func Repeat(runs []Outline) Repeatability {
	var out Repeatability
	onsets, transfers := map[rf.Frequency]*gathered{}, map[rf.Frequency]*gathered{}
	for _, r := range runs {
		out.Runs = append(out.Runs, r.Head.Number)
		for _, p := range r.Points {
			gatherOnset(at(onsets, p.Frequency), p)
			if !math.IsNaN(p.Transfer) {
				at(transfers, p.Frequency).add(p.Transfer)
			}
		}
	}
	for _, f := range frequenciesOf(onsets) {
		r := onsets[f].repeated(f)
		r.Mean = rf.FromDB[rf.Ampere](onsets[f].mean())
		r.MeanGain = 0
		r.Low, r.High = onsets[f].ends()
		out.Onset = append(out.Onset, r)
	}
	for _, f := range frequenciesOf(transfers) {
		out.Transfer = append(out.Transfer, transfers[f].repeated(f))
	}
	return out
}

// gathered are the figures of several runs at one frequency, in dB.
type gathered struct {
	values                []float64
	bounds, upset, tested int
}

func at(m map[rf.Frequency]*gathered, f rf.Frequency) *gathered {
	if m[f] == nil {
		m[f] = &gathered{}
	}
	return m[f]
}

func (g *gathered) add(db float64) { g.values = append(g.values, db) }

func gatherOnset(g *gathered, t Outlined) {
	if t.Tested {
		g.tested++
	}
	if t.Upset {
		g.upset++
	}
	switch {
	case t.Upset && t.Onset.Exact():
		g.add(t.Onset.DB())
	case t.Onset.Known():
		g.bounds++
	}
}

func (g *gathered) mean() float64 {
	sum := 0.0
	for _, v := range g.values {
		sum += v
	}
	return sum / float64(len(g.values)) // NaN, which becomes absent, without values
}

// deviation is the experimental standard deviation; NaN with fewer than two values.
func (g *gathered) deviation() float64 {
	if len(g.values) < 2 {
		return math.NaN()
	}
	mean, sum := g.mean(), 0.0
	for _, v := range g.values {
		sum += (v - mean) * (v - mean)
	}
	return math.Sqrt(sum / float64(len(g.values)-1))
}

func (g *gathered) ends() (low, high rf.Current) {
	if len(g.values) == 0 {
		return low, high
	}
	a, b := g.values[0], g.values[0]
	for _, v := range g.values {
		a, b = min(a, v), max(b, v)
	}
	return rf.FromDB[rf.Ampere](a), rf.FromDB[rf.Ampere](b)
}

func (g *gathered) repeated(f rf.Frequency) Repeated {
	r := Repeated{Frequency: f, N: len(g.values), Bounds: g.bounds, Upset: g.upset, Tested: g.tested,
		Deviation: rf.Gain(g.deviation())}
	if r.N > 0 {
		r.MeanGain = rf.Gain(g.mean())
	}
	return r
}

func frequenciesOf(m map[rf.Frequency]*gathered) []rf.Frequency {
	var out []rf.Frequency
	for f := range m {
		out = append(out, f)
	}
	sort.Slice(out, func(i, j int) bool { return out[i] < out[j] })
	return out
}

// Transfers is the spread of the current at the same drive over repeated runs.
type Transfers []Repeated

// RepeatedTransfer returns that spread for the runs that repeat the newest repeated one; empty where
// no two runs repeat one another.
func RepeatedTransfer(runs []Outline) Transfers {
	for i := len(runs) - 1; i >= 0; i-- {
		if same := Repeatable(runs, runs[i].Head); len(same) > 1 && runs[i].Head.Opened.RunKind != plan.Baseline {
			return Transfers(Repeat(same).Transfer)
		}
	}
	return nil
}

// At returns the experimental standard deviation at a frequency and the number of runs behind it: of
// the nearest frequency within 5 %, else 0 runs.
func (t Transfers) At(f rf.Frequency) (rf.Gain, int) {
	best, n, away := rf.Gain(math.NaN()), 0, 0.05
	for _, r := range t {
		if d := math.Abs(math.Log(float64(r.Frequency / f))); r.N >= 2 && d <= away {
			best, n, away = r.Deviation, r.N, d
		}
	}
	return best, n
}

// Stability is how the check point of a run moved.
type Stability struct {
	Frequency rf.Frequency
	Checks    []Checked
	// Drift is the largest distance of the current at the same drive from the first check; NaN with
	// fewer than two checks that were measured. Step is where it was.
	Drift rf.Gain
	Step  int
	// Upsets are checks in which the DUT upset, far below the level wanted.
	Upsets int
}

// Checked is one visit to the check point.
type Checked struct {
	Step    int
	Seq     int64
	Current rf.Current
	Drive   rf.Power
	// Moved is how far current over drive lies from that of the first check; NaN when not measured.
	Moved rf.Gain
}

// StabilityOf returns how the check point moved; ok is false where the run has none.
func StabilityOf(r result.Run) (s Stability, ok bool) {
	first := math.NaN()
	s.Drift = rf.Gain(math.NaN())
	for _, step := range r.Steps {
		if step.Step.Purpose != plan.DriftCheck {
			continue
		}
		s.Frequency = step.Step.Point.Frequency
		c := Checked{Step: step.Step.Number, Seq: step.Seq, Current: step.Current, Drive: step.Drive,
			Moved: rf.Gain(math.NaN())}
		if step.Current.Exact() && step.Drive.Exact() {
			transfer := step.Current.DB() - step.Drive.DB()
			if math.IsNaN(first) {
				first = transfer
			} else if c.Moved = rf.Gain(transfer - first); math.IsNaN(s.Drift.DB()) ||
				math.Abs(c.Moved.DB()) > math.Abs(s.Drift.DB()) {
				s.Drift, s.Step = c.Moved, c.Step
			}
			if math.IsNaN(c.Moved.DB()) {
				c.Moved = 0
			}
		}
		if step.Outcome.Upset {
			s.Upsets++
		}
		s.Checks = append(s.Checks, c)
	}
	return s, len(s.Checks) > 0
}

// Says words the drift against an expanded uncertainty of the current.
func (s Stability) Says(u rf.Gain) string {
	switch {
	case !s.Drift.Finite():
		return fmt.Sprintf("the check point at %v was measured once or never: nothing is known of drift", s.Frequency)
	case math.Abs(s.Drift.DB()) > u.DB():
		return fmt.Sprintf("DRIFT: the current at the check point %v moved by %s at the same drive (step %d), more "+
			"than its uncertainty of ± %s: levels of this run are not known as well as the uncertainty says",
			s.Frequency, s.Drift.Text(2), s.Step, u.Text(2))
	}
	return fmt.Sprintf("the current at the check point %v moved by %s at most at the same drive, within its "+
		"uncertainty of ± %s (%d checks)",
		s.Frequency, s.Drift.Text(2), u.Text(2), len(s.Checks))
}

// Drifted reports a drift beyond an expanded uncertainty.
func (s Stability) Drifted(u rf.Gain) bool {
	return s.Drift.Finite() && math.Abs(s.Drift.DB()) > u.DB()
}
