package uncertainty

import (
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// KnownOf returns how well a run of a mode knows the current at a point of it. Without a bench, which is then nil, or
// where that does not measure a current, it is what AssumedBench says: knowing less never makes it better.
func KnownOf(bench *catalog.Bench, mode plan.Mode,
	repeated func(rf.Frequency) (rf.Gain, int)) func(analysis.Point) analysis.Known {
	return func(p analysis.Point) analysis.Known {
		if bench != nil {
			from := p.OnsetOrigin
			if from == "" || from == result.Predicted && mode == plan.Substitution {
				from = result.Measured
			}
			c := Conditions{Means: MeansOfCurrent(mode, from), Repeated: repeated}
			if u, err := OfCurrent(bench, p.Frequency, c, DefaultConfidence); err == nil && c.Means != "" {
				return analysis.Known{Standard: rf.Gain(u.Combined.Standard), U: u.U()}
			}
		}
		u := AssumedBench(p.Frequency)
		return analysis.Known{Standard: u, U: 2 * u, Assumed: true}
	}
}

// SetUpOf is what putting the bench up anew does, from the runs of a job that repeat one another; assumed where none
// do.
func SetUpOf(runs []analysis.Outline) analysis.SetUp {
	deviation, freedom, numbers := analysis.SetUpSpread(runs)
	factor, err := OneSidedFactor(0.95, float64(freedom))
	if err != nil || deviation <= 0 {
		return analysis.SetUp{}
	}
	return analysis.SetUp{Deviation: deviation, Factor: factor,
		From: fmt.Sprintf("from %d runs that repeat one another", len(numbers))}
}

// BasisOf gathers what a comparison of two runs rests on. benchOf gives the bench file as a run used it; runs are
// those of the job, among which repeats are looked for.
func BasisOf(before, after result.Run, runs []analysis.Outline, benchOf func(result.Run) (*catalog.Bench, error),
	margin rf.Gain) analysis.Basis {
	b := analysis.Basis{Margin: margin, SetUp: SetUpOf(runs)}
	now, err := benchOf(after)
	if err != nil {
		now = nil
	}
	b.Known = KnownOf(now, after.Opened.Mode, analysis.RepeatedTransfer(analysis.Repeatable(runs, after)).At)
	if was, err := benchOf(before); err == nil && now != nil {
		b.Moved = Moved(was, now, analysis.Replays(before.Opened) && analysis.Replays(after.Opened))
	}
	return b
}

// Decide works out the decision of a run's findings, as BasisOf does for a comparison.
func Decide(f *analysis.Findings, r result.Run, runs []analysis.Outline,
	benchOf func(result.Run) (*catalog.Bench, error)) {
	bench, err := benchOf(r)
	if err != nil {
		bench = nil
	}
	f.Decide(KnownOf(bench, r.Opened.Mode, analysis.RepeatedTransfer(analysis.Repeatable(runs, r)).At))
}

// Moved returns by how much one bench file makes another current of the same thing than another: of the same reading
// of the analyser, or with inDrive of the same drive.
func Moved(was, now *catalog.Bench, inDrive bool) func(rf.Frequency) (rf.Gain, error) {
	a, b := chain.New(was), chain.New(now)
	current := func(c *chain.Chain, f rf.Frequency) (rf.Current, error) {
		if !inDrive {
			return c.CableCurrent(f, rf.DBm(-40))
		}
		p, err := c.Predict(f, rf.DBm(-40), chain.CrestOfLevel(level.Modulation{}), catalog.OnCable)
		return p.Current, err
	}
	return func(f rf.Frequency) (rf.Gain, error) {
		x, err := current(a, f)
		if err == nil {
			var y rf.Current
			if y, err = current(b, f); err == nil {
				d, _ := y.WithBound(rf.Exactly).Minus(x.WithBound(rf.Exactly))
				if d.Finite() {
					return d, nil
				}
				err = fmt.Errorf("%v against %v", y, x)
			}
		}
		return 0, fmt.Errorf("what the changed bench file does to the current at %v cannot be worked out: %w", f, err)
	}
}

// RaisedBy returns what a plan has to expose the product to, by frequency of its grid, where that is more than the
// level wanted: that level with the guard band of the rule; and to show a difference to an earlier run, whose zero
// value stands for none, the level that upset then with what two set-ups differ by. Where the levels of the two runs
// are not comparable, one being a replayed drive, no difference is asked for. moved is what a changed bench file
// does; nil for nothing.
func RaisedBy(before result.Run, p *plan.Plan, setUp analysis.SetUp, known func(analysis.Point) analysis.Known,
	moved func(rf.Frequency) (rf.Gain, error)) (map[rf.Frequency]rf.Current, error) {
	out := map[rf.Frequency]rf.Current{}
	if p.Mode == plan.ConstantDrive || p.Kind != plan.Exposure {
		return out, nil
	}
	upset := upsetsOf(before, p.Mode == plan.Substitution)
	for _, f := range p.Grid {
		ask, err := p.Profile.At(f)
		if err != nil || !ask.Current.Exact() {
			continue
		}
		need := ask.Current
		if p.Decision.Guard(1, 1) > 0 {
			k := known(analysis.Point{Threshold: result.Threshold{Frequency: f}})
			need = need.Add(p.Decision.Guard(k.Standard, k.U))
		}
		if was, ok := upset[f]; ok {
			more := rf.Gain(0)
			if moved != nil {
				if more, err = moved(f); err != nil {
					return nil, err
				}
			}
			if shows := was.Add(setUp.Needed() + max(more, -more)); shows.Above(need) {
				need = shows
			}
		}
		if need.Above(ask.Current) {
			out[f] = need
		}
	}
	return out, nil
}

// upsetsOf returns the levels that upset in a run: currents, or with inDrive what the drives are calibrated for. Empty
// where the run's levels are of the other kind.
func upsetsOf(r result.Run, inDrive bool) map[rf.Frequency]rf.Current {
	out := map[rf.Frequency]rf.Current{}
	if inDrive != analysis.Replays(r.Opened) {
		return out
	}
	for _, x := range r.Thresholds() {
		at := x.Onset.WithBound(rf.Exactly)
		if inDrive {
			at = x.Wanted.Add(x.OfDrive.Gain).WithBound(rf.Exactly)
		}
		if x.Upset && at.Known() {
			out[x.Frequency] = at
		}
	}
	return out
}
