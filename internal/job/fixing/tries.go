package fixing

import (
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"provoke/internal/model/tracking"
)

// Try is what one change of the product did.
type Try struct {
	Epoch
	// Gains, one for each place: from the epoch before to this one. Not known where one of the two was not exposed.
	Gains []tracking.Change
}

// Tries are all tries in their order.
func (l *Loop) Tries() []Try {
	var out []Try
	for i, e := range l.Epochs {
		if e.Try == 0 || i == 0 {
			continue
		}
		t := Try{Epoch: e}
		for _, p := range l.Places {
			t.Gains = append(t.Gains, between(p, i))
		}
		out = append(out, t)
	}
	return out
}

// between is the change of a place from the epoch before one to it.
func between(p *Place, epoch int) tracking.Change {
	before, after := p.Onset(epoch-1), p.Onset(epoch)
	if before.Nothing() || after.Nothing() {
		return tracking.Change{LowOpen: true, HighOpen: true}
	}
	return tracking.Between(before, after)
}

// Effect is what one change does, joined from all epochs in which it was put in or taken out.
type Effect struct {
	What string // empty for hands that changed nothing
	// In: it is in place now.
	In bool
	// Places are its effects, one for each place, counted for putting it in.
	Places []PlaceEffect
}

// PlaceEffect is the effect at one frequency.
type PlaceEffect struct {
	tracking.Change
	// Pairs is from how many pairs of with and without, that share no exposure, it comes; 0 where it is not known.
	Pairs int
}

// Worse reports that it makes a frequency worse, and the limits show that.
func (p PlaceEffect) Worse() bool { return p.Pairs > 0 && !p.HighOpen && p.High < 0 }

// Gain reports that it makes a frequency better, and the limits show that.
func (p PlaceEffect) Gain() bool { return p.Pairs > 0 && !p.LowOpen && p.Low > 0 }

// Effects are what every change does, the greatest gain first: the one that at its worst frequency gains most. Hands
// that changed nothing come last.
func (l *Loop) Effects() []Effect {
	var out []Effect
	for _, e := range l.Epochs[1:] {
		if e.Try > 0 && !slices.ContainsFunc(out, func(x Effect) bool { return strings.EqualFold(x.What, e.What) }) {
			out = append(out, l.effect(e.What))
		}
	}
	slices.SortStableFunc(out, func(a, b Effect) int {
		if (a.What == "") != (b.What == "") {
			return cmp.Compare(len(b.What), len(a.What))
		}
		return cmp.Compare(b.best(), a.best())
	})
	return out
}

// best is the greatest gain at any frequency; the lower limit where the upper is open.
func (e Effect) best() float64 {
	best := math.Inf(-1)
	for _, p := range e.Places {
		if p.Pairs > 0 {
			best = max(best, p.Middle)
		}
	}
	return best
}

func (l *Loop) effect(what string) Effect {
	now := l.Epochs[len(l.Epochs)-1]
	e := Effect{What: what, In: slices.ContainsFunc(now.In, func(x string) bool { return strings.EqualFold(x, what) })}
	all := make([][]tracking.Change, len(l.Places))
	for k, p := range l.Places {
		used := -1
		for i := 1; i < len(l.Epochs); i++ {
			x := l.Epochs[i]
			if x.Try == 0 || !strings.EqualFold(x.What, what) || used == i-1 {
				continue
			}
			c := between(p, i)
			if !c.Known() {
				continue
			}
			if x.Out {
				c = c.Against()
			}
			all[k], used = append(all[k], c), i
		}
	}
	for k, c := range tracking.Pooled(all) {
		e.Places = append(e.Places, PlaceEffect{c, len(all[k])})
	}
	return e
}

// Known are the names of all changes, the newest first.
func (l *Loop) Known() []string {
	var out []string
	for i := len(l.Epochs) - 1; i > 0; i-- {
		what := l.Epochs[i].What
		if what != "" && !slices.ContainsFunc(out, func(x string) bool { return strings.EqualFold(x, what) }) {
			out = append(out, what)
		}
	}
	return out
}

// Other is the newest change the other way round, for change and no change in turn (A–B–A–B); false before the first.
func (l *Loop) Other() (what string, out, ok bool) {
	for i := len(l.Epochs) - 1; i > 0; i-- {
		if e := l.Epochs[i]; e.What != "" {
			return e.What, !e.Out, true
		}
	}
	return "", false, false
}

// In is what is in place now.
func (l *Loop) In() []string { return l.Epochs[len(l.Epochs)-1].In }

// LastTry is the number of the newest try; 0 before the first.
func (l *Loop) LastTry() int {
	n := 0
	for _, e := range l.Epochs {
		n = max(n, e.Try)
	}
	return n
}

// PerTry is how many exposures at each frequency a try is reckoned with.
const PerTry = 8

// TryTime is how long a try takes, by what exposures took so far; known only once both outcomes were seen. Exposures is
// how many it is reckoned with, half of which upset.
func (l *Loop) TryTime() (each time.Duration, exposures int, passes, upsets time.Duration, known bool) {
	exposures = PerTry * len(l.Places)
	passes, upsets = l.passing.mean(), l.upsetting.mean()
	if passes == 0 || upsets == 0 {
		return 0, exposures, passes, upsets, false
	}
	return time.Duration(exposures) * (passes + upsets) / 2, exposures, passes, upsets, true
}

// Shift is a reading that moves with RF where the product is well, compared at one level.
type Shift struct {
	Moved
	// At is the level, against the target. Was is the shift at that level in the newest epoch before that has one.
	At    float64
	Was   *Moved
	Since int // the epoch of Was
}

// Shifts are the newest shifts at a place, one for each monitor that gives numbers, from exposures without an upset.
func (l *Loop) Shifts(place int) []Shift {
	p := l.Places[place]
	var out []Shift
	for i := len(p.Dots) - 1; i >= 0; i-- {
		d := p.Dots[i]
		if d.Upset || d.Epoch != len(l.Epochs)-1 {
			continue
		}
		for _, m := range d.Moved {
			if slices.ContainsFunc(out, func(s Shift) bool { return s.Monitor == m.Monitor }) {
				continue
			}
			s := Shift{Moved: m, At: float64(d.Level)}
			s.Was, s.Since = p.shiftBefore(d, m.Monitor)
			out = append(out, s)
		}
		if len(out) > 0 {
			break
		}
	}
	return out
}

// Shift is that of the newest shifts at a place which stands out of its noise most; false where none does.
func (l *Loop) Shift(place int) (best Shift, ok bool) {
	most := 3.0
	for _, s := range l.Shifts(place) {
		if of := math.Abs(s.By) / math.Max(s.Error, 1e-12); of > most && s.Error > 0 {
			best, most, ok = s, of, true
		}
	}
	return best, ok
}

// shiftBefore is the newest shift of an earlier epoch at the same level.
func (p *Place) shiftBefore(now Dot, monitor string) (*Moved, int) {
	for i := len(p.Dots) - 1; i >= 0; i-- {
		d := p.Dots[i]
		if d.Epoch >= now.Epoch || d.Upset || math.Abs(float64(d.Level-now.Level)) > 0.3 {
			continue
		}
		for _, m := range d.Moved {
			if m.Monitor == monitor {
				return &m, d.Epoch
			}
		}
	}
	return nil, 0
}
