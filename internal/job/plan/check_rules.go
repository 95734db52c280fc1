package plan

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// level compares the level with the fixture and the grid with the level's corners.
func (c *checker) level() {
	p := c.plan
	emf := false
	var loop rf.Resistance
	for _, q := range c.out.Points {
		emf = emf || q.Wanted.EMF.Known()
		if q.Wanted.LoopImpedance > 0 {
			loop = q.Wanted.LoopImpedance
		}
	}
	jig := p.Fixture.LoopImpedance()
	switch {
	case p.Kind == Calibration && loop > 0 && jig > 0 && loop != jig:
		c.warn("fixture", "calibrate in the level's jig",
			"the level is defined in a loop of %v and this jig has %v: what is calibrated here is refused for that "+
				"level, or converted as an estimate", loop, jig)
	case emf && p.Mode == ClosedLoop && p.Fixture == catalog.OnCable && p.Kind != Baseline:
		c.warn("mode", "substitution replays a calibration in the 150 Ω jig instead",
			"the level is an e.m.f.: on the cable its matched-loop current U0/300 Ω is the target, which is what the "+
				"standard's set-up would drive only through 150 Ω")
	}
	missed, first := 0, rf.Frequency(0)
	for _, f := range p.Profile.Corners {
		if len(p.Grid) == 0 || f < p.Grid[0] || f > p.Grid[len(p.Grid)-1] || c.onGrid(f) {
			continue
		}
		if missed++; missed == 1 {
			first = f
		}
	}
	if missed > 0 && p.Kind != Baseline {
		c.warn("grid", "add a segment with a list of them", "%d frequencies at which the level bends or is listed "+
			"are not in the grid; the first is %v", missed, first)
	}
}

// extrapolated says where a calibration is replayed for more current than it was made with.
func (c *checker) extrapolated() {
	if c.at.current.Absent() {
		return
	}
	most, at := rf.Gain(0), rf.Frequency(0)
	for _, q := range c.out.Points {
		calibrated, err := c.at.current.At(q.Frequency)
		if err != nil {
			continue
		}
		shift, _ := c.at.loopShift(q.Frequency, q.Wanted)
		if above, _ := q.Target.Sub(shift).Minus(calibrated); above > most {
			most, at = above, q.Frequency
		}
	}
	if most > 0.5 {
		c.warn("level", "calibrate at the level, or at a higher one",
			"the calibration is replayed for up to %v more current than it was made with (worst at %v): that the "+
				"amplifier is linear up there was not shown", most, at)
	}
}

func (c *checker) onGrid(f rf.Frequency) bool {
	g := c.plan.Grid
	i := sort.Search(len(g), func(i int) bool { return g[i] >= f*(1-1e-6) })
	return i < len(g) && g[i] <= f*(1+1e-6)
}

// modulation compares the modulation with the level's usual ones.
func (c *checker) modulation() {
	p, m := c.plan, c.plan.Modulation
	if p.Kind == Baseline || p.Kind == Calibration || len(p.Profile.Modulations) == 0 && p.Profile.Hold == "" {
		return
	}
	if !m.IsCW() && m.Hold != "" && p.Profile.Hold != "" && m.Hold != p.Profile.Hold {
		c.warn("modulation", "", "the modulation is %s, but the level %s is defined with %s: the peak differs by %v",
			m.Hold, p.Profile.ID, p.Profile.Hold, m.CrestOverCarrier())
		return
	}
	for _, usual := range p.Profile.Modulations {
		if usual == m {
			return
		}
	}
	if len(p.Profile.Modulations) > 0 {
		var usual []string
		for _, u := range p.Profile.Modulations {
			usual = append(usual, u.String())
		}
		c.warn("modulation", "", "the modulation %s is not one that goes with %s (%s)", m, p.Profile.ID,
			strings.Join(usual, "; "))
	}
}

// dwell compares the dwell with the step rule and with how fast the DUT is watched.
func (c *checker) dwell() {
	p := c.plan
	if p.Kind == Calibration {
		return
	}
	if rule, ok := p.rule(); ok && p.Dwell < rule.Dwell {
		c.warn("dwell", "", "the dwell of %v is shorter than %v (%s; %s)", p.Dwell, rule.Dwell, rule.DwellNote,
			rule.Title)
	}
	if cycle := c.bench.DUT.Cycle; cycle > p.Dwell {
		c.warn("dwell", fmt.Sprintf("make the dwell at least %v", cycle),
			"the dwell of %v is shorter than the DUT's own cycle of %v: what it does once per cycle is not always "+
				"exposed", p.Dwell, cycle)
	}
	if needed := c.bench.DUT.NeededDwell; needed > p.Dwell {
		c.warn("dwell", fmt.Sprintf("make the dwell at least %v", needed),
			"the dwell of %v is shorter than the %v that a dwell study of the DUT found to be needed: upsets are "+
				"missed, and thresholds come out too high", p.Dwell, needed)
	}
	monitors, _ := p.MonitorsOf(c.bench)
	for _, m := range monitors {
		if slow := m.Latency + m.Every; p.Dwell <= slow {
			c.warn("dwell", fmt.Sprintf("make the dwell longer than %v", slow),
				"the dwell of %v is no longer than monitor %s takes to show an upset (%v): it would be missed or put "+
					"at the wrong point", p.Dwell, m.ID, slow)
		}
	}
	if len(monitors) == 0 {
		c.warn("bench", "", "the bench has no DUT monitors: only the operator would see an upset")
	}
}

// window compares the levelling window with what the bench can hit and what the search tells apart.
func (c *checker) window() {
	p := c.plan
	if p.Mode != ClosedLoop || p.Kind == Baseline || c.bench.Analyser == nil {
		return
	}
	need, from := c.bench.LevellingSpread()
	switch window := p.Levelling.Window; {
	case need > 0.5+1e-9:
		c.problem("mode", "the closed loop cannot hold a level with a window of at most 0.50 dB on this bench: %s "+
			"make %s; use constant drive or substitution, or a source with finer steps", from, need.Text(2))
	case window < need-1e-9:
		c.problem("levelling.window", "the window of %s is narrower than what the bench can hit: %s make %s; write "+
			"levelling: {window: %s}", window.Text(2), from, need.Text(2), need.Text(2))
	case (p.Kind == Exposure || p.Kind == Control) && p.Search.Onset && window >= p.Search.Resolution-1e-9:
		c.problem("levelling.window", "the window of %s is not less than the search's resolution of %s, so two "+
			"levels of the search could not be told apart; the bench needs %s (%s)", window.Text(2),
			p.Search.Resolution.Text(2), need.Text(2), from)
	}
}

// rule returns the usual step rule of the plan's level.
func (p *Plan) rule() (level.StepRule, bool) {
	for _, id := range p.Profile.Steps {
		if r, err := level.LookupSteps(id); err == nil {
			return r, true
		}
	}
	return level.StepRule{}, false
}

// steps compares the grid with the step rules of the level; satisfying one of them is enough.
func (c *checker) steps() {
	var said string
	for _, id := range c.plan.Profile.Steps {
		r, err := level.LookupSteps(id)
		if err != nil {
			continue
		}
		n, at := tooWide(r, c.plan.Grid)
		if n == 0 {
			return
		}
		if said == "" {
			said = fmt.Sprintf("%d steps of the grid are wider than %s allows; the first is the one above %v", n,
				r.Title, at)
		}
	}
	if said != "" {
		c.warn("grid", "a narrow resonance may fall between two frequencies; steps_of in a segment gives the rule's "+
			"own steps", "%s", said)
	}
}

// deadMan refuses one that is shorter than an instrument may take for an answer: each answer is a sign of life, and
// waiting for one is none.
func (c *checker) deadMan() {
	b, limit := c.bench, c.plan.DeadMan
	slow := func(id string, conn catalog.Connection) {
		if conn.Present() && conn.Timeout > limit {
			c.list = append(c.list, problem.Problem{File: c.plan.File, Field: "dead_man",
				What: fmt.Sprintf("%s may take %v for an answer, by its timeout in the bench file, and the dead-man "+
					"trips after %v without a sign of life", id, conn.Timeout, limit),
				Hint: fmt.Sprintf("write dead_man: %v or more; or, where %s answers sooner, the timeout that provoke "+
					"try finds to be enough", conn.Timeout+conn.Timeout/10, id)})
		}
	}
	if c.plan.Kind == Baseline || limit <= 0 {
		return
	}
	slow(b.Source.ID, b.Source.Connection)
	if a := b.Amplifier; a != nil {
		slow(a.ID, a.Connection)
	}
	if m := b.PowerMeter; m != nil {
		slow(m.ID, m.Connection)
	}
	if a := b.Analyser; a != nil {
		slow(a.ID, a.Connection)
	}
}

// unmeasured refuses a constant drive into a clamp whose forward power is neither measured nor rests on a
// measured gain: an amplifier outside its data sheet is found by measuring only.
func (c *checker) unmeasured() {
	a := c.bench.Amplifier
	if c.plan.Mode != ConstantDrive || c.plan.Kind == Baseline || a == nil || c.bench.MeasuresForward() ||
		!a.GainMeasured.IsZero() || c.bench.UnmeasuredGain {
		return
	}
	regain := ""
	for _, w := range c.out.Worst {
		if w.Node.ID == c.bench.Clamp.ID && w.Node.Regain != "" {
			regain = "; " + w.Node.Regain
		}
	}
	c.list = append(c.list, problem.Problem{File: c.plan.File, Field: "mode",
		What: fmt.Sprintf("the constant drive goes through %s, whose gain nobody has measured, and no power meter "+
			"reads what runs into %s: an amplifier outside its data sheet would not be found", a.ID, c.bench.Clamp.ID),
		Hint: "measure the gain and write gain_measured: DAY beside its curve, or put a coupler with a power meter " +
			"at the clamp" + regain + "; accept_unmeasured_gain: true in the bench file accepts it"})
}

// tooWide counts the steps of a grid that a rule forbids and returns the first.
func tooWide(r level.StepRule, grid []rf.Frequency) (n int, first rf.Frequency) {
	for i := 1; i < len(grid); i++ {
		from, to := grid[i-1], grid[i]
		for _, b := range r.Bands {
			if from < b.Low || from >= b.High {
				continue
			}
			widest := from + b.Linear
			switch {
			case b.Relative > 0:
				widest = from * rf.Frequency(1+float64(b.Relative))
			case b.PerDecade > 0:
				widest = from * rf.Frequency(math.Pow(10, 1/float64(b.PerDecade)))
			}
			if to > widest*(1+1e-6) {
				if n++; n == 1 {
					first = from
				}
			}
			break
		}
	}
	return n, first
}

// lowest says when the search range ends below what the generator can set.
func (c *checker) lowest() {
	p := c.plan
	if p.Kind != Exposure && p.Kind != Control || !p.Search.Onset {
		return
	}
	short, at := rf.Gain(0), rf.Frequency(0)
	for _, q := range c.out.Points {
		lowest := q.Drive.Add(p.Modulation.CarrierOverLevel() - p.Search.Range)
		if s, b := c.bench.Source.Minimum.Minus(lowest); b == rf.Exactly && s > short {
			short, at = s, q.Frequency
		}
	}
	if short > 0 {
		c.warn("search", "a pad in front of the amplifier moves the whole range up",
			"the lowest level of the search lies up to %v below the generator's minimum of %v (worst at %v): onsets "+
				"there can only be told as a bound", short, c.bench.Source.Minimum, at)
	}
}
