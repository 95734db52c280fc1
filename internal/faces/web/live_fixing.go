package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/result"
	"provoke/internal/run/engine"
	"provoke/internal/tell"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// loopView is what a run of the fixing loop is at: what changes with every moment. What changes with an exposure only
// is in loopTold.
type loopView struct {
	Hands engine.Hands `json:"hands"`
	// Out: nothing stands against hands going in; Ask: hands are in, and the page asks what was changed.
	Out bool `json:"out"`
	Ask bool `json:"ask"`
	// Follows: no point is held by hand.
	Follows bool `json:"follows"`
	// Second is the second of the countdown that RF comes on after; 0 outside it.
	Second int `json:"second"`
	// Now is the place that is exposed, or was last; -1 for none.
	Now    int      `json:"now"`
	Place  placeV   `json:"place"` // the same in large
	Places []placeV `json:"places"`
	InPlay string   `json:"in"` // what is in place
	Try    string   `json:"try"`
	Time   string   `json:"time"` // what a try takes
	Since  string   `json:"since"`
	// Next is the name of a change that nobody names; Again and AgainOut are the newest change and whether it is to be
	// taken out next.
	Next     string   `json:"next"`
	Known    []string `json:"known"`
	Again    string   `json:"again"`
	AgainOut bool     `json:"againOut"`
	// Three is how many steps of the resolution are three decibel.
	Three int `json:"three"`
	// Held is the point that is held by hand; nil while the loop follows by itself.
	Held *heldV `json:"held"`
}

// placeV is one frequency that is followed.
type placeV struct {
	At       string `json:"at"`
	Figure   string `json:"figure"`
	Interval string `json:"interval"`
	Margin   string `json:"margin"`
	Change   string `json:"change"`
	Kind     string `json:"kind"`
	Why      string `json:"why"`
	Shift    string `json:"shift"`
	Mark     string `json:"mark"` // "good" where the level wanted is stood, "bad" where it is not, "" for not told yet
}

// heldV is a point that is held by hand.
type heldV struct {
	Level string `json:"level"`
	At    string `json:"at"` // the frequency, and for how long RF is on there
	How   string `json:"how"`
	Waits string `json:"waits"`
	// Carrier: the plan's modulation is off.
	Carrier bool `json:"carrier"`
}

// keepOff is what stands where "hands in" was asked for and RF was not read back as off yet.
const keepOff = "keep hands off"

// follow fills in what a run of the fixing loop is at.
func (v *liveView) follow(r *result.Run, u underway, now time.Time) {
	l := u.Loop
	x := &loopView{Now: -1, InPlay: tell.InPlace(l.In()), Time: tryTime(l), Since: sinceWords(l), Known: l.Known(),
		Next: fmt.Sprintf("change %d", l.LastTry()+1), Try: "as it was at the beginning",
		Three: max(1, int(math.Round(3/math.Max(float64(r.Opened.Resolution), 0.01))))}
	v.Loop = x
	at := r.Now.Step.Point.Frequency
	if u.Here {
		at = u.Status.Step.Point.Frequency
	}
	for i, p := range l.Places {
		if p.Point.Frequency == at {
			x.Now = i
		}
		x.Places = append(x.Places, placeOf(l, i))
	}
	if len(x.Places) > 0 {
		x.Place = x.Places[max(0, x.Now)]
	}
	if e := l.Epochs[len(l.Epochs)-1]; e.Try > 0 {
		x.Try = fmt.Sprintf("since try %d, %s", e.Try, did(e))
	}
	if len(x.Known) > 0 {
		x.Again = x.Known[0]
		x.AgainOut = slices.ContainsFunc(l.In(), func(s string) bool { return strings.EqualFold(s, x.Again) })
	}
	if !u.Here || r.Ended() {
		return
	}
	x.Hands = u.Status.Hands
	x.Out, x.Ask, x.Follows = x.Hands == engine.HandsAreOut, x.Hands == engine.HandsAreIn, true
	if left := u.Status.HandsUntil.Sub(now); x.Hands == engine.HandsGoOut && !u.Status.HandsUntil.IsZero() {
		x.Second = max(1, int(math.Ceil(left.Seconds())))
	}
	x.hold(l, u.Status, now)
}

func did(e fixing.Epoch) string { return event.HandsOut{What: e.What, Out: e.Out}.Did() }

// hands says in the largest words how far hands have come.
func (v *liveView) hands(how string) {
	switch x := v.Loop; {
	case x == nil || v.Ended || v.RF == rfUnknown:
	case x.Hands == engine.HandsGoingIn:
		v.Large, v.Label, v.Below = keepOff, "switching RF off", "Hands stay away until this page says “hands in”."
	case x.Hands == engine.HandsAreIn:
		v.Large, v.Label, v.Below = engine.HandsInWords, fmt.Sprintf("run %d", v.Run), how
		v.Tab = "hands in"
	case x.Second > 0:
		v.Large, v.Label, v.Tab = fmt.Sprintf("RF on in %d s", x.Second), keepOff, "RF COMES ON"
		v.Below = "Any key or click ends it, and RF stays off."
	case x.Hands == engine.HandsGoOut:
		v.Large, v.Label, v.Below = keepOff, "RF comes on when the product is well", v.Doing
		v.Tab = "RF COMES ON"
	}
}

// placeOf words one frequency.
func placeOf(l *fixing.Loop, i int) placeV {
	p := l.Places[i]
	e := p.Track.Now()
	v := placeV{At: p.Point.Frequency.String(), Margin: tell.Margin(p, e), Why: e.Why}
	v.Figure, v.Interval, _ = strings.Cut(tell.Onset(p, e), " (")
	v.Interval = strings.TrimSuffix(v.Interval, ")")
	if c := l.SinceReference(i); e.Nothing() || len(l.Epochs) == 1 && l.Reference.At.Equal(l.Epochs[0].At) {
		v.Change = "–"
	} else {
		v.Change = tell.Changed(c)
	}
	v.Kind = fmt.Sprintf("%s, %s", e.Kind, english.Count(e.Exposures, "exposure", "exposures"))
	if e.More > 0 {
		v.Kind += fmt.Sprintf(", about %d more", e.More)
	}
	if p.Limited != "" {
		v.Why = strings.TrimPrefix(v.Why+"; level not reached: "+p.Limited, "; ")
	}
	over := 0.0
	if g, _ := p.Point.Target.Minus(p.Point.Wanted.Current); g.Finite() {
		over = float64(g)
	}
	switch {
	case e.Nothing():
	case !e.LowOpen && e.Low+over >= 0 || e.HighOpen && p.Settled():
		v.Mark = "good"
	case !e.HighOpen && e.High+over < 0:
		v.Mark = "bad"
	}
	v.Shift = shiftWords(l, i)
	return v
}

// shiftWords tells how readings move with RF at a place while the product stays well, and which way that goes.
func shiftWords(l *fixing.Loop, i int) string {
	var out []string
	for _, s := range l.Shifts(i) {
		if math.Abs(s.By) < 1e-9 {
			s.By = 0 // no digits that mean nothing
		}
		text := fmt.Sprintf("%s %+.3g %s at %s", s.Monitor, s.By, s.Unit, tell.AtOffset(l.Places[i], s.At))
		if w := s.Was; w != nil {
			way := "as before"
			if by := math.Abs(s.By) - math.Abs(w.By); math.Abs(by) > 2*math.Hypot(s.Error, w.Error) {
				way = map[bool]string{true: "more", false: "less"}[by > 0]
			}
			text += fmt.Sprintf(": %s (was %+.3g)", way, w.By)
		}
		out = append(out, text)
	}
	return strings.Join(out, "; ")
}

// tryTime says what a try takes.
func tryTime(l *fixing.Loop) string {
	each, n, passes, upsets, known := l.TryTime()
	if !known {
		return fmt.Sprintf("a try takes about %d exposures; how long is known once one passed and one upset", n)
	}
	round := func(d time.Duration) rf.Duration { return rf.Duration(d.Round(10 * time.Millisecond)) }
	return fmt.Sprintf("a try takes about %v: %d exposures, %v where it passes, %v where it upsets",
		rf.Duration(each.Round(time.Second)), n, round(passes), round(upsets))
}

func sinceWords(l *fixing.Loop) string {
	text := "since " + l.Reference.Text
	if l.Reference.Text == "" {
		text = "since the reference"
	}
	if l.Reference.At.IsZero() || l.Reference.Text == "the beginning" {
		return text
	}
	return text + " at " + l.Reference.At.Local().Format("15:04:05")
}

// hold fills in the point that is held by hand.
func (x *loopView) hold(l *fixing.Loop, s engine.Status, now time.Time) {
	p := s.Point
	if p == nil || x.Hands != engine.HandsAreOut {
		return
	}
	h := &heldV{At: p.Point.Frequency.String(), Level: p.Offset.String() + " of the plan's drive",
		Carrier: p.Carrier, How: "the plan's modulation"}
	if target := p.Point.Target; target.Exact() {
		level := target.Add(p.Offset)
		h.Level = level.String() + ", " + level.Linear()
	}
	if p.Carrier {
		h.How = "carrier only"
	}
	switch {
	case p.Waits:
		h.Waits = "It upset: RF is off until the next key."
	case s.RFOn && !s.DwellFrom.IsZero():
		h.At += ", held for " + rf.Duration(now.Sub(s.DwellFrom).Truncate(time.Second)).String()
	}
	x.Held, x.Follows = h, false
}

// handMove is a way to move a point by hand: its key, how that is written, and what it does.
type handMove struct{ Key, Shown, Says string }

// Moves are the ways to move a point by hand.
func (x *loopView) Moves() []handMove {
	return []handMove{{"ArrowUp", "↑", "up"}, {"ArrowDown", "↓", "down"}, {"PageUp", "PgUp", "3 dB up"},
		{"PageDown", "PgDn", "3 dB down"}, {"ArrowLeft", "←", "lower frequency"},
		{"ArrowRight", "→", "higher frequency"}, {"p", "P", "followed before"}, {"n", "N", "next followed"},
		{"m", "M", "modulation"}, {"t", "T", "follow again"}}
}

// loopTold is what changes with an exposure or with hands only: sent when a record came, and drawn with the page.
type loopTold struct {
	// From counts the dots that were told before; Dots are those after them, in time.
	From  int   `json:"from"`
	Dots  []dot `json:"dots"`
	Total int   `json:"total"`
	// Hands are the stretches with hands in, in minutes; the last one is open where its end is before its beginning.
	Hands [][2]float64 `json:"hands"`
	Heads []string     `json:"heads"`
	Tries [][]string   `json:"tries"` // in order
	Gains [][]string   `json:"gains"` // of each change, the greatest first
	// Wanted is the level wanted at each place.
	Wanted []*float64 `json:"wanted"`
}

// dot is an exposure: minutes since the run began, place, level, 1 for upset, onset then with its limits (nil: open),
// and its epoch.
type dot [8]*float64

// toldAfter tells of a loop what is new after so many dots.
func toldAfter(l *fixing.Loop, r *result.Run, from int) loopTold {
	t := loopTold{From: from, Heads: []string{"Try", "At", "What hands did", "In place then"}, Hands: [][2]float64{}}
	minutes := func(at time.Time) float64 { return at.Sub(r.OpenedAt).Minutes() }
	var bases []float64
	for _, p := range l.Places {
		t.Total += len(p.Dots)
		t.Heads = append(t.Heads, p.Point.Frequency.String())
		base := 0.0
		if p.Point.Target.Exact() {
			base = p.Point.Target.In()
		}
		t.Wanted = append(t.Wanted, wantedOf(p, base))
		bases = append(bases, base)
	}
	fresh := max(0, t.Total-from) // what is new is the last in time
	for i, p := range l.Places {
		for _, d := range p.Dots[max(0, len(p.Dots)-fresh):] {
			t.Dots = append(t.Dots, dotOf(d, minutes(d.At), i, bases[i]))
		}
	}
	slices.SortStableFunc(t.Dots, func(a, b dot) int { return cmp.Compare(*a[0], *b[0]) })
	t.Dots = t.Dots[max(0, len(t.Dots)-fresh):]
	for _, rec := range r.Fixing {
		switch n := len(t.Hands); rec.Event.(type) {
		case event.HandsIn:
			t.Hands = append(t.Hands, [2]float64{minutes(rec.At), -1})
		case event.HandsOut:
			if n > 0 {
				t.Hands[n-1][1] = minutes(rec.At)
			}
		}
	}
	for _, x := range l.Tries() {
		row := []string{fmt.Sprint(x.Try), x.At.Local().Format("15:04:05"), did(x.Epoch), tell.InPlace(x.In)}
		for _, g := range x.Gains {
			row = append(row, tell.Changed(g))
		}
		t.Tries = append(t.Tries, row)
	}
	for _, x := range l.Effects() {
		row := []string{x.What, "out"}
		if x.What == "" {
			row = []string{"nothing changed", "–"}
		} else if x.In {
			row[1] = "in place"
		}
		for _, g := range x.Places {
			row = append(row, effectWords(g))
		}
		t.Gains = append(t.Gains, row)
	}
	return t
}

// GainHeads are the heads of the table of changes.
func (t loopTold) GainHeads() []string {
	if len(t.Heads) < 4 {
		return nil
	}
	return append([]string{"Change", "Now"}, t.Heads[4:]...)
}

func effectWords(g fixing.PlaceEffect) string {
	text := tell.Changed(g.Change)
	if g.Pairs > 1 {
		text += ", " + english.Count(g.Pairs, "pair", "pairs")
	}
	if g.Worse() {
		text = "✕ worse: " + text
	}
	return text
}

func wantedOf(p *fixing.Place, base float64) *float64 {
	over := 0.0
	if g, _ := p.Point.Target.Minus(p.Point.Wanted.Current); g.Finite() {
		over = float64(g)
	}
	level := base - over
	return &level
}

func dotOf(d fixing.Dot, at float64, place int, base float64) dot {
	num := func(x float64) *float64 { x = math.Round(x*1e5) / 1e5; return &x }
	upset := 0.0
	if d.Upset {
		upset = 1
	}
	out := dot{num(at), num(float64(place)), num(base + float64(d.Level)), &upset, nil, nil, nil, num(float64(d.Epoch))}
	if e := d.After; !e.Nothing() {
		if !e.LowOpen || !e.HighOpen {
			out[4] = num(base + e.Level)
		}
		if !e.LowOpen {
			out[5] = num(base + e.Low)
		}
		if !e.HighOpen {
			out[6] = num(base + e.High)
		}
	}
	return out
}

// loopChart is the strip of one frequency, empty: the page fills it in for the frequency that is chosen.
func loopChart(l *fixing.Loop) chart {
	y := axis{Label: "level (dB of the plan's drive)", Least: 6}
	if len(l.Places) > 0 && l.Places[0].Point.Target.Exact() {
		y.Label = "current on the cable (dBµA)"
	}
	return chart{ID: "loop", Title: "The onset in time", X: axis{Label: "minutes since the run began", Last: 2}, Y: y,
		Series: []chartSeries{{Name: "onset", Sign: "line", Paint: "ink", Apart: true},
			{Name: "lower limit", Sign: "dash", Paint: "soft", Apart: true},
			{Name: "upper limit", Sign: "dash", Paint: "soft", Apart: true},
			{Name: "wanted", Sign: "line", Paint: "wanted"}, {Name: "no upset", Sign: "ring", Paint: "calm"},
			{Name: "upset", Sign: "cross", Paint: "upset"}}, ShadeWord: "hands in", ShadePaint: "soft"}
}
