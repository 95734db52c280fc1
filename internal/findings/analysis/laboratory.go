package analysis

import (
	"fmt"
	"math"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
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
	// Coupling returns by a model of the cable how far above the matched loop's the current lies that the
	// laboratory's e.m.f. drives into this product, and how far to either side it may lie; nil where there is none.
	Coupling func(rf.Frequency) (over, half rf.Gain, source string, err error)
}

// Margin returns what an onset on the bench must lie above the current that stands for the
// laboratory's level, so that the laboratory passes with the confidence:
// k·√(u(bench)² + u(laboratory)² + u(coupling)²), k one-sided. The coupling is how the laboratory's set-up drives
// this cable.
func (c Certainty) Margin(f rf.Frequency, coupling rf.Gain) rf.Gain {
	return rf.Gain(c.Factor * math.Hypot(c.levels(f), coupling.DB()))
}

// levels is the standard uncertainty of both levels together.
func (c Certainty) levels(f rf.Frequency) float64 {
	return math.Hypot(c.Bench(f).DB(), c.Laboratory.DB())
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
	_ struct{} `tell:"from_hz=From to_hz=To level=Level modulation=Modulation class=LaboratoryFailure.Class"`
	_ struct{} `tell:"what=What fate=Fate exposed=Exposed upset=Upset at_hz=At onset=Onset asks=Asks"`
	_ struct{} `tell:"asks_high=AsksHigh indicative=Indicative,omit per_unit=PerUnit unit=Unit"`
	_ struct{} `tell:"published_low=PublishedLow published_high=PublishedHigh"`
	_ struct{} `tell:"published_source=PublishedSource,omit beside=Beside,omit base=Base base_from=BaseFrom"`
	_ struct{} `tell:"margin_db=Margin required_low=RequiredLow required=Required no_confidence=NoConfidence,omit"`
	_ struct{} `tell:"notes=Notes"`

	event.LaboratoryFailure
	Low, High rf.Frequency // where it is looked for: the failure's range with half a per cent to either side
	Fate      Fate
	// Exposed is the number of bench frequencies inside, Upset how many of them upset.
	Exposed, Upset int
	At             rf.Frequency // of the lowest onset inside, or of the highest current stood
	// Onset is the lowest onset on the bench; where nothing upset, the current stood (at least).
	Onset rf.Current
	Class event.Class
	// Asks to AsksHigh is the current that the level stands for: from the matched loop's of an e.m.f. to the
	// clamp's limit, for a field the ends of published pairings; the same where the level is a current.
	Asks, AsksHigh rf.Current
	Indicative     string // why that is a range; empty otherwise
	// PerUnit is the onset per volt of e.m.f. or per volt per metre ("V", "V/m"); at least where the
	// laboratory's onset is not known, since it may lie below the level tested. Absent for a level in
	// ampere and where nothing upset.
	PerUnit rf.Current
	Unit    string
	// Published are the ends of the published range of PerUnit; Published.Text says whose.
	PublishedLow, PublishedHigh rf.Current
	PublishedSource             string
	Beside                      string // how PerUnit lies to the published range
	// Required is the current that a fixed DUT has to stand on the bench: the base with the margin. Where only
	// a range is known of how the laboratory drives this cable it runs from RequiredLow to Required, and
	// NoConfidence says why none is stated; RequiredLow is absent otherwise.
	Base, RequiredLow, Required rf.Current
	BaseFrom                    string
	Margin                      rf.Gain
	NoConfidence                string
	Notes                       []string
}

// Lets says what standing the required current shows.
func (p LaboratoryPoint) Lets(confidence rf.Fraction) string {
	if p.NoConfidence != "" {
		return fmt.Sprintf("%s is asked for, by how the laboratory's set-up drives this cable, which is not known: "+
			"no confidence is stated (%v at the high end with a margin of %s)", p.RequiredWords(),
			p.Base, p.Margin.Text(1))
	}
	return fmt.Sprintf("%v would let the laboratory pass with a confidence of %v (%v with a margin of %s)", p.Required,
		confidence, p.Base, p.Margin.Text(1))
}

// RequiredWords is the required current or its range: "82.8 to 88.8 dBµA".
func (p LaboratoryPoint) RequiredWords() string {
	if !p.RequiredLow.Known() {
		return p.Required.String()
	}
	return fmt.Sprintf("%.1f to %v", p.RequiredLow.In(), p.Required)
}

// BenchOnly is a failing band that the laboratory did not report.
type BenchOnly struct {
	_ struct{} `tell:"low_hz=Low.Frequency high_hz=High.Frequency onset=Lowest.Onset tested=Tested"`
	_ struct{} `tell:"tested_at=TestedAt why=Why"`

	Band `tell:"-"`
	// Tested: the laboratory says that it exposed these frequencies, at TestedAt.
	Tested   bool
	TestedAt string
	Why      string
}

// BesideLaboratory is a laboratory's report beside a run.
type BesideLaboratory struct {
	_ struct{} `tell:"run=Run laboratory=Report.Laboratory report=Report.Report confidence=Certainty.Confidence"`
	_ struct{} `tell:"factor=Certainty.Factor laboratory_u_db=Certainty.Laboratory"`
	_ struct{} `tell:"laboratory_u_assumed=Certainty.AssumedLaboratory bench_u_assumed=Certainty.AssumedBench"`
	_ struct{} `tell:"failures=Points bench_only=BenchOnly"`

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
		return out, fmt.Errorf("hold the laboratory's report against run %d: it is a %s, not an exposure of the DUT",
			r.Number, r.Opened.RunKind)
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
	p := LaboratoryPoint{LaboratoryFailure: x, Low: x.From * (1 - slack), High: max(x.From, x.To) * (1 + slack),
		Fate: NotExposed}
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
			p.Notes = append(p.Notes, fmt.Sprintf("the bench went to %v only, and the level stands for %s",
				p.Onset.WithBound(rf.Exactly), p.asks()))
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
		p.Notes = append(p.Notes,
			"the laboratory tested at this level only: its onset lies at it or below, so the current per unit is a "+
				"lower bound")
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
	if m.Kind != bench.Kind && !(m.IsCW() && bench.IsCW()) || m.Depth != bench.Depth || m.Duty != bench.Duty ||
		m.Rate.Known() && m.Rate != bench.Rate {
		p.Notes = append(p.Notes, fmt.Sprintf("the laboratory's modulation was %s, the bench's %s", p.Modulation,
			Modulation(bench)))
	}
}

// require works out the current that the bench has to show. The base is what the required level stands
// for on the bench: where the laboratory knows its own onset, the bench's onset moved by as much as
// the required level lies above it, which takes the coupling along; else the current that the level stands for,
// and no less than the onset on the bench, because the laboratory failed there too.
func (p *LaboratoryPoint) require(stated labLevel, c Certainty) error {
	need := stated
	if p.LaboratoryFailure.Required != "" {
		var err error
		if need, err = readLabLevel(p.LaboratoryFailure.Required); err != nil {
			return err
		}
	}
	at := p.At
	if !at.Known() {
		at = p.From
	}
	onset := p.Onset.WithBound(rf.Exactly)
	switch {
	case p.Fate == Reproduced && p.LaboratoryFailure.Onset && onset.Known():
		p.known(onset.Add(rf.Gain(need.db-stated.db)),
			"bench onset moved by the required level over the laboratory's onset", c.Margin(at, 0))
	case need.asks == need.high:
		p.known(raised(need.asks, onset, p.Fate), "current that the level stands for", c.Margin(at, 0))
	default:
		if err := p.coupled(need, onset, at, c); err != nil {
			return err
		}
	}
	if !p.LaboratoryFailure.Onset {
		p.Notes = append(p.Notes,
			"how far below its level the laboratory's onset lies is not known: ask it, or have it lower the level "+
				"until the DUT recovers, and say onset: true")
	}
	return nil
}

// known fills in what has to be shown where the base is one current.
func (p *LaboratoryPoint) known(base rf.Current, from string, margin rf.Gain) {
	p.Base, p.BaseFrom, p.Margin = base, from, margin
	p.Required = base.Add(margin)
}

// coupled fills in what has to be shown where the level may stand for several currents: with a model of the
// cable it is in the sum, unless it outweighs the rest; without one, or then, only a range is told.
func (p *LaboratoryPoint) coupled(need labLevel, onset rf.Current, at rf.Frequency, c Certainty) error {
	low, high, why := need.asks, need.high, need.caution
	if c.Coupling != nil && need.unit == "V" {
		over, half, source, err := c.Coupling(at)
		if err != nil {
			return err
		}
		middle := need.asks.Add(over).Lower(need.high) // the clamp's current is limited
		if u := half.DB() / math.Sqrt(3); u <= c.levels(at) {
			p.known(raised(middle, onset, p.Fate),
				fmt.Sprintf("current that the level drives into this product: %s, ± %s", source, half.Text(1)),
				c.Margin(at, half/rf.Gain(math.Sqrt(3))))
			return nil
		}
		low, high, why = middle.Sub(half), middle.Add(half).Lower(need.high),
			fmt.Sprintf("%s, ± %s, outweighs what is known of the levels", source, half.Text(1))
	}
	if raised(high, onset, p.Fate) != high { // it stresses the DUT at least as much as the bench does there
		high, why = onset, why+"; it failed, so that it drove at least the bench's onset"
	}
	margin := c.Margin(at, 0)
	p.known(high, "high end of what the level may stand for: "+why, margin)
	p.RequiredLow, p.NoConfidence = raised(low, onset, p.Fate).Add(margin), why
	return nil
}

// raised returns a current, or the onset on the bench where the laboratory's failure was reproduced there and
// that is higher.
func raised(i, onset rf.Current, f Fate) rf.Current {
	if f == Reproduced && onset.Known() && onset.Above(i) {
		return onset
	}
	return i
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
			out.Why = fmt.Sprintf("the onset is above the %v that the laboratory's %s stands for: it needs not have "+
				"seen it", stated.high, t.Level)
		default:
			out.Why = fmt.Sprintf("the laboratory's %s stands for %v, which is above the onset: it should have seen "+
				"it, or its current on this cable was lower", t.Level, stated.asks)
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
			out = append(out, Unmet{p, fmt.Sprintf("the laboratory failed at %s, and run %d exposed nothing there",
				p.Span(), after.Number)})
		case short != nil && short.Upset:
			out = append(out, Unmet{p, fmt.Sprintf(
				"the laboratory failed at %s: at %v the product upsets at %v now; %s", p.Span(), short.Frequency,
				short.Onset, p.Lets(l.Certainty.Confidence))})
		case short != nil:
			out = append(out, Unmet{p, fmt.Sprintf(
				"the laboratory failed at %s: at %v the product was shown to stand %v; %s", p.Span(), short.Frequency,
				short.Onset, p.Lets(l.Certainty.Confidence))})
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

// met says that nothing is unmet, and how sure that makes.
func (l BesideLaboratory) met() string {
	text := fmt.Sprintf("what the laboratory's report asks for is shown at all of its %d failures", len(l.Points))
	for _, p := range l.Points {
		if p.NoConfidence != "" {
			return text + ", at the high end of what its levels may stand for"
		}
	}
	return fmt.Sprintf("%s, with a confidence of %v", text, l.Certainty.Confidence)
}

// HoldToLaboratory makes the comparison answer for the laboratory's report too: what was shown is no
// longer shown where the run after the change does not meet its requirements.
func (c *Comparison) HoldToLaboratory(l BesideLaboratory, after result.Run) {
	unmet := l.Unmet(after)
	if len(unmet) == 0 {
		c.Reasons = append(c.Reasons, l.met())
	}
	for _, u := range unmet {
		c.Reasons = append(c.Reasons, u.Why)
	}
	if len(unmet) > 0 && c.Verdict == Shown {
		c.Verdict = NotShown
		c.Reasons = c.Reasons[1:] // the reason for "shown" no longer is one
	}
	told := map[string]bool{"": true}
	for _, p := range l.Points {
		if !told[p.NoConfidence] {
			c.Reservations = append(c.Reservations,
				"no confidence is stated that the laboratory passes: "+p.NoConfidence)
		}
		told[p.NoConfidence] = true
	}
	if l.Certainty.AssumedLaboratory {
		c.Reservations = append(c.Reservations,
			fmt.Sprintf("the laboratory's report gives no uncertainty; a standard uncertainty of %s is assumed",
				l.Certainty.Laboratory.Text(2)))
	}
	if l.Certainty.AssumedBench {
		c.Reservations = append(c.Reservations,
			"the uncertainty of the bench is assumed: the job holds no bench file to work it out from")
	}
}
