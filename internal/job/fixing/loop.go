// Package fixing is the state of a run of the fixing loop, in which the onset at a few frequencies is followed while
// the product is changed: a fold of the run's records, as package result is of every run. It says what to expose next,
// what the onset is now at each frequency, what every try did, and what is in place. The engine asks it for the next
// step; terminal, page and report tell what it holds. It has no clock and no randomness.
package fixing

import (
	"math"
	"slices"
	"strings"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/tracking"
	"provoke/internal/units/rf"
)

// Asked asks for a loop.
type Asked struct {
	// Of is the run from whose findings the frequencies are taken, the worst of each failing band; 0 is the newest
	// exposure that upset.
	Of int
	// At names the frequencies instead.
	At []rf.Frequency
	// Alone is after how long without a sign of the person RF goes off; 0 leaves it to the program.
	Alone rf.Duration
}

// Loop is the state. The zero value is of no use: see Of.
type Loop struct {
	Fixing event.Fixing
	Places []*Place
	// Epochs are the stretches of time between hands: the product as it was first, then as it was after each try.
	Epochs []Epoch
	// Hands are in: RF is off, and was read back as off.
	Hands bool
	// Reference is the mark from which changes are counted; the beginning where nobody marked.
	Reference Reference
	// Held are the steps that somebody did by hand at one point.
	Held []*result.Step

	opened    event.Opened
	monitors  []event.Monitor
	baseline  map[string]float64 // of each monitor that gives numbers, without RF
	number    int                // of the last step
	steps     int                // taken in, of the run's
	hands     int                // taken in, of the run's records of hands and references
	resumed   int
	passing   pace
	upsetting pace
	last      time.Time // when the last step closed, where the next followed at once
}

// pace is how long exposures of one outcome took, from one's end to the other's.
type pace struct {
	n   int
	sum time.Duration
}

func (p *pace) note(d time.Duration) { p.n, p.sum = p.n+1, p.sum+d }

func (p pace) mean() time.Duration {
	if p.n == 0 {
		return 0
	}
	return p.sum / time.Duration(p.n)
}

// Epoch is the product between one pair of hands and the next.
type Epoch struct {
	// Try is its number, 0 for the first epoch, for one that began because the run was taken up again, and for one that
	// began because the product was noticed to have changed by itself, which is then said.
	Try      int
	ByItself bool
	What     string // what was changed; empty for nothing
	Out      bool   // it was taken back out
	At       time.Time
	// In is what is in place, in the order in which it was put in.
	In []string
}

// Reference is a mark with the onsets of its moment.
type Reference struct {
	Text string
	At   time.Time
	// onsets, one for each place; not known before there are exposures there.
	onsets []tracking.Estimate
}

// Place is one frequency that is followed.
type Place struct {
	Point plan.Point
	Track *tracking.Track
	// Before are the estimates of the epochs that have ended, by epoch.
	Before []tracking.Estimate
	// Dots are the exposures, in order.
	Dots []Dot
	// Limited says why a level was not reached; empty where none was missed.
	Limited string

	current bool // levels are measured currents
	target  rf.Current
	drive   rf.Power
}

// Dot is one exposure with what was known after it.
type Dot struct {
	At    time.Time
	Epoch int
	Set   rf.Gain // asked, against the point's target
	Level rf.Gain // measured
	Upset bool
	// Changed: with it the product was noticed to have changed by itself.
	Changed bool
	After   tracking.Estimate
	// Moved is by how far each monitor's reading lay from its value without RF.
	Moved []Moved
}

// Moved is the shift of a monitor's reading in a dwell.
type Moved struct {
	Monitor, Unit string
	By            float64
	// Error is the standard error of By.
	Error float64
}

// Of folds a run. More that is recorded of it is taken in by Follow.
func Of(r *result.Run) *Loop {
	l := &Loop{opened: r.Opened, baseline: map[string]float64{}}
	if r.Opened.Fixing != nil {
		l.Fixing = *r.Opened.Fixing
	}
	for _, at := range l.Fixing.At {
		l.Places = append(l.Places, newPlace(r.Opened, at))
	}
	l.Epochs = []Epoch{{At: r.OpenedAt}}
	l.Reference = Reference{Text: "the beginning", At: r.OpenedAt}
	l.Follow(r)
	return l
}

// mostLevels bounds what is kept of each frequency.
const mostLevels = 400

func newPlace(o event.Opened, at event.Tracked) *Place {
	p := &Place{Point: at.Point, target: at.Point.Target, drive: at.Point.Drive,
		current: o.Mode == plan.ClosedLoop && at.Point.Target.Exact()}
	span, step := float64(o.Range), float64(o.Resolution)
	if !(span > 0 && span <= 120) { // a journal that does not say so, or is damaged
		span = 40
	}
	if !(step > 0) {
		step = 0.5
	}
	step = math.Max(step, span/mostLevels)
	c := tracking.Config{Low: -span, High: 0, Step: step, Expected: math.NaN(),
		Scatter: math.Max(float64(o.Levelling.Spread), 0.05)}
	if at.Expected != nil {
		c.Expected = float64(*at.Expected)
	}
	p.Track = tracking.New(c)
	return p
}

// Follow takes in what is new in the run.
func (l *Loop) Follow(r *result.Run) {
	if !slices.Equal(l.monitors, r.Monitors) {
		l.monitors = slices.Clone(r.Monitors)
		for _, m := range r.Monitors {
			if m.HasBaseline {
				l.baseline[m.ID] = m.Baseline
			}
		}
	}
	for l.resumed < len(r.Resumptions) && l.steps == 0 && l.hands == 0 {
		l.resumed++
	}
	for {
		var step *result.Step
		if l.steps < len(r.Steps) {
			step = r.Steps[l.steps]
		}
		switch {
		case l.hands < len(r.Fixing) && (step == nil || r.Fixing[l.hands].Seq < step.Seq):
			l.hand(r.Fixing[l.hands])
			l.hands++
		case step != nil:
			l.resume(r, step.At)
			l.step(r, step)
			l.steps++
		default:
			l.resume(r, r.LastAt)
			return
		}
	}
}

// resume begins an epoch wherever the run was taken up again, up to a time: nobody knows what was done meanwhile.
func (l *Loop) resume(r *result.Run, until time.Time) {
	for ; l.resumed < len(r.Resumptions) && !r.Resumptions[l.resumed].At.After(until); l.resumed++ {
		l.begin(Epoch{At: r.Resumptions[l.resumed].At})
	}
}

// hand takes in hands that went in or out, or a reference.
func (l *Loop) hand(rec event.Record) {
	l.last = time.Time{}
	switch e := rec.Event.(type) {
	case event.HandsIn:
		l.Hands = true
	case event.HandsOut:
		l.Hands = false
		l.begin(Epoch{Try: e.Try, What: e.What, Out: e.Out, At: rec.At})
	case event.Reference:
		l.Reference = Reference{Text: e.Text, At: rec.At}
		for _, p := range l.Places {
			l.Reference.onsets = append(l.Reference.onsets, p.Track.Now())
		}
	}
}

// begin begins an epoch at every place.
func (l *Loop) begin(e Epoch) {
	now := l.Epochs[len(l.Epochs)-1]
	e.In = put(now.In, e.What, e.Out)
	for _, p := range l.Places {
		p.Before = append(p.Before, p.Track.Now())
		p.Track.Changed()
	}
	l.Epochs = append(l.Epochs, e)
}

// put returns what is in place after something was put in or taken out.
func put(in []string, what string, out bool) []string {
	in = slices.DeleteFunc(slices.Clone(in), func(x string) bool { return strings.EqualFold(x, what) })
	if what != "" && !out {
		in = append(in, what)
	}
	return in
}

// step takes in a closed step.
func (l *Loop) step(r *result.Run, s *result.Step) {
	l.number = max(l.number, s.Step.Number)
	for _, q := range s.Quiet {
		l.baseline[q.Monitor] = q.Value
	}
	if s.Step.Purpose == plan.HeldPoint {
		l.Held = append(l.Held, s)
		l.last = time.Time{}
		return
	}
	p := l.At(s.Step.Point.Frequency)
	if p == nil || s.Outcome.Skipped || s.Outcome.Exposures == 0 {
		return
	}
	if !l.last.IsZero() {
		to := &l.passing
		if s.Outcome.Upset {
			to = &l.upsetting
		}
		to.note(s.At.Sub(l.last))
	}
	l.last = s.At
	d := Dot{At: s.At, Epoch: len(l.Epochs) - 1, Set: s.Step.Offset, Level: p.level(s), Upset: s.Outcome.Upset,
		Moved: l.moved(r, s)}
	if s.Outcome.NotReached && !s.Outcome.Upset {
		p.Limited = s.Limited
		p.Track.Reaches(float64(d.Level))
	}
	d.Changed = p.Track.Add(tracking.Trial{Set: float64(d.Set), Level: float64(d.Level), Upset: d.Upset})
	d.After = p.Track.Now()
	p.Dots = append(p.Dots, d)
	if d.Changed {
		l.changedByItself(p)
	}
}

// changedByItself begins an epoch where a product was noticed to have changed without hands, so that no try is credited
// with it: what was known there before the change stays with the epoch before. Elsewhere nothing begins anew.
func (l *Loop) changedByItself(p *Place) {
	now, first := len(l.Epochs), len(p.Dots)-p.Track.Counted()
	var before tracking.Estimate
	if first > 0 && p.Dots[first-1].Epoch == now-1 {
		before = p.Dots[first-1].After
	}
	for _, x := range l.Places {
		was := x.Track.Now()
		if x == p {
			was = before
		}
		x.Before = append(x.Before, was)
	}
	l.Epochs = append(l.Epochs, Epoch{ByItself: true, At: p.Dots[first].At, In: l.In()})
	for i := first; i < len(p.Dots); i++ {
		p.Dots[i].Epoch = now
	}
}

// level is what the product saw, against the target: by the measured current in a closed loop, else by the drive.
func (p *Place) level(s *result.Step) rf.Gain {
	if p.current && s.Current.Exact() {
		if g, _ := s.Current.Minus(p.target); g.Finite() {
			return g
		}
	}
	if g, _ := s.Drive.Minus(s.Step.Point.Drive); !p.current && g.Finite() {
		return g
	}
	return s.Step.Offset
}

// moved is by how far readings lay from those without RF.
func (l *Loop) moved(r *result.Run, s *result.Step) (out []Moved) {
	for _, d := range s.Dwelt {
		quiet, known := l.baseline[d.Monitor]
		if !known {
			continue
		}
		m := Moved{Monitor: d.Monitor, By: d.Mean - quiet, Error: d.Spread / math.Sqrt(float64(d.Looks))}
		for _, x := range r.Monitors {
			if x.ID == d.Monitor {
				m.Unit = x.Unit
			}
		}
		out = append(out, m)
	}
	return out
}

// At is the place at a frequency; nil where it is not followed.
func (l *Loop) At(f rf.Frequency) *Place {
	for _, p := range l.Places {
		if p.Point.Frequency == f {
			return p
		}
	}
	return nil
}

// Next is what to expose next: at the frequency with the fewest exposures of the product as it is now, those first
// whose onset is not known to the resolution.
func (l *Loop) Next() (plan.Step, bool) {
	var best *Place
	fewest, settled := 0, true
	for _, p := range l.Places {
		n, done := p.exposures(len(l.Epochs)-1), p.Settled()
		if best == nil || settled && !done || settled == done && n < fewest {
			best, fewest, settled = p, n, done
		}
	}
	if best == nil {
		return plan.Step{}, false
	}
	return plan.Step{Number: l.number + 1, Point: best.Point, Purpose: plan.Tracking,
		Offset: rf.Gain(best.Track.Next())}, true
}

// Number is the number of the next step.
func (l *Loop) Number() int { return l.number + 1 }

// exposures counts those of an epoch.
func (p *Place) exposures(epoch int) int {
	n := 0
	for i := len(p.Dots) - 1; i >= 0 && p.Dots[i].Epoch == epoch; i-- {
		n++
	}
	return n
}

// Settled reports that the onset is known as closely as it will be, or lies above what may be exposed.
func (p *Place) Settled() bool {
	e := p.Track.Now()
	if e.Nothing() {
		return false
	}
	if e.HighOpen {
		return p.Track.AtTop()
	}
	return !e.LowOpen && e.More == 0
}

// Onset of a place in an epoch; that of the last is the onset now.
func (p *Place) Onset(epoch int) tracking.Estimate {
	if epoch < len(p.Before) {
		return p.Before[epoch]
	}
	return p.Track.Now()
}

// SinceReference is by how much the onset at a place moved since the mark.
func (l *Loop) SinceReference(place int) tracking.Change {
	if now := l.Places[place].Track.Now(); !now.Nothing() {
		if from := l.referenceAt(place); !from.Nothing() {
			return tracking.Between(from, now)
		}
	}
	return tracking.Change{LowOpen: true, HighOpen: true}
}

// referenceAt is the onset at the mark, or, where nothing was known then, that of the first epoch that knows one.
func (l *Loop) referenceAt(place int) tracking.Estimate {
	if place < len(l.Reference.onsets) && !l.Reference.onsets[place].Nothing() {
		return l.Reference.onsets[place]
	}
	p := l.Places[place]
	for i := range l.Epochs {
		if !l.Epochs[i].At.Before(l.Reference.At) || len(l.Reference.onsets) == 0 {
			if e := p.Onset(i); !e.Nothing() {
				return e
			}
		}
	}
	return tracking.Estimate{}
}
