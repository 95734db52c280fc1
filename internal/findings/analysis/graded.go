package analysis

import (
	"cmp"
	"math"
	"slices"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/graded"
	"provoke/internal/units/rf"
)

// Graded is what a run shows beyond what it exposed, from readings that moved before they left their tolerance. It is
// an estimate: no onset, and in no verdict.
type Graded struct {
	_ struct{} `tell:"points=Points readings=Readings finer=Finer"`

	Points   []GradedPoint
	Readings []GradedReading
	// Finer are the gaps of the grid in which a resonance may lie, the likeliest first.
	Finer []Finer
}

// GradedPoint is an estimate at a frequency that passed.
type GradedPoint struct {
	_ struct{} `tell:"hz=Frequency monitor=Monitor unit=Unit moved=Moved critical=Critical exposed=Exposed"`
	_ struct{} `tell:"estimate=Estimate low=Low high=High"`

	Frequency       rf.Frequency
	Monitor, Unit   string
	Moved, Critical float64    // how far the reading moved, and at which shift the product upsets
	Exposed         rf.Current // highest current that it stood
	// Estimate is the onset that the reading points to, exact for "about", at least where nothing is said of what is
	// above; Low and High are its limits, absent for "at least".
	Estimate, Low, High rf.Current
}

// GradedReading is how much one monitor's readings say.
type GradedReading struct {
	_ struct{} `tell:"monitor=Monitor unit=Unit noise=Noise critical=Critical exponent=Exponent narrowest=Narrowest why=Why,null"`

	Monitor, Unit string
	Noise         float64 // standard deviation of a shift
	Critical      float64 // shift at which the product upsets; 0 where nothing has shown that
	Exponent      float64 // of the shift against the current; 0 where nothing has shown that
	// Narrowest is the width, relative to frequency and between its 3 dB points, of the narrowest resonance that would
	// have moved the reading at both frequencies beside it; 0 where that is not known.
	Narrowest rf.Fraction
	Why       string // it says nothing; "" where it does
}

// Finer is a gap between two frequencies that passed, with the reading rising towards it from both sides.
type Finer struct {
	_ struct{} `tell:"from_hz=From to_hz=To at_hz=At monitor=Monitor estimate=Estimate"`

	From, To, At rf.Frequency
	Monitor      string
	Estimate     rf.Current // of the onset in between; an estimate, "at most" where the peak is not bounded
}

// GradedOf works out what a run's readings show; nil where there is nothing to say. It takes longer than the findings
// and stands apart from them, since most of those who ask for findings do not tell it.
func GradedOf(r *result.Run) *Graded {
	if k := r.Opened.RunKind; k != plan.Exposure && k != plan.Control || len(r.Passes) > 0 {
		return nil
	}
	all := r.Gradings()
	monitors, estimates := all.All()
	if len(monitors) == 0 {
		return nil
	}
	g := &Graded{}
	for _, x := range estimates {
		if slices.ContainsFunc(r.Point(x.At).Steps, func(s *result.Step) bool { return s.Outcome.Upset }) {
			continue // its onset was exposed
		}
		p := GradedPoint{Frequency: x.At, Monitor: x.Monitor.ID, Unit: x.Monitor.Unit,
			Moved:    x.Shift * x.Monitor.Tolerance,
			Critical: x.Critical * x.Monitor.Tolerance, Exposed: rf.DBuA(x.Level)}
		if x.Kind == graded.About {
			p.Estimate, p.Low, p.High = rf.DBuA(x.Onset), rf.DBuA(x.Low), rf.DBuA(x.High)
		} else {
			p.Estimate = rf.DBuA(x.Low).WithBound(rf.AtLeast)
		}
		g.Points = append(g.Points, p)
	}
	for _, m := range monitors {
		known := readingOf(m, all.Step())
		g.Readings = append(g.Readings, known)
		g.Finer = append(g.Finer, finer(m, known.Critical/m.Monitor.Tolerance)...)
	}
	slices.SortFunc(g.Finer, func(a, b Finer) int { return cmp.Compare(a.Estimate.In(), b.Estimate.In()) })
	return g
}

// readingOf is how much a monitor says: by the band in which most is known.
func readingOf(m result.Monitored, step float64) GradedReading {
	out := GradedReading{Monitor: m.Monitor.ID, Unit: m.Monitor.Unit, Noise: m.Sigma * m.Monitor.Tolerance,
		Why: "no reading moved visibly"}
	most, silent := 0, 0
	for _, b := range m.Bands {
		if b.Why == "" && len(b.Estimates) > most {
			most = len(b.Estimates)
			e := b.Estimates[most/2]
			out.Critical, out.Exponent, out.Why = e.Critical*m.Monitor.Tolerance, e.Exponent, ""
			if q := graded.Narrowest(m.Sigma, e.Critical, e.Exponent, step); q > 0 {
				out.Narrowest = rf.Fraction(1 / q)
			}
		} else if most == 0 && b.Why != "" && len(b.Estimates) > silent {
			out.Why, silent = b.Why, len(b.Estimates)
		}
	}
	return out
}

// finer are the gaps towards which a monitor's reading rises from both sides: a tuned circuit's 1/u² is a parabola over
// frequency, u being the current that the reading stands for, and three frequencies give its vertex. The product is
// taken to upset at the shift of another band where nothing upset in this one: it is a place to look, no more.
func finer(m result.Monitored, critical float64) (out []Finer) {
	for _, b := range m.Bands {
		if b.Why != "" && b.Why != graded.NoCritical {
			continue
		}
		all := b.Estimates
		for i := 1; i+2 < len(all); i++ {
			four := all[i-1 : i+3]
			size := func(k int) float64 { return math.Abs(four[k].Shift) }
			if slices.ContainsFunc(four, func(e graded.Estimate) bool { return e.Upset || e.Exponent == 0 }) ||
				size(1) <= size(0) || size(2) <= size(3) {
				continue
			}
			far := four[0]
			if size(3) > size(0) {
				far = four[3]
			}
			at, peak := vertex(far, four[1], four[2])
			shift := cmp.Or(four[1].Critical, critical)
			if at <= four[1].At || at >= four[2].At || shift == 0 {
				continue
			}
			f := Finer{From: four[1].At, To: four[2].At, At: at, Monitor: m.Monitor.ID}
			level := max(four[1].Level, four[2].Level)
			if f.Estimate = rf.DBuA(level).WithBound(rf.AtMost); peak > 0 { // else it is as sharp as can be
				f.Estimate = rf.DBuA(level + 20/four[1].Exponent*math.Log10(shift/max(size(1), size(2), peak)))
			}
			if f.Estimate.In() < level+graded.Reach {
				out = append(out, f)
			}
		}
	}
	return out
}

// vertex is where the parabola of 1/u² through three estimates has its least value, and the shift there, in tolerances;
// 0 where it goes through zero.
func vertex(a, b, c graded.Estimate) (rf.Frequency, float64) {
	y := func(e graded.Estimate) float64 { return math.Pow(math.Abs(e.Shift), -2/e.Exponent) }
	x := func(e graded.Estimate) float64 { return math.Log(float64(e.At / b.At)) }
	x1, x3 := x(a), x(c)
	d1, d3 := (y(a)-y(b))/x1, (y(c)-y(b))/x3
	curve := (d3 - d1) / (x3 - x1)
	slope := d1 - curve*x1
	if !(curve > 0) {
		return 0, 0
	}
	at := -slope / 2 / curve
	least := y(b) - slope*slope/4/curve
	if least <= 0 {
		return b.At * rf.Frequency(math.Exp(at)), 0
	}
	return b.At * rf.Frequency(math.Exp(at)), math.Pow(least, -b.Exponent/2)
}

// ShiftChange is by how much less, or more, a reading moved at a frequency that both runs stood.
type ShiftChange struct {
	_ struct{} `tell:"hz=Frequency monitor=Monitor unit=Unit before=Before after=After level=Level fell_db=Fell"`
	_ struct{} `tell:"fell_bound=Bound low_db=Low high_db=High beyond_set_ups=Beyond"`

	Frequency     rf.Frequency
	Monitor, Unit string
	Before, After float64    // shifts at Level
	Level         rf.Current // that both stood
	// Fell is by how much the shift fell, in dB of the reading; with a bound where one of the two was not visible.
	Fell, Low, High rf.Gain
	Bound           rf.Bound
	// Beyond: more than what putting the same bench up anew makes of it, with the square law.
	Beyond bool
}

// least is the part of the tolerance that a shift has to have to be compared: a baseline is off by less, and nobody
// would look at it.
const least = 0.05

// certain is how many standard deviations a change of a shift has to have to be told: there are hundreds of
// frequencies.
const certain = 4.5

// shiftChanges are the frequencies at which both runs stood their level within a decibel of one another, and a reading
// moved by another amount; the greatest first. needed is what set-ups differ by.
func shiftChanges(before, after *result.Run, needed rf.Gain) (out []ShiftChange) {
	was, now := before.Gradings().Stood(), after.Gradings().Stood()
	for _, m := range before.Monitors {
		i := slices.IndexFunc(after.Monitors, func(x event.Monitor) bool { return x.ID == m.ID && x.Unit == m.Unit })
		if i < 0 {
			continue
		}
		at := map[rf.Frequency]graded.Sample{}
		for _, s := range now[m.ID] {
			at[s.At] = s
		}
		for _, s := range was[m.ID] {
			t, both := at[s.At]
			if !both || math.Abs(s.Level-t.Level) > 1 || !s.Visible() && !t.Visible() {
				continue
			}
			// As if both had been at the lower level, with an exponent of 2, which 1 to 3 is not far from within 1 dB.
			t.Shift, t.Sigma = t.Shift*after.Monitors[i].Tolerance, t.Sigma*after.Monitors[i].Tolerance
			s.Shift, s.Sigma = s.Shift*m.Tolerance, s.Sigma*m.Tolerance
			level := min(s.Level, t.Level)
			for _, x := range []*graded.Sample{&s, &t} {
				k := math.Pow(10, -2*(x.Level-level)/20)
				x.Shift, x.Sigma = math.Abs(x.Shift)*k, math.Hypot(x.Sigma*k, x.Shift*k*math.Ln10*(x.Level-level)/20)
			}
			if math.Abs(s.Shift-t.Shift) < certain*math.Hypot(s.Sigma, t.Sigma) ||
				max(s.Shift, t.Shift) < least*m.Tolerance {
				continue
			}
			c := ShiftChange{Frequency: s.At, Monitor: m.ID, Unit: m.Unit, Before: s.Shift, After: t.Shift,
				Level: rf.DBuA(level)}
			c.limits(s, t)
			c.Beyond = c.Low > 2*needed || c.High < -2*needed
			out = append(out, c)
		}
	}
	slices.SortStableFunc(out, func(a, b ShiftChange) int {
		return cmp.Compare(math.Abs(float64(b.Fell)), math.Abs(float64(a.Fell)))
	})
	return out
}

// limits works out the fall with its limits of 95 %.
func (c *ShiftChange) limits(s, t graded.Sample) {
	ratio := func(a, b float64) rf.Gain { return rf.Gain(20 * math.Log10(a/b)) }
	const z, sure = 1.96, 3.0 // a bound is taken from the smallest of many
	switch {
	case !t.Visible():
		c.Fell, c.Bound = ratio(s.Shift-sure*s.Sigma, t.Shift+sure*t.Sigma), rf.AtLeast
		c.Low, c.High = c.Fell, rf.Gain(math.Inf(1))
	case !s.Visible():
		c.Fell, c.Bound = -ratio(t.Shift-sure*t.Sigma, s.Shift+sure*s.Sigma), rf.AtMost
		c.Low, c.High = rf.Gain(math.Inf(-1)), c.Fell
	default:
		half := rf.Gain(z * 20 / math.Ln10 * math.Hypot(s.Sigma/s.Shift, t.Sigma/t.Shift))
		c.Fell, c.Bound = ratio(s.Shift, t.Shift), rf.Exactly
		c.Low, c.High = c.Fell-half, c.Fell+half
	}
}
