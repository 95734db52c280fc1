package plan

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"path"
	"slices"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Look is a plan that was made from another one: to look quickly over its whole range, or closely where it matters.
type Look struct {
	Text     string
	Says     []string    // what it is, as it stands above the keys
	Plan     *Plan       // as Text is read
	Step     rf.Fraction // of a quick look
	Duration Duration    // of a quick look
	// Left is what a quick look was asked to visit first and the plan does not reach, or what of the plan's ranges a
	// close look leaves out.
	Left []Span
}

// Span is a part of the frequencies, with why it is of interest.
type Span struct {
	From rf.Frequency `tell:"from_hz"`
	To   rf.Frequency `tell:"to_hz"`
	Why  string
}

// String names the ends: "33.6 MHz to 48.2 MHz".
func (w Span) String() string {
	if w.From == w.To {
		return w.From.String()
	}
	return fmt.Sprintf("%v to %v", w.From, w.To)
}

// quickTime is how long a quick look may take, by the estimate; quickSteps are the steps that it may have, the finest
// that keeps the time is taken. With a step of 25 % a resonance of a Q of 4 is still hit within its 3 dB: beyond it is
// no look at all, however long the dwell (common practice, no single source).
const quickTime = rf.Duration(5 * 60 * 1e9)

var quickSteps = []rf.Fraction{0.01, 0.015, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08, 0.1, 0.12, 0.15, 0.2, 0.25}

// QuickLook makes the quick look of a plan on its bench: what is given is visited first, then the plan's ranges in
// steps so coarse that it takes about five minutes; onsets to 3 dB, neither edges nor recovery, and no confirmation,
// since the close look exposes again what is found. All else is as the plan has it.
func QuickLook(p *Plan, b *catalog.Bench, first []rf.Frequency) (*Look, error) {
	ranges, own := p.ranges()
	switch {
	case p.Kind != Exposure:
		return nil, fmt.Errorf("a quick look exposes the product, and %s is a plan of kind %s", p.File, p.Kind)
	case len(ranges) == 0:
		return nil, fmt.Errorf("the grid of %s has single frequencies only: a quick look needs a segment with from, "+
			"to and step", p.File)
	}
	l := &Look{}
	ahead := p.inFile().First
	for _, f := range first {
		switch {
		case !slices.ContainsFunc(ranges, func(s Span) bool { return f >= s.From && f <= s.To }):
			l.Left = append(l.Left, Span{From: f, To: f})
		default:
			ahead = alsoNamed(ahead, f, 0.005)
		}
	}
	changes := []Change{{"name", p.Name + ", quick look"}, {"edges", ""}, {"drift_check", ""}, {"time_limit", ""},
		{"first", bracketed(ahead)}, {"search", fmt.Sprintf("{recovery: false, resolution: 3 dB, range: %v, "+
			"confirm: 0}", max(p.Search.Range, 3))}}
	for _, l.Step = range append([]rf.Fraction{own}, quickSteps...) {
		if l.Step < own {
			continue
		}
		if err := l.make(p, append(changes, Change{"grid", p.coarse(ranges, l.Step)})); err != nil {
			return nil, err
		}
		if l.Duration = durationOf(l.Plan, b); l.Duration.Likely <= quickTime {
			break
		}
	}
	says := []string{fmt.Sprintf("Quick look made from %s: %d frequencies in steps of %v, %v.", path.Base(p.File),
		len(l.Plan.Grid), l.Step, l.Duration), "Onsets to 3 dB, no edges, no recovery level, no confirmation: a " +
		"close look at what failed comes after it.",
		fmt.Sprintf("A failing band narrower than %v may lie between two frequencies.", l.Step)}
	if l.Duration.Likely > quickTime {
		says = append(says, fmt.Sprintf("It does not fit into %v: even steps of %v take longer with a dwell of %v. "+
			"Name "+
			"the frequencies that matter with first, or shorten the range.", quickTime, l.Step, p.Dwell))
	}
	if len(ahead) > 0 {
		says = append(says, "Visited first: "+Listed(ahead)+".")
	}
	if len(l.Left) > 0 {
		says = append(says, "Left out, since the plan does not reach there: "+Spans(l.Left)+".")
	}
	l.head(says)
	return l, nil
}

// CloseLook makes the plan that looks closely: the plan's own frequencies, in its own steps, within spans. What also is
// to be said stands above its keys.
func CloseLook(p *Plan, spans []Span, also ...string) (*Look, error) {
	if p.Kind != Exposure {
		return nil, fmt.Errorf("a close look exposes the product, and %s is a plan of kind %s", p.File, p.Kind)
	}
	l, grid := &Look{}, []string{}
	spans = Joined(spans)
	for _, w := range spans {
		why := "   # " + w.Why
		for _, s := range p.segments() {
			if text := s.within(w); text != "" {
				grid, why = append(grid, "- "+text+why), ""
			}
		}
	}
	if len(grid) == 0 {
		return nil, fmt.Errorf("%s exposes nothing where there is something to look at closely", p.File)
	}
	ranges, _ := p.ranges()
	for _, s := range ranges {
		from := s.From
		for _, w := range append(spans, Span{From: s.To, To: s.To}) {
			if w.From > from && from < s.To {
				l.Left = append(l.Left, Span{From: from, To: min(w.From, s.To)})
			}
			from = max(from, w.To)
		}
	}
	if err := l.make(p, []Change{{"name", p.Name + ", close look"}, {"first", ""}, {"clocks", ""},
		{"time_limit", ""}, {"drift_check", ""}, {"grid", strings.Join(grid, "\n")}}); err != nil {
		return nil, err
	}
	l.head(append([]string{fmt.Sprintf("Close look made from %s: %s in its own steps, where it has %d.",
		path.Base(p.File), english.Count(len(l.Plan.Grid), "frequency", "frequencies"), len(p.Grid)),
		"Left out: " + cmp.Or(Spans(l.Left), "nothing") + "."}, also...))
	return l, nil
}

// Spans lists spans in words.
func Spans(all []Span) string {
	var out []string
	for _, w := range all {
		out = append(out, w.String())
	}
	return strings.Join(out, ", ")
}

// make writes the text from a plan's own and reads it.
func (l *Look) make(p *Plan, changes []Change) error {
	text, err := Rewrite(p.Bytes, changes...)
	made, list := Parse(p.File, text, func(name string) ([]byte, error) { return p.Files[name], nil })
	if err = errors.Join(err, list.Err()); err != nil {
		return fmt.Errorf("make a look from %s: %w", p.File, err)
	}
	l.Text, l.Plan = string(text), made
	return nil
}

// head puts what it is below the first line.
func (l *Look) head(says []string) {
	l.Says = says
	at := strings.Index(l.Text, "provoke:")
	at += strings.IndexByte(l.Text[at:], '\n') + 1
	l.Text = l.Text[:at] + "# " + strings.Join(says, "\n# ") + "\n" + l.Text[at:]
}

// ranges are what the segments step through from one end to the other, joined where they meet, and the finest mean
// step of one, to two digits.
func (p *Plan) ranges() (out []Span, finest rf.Fraction) {
	for _, s := range p.segments() {
		g, err := s.grid()
		if err != nil || !s.From.Known() || s.To <= s.From {
			continue
		}
		f, _ := g.Frequencies()
		mean := math.Pow(float64(s.To/s.From), 1/float64(max(1, len(f)-1))) - 1
		unit := math.Pow(10, math.Floor(math.Log10(mean))-1)
		if step := rf.Fraction(math.Round(mean/unit) * unit); finest == 0 || step < finest {
			finest = step
		}
		out = append(out, Span{From: s.From, To: s.To})
	}
	return Joined(out), finest
}

// segments are those of the plan's file.
func (p *Plan) segments() []segment { return p.inFile().Grid }

// inFile is the plan as its file has it.
func (p *Plan) inFile() (f planFile) {
	document.Decode(p.File, p.Bytes, "plan 1", &f) // what is wrong with it was told when the plan was read
	return f
}

// coarse is the grid of a quick look: ranges in one step, and the frequencies that the plan names.
func (p *Plan) coarse(ranges []Span, step rf.Fraction) string {
	var out []string
	for _, s := range ranges {
		out = append(out, fmt.Sprintf("- {from: %v, to: %v, step: %v}", s.From, s.To, step))
	}
	for _, s := range p.segments() {
		if named := append(s.List, s.Around...); len(named) > 0 {
			out = append(out, "- {list: "+bracketed(named)+"}")
		}
	}
	return strings.Join(out, "\n")
}

// within is what of a segment lies in a span, as it is written; "" for nothing.
func (s segment) within(w Span) string {
	inside := slices.DeleteFunc(append(slices.Clone(s.List), s.Around...), func(f rf.Frequency) bool {
		return f < w.From || f > w.To
	})
	from, to := max(s.From, w.From), min(s.To, w.To)
	switch {
	case len(inside) > 0 && len(s.List) > 0:
		return "{list: " + bracketed(inside) + "}"
	case len(inside) > 0:
		return fmt.Sprintf("{around: %s, span: %s, step: %s}", bracketed(inside), s.Span, s.Step)
	case from >= to:
		return ""
	case s.StepsOf != "":
		return fmt.Sprintf("{from: %v, to: %v, steps_of: %s}", from, to, document.Inline(s.StepsOf))
	}
	return fmt.Sprintf("{from: %v, to: %v, step: %s}", from, to, document.Inline(s.Step))
}

// Joined are spans in their order, those that meet as one.
func Joined(spans []Span) (out []Span) {
	for _, w := range slices.SortedStableFunc(slices.Values(spans),
		func(a, b Span) int { return cmp.Compare(a.From, b.From) }) {
		if n := len(out) - 1; n >= 0 && w.From <= out[n].To {
			out[n].To, out[n].Why = max(out[n].To, w.To), strings.Trim(out[n].Why+"; "+w.Why, "; ")
			continue
		}
		out = append(out, w)
	}
	return out
}

// Listed names frequencies: "27.12 MHz, 41 MHz".
func Listed(at []rf.Frequency) string {
	var out []string
	for _, f := range at {
		out = append(out, f.String())
	}
	return strings.Join(out, ", ")
}

// bracketed is a list of frequencies as a file has it; "" for none.
func bracketed(at []rf.Frequency) string {
	if len(at) == 0 {
		return ""
	}
	return "[" + Listed(at) + "]"
}
