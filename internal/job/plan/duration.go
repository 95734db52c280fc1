package plan

import (
	"fmt"
	"math"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Duration is an estimate of how long a run takes, from the first look to RF off at the end, without
// the time in which a person thinks.
type Duration struct {
	// Shortest: nothing upsets and every instrument answers at once. Nothing is faster. Longest: many
	// frequencies fail and instruments are slow. Likely lies between, with what Assumes says.
	Shortest, Likely, Longest rf.Duration
	Assumes                   []string
}

// pace is one set of assumptions: how fast the bench is, and how the product behaves. They are common
// practice, but for the exposures of a search, which are counted in tests (six to eight at a failing
// frequency on smooth bands, see searched).
type pace struct {
	exchange    rf.Duration // one message to an instrument with its answer
	person      rf.Duration // one setting or reading by hand
	corrections int         // of the level by the closed loop after the first reading
	failing     float64     // share of the frequencies
	exposures   int         // at a failing frequency
	upsets      int         // of those
	recovery    float64     // of recover_within, waited after an upset
	line        float64     // of a text monitor's silence limit, between two of its lines
	look        float64     // of the slowest monitor's period, waited after a dwell
}

var (
	quickest = pace{exchange: 200e3, person: 2e9, corrections: 1}
	likely   = pace{exchange: 2e6, person: 10e9, corrections: 2, failing: 0.1, exposures: 7, upsets: 3, recovery: 0.5,
		line: 0.03, look: 0.5}
	slowest = pace{exchange: 20e6, person: 30e9, corrections: 4, failing: 0.25, exposures: 11, upsets: 5, recovery: 1,
		line: 0.2, look: 1}
)

// durationOf estimates how long a plan takes on a bench.
func durationOf(p *Plan, b *catalog.Bench) Duration {
	e := estimate{plan: p, bench: b}
	return Duration{Shortest: e.at(quickest), Likely: e.at(likely), Longest: e.at(slowest), Assumes: e.assumes()}
}

// TimeOf estimates how long exposures take of which so many upset, from one's beginning to the next one's.
func TimeOf(p *Plan, b *catalog.Bench, exposures, upsets int) rf.Duration {
	e := estimate{plan: p, bench: b}
	return inSeconds(float64(exposures)*e.exposure(likely) +
		float64(upsets)*(likely.recovery*float64(p.RecoverWithin)+4*float64(likely.exchange)))
}

type estimate struct {
	plan  *Plan
	bench *catalog.Bench
}

// at adds up the run at a pace.
func (e estimate) at(a pace) rf.Duration {
	p, n := e.plan, float64(len(e.plan.Grid))
	if p.Drift.At.Known() {
		n += 1 + math.Ceil(n/float64(max(1, p.Drift.Every)))
	}
	s := p.Search
	if s.Method == Repeated && s.Onset {
		n *= float64(s.Trials)
	}
	// opening, the product's baseline, first light, off at the end
	total := e.before(a)
	total += n * e.exposure(a)
	if (p.Kind == Exposure || p.Kind == Control) && p.Search.Onset && a.failing > 0 {
		failing := math.Ceil(a.failing * float64(len(p.Grid)))
		each, upset := e.searched(a)
		exposures, upsets := float64(each-1), float64(upset)
		if s.Method.Random() || s.IfRandom.Random() {
			exposures, upsets = exposures+float64(s.Trials), upsets+float64(s.Trials)/2
		}
		edges := e.edges(failing)
		total += (failing*exposures + edges) * e.exposure(a)
		total += (failing*upsets + edges/2) * (a.recovery*float64(p.RecoverWithin) + 4*float64(a.exchange))
	}
	return inSeconds(total)
}

// searched returns how many exposures a failing frequency takes, and how many of them upset. Those of a pace are for
// a recovery level, which takes two exposures beside one that upsets and confirms.
func (e estimate) searched(a pace) (exposures, upsets int) {
	s := e.plan.Search
	exposures, upsets = a.exposures-1+max(1, s.Confirm), a.upsets-1+max(1, s.Confirm)
	if !s.Recovery {
		exposures, upsets = a.exposures-3+s.Confirm, a.upsets-1+s.Confirm
	}
	return max(1, exposures), max(0, upsets)
}

// inSeconds rounds nanoseconds to what an estimate is good for: two digits.
func inSeconds(ns float64) rf.Duration {
	if ns <= 0 {
		return 0
	}
	unit := math.Pow(10, math.Floor(math.Log10(ns))-1)
	return rf.Duration(math.Round(math.Round(ns/unit) * unit))
}

// edges counts the frequencies that halving steps add at the edges of failing bands, five failing
// neighbours to a band.
func (e estimate) edges(failing float64) float64 {
	g := e.plan.Grid
	if e.plan.Edges <= 0 || len(g) < 2 {
		return 0
	}
	step := math.Pow(float64(g[len(g)-1]/g[0]), 1/float64(len(g)-1)) - 1
	return 2 * math.Ceil(failing/5) * max(0, math.Ceil(math.Log2(step/float64(e.plan.Edges))))
}

// exposure is one frequency: settings with their settling, readings, the dwell and the look after it.
func (e estimate) exposure(a pace) float64 {
	p := e.plan
	if p.Kind == Baseline {
		return e.dwell(a)
	}
	settings, readings := e.settings(a)
	source, analyser := float64(a.exchange), float64(a.exchange)
	if e.bench.Source.ByHand {
		source, settings = float64(a.person), settings-1 // a person goes down only within a change of frequency
	}
	if q := e.bench.Analyser; q != nil && q.ByHand {
		analyser = float64(a.person)
	}
	if e.bench.PowerMeter != nil {
		analyser += float64(a.exchange)
	}
	each := float64(settings)*(source+float64(p.Settle)) + float64(readings)*analyser + source
	if p.Kind == Calibration {
		return each
	}
	return each + e.dwell(a)
}

// settings counts settings and readings of one exposure: a low level, the level with its corrections,
// the modulation.
func (e estimate) settings(a pace) (settings, readings int) {
	settings, readings = 2, 2
	if e.plan.Mode == ClosedLoop || e.plan.Kind == Calibration {
		settings, readings = 1+a.corrections, 1+a.corrections
	}
	if e.plan.Kind != Calibration && !e.plan.Modulation.IsCW() {
		settings++
	}
	return settings, readings
}

// dwell lasts until the slowest monitor has looked, and is followed by the readings on their way.
func (e estimate) dwell(a pace) float64 {
	period := e.period(a)
	return float64(max(e.plan.Dwell, period)) + a.look*float64(period) + float64(e.latency())*min(1, 2*a.look)
}

// period is how often the slowest monitor of the run gives a reading.
func (e estimate) period(a pace) rf.Duration {
	var longest rf.Duration
	for _, m := range e.bench.Monitors {
		every := m.Period()
		if m.Unasked() {
			every = rf.Duration(a.line * float64(m.Silence))
		}
		longest = max(longest, every)
	}
	return longest
}

func (e estimate) latency() rf.Duration {
	var longest rf.Duration
	for _, m := range e.bench.Monitors {
		longest = max(longest, m.Latency)
	}
	return longest
}

// assumes words what the likely time rests on, and the ends of the range.
func (e estimate) assumes() []string {
	p := e.plan
	var out []string
	dwell := fmt.Sprintf("dwell %v", p.Dwell)
	if period := e.period(likely); period > 0 {
		dwell = fmt.Sprintf("dwell %v, lengthened to the slowest monitor's period (%v; a text line's from its "+
			"silence limit) and half of it more for the reading on its way", p.Dwell, period)
	}
	if p.Kind == Baseline {
		return []string{dwell}
	}
	settings, readings := e.settings(likely)
	out = append(out,
		fmt.Sprintf("%d settings with %v of settling and %d readings at each frequency, %v for each exchange with an "+
			"instrument (%v to %v)",
			settings, p.Settle, readings, likely.exchange, quickest.exchange, slowest.exchange))
	if e.bench.Source.ByHand || e.bench.Analyser != nil && e.bench.Analyser.ByHand {
		out = append(out, fmt.Sprintf("%v for what a person sets or reads (%v to %v)", likely.person, quickest.person,
			slowest.person))
	}
	if p.Kind == Calibration {
		return out
	}
	out = append(out, dwell)
	if (p.Kind == Exposure || p.Kind == Control) && p.Search.Onset {
		each, upset := e.searched(likely)
		most, mostUpset := e.searched(slowest)
		out = append(out,
			fmt.Sprintf("%.0f %% of the frequencies fail (0 %% to %.0f %%), each with %d exposures of which %d upset "+
				"(to %d and %d), each waiting for %.0f %% of recover_within (to 100 %%)",
				100*likely.failing, 100*slowest.failing, each, upset, most, mostUpset, 100*likely.recovery))
	}
	return out
}

// String prints the estimate with its range.
func (d Duration) String() string {
	return fmt.Sprintf("about %v (%v to %v)", d.Likely, d.Shortest, d.Longest)
}

// Words prints what the estimate assumes.
func (d Duration) Words() string { return "assumed: " + strings.Join(d.Assumes, "; ") }
