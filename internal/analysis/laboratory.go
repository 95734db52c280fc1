package analysis

import (
	"fmt"
	"math"

	"provoke/internal/event"
	"provoke/internal/level"
	"provoke/internal/plan"
	"provoke/internal/result"
	"provoke/internal/rf"
)

// Certainty is how well levels are known: standard uncertainties in dB, and the one-sided factor that
// a confidence asks for. Package uncertainty gives the figures.
type Certainty struct {
	Confidence rf.Fraction
	Factor     float64
	// Bench returns the standard uncertainty of a current on the bench at a frequency; AssumedBench
	// says that there is no bench file to work from.
	Bench        func(rf.Frequency) rf.Gain
	AssumedBench bool
	// Laboratory is the standard uncertainty of the laboratory's level; AssumedLaboratory says that
	// its report gives none.
	Laboratory        rf.Gain
	AssumedLaboratory bool
}

// Margin returns what an onset on the bench must lie above the current that stands for the
// laboratory's level, so that the laboratory passes with the confidence:
// k·√(u(bench)² + u(laboratory)²), k one-sided.
func (c Certainty) Margin(f rf.Frequency) rf.Gain {
	return rf.Gain(c.Factor * math.Hypot(c.Bench(f).DB(), c.Laboratory.DB()))
}

// Fate of a laboratory's failure on the bench.
type Fate string

// The fates.
const (
	Reproduced    Fate = "reproduced"
	NotReproduced Fate = "not reproduced"
	NotExposed    Fate = "never exposed on the bench"
)

// LaboratoryPoint is one failure of the laboratory beside the bench.
type LaboratoryPoint struct {
	event.LaboratoryFailure
	Low, High rf.Frequency // where it is looked for: the failure's range with half a per cent to either side
	Fate      Fate
	// Exposed is the number of bench frequencies inside, Upset how many of them upset.
	Exposed, Upset int
	At             rf.Frequency // of the lowest onset inside, or of the highest current stood
	// Onset is the lowest onset on the bench; where nothing upset, the current stood (at least).
	Onset rf.Current
	Class event.Class
	// Asks is the current that the level stands for: the matched loop's of an e.m.f., the current
	// itself, for a field the low end of published pairings and AsksHigh the high end.
	Asks, AsksHigh rf.Current
	Indicative     string // why Asks is only indicative; empty otherwise
	// PerUnit is the onset per volt of e.m.f. or per volt per metre ("V", "V/m"); at least where the
	// laboratory's onset is not known, since it may lie below the level tested. Absent for a level in
	// ampere and where nothing upset.
	PerUnit rf.Current
	Unit    string
	// Published are the ends of the published range of PerUnit; Published.Text says whose.
	PublishedLow, PublishedHigh rf.Current
	PublishedSource             string
	Beside                      string // how PerUnit lies to the published range
	// Required is the current that a fixed DUT has to stand on the bench: the base with the margin.
	Base, Required rf.Current
	BaseFrom       string
	Margin         rf.Gain
	Notes          []string
}

// BenchOnly is a failing band that the laboratory did not report.
type BenchOnly struct {
	Band
	// Tested: the laboratory says that it exposed these frequencies, at TestedAt.
	Tested   bool
	TestedAt string
	Why      string
}

// BesideLaboratory is a laboratory's report beside a run.
type BesideLaboratory struct {
	Run       int
	Opened    event.Opened
	Report    event.LaboratoryFailures
	Certainty Certainty
	Points    []LaboratoryPoint
	BenchOnly []BenchOnly
}

// CompareLaboratory holds a laboratory's failures against a run of the DUT as the laboratory had it.
func CompareLaboratory(lab event.LaboratoryFailures, r result.Run, c Certainty) (BesideLaboratory, error) {
	out := BesideLaboratory{Run: r.Number, Opened: r.Opened, Report: lab, Certainty: c}
	if r.Opened.RunKind != plan.Exposure {
		return out, fmt.Errorf("hold the laboratory's report against run %d: it is a %s, not an exposure of the DUT", r.Number, r.Opened.RunKind)
	}
	f := Of(r, nil)
	for _, x := range lab.Failures {
		p, err := besideBench(x, f, c)
		if err != nil {
			return out, fmt.Errorf("hold the laboratory's failure at %v against run %d: %w", x.From, r.Number, err)
		}
		out.Points = append(out.Points, p)
	}
	for _, b := range f.Bands {
		if !out.reported(b) {
			out.BenchOnly = append(out.BenchOnly, benchOnly(b, lab))
		}
	}
	return out, nil
}

// AsReceived returns the number of the exposure that shows the product as a laboratory had it: of those
// before which nothing was changed, the one with the most frequencies, and the newest of equals; where
// something was changed before every one, the oldest; 0 for none. The runs need no more than their
// number and how they were opened.
func AsReceived(runs []result.Run) int {
	best, most, oldest := 0, -1, 0
	for _, r := range runs {
		if r.Opened.RunKind != plan.Exposure {
			continue
		}
		if oldest == 0 {
			oldest = r.Number
		}
		if r.Opened.Changed == "" && r.Opened.Points >= most {
			best, most = r.Number, r.Opened.Points
		}
	}
	if best == 0 {
		return oldest
	}
	return best
}

// slack is how far beside a reported frequency the bench counts as the same: half a step of 1 %.
const slack = 0.005

func besideBench(x event.LaboratoryFailure, f Findings, c Certainty) (LaboratoryPoint, error) {
	p := LaboratoryPoint{LaboratoryFailure: x, Low: x.From * (1 - slack), High: max(x.From, x.To) * (1 + slack), Fate: NotExposed}
	stated, err := readLabLevel(x.Level)
	if err != nil {
		return p, err
	}
	p.Asks, p.AsksHigh, p.Indicative = stated.asks, stated.high, stated.caution
	p.search(f)
	p.implied(stated)
	p.compareModulation(f.Opened.Modulation)
	return p, p.require(stated, c)
}

// search finds the lowest onset of the bench inside the failure's range.
func (p *LaboratoryPoint) search(f Findings) {
	for _, q := range f.Points {
		if q.Frequency < p.Low || q.Frequency > p.High || !q.Tested() {
			continue
		}
		p.Exposed++
		switch {
		case q.Upset && p.Upset == 0, q.Upset && q.Onset.Known() && (!p.Onset.Known() || q.Onset.DB() < p.Onset.DB()):
			p.At, p.Onset = q.Frequency, q.Onset
		case !q.Upset && p.Upset == 0 && (!p.Onset.Known() || q.Onset.DB() < p.Onset.DB()):
			p.At, p.Onset = q.Frequency, q.Onset // what the whole range was shown to stand
		}
		if q.Upset {
			p.Upset++
			p.Class = result.Worse(p.Class, q.Class)
		}
	}
	switch {
	case p.Upset > 0:
		p.Fate = Reproduced
	case p.Exposed > 0:
		p.Fate = NotReproduced
		if p.Asks.Known() && p.AsksHigh.Above(p.Onset.WithBound(rf.Exactly)) {
			p.Notes = append(p.Notes, fmt.Sprintf("the bench went to %v only, and the level stands for %s", p.Onset.WithBound(rf.Exactly), p.asks()))
		}
	}
}

func (p *LaboratoryPoint) asks() string {
	if p.Asks == p.AsksHigh {
		return p.Asks.String()
	}
	return fmt.Sprintf("%v to %v (%s)", p.Asks, p.AsksHigh, p.Indicative)
}

// implied works out the current per volt or per volt per metre.
func (p *LaboratoryPoint) implied(stated labLevel) {
	p.Unit = stated.unit
	switch stated.unit {
	case "V":
		p.PublishedLow, p.PublishedHigh = level.LoopCurrent(rf.Volts(1), level.Loop150), level.ClampLimit(rf.Volts(1))
		p.PublishedSource = "matched loop U0/300 Ω to the clamp's limit U0/150 Ω (IEC 61000-4-6, from memory)"
	case "V/m":
		pairs := level.Pairings()
		p.PublishedLow, p.PublishedHigh = pairs[0].PerField, pairs[len(pairs)-1].PerField
		p.PublishedSource = fmt.Sprintf("published pairings, from %q to %q", pairs[0].Name, pairs[len(pairs)-1].Name)
	default:
		p.Unit = ""
		return
	}
	if p.Fate != Reproduced || !p.Onset.Known() {
		return
	}
	p.PerUnit = p.Onset.Sub(rf.Gain(stated.db))
	if !p.LaboratoryFailure.Onset {
		p.PerUnit = both(p.PerUnit, rf.AtLeast)
		p.Notes = append(p.Notes, "the laboratory tested at this level only: its onset lies at it or below, so the current per unit is a lower bound")
	}
	switch n := p.PerUnit.WithBound(rf.Exactly); {
	case !n.Known():
	case n.Above(p.PublishedHigh):
		p.Beside = "above the published range"
	case p.PublishedLow.Above(n):
		p.Beside = "below the published range"
	default:
		p.Beside = "within the published range"
	}
}

// both gives a level a further bound; bounds that point apart leave nothing known.
func both(l rf.Current, b rf.Bound) rf.Current {
	if l.Exact() || l.Bound() == b {
		return l.WithBound(b)
	}
	return rf.Current{}
}

func (p *LaboratoryPoint) compareModulation(bench level.Modulation) {
	if p.Modulation == "" {
		return
	}
	m, err := level.ParseEnvelope(p.Modulation)
	if err != nil {
		return
	}
	if m.Kind != bench.Kind && !(m.IsCW() && bench.IsCW()) || m.Depth != bench.Depth || m.Duty != bench.Duty || m.Rate.Known() && m.Rate != bench.Rate {
		p.Notes = append(p.Notes, fmt.Sprintf("the laboratory's modulation was %s, the bench's %s", p.Modulation, Modulation(bench)))
	}
}

// require works out the current that the bench has to show. The base is what the required level stands
// for on the bench: where the laboratory knows its own onset, the bench's onset moved by as much as
// the required level lies above it; else the current that the level stands for, and no less than the
// onset on the bench, because the laboratory failed there too.
func (p *LaboratoryPoint) require(stated labLevel, c Certainty) error {
	need := stated
	if p.LaboratoryFailure.Required != "" {
		var err error
		if need, err = readLabLevel(p.LaboratoryFailure.Required); err != nil {
			return err
		}
	}
	onset := p.Onset.WithBound(rf.Exactly)
	switch {
	case p.Fate == Reproduced && p.LaboratoryFailure.Onset && onset.Known():
		p.Base = onset.Add(rf.Gain(need.db - stated.db))
		p.BaseFrom = "bench onset moved by the required level over the laboratory's onset"
	case p.Fate == Reproduced && onset.Known() && onset.Above(need.high):
		p.Base = onset
		p.BaseFrom = "bench onset: the laboratory failed at this level, so it stresses the DUT at least as much as the bench does there"
	default:
		p.Base = need.high
		p.BaseFrom = "current that the level stands for"
		if need.caution != "" {
			p.BaseFrom = "high end of published pairings: indicative"
		}
	}
	at := p.At
	if !at.Known() {
		at = p.From
	}
	p.Margin = c.Margin(at)
	p.Required = p.Base.Add(p.Margin)
	if !p.LaboratoryFailure.Onset {
		p.Notes = append(p.Notes, "how far below its level the laboratory's onset lies is not known: ask it, or have it lower the level until the DUT recovers, and say onset: true")
	}
	return nil
}

// reported reports that a band overlaps a failure of the laboratory.
func (l BesideLaboratory) reported(b Band) bool {
	for _, p := range l.Points {
		if b.Low.Frequency <= p.High && b.High.Frequency >= p.Low {
			return true
		}
	}
	return false
}

func benchOnly(b Band, lab event.LaboratoryFailures) BenchOnly {
	out := BenchOnly{Band: b, Why: "the report does not say what the laboratory exposed"}
	if len(lab.Tested) > 0 {
		out.Why = "the laboratory did not expose these frequencies"
	}
	for _, t := range lab.Tested {
		if b.Low.Frequency > t.To || b.High.Frequency < t.From {
			continue
		}
		out.Tested, out.TestedAt = true, t.Level
		stated, err := readLabLevel(t.Level)
		onset := b.Lowest.Onset.WithBound(rf.Exactly)
		switch {
		case err != nil || !onset.Known():
			out.Why = "the laboratory exposed them and reported nothing"
		case onset.Above(stated.high):
			out.Why = fmt.Sprintf("the onset is above the %v that the laboratory's %s stands for: it needs not have seen it", stated.high, t.Level)
		default:
			out.Why = fmt.Sprintf("the laboratory's %s stands for %v, which is above the onset: it should have seen it, or its current on this cable was lower", t.Level, stated.asks)
		}
	}
	return out
}

// Unmet is a requirement of the laboratory's report that a run does not show.
type Unmet struct {
	Point LaboratoryPoint
	Why   string
}

// Unmet returns which of the requirements a run after a change does not show to be met.
func (l BesideLaboratory) Unmet(after result.Run) []Unmet {
	f := Of(after, nil)
	var out []Unmet
	for _, p := range l.Points {
		exposed := 0
		var short *Point
		for i, q := range f.Points {
			if q.Frequency < p.Low || q.Frequency > p.High || !q.Tested() {
				continue
			}
			exposed++
			if !shows(q.Onset, p.Required) && (short == nil || q.Onset.DB() < short.Onset.DB()) {
				short = &f.Points[i]
			}
		}
		switch {
		case exposed == 0:
			out = append(out, Unmet{p, fmt.Sprintf("the laboratory failed at %s, and run %d exposed nothing there", p.Span(), after.Number)})
		case short != nil && short.Upset:
			out = append(out, Unmet{p, fmt.Sprintf("the laboratory failed at %s: at %v the product upsets at %v now; %v would let the laboratory pass with a confidence of %v (%v with a margin of %s)",
				p.Span(), short.Frequency, short.Onset, p.Required, l.Certainty.Confidence, p.Base, p.Margin.Text(1))})
		case short != nil:
			out = append(out, Unmet{p, fmt.Sprintf("the laboratory failed at %s: at %v the product was shown to stand %v; %v would let the laboratory pass with a confidence of %v (%v with a margin of %s)",
				p.Span(), short.Frequency, short.Onset, p.Required, l.Certainty.Confidence, p.Base, p.Margin.Text(1))})
		}
	}
	return out
}

// shows reports that an onset is shown to be at a requirement or above it. The margin is in the
// requirement, so nothing is given away here.
func shows(onset, required rf.Current) bool {
	return onset.Known() && onset.Bound() != rf.AtMost && required.Known() && onset.DB() >= required.DB()-1e-9
}

// Span words the frequencies of the failure.
func (p LaboratoryPoint) Span() string {
	if p.To.Known() && p.To != p.From {
		return fmt.Sprintf("%v to %v", p.From, p.To)
	}
	return p.From.String()
}

// HoldToLaboratory makes the comparison answer for the laboratory's report too: what was shown is no
// longer shown where the run after the change does not meet its requirements.
func (c *Comparison) HoldToLaboratory(l BesideLaboratory, after result.Run) {
	unmet := l.Unmet(after)
	if len(unmet) == 0 {
		c.Reasons = append(c.Reasons, fmt.Sprintf("what the laboratory's report asks for is shown at all of its %d failures, with a confidence of %v", len(l.Points), l.Certainty.Confidence))
	}
	for _, u := range unmet {
		c.Reasons = append(c.Reasons, u.Why)
	}
	if len(unmet) > 0 && c.Verdict == Shown {
		c.Verdict = NotShown
		c.Reasons = c.Reasons[1:] // the reason for "shown" no longer is one
	}
	for _, p := range l.Points {
		if p.Indicative != "" {
			c.Reservations = append(c.Reservations, "the laboratory's levels in V/m stand for a current only by published pairings, which spread over 7 dB")
			break
		}
	}
	if l.Certainty.AssumedLaboratory {
		c.Reservations = append(c.Reservations, fmt.Sprintf("the laboratory's report gives no uncertainty; a standard uncertainty of %s is assumed", l.Certainty.Laboratory.Text(2)))
	}
	if l.Certainty.AssumedBench {
		c.Reservations = append(c.Reservations, "the uncertainty of the bench is assumed: the job holds no bench file to work it out from")
	}
}
