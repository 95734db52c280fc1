package result

import (
	"cmp"
	"math"
	"slices"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/graded"
	"provoke/internal/units/rf"
)

// Gradings is what the readings of a run's monitors show of onsets that were not exposed, step by step. The zero value
// knows no monitor.
type Gradings struct {
	tracks []grading
	step   float64 // widest ratio of two neighbouring frequencies of the grid
}

// grading is that of one monitor.
type grading struct {
	monitor event.Monitor
	quiet   []float64 // the readings without RF that are newer than the baseline, the last few
	look    float64   // standard deviation of one look
	looked  int       // dwells that it was taken from
	track   graded.Track
}

// Grading is what one monitor says at one frequency.
type Grading struct {
	Monitor event.Monitor
	graded.Estimate
}

// NewGradings begins with the monitors of a run and the grid it steps through.
func NewGradings(monitors []event.Monitor, stretches []plan.Stretch) *Gradings {
	g := &Gradings{step: 1}
	for _, s := range stretches {
		g.step = max(g.step, 1+float64(s.Step))
	}
	for _, m := range monitors {
		if m.HasBaseline && m.Tolerance > 0 {
			g.tracks = append(g.tracks, grading{monitor: m})
		}
	}
	return g
}

// atBaseline is how many looks a baseline is made of at least: it lasts two dwells, and a dwell a period.
const atBaseline = 3

// recent is how many readings without RF say where a monitor is without RF, and what it wanders by.
const recent = 8

// Add takes a closed step.
func (g *Gradings) Add(s *Step) {
	for _, q := range s.Quiet {
		if t := g.of(q.Monitor); t != nil {
			if t.quiet = append(t.quiet, q.Value); len(t.quiet) > recent {
				t.quiet = t.quiet[1:]
			}
		}
	}
	level, known := s.Current.In(), s.Current.Exact()
	switch s.Step.Purpose {
	case plan.Recover, plan.HeldPoint: // several levels in one step
		known = false
	}
	if !known || s.Outcome.Skipped || s.Outcome.Exposures == 0 {
		return
	}
	for i := range g.tracks {
		t := &g.tracks[i]
		x := graded.Sample{At: s.Step.Point.Frequency, Level: level, Upset: s.Outcome.Upset, Sigma: math.Inf(1)}
		for _, d := range s.Dwelt {
			if d.Monitor == t.monitor.ID {
				if !s.Outcome.Upset {
					t.learn(d)
				}
				x.Shift, x.Sigma = t.shift(d)
			}
		}
		t.track.Add(x) // without a reading it still says what was stood
	}
}

func (g *Gradings) of(monitor string) *grading {
	i := slices.IndexFunc(g.tracks, func(t grading) bool { return t.monitor.ID == monitor })
	if i < 0 {
		return nil
	}
	return &g.tracks[i]
}

// learn takes what looks within one dwell scatter by: a mean that forgets, since a dwell in which the reading was on
// its way scatters more.
func (t *grading) learn(d Dwelt) {
	if d.Looks < 2 {
		return
	}
	t.looked++
	n := float64(d.Looks)
	spread := d.Spread / (1 - 1/(4*n) - 7/(32*n*n)) // a few looks scatter less than they should
	t.look += (min(spread, 3*cmp.Or(t.look, spread)) - t.look) / float64(min(t.looked, 50))
}

// shift is by how much a reading moved, in tolerances, and its standard deviation: what the mean of so many looks, the
// reading without RF and its drift leave open.
func (t *grading) shift(d Dwelt) (by, sigma float64) {
	sum, n := atBaseline*t.monitor.Baseline, atBaseline+float64(len(t.quiet))
	for _, q := range t.quiet {
		sum += q
	}
	zero := sum / n
	drift := max(0, math.Abs(zero-t.monitor.Baseline)-2*t.look/math.Sqrt(n))
	sigma = math.Sqrt(t.look*t.look*(1/float64(d.Looks)+1/n)+drift*drift) / t.monitor.Tolerance
	return (d.Mean - zero) / t.monitor.Tolerance, max(sigma, 0.002)
}

// At is what says where to expose next at a frequency: of all monitors the estimate with the closest limits. Places is
// false where there is none.
func (g *Gradings) At(f rf.Frequency) (out graded.Estimate) {
	ask := 0.0
	for i := range g.tracks {
		x := g.tracks[i].track.At(f, g.step)
		ask = max(ask, x.Ask)
		if x.Places && (!out.Places || x.High-x.Low < out.High-out.Low) {
			out = x
		}
	}
	out.Ask = ask
	return out
}

// best is the estimate that says most: one with a level before one with a bound, and of several the one with the
// closest limits, since each monitor's is of the same onset.
func best(all []Grading) (out Grading, told bool) {
	for _, x := range all {
		if x.Kind != graded.Silent && (!told || x.Kind > out.Kind ||
			x.Kind == out.Kind && x.High-x.Low < out.High-out.Low) {
			out, told = x, true
		}
	}
	return out, told
}

// Monitored is what one monitor shows over the whole run.
type Monitored struct {
	Monitor event.Monitor
	Sigma   float64 // standard deviation of a shift, in tolerances
	Bands   []graded.Band
}

// All is what every monitor shows, and the first of them at every frequency where one says something.
func (g *Gradings) All() (monitors []Monitored, out []Grading) {
	at := map[rf.Frequency][]Grading{}
	for i := range g.tracks {
		t := &g.tracks[i]
		m := Monitored{Monitor: t.monitor, Bands: t.track.Bands(g.step)}
		_, m.Sigma = t.shift(Dwelt{Looks: 2})
		monitors = append(monitors, m)
		for _, b := range m.Bands {
			for _, e := range b.Estimates {
				at[e.At] = append(at[e.At], Grading{t.monitor, e})
			}
		}
	}
	for _, all := range at {
		if x, told := best(all); told {
			out = append(out, x)
		}
	}
	slices.SortFunc(out, func(a, b Grading) int { return cmp.Compare(a.At, b.At) })
	return monitors, out
}

// Stood is what every monitor, by its id, showed at the highest level that was stood at each frequency.
func (g *Gradings) Stood() map[string][]graded.Sample {
	out := map[string][]graded.Sample{}
	for i := range g.tracks {
		out[g.tracks[i].monitor.ID] = g.tracks[i].track.Stood()
	}
	return out
}

// Step is the widest ratio of two neighbouring frequencies of the grid.
func (g *Gradings) Step() float64 { return g.step }

// Gradings are those of the run so far.
func (r *Run) Gradings() *Gradings {
	g := NewGradings(r.Monitors, r.Opened.Stretches)
	for _, s := range r.Steps {
		g.Add(s)
	}
	return g
}
