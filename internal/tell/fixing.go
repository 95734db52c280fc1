package tell

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/tracking"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// seenInLoop is the headline of a run of the fixing loop: what the newest try did where the margin is lowest, and what
// is in place. It is never marked as good: a try is no proof.
func seenInLoop(l *fixing.Loop) (text, mark string) {
	worst := lowestOf(l)
	if worst < 0 {
		return "nothing was exposed", "warn"
	}
	p := l.Places[worst]
	tries := l.Tries()
	tries = slices.DeleteFunc(tries, func(t fixing.Try) bool { return t.What == "" })
	if len(tries) == 0 {
		return fmt.Sprintf("nothing tried; onset at %v %s", p.Point.Frequency, Onset(p, p.Track.Now())), "warn"
	}
	t := tries[len(tries)-1]
	text, mark = fmt.Sprintf("try %d, %s: ", t.Try, did(t.Epoch))+movedOnset(p, t.Gains[worst]), "warn"
	var worse []string
	for i, g := range t.Gains {
		if isWorse(g) {
			mark = "bad"
			if i != worst {
				worse = append(worse, l.Places[i].Point.Frequency.String())
			}
		}
	}
	if len(worse) > 0 {
		text += ", worse at " + strings.Join(worse, ", ")
	}
	return text + "; in place: " + InPlace(l.In()), mark
}

// lowestOf is the place with the lowest margin, as it was known last; -1 where nothing was exposed.
func lowestOf(l *fixing.Loop) int {
	best, lowest := -1, math.Inf(1)
	for i, p := range l.Places {
		e := p.Track.Now()
		for k := len(p.Before) - 1; k >= 0 && e.Nothing(); k-- {
			e = p.Before[k]
		}
		m := e.Level
		if g, _ := p.Point.Target.Minus(p.Point.Wanted.Current); g.Finite() {
			m += float64(g)
		}
		if !e.Nothing() && (best < 0 || m < lowest) {
			best, lowest = i, m
		}
	}
	return best
}

func did(e fixing.Epoch) string { return event.HandsOut{What: e.What, Out: e.Out}.Did() }

func isWorse(c tracking.Change) bool { return !c.HighOpen && c.High < 0 }

// movedOnset words what a try did at a place: "onset at 41 MHz up 4.2 dB (3.1 to 5.3)".
func movedOnset(p *fixing.Place, c tracking.Change) string {
	at := fmt.Sprintf("onset at %v ", p.Point.Frequency)
	way, out := "up", c
	if isWorse(c) {
		way, out = "down", c.Against()
	}
	switch {
	case !c.Known():
		return fmt.Sprintf("not measured at %v", p.Point.Frequency)
	case !c.Shown():
		return fmt.Sprintf("no difference shown at %v", p.Point.Frequency)
	case out.HighOpen:
		return at + fmt.Sprintf("%s at least %.1f dB", way, out.Low)
	}
	return at + fmt.Sprintf("%s %.1f dB (%.1f to %.1f)", way, out.Middle, out.Low, out.High)
}

// noProof is what every face says of tries.
const noProof = "A try alone proves nothing: the proof is the full exposure with the change in place, compared with " +
	"the one before it."

// fixingSection tells a run of the fixing loop.
func (t RunTold) fixingSection() Section {
	r, f, l := t.Run, t.Findings, t.Findings.Loop
	s := Section{ID: fmt.Sprintf("run-%d", f.Run), Title: t.Heading()}
	headline, mark := Headline(f)
	s.add(Block{Verdict: &Verdict{Words: headline, Mark: mark, Of: t.Heading()}, Kind: KindHeadline})
	s.add(Block{Text: english.FirstUpper(headline) + ".", Kind: KindSentence})
	from := "at frequencies that somebody named"
	if l.Fixing.Of > 0 {
		from = "after " + runName(l.Fixing.Of)
	}
	s.say("", fmt.Sprintf("Followed %s; %s, begun %s; %s; %s.", from, r.Opened.Mode, r.OpenedAt.Format(minute),
		english.Count(r.Exposures, "exposure", "exposures"), ending(r)))
	s.say("of", noProof)
	s.add(Block{Text: t.proof(), Kind: KindProof})
	for _, words := range byItself(l) {
		s.say("warning", words)
	}
	s.table(followedTable(r, l), effectsTable(r, l), triesTable(r, l), shiftsTable(r, l), heldTable(r, l))
	lights := r.FirstLight
	r.FirstLight = slices.DeleteFunc(slices.Clone(lights), func(x event.FirstLight) bool { return x.Passed })
	for _, w := range runWords(r) {
		s.say("", w)
	}
	if n := len(lights) - len(r.FirstLight); n > 0 {
		s.say("", "First light agreed with what was predicted "+english.Count(n, "time", "times")+".")
	}
	s.add(Block{Text: "Level: " + profileTitle(r.Opened.Profile) + marked(r.Opened.Profile) + ". " +
		fmt.Sprintf("%s; dwell %v; resolution %v.", analysis.Modulation(r.Opened.Modulation), r.Opened.Dwell,
			r.Opened.Resolution), Kind: KindLevel})
	t.remarks(&s)
	for i := range l.Places {
		if c, ok := stripChart(r, l, i); ok {
			s.add(Block{Chart: &c, Kind: KindChart})
		}
	}
	s.annex("", handsTable(r))
	s.annex("", figuresTable(r, l))
	s.annex(KindSafing, safingTable(r))
	return s
}

// Tries tell a run of the fixing loop in short: the headline, the tries, and how to prove what is in place.
func (t RunTold) Tries() Section {
	s := t.fixingSection()
	s.Blocks = slices.DeleteFunc(s.Blocks, func(b Block) bool {
		return b.Verdict == nil && b.Kind != KindProof && (b.Table == nil || !strings.HasPrefix(b.Table.ID, "tries-"))
	})
	return s
}

// NewestLoop is the number of the newest run of the fixing loop.
func (b *Book) NewestLoop() (int, error) {
	heads, err := b.Heads()
	if err != nil {
		return 0, err
	}
	for _, h := range slices.Backward(heads) {
		if h.Opened.RunKind == plan.Fixing {
			return h.Number, nil
		}
	}
	return 0, noRun("the job holds no fixing loop; make one with provoke fix")
}

// proof proposes the exposure that proves what is in place; "" where there is nothing to prove.
func (t RunTold) proof() string {
	l := t.Findings.Loop
	if len(l.In()) == 0 {
		return "Nothing is in place now, so there is nothing to prove."
	}
	if !slices.ContainsFunc(l.Effects(), func(e fixing.Effect) bool {
		return e.In && slices.ContainsFunc(e.Places, fixing.PlaceEffect.Gain)
	}) {
		return "No try of what is in place has a gain that its limits bear out: there is nothing to prove yet."
	}
	again := ""
	if l.Fixing.Of > 0 {
		again = fmt.Sprintf(" --again %d", l.Fixing.Of)
	}
	quoted := strings.NewReplacer(`"`, "'", "`", "'", "$", "", `\`, "/").Replace(strings.Join(l.In(), ", "))
	return fmt.Sprintf("To prove it: provoke run %s --job JOB%s --changed \"%s\"", t.Run.Opened.Plan.Name, again, quoted)
}

// tried says of each fixing loop between two runs what it had in place at its end, and what that did.
func (b *Book) tried(before, after int) (out []string, err error) {
	loops, err := b.whole(func(h result.Run) bool {
		return h.Opened.RunKind == plan.Fixing && h.Number > before && h.Number < after
	})
	for _, r := range loops {
		l := fixing.Of(&r)
		var parts []string
		for _, e := range l.Effects() {
			if !e.In {
				continue
			}
			var gains []string
			for i, p := range e.Places {
				gains = append(gains, fmt.Sprintf("%s at %v", changeCell(p.Change).Text, l.Places[i].Point.Frequency))
			}
			parts = append(parts, e.What+" "+strings.Join(gains, ", "))
		}
		words := fmt.Sprintf("Between them run %d, a fixing loop, ended with nothing in place", r.Number)
		if len(parts) > 0 {
			words = fmt.Sprintf("Between them run %d tried, as in place at its end: %s", r.Number, strings.Join(parts, "; "))
		}
		out = append(out, words+". A try alone proves nothing.")
	}
	return out, err
}

// byItself says where the product changed although nobody said that it was changed.
func byItself(l *fixing.Loop) (out []string) {
	for _, p := range l.Places {
		for _, d := range p.Dots {
			if d.Changed {
				out = append(out, fmt.Sprintf("At %v the product was noticed at %s to have changed, without hands: what "+
					"was exposed before that is not counted, and no try is credited with it.", p.Point.Frequency,
					d.At.Format(second)))
			}
		}
	}
	return out
}

// atLevel is an offset at a place as a number: dBµA, or dB of the plan's drive where no current is asked for.
func atLevel(p *fixing.Place, offset float64) float64 {
	if p.Point.Target.Exact() {
		return p.Point.Target.Add(rf.Gain(offset)).In()
	}
	return offset
}

func decimals(x float64) string { return strconv.FormatFloat(x+0, 'f', 3, 64) }

// onsetCell is the cell of an onset with its limits; an open end is a bound.
func onsetCell(p *fixing.Place, e tracking.Estimate) Cell {
	c := Cell{Text: Onset(p, e)}
	switch {
	case e.Nothing() || e.LowOpen && e.HighOpen:
	case e.HighOpen:
		c.Number, c.Bound = decimals(atLevel(p, e.Low)), rf.AtLeast.String()
	case e.LowOpen:
		c.Number, c.Bound = decimals(atLevel(p, e.High)), rf.AtMost.String()
	default:
		c.Number = decimals(atLevel(p, e.Level))
	}
	return c
}

// changeCell is the cell of a change with its limits.
func changeCell(x tracking.Change) Cell {
	c := Cell{Text: Changed(x)}
	switch {
	case !x.Known():
		return Cell{Text: "not measured"}
	case x.HighOpen:
		c.Number, c.Bound = decimals(x.Low), rf.AtLeast.String()
	case x.LowOpen:
		c.Number, c.Bound = decimals(x.High), rf.AtMost.String()
	default:
		c.Number = decimals(x.Middle)
	}
	if isWorse(x) {
		c.Mark = "bad"
	}
	return c
}

// marginCell is the cell of the distance of an onset to the level wanted.
func marginCell(p *fixing.Place, e tracking.Estimate) Cell {
	text := Margin(p, e)
	if text == "" {
		return Cell{Text: none}
	}
	from := e.Level
	c := Cell{Text: text}
	switch {
	case e.HighOpen:
		from, c.Bound = e.Low, rf.AtLeast.String()
	case e.LowOpen:
		from, c.Bound = e.High, rf.AtMost.String()
	}
	if g, _ := p.Point.Target.Minus(p.Point.Wanted.Current); g.Finite() {
		from += float64(g)
	}
	c.Number = decimals(from)
	return c
}

// levelsIn heads a column of levels of the loop.
func levelsIn(name string, l *fixing.Loop) Column {
	if slices.ContainsFunc(l.Places, func(p *fixing.Place) bool { return !p.Point.Target.Exact() }) {
		return decibels(name)
	}
	return currentIn(name)
}

// gainsAt heads a column for each frequency.
func gainsAt(l *fixing.Loop) (out []Column) {
	for _, p := range l.Places {
		out = append(out, decibels("gain at "+p.Point.Frequency.String()))
	}
	return out
}

// since names the mark from which changes are counted.
func since(l *fixing.Loop) string {
	if l.Reference.Text == "" {
		return "the reference of " + l.Reference.At.Format(second)
	}
	return l.Reference.Text
}

// kindOf says what a product is told to be, and why.
func kindOf(e tracking.Estimate) string {
	text := string(e.Kind)
	if e.Kind == tracking.Random {
		text += ", the onset is its level of 50 % upsets"
	}
	if e.Why != "" {
		text += ": " + e.Why
	}
	return text
}

// followedTable has the onsets as they are now.
func followedTable(r result.Run, l *fixing.Loop) Table {
	t := Table{ID: fmt.Sprintf("followed-run-%d", r.Number), Title: "Onsets with what is in place now: " +
		InPlace(l.In()), Note: "With limits; at least and at most where nothing bounds it on the other side. Exposures " +
		"are those of the product as it is now. How well the current itself is known is not in the limits.",
		Columns: []Column{FrequencyIn("frequency"), levelsIn("onset now", l), decibels("margin to the level wanted"),
			decibels("since " + since(l)), words("what it rests on"), counted("exposures"), counted("upsets"),
			words("held back by")}}
	limited := false
	for i, p := range l.Places {
		e := p.Track.Now()
		limited = limited || p.Limited != ""
		moved := changeCell(l.SinceReference(i))
		if len(l.Epochs) == 1 && len(r.Fixing) == 0 {
			moved = Cell{Text: none}
		}
		t.Add(at(r.Number, p.Point.Frequency), onsetCell(p, e), marginCell(p, e), moved, say(kindOf(e)),
			tally(e.Exposures), tally(e.Upsets), say(p.Limited))
	}
	if !limited {
		t.drop(len(t.Columns) - 1)
	}
	return t
}

// effectsTable has what every change does, the greatest gain first.
func effectsTable(r result.Run, l *fixing.Loop) Table {
	t := Table{ID: fmt.Sprintf("effects-run-%d", r.Number), Title: "What each change does, tries of the same change " +
		"joined", Note: "Gain of the onset by putting it in, with limits; pairs of with and without. No difference is " +
		"shown where the limits hold zero.",
		Columns: slices.Concat([]Column{words("change"), words("in place now")}, gainsAt(l),
			[]Column{words("pairs"), words("in words")})}
	for _, e := range l.Effects() {
		what, in := say(e.What), say(yes(e.In))
		if e.What == "" {
			what, in = say("nothing changed"), say("")
		}
		row := []Cell{what, in}
		var pairs []string
		for _, p := range e.Places {
			row = append(row, changeCell(p.Change))
			pairs = append(pairs, strconv.Itoa(p.Pairs))
		}
		words := effectWords(l, e)
		row = append(row, say(strings.Join(pairs, ", ")), words)
		t.Add(row...)
	}
	return t
}

// effectWords says where a change makes it better, and where worse.
func effectWords(l *fixing.Loop, e fixing.Effect) Cell {
	var better, worse []string
	known := false
	for i, p := range e.Places {
		at := l.Places[i].Point.Frequency.String()
		known = known || p.Pairs > 0
		switch {
		case p.Worse():
			worse = append(worse, at)
		case p.Gain():
			better = append(better, at)
		}
	}
	var out []string
	if len(better) > 0 {
		out = append(out, "better at "+strings.Join(better, ", "))
	}
	if len(worse) > 0 {
		out = append(out, "worse at "+strings.Join(worse, ", "))
	}
	switch {
	case len(worse) > 0:
		return say(strings.Join(out, "; ")).marked("bad")
	case len(out) > 0:
		return say(out[0])
	case !known:
		return say("not measured")
	}
	return say("no difference shown")
}

// triesTable has the tries in their order.
func triesTable(r result.Run, l *fixing.Loop) Table {
	t := Table{ID: fmt.Sprintf("tries-run-%d", r.Number), Title: fmt.Sprintf("Tries of run %d", r.Number),
		Note: "Gain of the onset from before the try to after it, with limits.",
		Columns: slices.Concat([]Column{words("try"), words("at"), words("what was done")}, gainsAt(l),
			[]Column{words("in place after it")})}
	tries := l.Tries()
	for i, e := range l.Epochs[1:] {
		n := slices.IndexFunc(tries, func(x fixing.Try) bool { return x.Try == e.Try })
		row := []Cell{say(strconv.Itoa(e.Try)), keep(handsAt(r, e)), say(did(e))}
		if e.Try == 0 {
			row[0], row[2] = say(""), say("taken up again")
			if e.ByItself {
				row[2] = say("changed without hands")
			}
		}
		for k := range l.Places {
			c := Cell{Text: none}
			if e.Try > 0 && l.Places[k].Onset(i+1).Nothing() {
				c = Cell{Text: "not exposed"}
			} else if n >= 0 && e.Try > 0 {
				c = changeCell(tries[n].Gains[k])
			}
			row = append(row, c)
		}
		t.Add(append(row, say(InPlace(e.In)))...)
	}
	return t
}

// handsAt is when hands went out; a try that was taken over from the run that this one goes on with has its time there.
func handsAt(r result.Run, e fixing.Epoch) string {
	if r.Opened.Continues > 0 && len(r.Resumptions) > 0 && e.Try > 0 && !e.At.After(r.Resumptions[0].At) {
		return "in " + runName(r.Opened.Continues)
	}
	return e.At.Format(second)
}

// shiftsTable has the readings that moved with RF where the product was well.
func shiftsTable(r result.Run, l *fixing.Loop) Table {
	t := Table{ID: fmt.Sprintf("moved-run-%d", r.Number),
		Title: "Readings that moved with RF, without an upset: never an onset",
		Columns: []Column{FrequencyIn("frequency"), levelsIn("level", l), words("reading moved"),
			words("before the newest hands, at that level")}}
	stands := func(m fixing.Moved) bool { return m.Error > 0 && math.Abs(m.By) > 3*m.Error }
	by := func(m fixing.Moved) string {
		return strings.ReplaceAll(fmt.Sprintf("%+.3g %s", m.By, m.Unit), "-", "−")
	}
	for i, p := range l.Places {
		for _, x := range l.Shifts(i) {
			if !stands(x.Moved) && (x.Was == nil || !stands(*x.Was)) {
				continue
			}
			before := "not exposed at that level"
			if x.Was != nil {
				before = by(*x.Was)
			}
			t.Add(Frequency(p.Point.Frequency), Cell{Text: AtOffset(p, x.At), Number: decimals(atLevel(p, x.At))},
				say(x.Monitor+" "+by(x.Moved)), say(before))
		}
	}
	return t
}

// heldTable has the points that were held by hand.
func heldTable(r result.Run, l *fixing.Loop) Table {
	t := Table{ID: fmt.Sprintf("held-run-%d", r.Number), Title: "Points held by hand", Columns: []Column{words("at"),
		FrequencyIn("frequency"), currentIn("level"), secondsIn("held for"), words("what the product did"), words("note")}}
	for _, x := range l.Held {
		level, _ := x.Level()
		outcome := say("no upset")
		switch {
		case x.Outcome.Skipped || x.Outcome.Exposures == 0:
			outcome = say("not exposed")
		case x.Outcome.Upset:
			outcome = say(strings.TrimSuffix("upset, "+string(x.Class), ", ")).marked("bad")
		}
		t.Add(keep(x.At.Format(second)), Frequency(x.Step.Point.Frequency), Amount(level), duration(x.OnFor), outcome,
			say(x.Note))
	}
	return t
}

// handsTable has every time that hands went in, and on what it rested that RF was off.
func handsTable(r result.Run) Table {
	t := Table{ID: fmt.Sprintf("hands-run-%d", r.Number), Title: "Hands in and out", Columns: []Column{words("in at"),
		words("by"), words("RF off rested on"), words("a meter saw nothing"), secondsIn("took"), words("out at"),
		words("what hands did")}}
	for _, x := range r.Fixing {
		switch e := x.Event.(type) {
		case event.HandsIn:
			t.Add(keep(x.At.Format(second)), say(e.By), say(e.How), say(yes(e.Measured)), duration(e.Took), say(""),
				say("not out again"))
		case event.HandsOut:
			if n := len(t.Rows); n > 0 {
				t.Rows[n-1][5], t.Rows[n-1][6] = keep(x.At.Format(second)), say(e.Did())
			}
		}
	}
	return t
}

// figuresTable has the onset of every epoch at every frequency with its limits.
func figuresTable(r result.Run, l *fixing.Loop) Table {
	t := Table{ID: fmt.Sprintf("onsets-run-%d", r.Number),
		Title: fmt.Sprintf("Onsets after every try of run %d", r.Number),
		Columns: []Column{counted("try"), words("in place"), FrequencyIn("frequency"),
			levelsIn("onset", l), levelsIn("from", l), levelsIn("to", l), words("deterministic or random"),
			counted("exposures"), counted("upsets")}}
	end := func(p *fixing.Place, x float64, open bool) Cell {
		if open {
			return Cell{Text: none}
		}
		return Cell{Text: AtOffset(p, x), Number: decimals(atLevel(p, x))}
	}
	for i, e := range l.Epochs {
		for _, p := range l.Places {
			o := p.Onset(i)
			t.Add(tally(e.Try), say(InPlace(e.In)), Frequency(p.Point.Frequency), onsetCell(p, o),
				end(p, o.Low, o.LowOpen || o.Nothing()), end(p, o.High, o.HighOpen || o.Nothing()), say(string(o.Kind)),
				tally(o.Exposures), tally(o.Upsets))
		}
	}
	return t
}

// stripChart shows the exposures at a place in their order, with the onset as it was known after each.
func stripChart(r result.Run, l *fixing.Loop, i int) (Chart, bool) {
	p := l.Places[i]
	c := Chart{ID: fmt.Sprintf("figure-strip-%d-%d", r.Number, i+1), Title: fmt.Sprintf("Onset at %v, run %d",
		p.Point.Frequency, r.Number), Tall: 0.86,
		Caption: "The exposures in their order, with the onset as it was known after each, and its limits as upright bars. " +
			"Hands were in at the upright lines; the tries are numbered."}
	var passed, upset, alone, onset, limits, hands, tries []Spot
	span, epoch := newSpan(), 0
	for n, d := range p.Dots {
		x, y := float64(n+1), atLevel(p, float64(d.Level))
		for ; epoch < d.Epoch; epoch++ {
			hands = append(hands, Spot{X: x - 0.5, Y: -everywhere}, Spot{X: x - 0.5, Y: everywhere}, gap)
			tries = append(tries, Spot{X: x - 0.5})
			onset = append(onset, gap)
		}
		m := Spot{X: x, Y: y, Run: r.Number, Says: fmt.Sprintf("%s, %s: no upset; onset %s", d.At.Format(second),
			AtOffset(p, float64(d.Level)), Onset(p, d.After))}
		span.take([]Spot{m})
		switch {
		case d.Upset:
			m.Says = strings.Replace(m.Says, "no upset", "upset", 1)
			upset = append(upset, m)
		default:
			passed = append(passed, m)
		}
		if d.Changed {
			alone = append(alone, m)
			onset = append(onset, gap)
		}
		if e := d.After; !e.Nothing() && !e.LowOpen && !e.HighOpen {
			onset = append(onset, Spot{X: x, Y: atLevel(p, e.Level)})
			limits = append(limits, Spot{X: x, Y: atLevel(p, e.Low), To: atLevel(p, e.High)})
		} else {
			onset = append(onset, gap)
		}
	}
	if len(p.Dots) == 0 {
		return c, false
	}
	low, high := span.bottom-2, span.top+3 // limits of the first exposures reach far beyond them
	for i := range limits {
		limits[i].Y, limits[i].To = math.Max(limits[i].Y, low), math.Min(limits[i].To, high)
	}
	label := "level (dBµA)"
	if !p.Point.Target.Exact() {
		label = "level (dB of the plan's drive)"
	}
	c.X = Axis{Labels: []string{"exposure"}, Low: 0.5, High: float64(len(p.Dots)) + 0.5, Ticks: 8}
	c.Y = Axis{Labels: []string{label}, Low: low, High: high, Ticks: 6}
	c.draw("hands in", Line, Event, hands)
	c.draw("limits of the onset", Whisker, Soft, limits)
	c.draw("onset", Line, Trace, onset)
	c.draw("no upset", Dot, After, passed)
	c.draw("upset", Cross, Upset, upset)
	c.draw("changed without hands", Ring, Before, alone)
	c.draw("", Count, Upset, tries)
	c.explain(len(passed) > 0, "no upset", Dot, After)
	c.explain(len(upset) > 0, "upset", Cross, Upset)
	c.explain(len(limits) > 0, "onset", Line, Trace)
	c.explain(len(alone) > 0, "changed without hands", Ring, Before)
	c.explain(len(hands) > 0, "hands in", Upright, Event)
	return c, true
}

// fixingShape is a run of the fixing loop as --json tells it.
type fixingShape struct {
	Of        int           `tell:"followed_run,null"`
	Reference string        `tell:"reference"`
	In        []string      `tell:"in_place"`
	Places    []placeShape  `tell:"followed"`
	Tries     []tryShape    `tell:"tries"`
	Effects   []effectShape `tell:"effects"`
	Proof     string        `tell:"proof"`
}

type placeShape struct {
	Frequency rf.Frequency  `tell:"hz"`
	Onset     levelShape    `tell:"onset"`
	Since     changeShape   `tell:"since_reference"`
	Kind      tracking.Kind `tell:"kind"`
	Why       string        `tell:"why"`
	Exposures int           `tell:"exposures"`
	Upsets    int           `tell:"upsets"`
	ByItself  bool          `tell:"changed_without_hands"`
}

// levelShape is an onset with its limits, in dBµA, or in dB of the plan's drive where no current is asked for.
type levelShape struct {
	Text  string  `tell:"text"`
	Unit  string  `tell:"unit"`
	Level rf.Gain `tell:"level"`
	Low   rf.Gain `tell:"low"`
	High  rf.Gain `tell:"high"`
}

type changeShape struct {
	Middle rf.Gain `tell:"gain_db"`
	Low    rf.Gain `tell:"low_db"`
	High   rf.Gain `tell:"high_db"`
	Shown  bool    `tell:"difference_shown"`
	Pairs  int     `tell:"pairs,omit"`
}

type tryShape struct {
	Try   int           `tell:"try"`
	At    string        `tell:"at"`
	What  string        `tell:"change,null"`
	Out   bool          `tell:"taken_out"`
	In    []string      `tell:"in_place"`
	Gains []changeShape `tell:"gains"` // in the order of the frequencies followed
}

type effectShape struct {
	What  string        `tell:"change,null"`
	In    bool          `tell:"in_place"`
	Gains []changeShape `tell:"gains"`
	Words string        `tell:"words"`
}

func shapeOfChange(c tracking.Change, pairs int) changeShape {
	nan := rf.Gain(math.NaN())
	s := changeShape{rf.Gain(c.Middle), rf.Gain(c.Low), rf.Gain(c.High), c.Known() && c.Shown(), pairs}
	if c.LowOpen {
		s.Low, s.Middle = nan, nan
	}
	if c.HighOpen {
		s.High, s.Middle = nan, nan
	}
	return s
}

func shapeOfOnset(p *fixing.Place, e tracking.Estimate) levelShape {
	nan := rf.Gain(math.NaN())
	at := func(x float64) rf.Gain { return rf.Gain(atLevel(p, x)) }
	s := levelShape{Onset(p, e), "dBµA", at(e.Level), at(e.Low), at(e.High)}
	if !p.Point.Target.Exact() {
		s.Unit = "dB of the plan's drive"
	}
	if e.LowOpen || e.Nothing() {
		s.Low, s.Level = nan, nan
	}
	if e.HighOpen || e.Nothing() {
		s.High, s.Level = nan, nan
	}
	return s
}

// Fixing is what a run of the fixing loop tells besides; nil for other runs.
func (t RunTold) Fixing() *fixingShape {
	l := t.Findings.Loop
	if l == nil {
		return nil
	}
	s := &fixingShape{Of: l.Fixing.Of, Reference: since(l), In: l.In(), Proof: t.proof()}
	for i, p := range l.Places {
		e := p.Track.Now()
		s.Places = append(s.Places, placeShape{p.Point.Frequency, shapeOfOnset(p, e),
			shapeOfChange(l.SinceReference(i), 0), e.Kind, e.Why, e.Exposures, e.Upsets,
			slices.ContainsFunc(p.Dots, func(d fixing.Dot) bool { return d.Changed })})
	}
	for _, x := range l.Tries() {
		y := tryShape{Try: x.Try, At: handsAt(t.Run, x.Epoch), What: x.What, Out: x.Out, In: x.In}
		for _, g := range x.Gains {
			y.Gains = append(y.Gains, shapeOfChange(g, 0))
		}
		s.Tries = append(s.Tries, y)
	}
	for _, x := range l.Effects() {
		y := effectShape{What: x.What, In: x.In, Words: effectWords(l, x).Text}
		for _, g := range x.Places {
			y.Gains = append(y.Gains, shapeOfChange(g.Change, g.Pairs))
		}
		s.Effects = append(s.Effects, y)
	}
	return s
}
