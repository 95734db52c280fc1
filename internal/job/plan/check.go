package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math"
	"sort"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Checked is what a plan would do on a bench, computed before RF is on.
type Checked struct {
	Points []CheckedPoint // of the grid, ascending
	// Worst is the worst case of the whole run at every rating, tightest first: at the ceiling of
	// every point, with the crest of the modulation, at the high end of the stated range.
	Worst []Worst
	// Refusals are the ratings that the plan would exceed, worst first. A plan with one is not run.
	Refusals []Refusal
	// Unreachable are the frequencies at which the level wanted is not reached by the budget.
	Unreachable []Unreachable
	Duration    Duration
	// Notes are labels that belong beside every figure: estimates.
	Notes []string
}

// CheckedPoint is one frequency of the grid.
type CheckedPoint struct {
	Point
	Predicted chain.Prediction // at Drive, with the crest of the modulation
	Safe      rf.Power         // largest drive within every rating
	LimitedBy string           // what stands in the way of more
}

// Worst is the highest level that a run can bring to one rating.
type Worst struct {
	Frequency rf.Frequency
	Drive     rf.Power
	Node      chain.Node
}

// Refusal is a rating that the plan would exceed.
type Refusal struct {
	ID, Place string
	Frequency rf.Frequency // the worst
	Level     chain.Value  // what the rating is compared with there
	Rating    chain.Value  // absent: it is not given, which forbids
	RatedAs   string
	Unsure    rf.Gain // added to Level for what is not measured
	Regain    string  // what measuring would take off that; empty for nothing
	Over      rf.Gain // above the rating; NaN where that is not a matter of decibel
	Count     int     // frequencies of the grid at which it is exceeded
	Note      string
}

// String names rating, frequency, level and by how many dB.
func (r Refusal) String() string {
	text := fmt.Sprintf("%s, %s: at %v ", r.ID, r.Place, r.Frequency)
	if r.Over.Finite() {
		text += fmt.Sprintf("%v %s%s is %v above the rating of %v", r.Level, chain.Counted(r.RatedAs, r.Level), chain.Allowing(r.Unsure), r.Over, r.Rating)
	} else {
		text += fmt.Sprintf("%v %s is not shown to be allowed: %s", r.Level, chain.Counted(r.RatedAs, r.Level), r.Note)
	}
	if r.Count > 1 {
		text += fmt.Sprintf("; exceeded at %d frequencies", r.Count)
	}
	return text
}

// Unreachable is a frequency at which the level wanted is not reached by the budget.
type Unreachable struct {
	Frequency rf.Frequency
	Wanted    rf.Current
	Reach     rf.Current // a bound: at most
	Short     rf.Gain
	Why       string
}

// Check computes a plan on a bench without touching an instrument. The list holds everything that
// speaks against the plan: refusals and what makes it impossible as problems, the rest as warnings.
// For substitution a nil cal lets the budget of the jig stand for the calibration, which is said.
func Check(p *Plan, budget Budget, cal *Calibrated) (Checked, problem.List) {
	c := checker{plan: p, budget: budget, bench: budget.Bench(), worst: map[string]int{}, refused: map[string]int{}}
	c.anotherBench(cal)
	at, err := c.pointer(cal)
	if err != nil {
		c.problem("mode", "%v", err)
		return c.out, c.list
	}
	c.at = at
	for _, f := range p.Grid {
		c.frequency(f)
	}
	c.sayRefusals()
	c.sayUnreachable()
	c.sayErrors()
	c.level()
	c.extrapolated()
	c.modulation()
	c.dwell()
	c.window()
	c.steps()
	c.lowest()
	_, monitors := p.MonitorsOf(c.bench)
	c.list = append(c.list, monitors...)
	c.out.Duration = durationOf(p, c.bench)
	c.onTime()
	c.unmeasured()
	c.deadMan()
	return c.out, c.list
}

type checker struct {
	plan    *Plan
	budget  Budget
	bench   *catalog.Bench
	at      *pointer
	out     Checked
	list    problem.List
	worst   map[string]int // index into out.Worst
	refused map[string]int
	errors  []string
}

// problem tells what is wrong; field is the key of the plan file that it is about.
func (c *checker) problem(field, format string, args ...any) {
	c.list = append(c.list, problem.Problem{File: c.plan.File, What: fmt.Sprintf(format, args...), Field: field})
}

// warn tells what the user should know.
func (c *checker) warn(field, hint, format string, args ...any) {
	c.list = append(c.list, problem.Problem{File: c.plan.File, What: fmt.Sprintf(format, args...), Hint: hint, Field: field, Warning: true})
}

func (c *checker) pointer(cal *Calibrated) (*pointer, error) {
	if c.plan.Mode == Substitution && cal == nil && c.plan.Kind != Baseline {
		note := "no calibration run is known here: drives are the budget's estimate for the jig, and the run replays the calibration's"
		c.out.Notes = append(c.out.Notes, note)
		c.warn("mode", "make a run of kind calibration in the same job", "%s", note)
		return &pointer{plan: c.plan, budget: c.budget, crest: chain.CrestOfLevel(c.plan.Modulation), estimated: true}, nil
	}
	return newPointer(c.plan, c.budget, cal)
}

// anotherBench warns where the calibration that is replayed was made with another bench file.
func (c *checker) anotherBench(cal *Calibrated) {
	if !c.plan.Replays() || cal == nil || cal.Bench == "" {
		return
	}
	if sum := sha256.Sum256(c.bench.Bytes); cal.Bench != hex.EncodeToString(sum[:]) {
		c.warn("mode", "calibrate again where one of them was changed",
			"calibration run %d was made with another bench file: its drives give its currents only with the same "+
				"generator, pads, amplifier and clamp", cal.Run)
	}
}

// frequency computes one frequency of the grid.
func (c *checker) frequency(f rf.Frequency) {
	p, err := c.at.point(f)
	if c.plan.Kind == Baseline && err == nil {
		c.out.Points = append(c.out.Points, CheckedPoint{Point: p})
		return
	}
	estimatedShort := c.at.estimated && errors.Is(err, chain.ErrUnreachable)
	if err != nil && !estimatedShort && !errors.Is(err, chain.ErrForbidden) {
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	safe, limit, err := c.at.safe(f)
	switch {
	case errors.Is(err, chain.ErrForbidden):
		c.forbidden(f)
		return
	case err != nil:
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	if estimatedShort {
		p.Drive, p.Ceiling = safe, safe
	}
	predicted, err := c.budget.Predict(f, p.Drive, c.at.crest, c.plan.Fixture)
	if err != nil {
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	c.out.Points = append(c.out.Points, CheckedPoint{Point: p, Predicted: predicted, Safe: safe, LimitedBy: limit.ID + ", " + limit.Place})
	c.refuse(predicted)
	c.worstAt(f, p)
	c.reach(p, predicted, safe, limit)
}

// forbidden records why not even the generator's lowest level is allowed.
func (c *checker) forbidden(f rf.Frequency) {
	predicted, err := c.budget.Predict(f, c.bench.Source.Minimum, c.at.crest, c.plan.Fixture)
	if err != nil {
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	for _, n := range predicted.Nodes {
		if !n.Within {
			c.addRefusal(f, n, n.Compared(), n.Headroom)
		}
	}
}

// refuse records the ratings that a prediction at the level wanted exceeds. In closed loop the
// measured current is held at the level, so behind the clamp the expected current counts and not the
// high end of its range: the ceiling keeps that within the ratings.
func (c *checker) refuse(p chain.Prediction) {
	spread := rf.Gain(0)
	if c.plan.Mode == ClosedLoop {
		spread, _ = p.High.Minus(p.Current)
		spread -= c.plan.Levelling.Window // the loop may stop so far above the level
	}
	behind := false
	for _, n := range p.Nodes {
		behind = behind || n.Carrier.Current.Known()
		if n.Within {
			continue
		}
		level, headroom := n.Compared(), n.Headroom
		if behind && spread.Finite() && headroom.Finite() {
			if headroom += spread; headroom >= 0 {
				continue
			}
			level = chain.Value{Power: level.Power.Sub(spread), Current: level.Current.Sub(spread)}
		}
		c.addRefusal(p.Frequency, n, level, headroom)
	}
}

func (c *checker) addRefusal(f rf.Frequency, n chain.Node, level chain.Value, headroom rf.Gain) {
	key := n.ID + "\x00" + n.Place
	r := Refusal{ID: n.ID, Place: n.Place, Frequency: f, Level: level, Rating: n.Rating, RatedAs: n.RatedAs, Unsure: n.Unsure, Regain: n.Regain, Over: -headroom, Note: n.Note}
	i, ok := c.refused[key]
	if !ok {
		c.refused[key] = len(c.out.Refusals)
		r.Count = 1
		c.out.Refusals = append(c.out.Refusals, r)
		return
	}
	was := &c.out.Refusals[i]
	was.Count++
	if r.Over > was.Over {
		r.Count = was.Count
		*was = r
	}
}

// worstAt records the levels at the ceiling of a point.
func (c *checker) worstAt(f rf.Frequency, p Point) {
	predicted, err := c.budget.Predict(f, p.Ceiling, c.at.crest, c.plan.Fixture)
	if err != nil {
		return
	}
	if c.plan.Mode == ClosedLoop {
		predicted = predicted.Looped()
	}
	for _, n := range predicted.Nodes {
		key := n.ID + "\x00" + n.Place
		w := Worst{Frequency: f, Drive: p.Ceiling, Node: n}
		i, ok := c.worst[key]
		if !ok {
			c.worst[key] = len(c.out.Worst)
			c.out.Worst = append(c.out.Worst, w)
		} else if tightness(n) < tightness(c.out.Worst[i].Node) {
			c.out.Worst[i] = w
		}
	}
}

// tightness orders nodes by headroom; one that refuses without a number of decibel comes first.
func tightness(n chain.Node) float64 {
	switch {
	case !math.IsNaN(float64(n.Headroom)):
		return float64(n.Headroom)
	case n.Within:
		return math.Inf(1)
	}
	return math.Inf(-1)
}

// reach records a level that is not reached by the budget.
func (c *checker) reach(p Point, predicted chain.Prediction, safe rf.Power, limit chain.Node) {
	wanted := p.Wanted.Current
	if c.plan.Mode == ClosedLoop {
		wanted = p.Target
	}
	if !wanted.Exact() {
		return
	}
	drive, why := p.Drive, ""
	switch {
	case c.plan.Mode == ConstantDrive:
		why = "the constant drive gives less"
	case drive.Above(safe):
		drive, why = safe, fmt.Sprintf("held back by %s, %s", limit.ID, limit.Place)
	default:
		why = "amplifier and generator give no more"
		if p.HeldBy != "" {
			why += ": " + p.HeldBy
		}
	}
	if c.plan.Mode == Substitution && !c.at.estimated {
		return // the current on the cable is whatever the calibrated drive gives
	}
	if drive != p.Drive {
		var err error
		if predicted, err = c.budget.Predict(p.Frequency, drive, c.at.crest, c.plan.Fixture); err != nil {
			return
		}
	}
	if short, _ := wanted.Minus(predicted.Current); short > 0.05 {
		c.out.Unreachable = append(c.out.Unreachable, Unreachable{
			Frequency: p.Frequency, Wanted: wanted, Reach: predicted.Current.WithBound(rf.AtMost), Short: short, Why: why,
		})
	}
}

func (c *checker) sayRefusals() {
	sort.SliceStable(c.out.Refusals, func(i, j int) bool {
		a, b := c.out.Refusals[i].Over, c.out.Refusals[j].Over
		return a > b || math.IsNaN(float64(a)) && !math.IsNaN(float64(b))
	})
	sort.SliceStable(c.out.Worst, func(i, j int) bool { return tightness(c.out.Worst[i].Node) < tightness(c.out.Worst[j].Node) })
	for _, r := range c.out.Refusals {
		hint := "lower the level, or leave these frequencies out"
		if !r.Over.Finite() {
			hint = "write the rating into the bench file"
		} else if r.Regain != "" {
			hint += "; " + r.Regain
		}
		c.list = append(c.list, problem.Problem{File: c.plan.File, What: r.String(), Hint: hint, Field: c.levelField()})
	}
}

// levelField is the key of the plan file that sets how much is asked for.
func (c *checker) levelField() string {
	if c.plan.Mode == ConstantDrive {
		return "drive"
	}
	return "level"
}

func (c *checker) sayUnreachable() {
	if len(c.out.Unreachable) == 0 {
		return
	}
	worst := c.out.Unreachable[0]
	for _, u := range c.out.Unreachable {
		if u.Short > worst.Short {
			worst = u
		}
	}
	c.warn(c.levelField(), "a pass there is a bound, not a pass at the level wanted",
		"by the budget the level wanted is not reached at %d of %d frequencies; worst at %v: %v of %v, %v short (%s)",
		len(c.out.Unreachable), len(c.plan.Grid), worst.Frequency, worst.Reach, worst.Wanted, worst.Short, worst.Why)
}

// sayErrors tells the first few frequencies that could not be computed.
func (c *checker) sayErrors() {
	const told = 5
	if len(c.errors) == 0 {
		return
	}
	more := ""
	if len(c.errors) > told {
		more = fmt.Sprintf("\n\tand %d more", len(c.errors)-told)
	}
	c.problem("grid", "no level can be computed at %d of %d frequencies:\n\t%s%s", len(c.errors), len(c.plan.Grid),
		strings.Join(c.errors[:min(told, len(c.errors))], "\n\t"), more)
}

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
			"the level is defined in a loop of %v and this jig has %v: what is calibrated here is refused for that level, or converted as an estimate", loop, jig)
	case emf && p.Mode == ClosedLoop && p.Fixture == catalog.OnCable && p.Kind != Baseline:
		c.warn("mode", "substitution replays a calibration in the 150 Ω jig instead",
			"the level is an e.m.f.: on the cable its matched-loop current U0/300 Ω is the target, which is what the standard's set-up would drive only through 150 Ω")
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
		c.warn("grid", "add a segment with a list of them", "%d frequencies at which the level bends or is listed are not in the grid; the first is %v", missed, first)
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
			"the calibration is replayed for up to %v more current than it was made with (worst at %v): that the amplifier is linear up there was not shown", most, at)
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
		c.warn("modulation", "", "the modulation %s is not one that goes with %s (%s)", m, p.Profile.ID, strings.Join(usual, "; "))
	}
}

// dwell compares the dwell with the step rule and with how fast the DUT is watched.
func (c *checker) dwell() {
	p := c.plan
	if p.Kind == Calibration {
		return
	}
	if rule, ok := p.rule(); ok && p.Dwell < rule.Dwell {
		c.warn("dwell", "", "the dwell of %v is shorter than %v (%s; %s)", p.Dwell, rule.Dwell, rule.DwellNote, rule.Title)
	}
	if cycle := c.bench.DUT.Cycle; cycle > p.Dwell {
		c.warn("dwell", fmt.Sprintf("make the dwell at least %v", cycle),
			"the dwell of %v is shorter than the DUT's own cycle of %v: what it does once per cycle is not always exposed", p.Dwell, cycle)
	}
	if needed := c.bench.DUT.NeededDwell; needed > p.Dwell {
		c.warn("dwell", fmt.Sprintf("make the dwell at least %v", needed),
			"the dwell of %v is shorter than the %v that a dwell study of the DUT found to be needed: upsets are missed, and thresholds come out too high", p.Dwell, needed)
	}
	monitors, _ := p.MonitorsOf(c.bench)
	for _, m := range monitors {
		if slow := m.Latency + m.Every; p.Dwell <= slow {
			c.warn("dwell", fmt.Sprintf("make the dwell longer than %v", slow),
				"the dwell of %v is no longer than monitor %s takes to show an upset (%v): it would be missed or put at the wrong point", p.Dwell, m.ID, slow)
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
		c.problem("mode", "the closed loop cannot hold a level with a window of at most 0.50 dB on this bench: %s make %s; use constant drive or substitution, or a source with finer steps", from, need.Text(2))
	case window < need-1e-9:
		c.problem("levelling.window", "the window of %s is narrower than what the bench can hit: %s make %s; write levelling: {window: %s}", window.Text(2), from, need.Text(2), need.Text(2))
	case (p.Kind == Exposure || p.Kind == Control) && p.Search.Onset && window >= p.Search.Resolution-1e-9:
		c.problem("levelling.window", "the window of %s is not less than the search's resolution of %s, so two levels of the search could not be told apart; the bench needs %s (%s)", window.Text(2), p.Search.Resolution.Text(2), need.Text(2), from)
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
			said = fmt.Sprintf("%d steps of the grid are wider than %s allows; the first is the one above %v", n, r.Title, at)
		}
	}
	if said != "" {
		c.warn("grid", "a narrow resonance may fall between two frequencies; steps_of in a segment gives the rule's own steps", "%s", said)
	}
}

// deadMan refuses one that is shorter than an instrument may take for an answer: each answer is a sign of life, and
// waiting for one is none.
func (c *checker) deadMan() {
	b, limit := c.bench, c.plan.DeadMan
	slow := func(id string, conn catalog.Connection) {
		if conn.Present() && conn.Timeout > limit {
			c.list = append(c.list, problem.Problem{File: c.plan.File, Field: "dead_man",
				What: fmt.Sprintf("%s may take %v for an answer, by its timeout in the bench file, and the dead-man trips after %v without a sign of life", id, conn.Timeout, limit),
				Hint: fmt.Sprintf("write dead_man: %v or more; or, where %s answers sooner, the timeout that provoke try finds to be enough", conn.Timeout+conn.Timeout/10, id)})
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
	if c.plan.Mode != ConstantDrive || c.plan.Kind == Baseline || a == nil || c.bench.MeasuresForward() || !a.GainMeasured.IsZero() || c.bench.UnmeasuredGain {
		return
	}
	regain := ""
	for _, w := range c.out.Worst {
		if w.Node.ID == c.bench.Clamp.ID && w.Node.Regain != "" {
			regain = "; " + w.Node.Regain
		}
	}
	c.list = append(c.list, problem.Problem{File: c.plan.File, Field: "mode",
		What: fmt.Sprintf("the constant drive goes through %s, whose gain nobody has measured, and no power meter reads what runs into %s: an amplifier outside its data sheet would not be found", a.ID, c.bench.Clamp.ID),
		Hint: "measure the gain and write gain_measured: DAY beside its curve, or put a coupler with a power meter at the clamp" + regain + "; accept_unmeasured_gain: true in the bench file accepts it"})
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
			"the lowest level of the search lies up to %v below the generator's minimum of %v (worst at %v): onsets there can only be told as a bound", short, c.bench.Source.Minimum, at)
	}
}
