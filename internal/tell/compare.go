package tell

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// CompareTold is what two runs show beside one another.
type CompareTold struct {
	_ struct{} `tell:"before=Before after=After margin_asked_db=Margin gain_of=GainOf verdict=Verdict"`
	_ struct{} `tell:"reasons=Reasons differences=Differences reservations=Reservations points=Points bands=Bands"`
	_ struct{} `tell:"predicted=Beside tried=Tried,omit shifts=Shifts,omit"`

	analysis.Comparison
	Words, Mark string // the verdict, and how it is marked
	// Predicted is what was predicted before the change and kept; nil for nothing, with why where it cannot be read.
	Predicted *remedy.Prediction
	why       string
	// Tried says what the fixing loops between the two runs had in place at their ends.
	Tried []string
}

// GainOf says what the gains are of.
func (c CompareTold) GainOf() string {
	if InDrive(c.Comparison) != "" {
		return "drive"
	}
	return "current"
}

// Compared works out what two runs show; held, where it is not nil, holds the comparison to more.
func (b *Book) Compared(before, after int, margin rf.Gain, held func(*analysis.Comparison, [2]result.Run)) (CompareTold,
	error) {
	c, runs, err := b.Compare(before, after, margin)
	if err != nil {
		return CompareTold{}, err
	}
	if held != nil {
		held(&c, runs)
	}
	t := CompareTold{Comparison: c, Words: strings.Replace(VerdictWords(c), string(c.Verdict), fixWords(c.Verdict), 1),
		Mark: judgementMarks[c.Verdict]}
	if t.Mark == "good" && len(c.Reservations) > 0 {
		t.Mark = "warn"
	}
	if t.Predicted, err = remedy.Kept(runs[0], b.from.Attachment); err != nil {
		t.why = err.Error()
	}
	t.Tried, err = b.tried(before, after)
	return t, err
}

// judgementMarks are how judgements are marked.
var judgementMarks = map[analysis.Judgement]string{analysis.Shown: "good", analysis.NotShown: "warn",
	analysis.NoDifference: "warn", analysis.Worse: "bad"}

// Section tells the comparison.
func (c CompareTold) Section() Section {
	s := Section{ID: fmt.Sprintf("compare-%d", c.After.Run),
		Title: fmt.Sprintf("Run %d before, run %d after", c.Before.Run, c.After.Run)}
	s.add(Block{Verdict: &Verdict{Words: english.FirstUpper(c.Words), Mark: c.Mark, Reasons: c.reasons(),
		Reservations: c.Reservations, Of: c.of()}})
	for _, f := range []analysis.Findings{c.Before, c.After} {
		side := "Before"
		if f.Run == c.After.Run {
			side = "After"
		}
		headline, _ := Headline(f)
		s.add(Block{Text: fmt.Sprintf("%s: run %d%s: %s.", side, f.Run, labelled(f), headline), Kind: KindSides})
	}
	for _, words := range c.Tried {
		s.say("of", words)
	}
	s.table(differencesTable(c.Comparison))
	if chart, ok := profileChart(c.Before, &c.After); ok {
		s.add(Block{Chart: &chart, Kind: KindChart})
	}
	s.table(comparedBandsTable(c.Comparison))
	if folded := foldedTable(c.Comparison); len(folded.Rows) > 0 {
		s.add(Block{Table: &folded, Kind: KindFolded, Brief: true})
	}
	if chart, ok := gainChart(c.Comparison); ok {
		s.add(Block{Chart: &chart, Kind: KindGain})
	}
	for _, words := range c.rest() {
		s.say("", words)
	}
	c.shifts(&s)
	s.table(predictedTable(c.Predicted, c.Comparison))
	if c.why != "" {
		s.say("warning", "Nothing predicted is shown: "+c.why+".")
	}
	s.annex("", comparedTable(c.Comparison))
	return s
}

// reasons say first how far it helped, what is missing, and the decision.
func (c CompareTold) reasons() []string {
	var out []string
	for _, s := range []string{analysis.Helped(c.Points), analysis.Missing(c.Points)} {
		if s != "" {
			out = append(out, s)
		}
	}
	for _, s := range append(c.decided(), c.Reasons...) {
		if !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// decided is the decision that the verdict rests on.
func (c CompareTold) decided() []string {
	if c.Decision == nil {
		return nil
	}
	return []string{c.Decision.Says()}
}

func (c CompareTold) of() string {
	of := fmt.Sprintf("Run %d before, run %d after", c.Before.Run, c.After.Run)
	if changed := c.After.Opened.Changed; changed != "" {
		of += "; changed: " + changed
	}
	return fmt.Sprintf("%s. Margin asked above the onset before: %v.", of, c.Margin)
}

func labelled(f analysis.Findings) string {
	if f.Opened.Label == "" {
		return ""
	}
	return fmt.Sprintf(" %q", f.Opened.Label)
}

// rest counts the frequencies that the tables do not show.
func (c CompareTold) rest() []string {
	rest, apart := 0, 0
	for _, p := range c.Points {
		switch {
		case p.Telling():
		case p.Verdict == analysis.NotCompared:
			apart++
		default:
			rest++
		}
	}
	var out []string
	if rest > 0 {
		out = append(out, fmt.Sprintf("%s: no upset in either run.",
			english.Count(rest, "other frequency", "other frequencies")))
	}
	if apart > 0 {
		out = append(out, fmt.Sprintf("%s: exposed in only one of the runs, no upset there.",
			english.Count(apart, "other frequency", "other frequencies")))
	}
	return out
}

// foldedTable has the frequencies that upset in one of the runs; neighbours with the same verdict, and the same kind of
// reason, in one row.
func foldedTable(c analysis.Comparison) Table {
	t := Table{ID: "compared-in-short", Title: "Frequencies that upset before or after",
		Note: english.FirstUpper(InDrive(c)), Columns: []Column{
			words("frequency"), words("onset before"), words("onset after"), words("gain"), currentIn("required"),
			words("verdict"), words("why"),
		}}
	var group []analysis.ComparedPoint
	flush := func() {
		if len(group) > 0 {
			t.Add(groupRow(group)...)
		}
		group = nil
	}
	for _, p := range c.Points {
		if !p.Telling() {
			flush() // what stood between is not in a group
			continue
		}
		if n := len(group); n > 0 && !alike(group[n-1], p) {
			flush()
		}
		group = append(group, p)
	}
	flush()
	return t
}

var anyFigure = regexp.MustCompile(`\d+(\.\d+)?`)

// alike reports that two rows say the same but for their figures.
func alike(a, b analysis.ComparedPoint) bool {
	kind := func(p analysis.ComparedPoint) string {
		before, after := p.Onsets()
		return fmt.Sprint(p.Verdict, before.Bound(), after.Bound(), before.Known(), after.Known(), p.GainBound,
			p.Gain.Finite(), anyFigure.ReplaceAllString(p.Why, "#"))
	}
	return kind(a) == kind(b)
}

func groupRow(group []analysis.ComparedPoint) []Cell {
	p := group[0]
	before, after := p.Onsets()
	verdict := say(fixWords(p.Verdict)).marked(judgementMarks[p.Verdict])
	if len(group) == 1 {
		return []Cell{Frequency(p.Frequency), Amount(before), Amount(after), gain(p.Gain, p.GainBound),
			Amount(p.Required), verdict, say(p.Why)}
	}
	low, high := [2]rf.Current{before, after}, [2]rf.Current{before, after}
	worst, least, most := p, p.Gain, p.Gain
	for _, q := range group {
		b, a := q.Onsets()
		for i, x := range []rf.Current{b, a} {
			low[i] = low[i].Lower(x)
			if x.Above(high[i]) {
				high[i] = x
			}
		}
		least, most = min(least, q.Gain), max(most, q.Gain)
		_, y := worst.Onsets()
		if y.WithBound(rf.Exactly).Above(a.WithBound(rf.Exactly)) {
			worst = q
		}
	}
	span := func(a, b fmt.Stringer) Cell {
		if a.String() == b.String() {
			return say(a.String())
		}
		return say(fmt.Sprintf("%v to %v", a, b))
	}
	gained := GainWords(least, p.GainBound)
	if s := GainWords(most, rf.Exactly); !strings.HasSuffix(gained, s) {
		gained += " to " + s
	}
	why := worst.Why
	if !strings.Contains(why, "at "+worst.Frequency.String()) {
		why += fmt.Sprintf(" (the lowest, at %v)", worst.Frequency)
	}
	return []Cell{say(fmt.Sprintf("%v to %v (%d)", p.Frequency, group[len(group)-1].Frequency, len(group))),
		span(low[0], high[0]),
		span(low[1], high[1].WithBound(rf.Exactly)), say(gained), Amount(p.Required), verdict, say(why)}
}

// gainChart shows the gain of the onset over frequency.
func gainChart(c analysis.Comparison) (Chart, bool) {
	chart := Chart{ID: fmt.Sprintf("gain-%d", c.After.Run), Title: fmt.Sprintf("Gain of run %d over run %d",
		c.After.Run, c.Before.Run), Tall: 0.8}
	var spots []Spot
	for _, p := range c.Points {
		if g := float64(p.Gain); p.GainBound != rf.Unknown && !math.IsNaN(g) && !math.IsInf(g, 0) {
			spots = append(spots, Spot{X: p.Frequency.Hz(), Y: g, Bound: p.GainBound, Run: c.After.Run,
				Says: fmt.Sprintf("%v: %s; %s", p.Frequency, GainWords(p.Gain, p.GainBound), fixWords(p.Verdict))})
		}
	}
	chart.draw("gain", Dot, Before, spots)
	return chart, chart.OverFrequency("gain of the onset (dB)", spots)
}

// Profiles shows the immunity profiles of several runs over one another.
func Profiles(all []analysis.Findings) (Chart, bool) {
	c := Chart{ID: "overlay", Title: "Immunity profiles overlaid", Tall: 1.12}
	paints, signs := []Paint{Before, After, Third, Fourth}, []Sign{Dot, Square, Triangle, Ring}
	var lists [][]Spot
	for i, f := range all {
		spots := onsetSpots(f)
		c.draw(fmt.Sprintf("run %d", f.Run), signs[i%4], paints[i%4], spots)
		lists = append(lists, spots)
	}
	if len(all) > 0 {
		wanted := wantedSpots(all[0].Points)
		c.draw(WantedWords(all[0]), Dash, Wanted, wanted)
		lists = append(lists, wanted)
	}
	return c, c.OverFrequency(onsetLabel, lists...)
}
