package analysis

import (
	"errors"
	"fmt"
	"math"

	"provoke/internal/files/catalog"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/model/threshold"
	"provoke/internal/units/rf"
)

// NotDeterministic is a frequency at which the DUT gave both outcomes, or an upset below a pass.
type NotDeterministic struct {
	_ struct{} `tell:"hz=Frequency why=Why"`

	Frequency rf.Frequency
	// Repeats were made at the onset, Missed of them without an upset.
	Repeats, Missed int
	// Below: an upset lies below a level that passed, by Inverted dB. With Missed 0 that may also be an
	// upset in a window of levels.
	Below    bool
	Inverted rf.Gain
	Why      string
}

// NotDeterministicAt returns where a run shows that the DUT is not deterministic, by frequency. Steps
// of a search for a random threshold count too. Levels are levelled anew for every exposure: what that
// scatters by explains both outcomes at one level, so only a pass further above an upset counts.
func NotDeterministicAt(r result.Run) []NotDeterministic {
	var out []NotDeterministic
	spread := levellingSpread(r)
	for _, p := range r.Points() {
		if n, ok := notDeterministic(p, r.Opened.Resolution, spread); ok {
			out = append(out, n)
		}
	}
	return out
}

// enoughReadings is how many degrees of freedom a run's own spread of readings needs to count.
const enoughReadings = 10

// levellingSpread returns how far apart levels of a closed loop may lie that were levelled alike: the source's
// step and twice the spread of readings, which is that of the run's own readings at the same drive where there
// are enough. It is NaN where the level is the drive, which is the same each time.
func levellingSpread(r result.Run) rf.Gain {
	if r.Opened.Mode == plan.Substitution || r.Opened.Mode == plan.ConstantDrive {
		return rf.Gain(math.NaN())
	}
	l := r.Opened.Levelling
	if l.Step <= 0 { // a journal that does not say
		l.Step, l.Spread = 0.1, catalog.AssumedReadingSpread
	}
	type setting struct {
		f     rf.Frequency
		drive float64
	}
	same := map[setting]*gathered{}
	for _, s := range r.Steps {
		if s.Current.Exact() && s.Drive.Exact() {
			k := setting{s.Step.Point.Frequency, s.Drive.DB()}
			if same[k] == nil {
				same[k] = &gathered{}
			}
			same[k].add(s.Current.DB())
		}
	}
	sum, n := 0.0, 0.0
	for _, g := range same {
		if k := float64(len(g.values) - 1); k > 0 {
			sum += k * g.deviation() * g.deviation()
			n += k
		}
	}
	if n >= enoughReadings {
		l.Spread = rf.Gain(math.Sqrt(sum / n))
	}
	return l.Step + 2*l.Spread
}

func notDeterministic(p *result.Point, resolution, spread rf.Gain) (NotDeterministic, bool) {
	n := NotDeterministic{Frequency: p.Frequency}
	lowest, highest := rf.Gain(math.Inf(1)), rf.Gain(math.Inf(-1))
	for _, s := range p.Steps {
		o := s.Outcome
		if o.Skipped || o.NotReached && !o.Upset || s.Step.Purpose == plan.DriftCheck {
			continue
		}
		if s.Step.Purpose == plan.Confirm || s.Step.Purpose == plan.Recover {
			n.Repeats++
			if !o.Upset {
				n.Missed++
			}
		}
		at := s.Step.Offset
		if over, _ := s.Current.Minus(s.Step.Point.Target); spread.Finite() && s.Current.Exact() && over.Finite() {
			at = over
		}
		if o.Upset {
			lowest = min(lowest, at)
		} else {
			highest = max(highest, at)
		}
	}
	n.Inverted = highest - lowest
	if !spread.Finite() {
		spread = -resolution / 2 // the same drive twice
	}
	if !n.Inverted.Finite() || n.Inverted <= spread {
		return n, false
	}
	n.Below = n.Inverted > resolution/2
	switch {
	case n.Missed > 0 && n.Below:
		n.Why = fmt.Sprintf("%d of %d repeats at the onset did not upset, and an upset lies %v below a pass",
			n.Missed, n.Repeats, n.Inverted)
	case n.Missed > 0:
		n.Why = fmt.Sprintf("%d of %d repeats at the onset did not upset", n.Missed, n.Repeats)
	case n.Below:
		n.Why = fmt.Sprintf("an upset lies %v below a pass: random, or an upset in a window of levels", n.Inverted)
	default:
		n.Why = "one level gave both outcomes"
	}
	if spread > 0 {
		n.Why += fmt.Sprintf("; levelling explains %s", spread.Text(2))
	}
	return n, true
}

// RandomQuestion is what is asked of the exposures at one frequency.
type RandomQuestion struct {
	Model         threshold.Model // Probit where empty
	Probabilities []rf.Fraction   // levels of these upset probabilities; 50 % where empty
	Confidence    rf.Fraction     // 95 % where 0
	// Memory is what the DUT forgets in: a dwell holds dwell/Memory independent chances, which a plain
	// ramp is biased by. 0 counts a dwell as one chance.
	Memory rf.Duration
}

func (q RandomQuestion) filled() RandomQuestion {
	if q.Model == "" {
		q.Model = threshold.Probit
	}
	if len(q.Probabilities) == 0 {
		q.Probabilities = []rf.Fraction{0.5}
	}
	if q.Confidence == 0 {
		q.Confidence = 0.95
	}
	return q
}

// Random is what the exposures at one frequency show of a threshold that is random.
type Random struct {
	_ struct{} `tell:"hz=Frequency exposures=Exposures upsets=Upsets overlap=Overlap passed=Passed upset=Upset"`
	_ struct{} `tell:"spread_db=Spread no_fit=NoFit,omit levels=Levels dixon_mood=DixonMood ramp_bias_db=RampBias"`
	_ struct{} `tell:"chances=Chances shares=At notes=Notes"`

	Frequency         rf.Frequency
	Question          RandomQuestion
	Stated            string // the search as fixed before the run; empty where there was none
	Exposures, Upsets int
	Overlap           threshold.Overlap
	// Passed is the highest current without an upset, Upset the lowest with one; absent where there is
	// none. Separated exposures have this bracket and no fit.
	Passed, Upset rf.Current
	// Fit of the levels in dBµA; nil where there is none, NoFit then says why.
	Fit   *threshold.Fit
	NoFit string
	// Penalised is a working figure for separated exposures, without limits; nil otherwise.
	Penalised *threshold.Fit
	DixonMood *DixonMood // of a plain up-and-down staircase; nil otherwise
	Levels    []RandomLevel
	At        []UpsetShare
	// RampBias is how far a plain upward ramp with the run's steps and dwell would report the onset
	// from the level of 50 % upsets; NaN without a fit.
	RampBias rf.Gain
	Chances  int // per dwell
	Notes    []string

	step    rf.Gain     // of the search
	settles rf.Fraction // the upset probability that it settles round; 0 where there is none
}

// Spread is the scale of the fit; NaN without one.
func (x Random) Spread() rf.Gain {
	if x.Fit == nil {
		return rf.Gain(math.NaN())
	}
	return rf.Gain(x.Fit.Sigma)
}

// DixonMood is mean and spread after Dixon and Mood.
type DixonMood struct {
	Mean  rf.Current `tell:"mean"`
	Sigma rf.Gain    `tell:"sigma_db"`
	Weak  bool       `tell:"weak"` // see threshold.DixonMood
}

// RandomLevel is the current at which the DUT upsets with a probability.
type RandomLevel struct {
	_ struct{} `tell:"probability=Probability current=Current low=Low high=High fieller_low=FiellerLow"`
	_ struct{} `tell:"fieller_high=FiellerHigh"`

	Probability rf.Fraction
	Current     rf.Current // the fit's; absent where there is none
	// Low and High are the limits by the profile of the likelihood; absent where the exposures do not
	// bound that side. FiellerLow and FiellerHigh are those by Fieller's theorem.
	Low, High               rf.Current
	FiellerLow, FiellerHigh rf.Current
}

// UpsetShare is how often the DUT upset at one level, with exact limits of the probability.
type UpsetShare struct {
	_ struct{} `tell:"current=Current trials=Trials upsets=Upsets low=Low high=High"`

	Current        rf.Current // as asked for
	Trials, Upsets int
	Low, High      rf.Fraction // Clopper–Pearson; without an upset Low is 0 and High the one-sided bound
}

// RandomOf works out the exposures of a run at one frequency. It refuses a frequency at which nothing
// was exposed, and one whose levels are not currents.
func RandomOf(r result.Run, f rf.Frequency, q RandomQuestion) (Random, error) {
	q = q.filled()
	p := r.Point(f)
	if p == nil {
		return Random{}, fmt.Errorf("work out the random threshold: run %d has no exposure at %v", r.Number, f)
	}
	out := Random{Frequency: f, Question: q, Chances: chances(r, q.Memory), RampBias: rf.Gain(math.NaN())}
	out.step = r.Opened.Resolution
	if s := r.Opened.Search; s != nil {
		out.Stated, out.step, out.settles = s.Stated, s.Step, s.Probability
	}
	trials, asked, err := trialsOf(p)
	if err != nil {
		return Random{}, fmt.Errorf("work out the random threshold at %v: %w", f, err)
	}
	out.Exposures = len(trials)
	for _, t := range trials {
		if t.Upset {
			out.Upsets++
		}
	}
	var pass, upset float64
	out.Overlap, pass, upset = threshold.OverlapOf(trials)
	if out.Upsets < len(trials) {
		out.Passed = rf.DBuA(pass)
	}
	if out.Upsets > 0 {
		out.Upset = rf.DBuA(upset)
	}
	out.shares(asked)
	out.fit(trials)
	out.levels(trials)
	out.dixonMood(r, p)
	out.bias(r)
	return out, nil
}

// chances returns how many independent chances a dwell gives.
func chances(r result.Run, memory rf.Duration) int {
	if memory <= 0 {
		return 1
	}
	return max(1, int(math.Round(r.Opened.Dwell.Std().Seconds()/memory.Std().Seconds())))
}

// trialsOf returns the exposures of a point with their level in dBµA: as measured, and as asked for.
func trialsOf(p *result.Point) (measured, asked []threshold.Trial, err error) {
	for _, s := range p.Steps {
		o := s.Outcome
		if o.Skipped || o.NotReached && !o.Upset || s.Step.Purpose == plan.DriftCheck {
			continue
		}
		l, _ := s.Level()
		if !l.Exact() {
			continue
		}
		want := s.Step.Point.Target.Add(s.Step.Offset)
		if !want.Exact() {
			want = l
		}
		measured = append(measured, threshold.Trial{Level: l.In(), Upset: o.Upset})
		asked = append(asked, threshold.Trial{Level: want.In(), Upset: o.Upset})
	}
	if len(measured) == 0 {
		return nil, nil, errors.New("no exposure has a current that is more than a bound")
	}
	return measured, asked, nil
}

func (x *Random) shares(asked []threshold.Trial) {
	for _, c := range threshold.CountsOf(asked) {
		s := UpsetShare{Current: rf.DBuA(c.Level), Trials: c.Trials, Upsets: c.Upsets}
		low, high, err := threshold.ClopperPearson(c.Upsets, c.Trials, float64(x.Question.Confidence))
		if c.Upsets == 0 {
			high, err = threshold.UpperBound(0, c.Trials, float64(x.Question.Confidence))
		}
		if err == nil {
			s.Low, s.High = rf.Fraction(low), rf.Fraction(high)
			x.At = append(x.At, s)
		}
	}
}

func (x *Random) fit(trials []threshold.Trial) {
	f, err := threshold.FitML(x.Question.Model, trials)
	if err == nil {
		x.Fit = &f
		return
	}
	x.NoFit = err.Error()
	if errors.Is(err, threshold.ErrSeparated) {
		if f, err := threshold.FitPenalised(x.Question.Model, trials); err == nil {
			x.Penalised = &f
		}
	}
}

func (x *Random) levels(trials []threshold.Trial) {
	for _, p := range x.Question.Probabilities {
		l := RandomLevel{Probability: p}
		if x.Fit != nil {
			l.Current = rf.DBuA(x.Fit.Level(float64(p)))
		}
		x.limits(&l, trials)
		x.Levels = append(x.Levels, l)
	}
	if at, ok := threshold.Stray(x.Question.Model, trials); ok {
		x.Notes = append(x.Notes, fmt.Sprintf(
			"the upset at %v lies where the other exposures expect none: a false alarm would pull the fit and its "+
				"limits down; look at its readings, and at the false alarms of a baseline run", rf.DBuA(at)))
	}
}

// limits fills in the limits of a level, or notes why there are none.
func (x *Random) limits(l *RandomLevel, trials []threshold.Trial) {
	p, confidence := float64(l.Probability), float64(x.Question.Confidence)
	if enough := threshold.EnoughFor(p); len(trials) < enough {
		x.Notes = append(x.Notes, fmt.Sprintf(
			"%d exposures are too few for the %v point: no limits are stated; needed: about %d", len(trials),
			l.Probability, enough))
		return
	}
	fine := x.Fit != nil && x.Fit.Fine(x.step.DB())
	limits, err := threshold.LimitsOfLevel(x.Question.Model, trials, p, confidence, fine)
	if err != nil {
		return
	}
	l.Low, l.High = bounded(limits)
	if limits.Method == threshold.ProfileMethod && x.Fit != nil {
		l.FiellerLow, l.FiellerHigh = bounded(x.Fit.FiellerLimits(p, confidence))
	}
	if at := float64(x.settles); at > 0 && min(p, 1-p) < min(at, 1-at)/3 {
		x.Notes = append(x.Notes, fmt.Sprintf(
			"the %v point is extrapolated: this search exposed where %v upset; its limits allow for the shape, and a "+
				"search for %v would bound it closer", l.Probability, x.settles, l.Probability))
	}
}

// bounded turns limits in dBµA into currents; an open end is absent.
func bounded(l threshold.Limits) (low, high rf.Current) {
	if !l.LowOpen {
		low = rf.DBuA(l.Low)
	}
	if !l.HighOpen {
		high = rf.DBuA(l.High)
	}
	return low, high
}

// dixonMood works out the plain up-and-down part of the run.
func (x *Random) dixonMood(r result.Run, p *result.Point) {
	s := r.Opened.Search
	if s == nil || s.Method != plan.Staircase || math.Abs(float64(s.Probability)-0.5) > 0.005 {
		return
	}
	var stairs []threshold.Trial
	for _, step := range p.Steps {
		if step.Step.Purpose == plan.StaircaseStep && !step.Outcome.Skipped && step.Step.Point.Target.Exact() {
			stairs = append(stairs, threshold.Trial{Level: step.Step.Point.Target.Add(step.Step.Offset).In(),
				Upset: step.Outcome.Upset})
		}
	}
	// The way down to the first pass is no part of the up-and-down.
	for len(stairs) > 1 && stairs[0].Upset == stairs[1].Upset {
		stairs = stairs[1:]
	}
	if d, err := threshold.DixonMoodOf(stairs, s.Step.DB()); err == nil {
		x.DixonMood = &DixonMood{rf.DBuA(d.Mean), rf.Gain(d.Sigma), d.Weak}
	}
}

func (x *Random) bias(r result.Run) {
	if x.Fit == nil {
		return
	}
	x.RampBias = rf.Gain(threshold.RampBias(x.Question.Model, x.Fit.Sigma, max(r.Opened.Resolution.DB(), 0.05),
		x.Chances))
	if x.Exposures < 20 {
		x.Notes = append(x.Notes, fmt.Sprintf(
			"%d exposures are few: limits are wide, and the spread comes out too small", x.Exposures))
	}
}

// TimesToUpset returns the exposures of a run at one frequency and level as a dwell study takes them:
// the time from RF at the level to the first reading that was bad, else the whole dwell. All levels
// count where level is absent; else those within half a decibel of it.
func TimesToUpset(r result.Run, f rf.Frequency, at rf.Current) []threshold.Exposure {
	p := r.Point(f)
	if p == nil {
		return nil
	}
	var out []threshold.Exposure
	for _, s := range p.Steps {
		o := s.Outcome
		if o.Skipped || o.NotReached && !onTheLastStretch(s) || s.Step.Purpose == plan.DriftCheck ||
			s.Step.Purpose == plan.Recover && o.Upset {
			continue
		}
		if at.Known() {
			l, _ := s.Level()
			if d, _ := l.Minus(at); !d.Finite() || math.Abs(d.DB()) > 0.5 {
				continue
			}
		}
		e := threshold.Exposure{Seconds: s.OnFor.Std().Seconds(), Upset: o.Upset}
		if o.Upset {
			for _, x := range s.Readings {
				if x.Bad && x.After >= 0 {
					e.Seconds = x.After.Std().Seconds()
					break
				}
			}
		}
		out = append(out, e)
	}
	return out
}

// onTheLastStretch reports an upset on the way up so near to the level of the step that it counts as one at it.
func onTheLastStretch(s *result.Step) bool {
	short, _ := s.Step.Point.Target.Add(s.Step.Offset).Minus(s.Current)
	return s.Outcome.Upset && s.Current.Exact() && short <= SameLevel
}

// ModulationResult is the onset at one frequency under one modulation.
type ModulationResult struct {
	_ struct{} `tell:"run=Run modulation=Under onset=Onset carrier=Carrier crest=Crest mean=Mean"`

	Run        int
	Modulation level.Modulation
	// Onset as the run told it, and what it is as unmodulated carrier, r.m.s. at the crest, and r.m.s.
	// over the modulation, each with the bound of the onset.
	Onset, Carrier, Crest, Mean rf.Current
}

// Under words the modulation.
func (r ModulationResult) Under() string { return Modulation(r.Modulation) }

// Responds is what of the envelope a DUT answers to.
type Responds string

// The answers.
const (
	ToPeak   Responds = "peak: the onset has the same crest whatever the modulation"
	ToMean   Responds = "mean: the onset has the same mean power whatever the modulation"
	ToRate   Responds = "rate: the onset depends on the modulation's rate or on its being there"
	ToAny    Responds = "peak and mean explain the onsets equally well"
	NotKnown Responds = "cannot be told: fewer than two modulations have an onset that is more than a bound"
)

// ModulationAt is one frequency of a modulation study.
type ModulationAt struct {
	_ struct{} `tell:"hz=Frequency responds=Responds why=Why peak_spread_db=PeakSpread mean_spread_db=MeanSpread"`
	_ struct{} `tell:"results=Results"`

	Frequency rf.Frequency
	Results   []ModulationResult
	// PeakSpread and MeanSpread are how far apart crest and mean of the exact onsets lie; NaN with
	// fewer than two.
	PeakSpread, MeanSpread rf.Gain
	Responds               Responds
	Why                    string
}

// ModulationStudy compares runs that differ in their modulation, frequency by frequency. The spread
// that counts as none is tolerance (common practice: the resolution, and 0.5 dB for levelling).
func ModulationStudy(runs []Outline, tolerance rf.Gain) []ModulationAt {
	at := map[rf.Frequency]*ModulationAt{}
	frequencies := map[rf.Frequency]*gathered{}
	for _, r := range runs {
		m := r.Head.Opened.Modulation
		for _, t := range r.Points {
			if at[t.Frequency] == nil {
				at[t.Frequency] = &ModulationAt{Frequency: t.Frequency}
				frequencies[t.Frequency] = &gathered{}
			}
			carrier := t.Onset.Add(m.CarrierOverLevel())
			at[t.Frequency].Results = append(at[t.Frequency].Results, ModulationResult{Run: r.Head.Number,
				Modulation: m, Onset: t.Onset, Carrier: carrier, Crest: carrier.Add(m.CrestOverCarrier()),
				Mean: carrier.Add(m.MeanOverCarrier())})
		}
	}
	var out []ModulationAt
	for _, f := range frequenciesOf(frequencies) {
		a := at[f]
		a.judge(tolerance)
		out = append(out, *a)
	}
	return out
}

func (a *ModulationAt) judge(tolerance rf.Gain) {
	var crest, mean gathered
	rates := map[rf.Frequency][]float64{} // crest by rate; CW has none
	for _, r := range a.Results {
		if !r.Onset.Exact() {
			continue
		}
		crest.add(r.Crest.DB())
		mean.add(r.Mean.DB())
		if !r.Modulation.IsCW() {
			rates[r.Modulation.Rate] = append(rates[r.Modulation.Rate], r.Crest.DB())
		}
	}
	a.PeakSpread, a.MeanSpread = crest.spread(), mean.spread()
	if len(crest.values) < 2 {
		a.Responds = NotKnown
		a.Why = a.bounds()
		return
	}
	peak, average := a.PeakSpread <= tolerance, a.MeanSpread <= tolerance
	a.Why = fmt.Sprintf("crests lie within %s, means within %s; %s count as the same", a.PeakSpread.Text(1),
		a.MeanSpread.Text(1), tolerance.Text(1))
	switch {
	case peak && average:
		a.Responds = ToAny
		a.Why += "; modulations that differ more in crest factor would tell them apart"
	case peak:
		a.Responds = ToPeak
	case average:
		a.Responds = ToMean
	default:
		a.Responds = ToRate
		a.Why += rateWords(rates)
	}
	if b := a.bounds(); b != "" {
		a.Why += "; " + b
	}
}

func (a *ModulationAt) bounds() string {
	n := 0
	for _, r := range a.Results {
		if r.Onset.Known() && !r.Onset.Exact() {
			n++
		}
	}
	if n == 0 {
		return ""
	}
	return fmt.Sprintf("%d of %d onsets are only bounds and do not count", n, len(a.Results))
}

func rateWords(rates map[rf.Frequency][]float64) string {
	best, lowest := rf.Frequency(0), math.Inf(1)
	for f, crests := range rates {
		for _, c := range crests {
			if c < lowest || c == lowest && f < best {
				best, lowest = f, c
			}
		}
	}
	if !best.Known() {
		return ""
	}
	return fmt.Sprintf("; it is most sensitive to a rate of %v, at a crest of %v", best, rf.FromDB[rf.Ampere](lowest))
}

// spread is the distance of the outermost values; NaN with fewer than two.
func (g *gathered) spread() rf.Gain {
	if len(g.values) < 2 {
		return rf.Gain(math.NaN())
	}
	low, high := g.ends()
	d, _ := high.Minus(low)
	return d
}
