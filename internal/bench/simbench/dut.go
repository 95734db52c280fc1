package simbench

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// Build is a build of the product.
type Build string

// The builds: as received, and with the fix.
const (
	Original Build = "original"
	Fixed    Build = "fixed"
	// Cured has a further fix: every band lies far above what the bench reaches.
	Cured Build = "cured"
)

// Fix says what the second build really changed.
type Fix string

// FixCures raises one band out of reach and improves the others. FixMoves moves the first band to
// another frequency. FixWorsens cures the first band and opens another. FixDetunes changes nothing
// about the thresholds: it raises the impedance at the cable's end, so that less current can be
// reached.
const (
	FixCures   Fix = "cures"
	FixMoves   Fix = "moves"
	FixWorsens Fix = "worsens"
	FixDetunes Fix = "detunes"
)

// bandKind is what a band does to the product.
type bandKind string

const (
	shifts  bandKind = "shift" // the reading moves while RF is on
	latches bandKind = "latch" // an error line until it is reset
)

// detects is what of the envelope a band responds to.
type detects string

const (
	peakOfEnvelope detects = "peak" // r.m.s. at the crest
	meanOfEnvelope detects = "mean" // r.m.s. over the modulation
)

// dip is a smooth dip of the threshold: lowest in dBµA at the centre, 10 dB more at a distance of
// width in ln(f), square law between and beyond.
type dip struct{ centre, lowest, width float64 }

// never is the threshold in dBµA above which a dip does not count any more.
const never = 125.0

// threshold returns the onset in dBµA of the detected current at the monitoring probe.
func (d dip) threshold(hz float64) float64 {
	x := math.Log(hz/d.centre) / d.width
	t := d.lowest + 10*x*x
	if t > never {
		return math.Inf(1)
	}
	return t
}

// band is one way in which RF upsets the product.
type band struct {
	name       string
	kind       bandKind
	detects    detects
	builds     map[Build]dip
	hysteresis float64 // dB from onset down to recovery; shift only
	constant   float64 // time constant of the rectifier's integrator, seconds
	monitor    bool    // upsets the monitor, not the product: a held output does not help
}

// drawBands draws two or three bands: a shift between 1 and 6 MHz, a latch between 15 and 50 MHz,
// sometimes one more shift below or between.
func drawBands(r *rand.Rand) []band {
	bands := []band{
		{name: "A", kind: shifts, detects: meanOfEnvelope,
			builds: map[Build]dip{Original: {logUniform(r, 1.3e6, 5.2e6), uniform(r, 67, 75),
				uniform(r, 0.09, 0.16)}},
			hysteresis: uniform(r, 1.5, 3.8), constant: uniform(r, 0.08, 0.2)},
		{name: "B", kind: latches, detects: peakOfEnvelope,
			builds:   map[Build]dip{Original: {logUniform(r, 17e6, 45e6), uniform(r, 68, 76), uniform(r, 0.08, 0.14)}},
			constant: 0.01},
	}
	if r.IntN(2) == 0 {
		low, high := 0.35e6, 0.65e6
		if r.IntN(2) == 0 {
			low, high = 8e6, 11e6
		}
		bands = append(bands, band{name: "C", kind: shifts, detects: peakOfEnvelope,
			builds:     map[Build]dip{Original: {logUniform(r, low, high), uniform(r, 70, 76), uniform(r, 0.08, 0.12)}},
			hysteresis: uniform(r, 1.5, 3.8), constant: uniform(r, 0.08, 0.2)})
	}
	cured := r.IntN(2)
	for i := range bands {
		d := bands[i].builds[Original]
		if i == cured {
			d.lowest += uniform(r, 30, 36)
		} else {
			d.lowest += uniform(r, 3, 7)
		}
		bands[i].builds[Fixed] = d
		d.lowest = max(d.lowest, 100)
		bands[i].builds[Cured] = d
	}
	return bands
}

// applyFix replaces the second build by another story.
func (g *gear) applyFix(f Fix) {
	first := &g.bands[0]
	original := first.builds[Original]
	switch f {
	case FixMoves:
		for i := range g.bands {
			g.bands[i].builds[Fixed] = g.bands[i].builds[Original]
		}
		original.centre *= 1.5
		first.builds[Fixed] = original
	case FixWorsens:
		original.lowest += 32
		first.builds[Fixed] = original
		g.bands = append(g.bands, band{name: "W", kind: shifts, detects: meanOfEnvelope, hysteresis: 2, constant: 0.1,
			builds: map[Build]dip{
				Original: {centre: 0.9e6, lowest: never + 1, width: 0.1},
				Fixed:    {centre: 0.9e6, lowest: 72, width: 0.1}}})
	case FixDetunes:
		g.detuned = true
		for i := range g.bands {
			g.bands[i].builds[Fixed] = g.bands[i].builds[Original]
		}
	}
}

// bandState is what a band remembers.
type bandState struct {
	severity float64 // filtered square of detected current over onset current
	tripped  bool
}

// advance moves a state over a time with a constant drive. The filtered severity runs
// exponentially toward the drive, so that its extreme is at the end.
func (s *bandState) advance(b *band, drive, seconds float64) {
	s.severity = drive + (s.severity-drive)*math.Exp(-seconds/b.constant)
	switch {
	case s.severity >= 1:
		s.tripped = true
	case b.kind == shifts && s.severity < math.Pow(10, -b.hysteresis/10):
		s.tripped = false
	}
}

// What the weigher shows.
const (
	weight         = 12.34 // kg on the belt
	tolerance      = 0.05  // kg, what a bench file should allow
	trippedShift   = 0.25  // kg at the onset
	untrippedShift = 0.015 // kg just below the onset
	largestShift   = 40.0  // kg
	errorLine      = "ERR 07"
	linePeriod     = 0.1 // seconds
	voltsPerKg     = 0.2
	voltsAtZero    = 1.0
	voltsAtError   = 0.5
)

// shift returns by how much a band moves the reading, in kg.
func (s bandState) shift(b *band) float64 {
	switch {
	case b.kind != shifts:
		return 0
	case s.tripped:
		return math.Min(trippedShift*s.severity, largestShift)
	}
	return untrippedShift * s.severity
}

// weigher is the product on the cable.
type weigher struct {
	build  Build
	held   bool
	off    bool // without power
	starts int  // times that it was switched on again
	states []bandState
	noise  func() float64
}

// drives finds the square of detected over onset current for each band.
func (p *plant) drives() {
	p.drive = make([]float64, len(p.bands))
	if p.fixture != Cable {
		return
	}
	for i := range p.bands {
		p.drive[i] = p.severityOf(&p.bands[i], p.product.build, p.now)
	}
	p.chance.move(p.drive)
}

// severityOf takes the worst of the fundamental and the harmonics.
func (g *gear) severityOf(b *band, build Build, s signal) float64 {
	worst := 0.0
	for _, tone := range s.tones {
		detected := tone.crest
		if b.detects == meanOfEnvelope {
			detected = tone.mean
		}
		onset := amperes(g.threshold(b, build, tone.hz))
		worst = math.Max(worst, math.Pow(detected/onset, 2))
	}
	return worst
}

// kilograms returns the reading, and whether the error line is shown instead.
func (w *weigher) kilograms(bands []band) (kg float64, failed bool) {
	kg = weight
	for i, s := range w.states {
		if w.held && !bands[i].monitor {
			continue
		}
		kg += s.shift(&bands[i])
		failed = failed || bands[i].kind == latches && s.tripped
	}
	return kg, failed
}

// line returns the text that the weigher sends.
func (w *weigher) line(bands []band) string {
	if w.off {
		return ""
	}
	kg, failed := w.kilograms(bands)
	if failed {
		return errorLine + "\r\n"
	}
	kg += 0.006 * w.noise()
	return fmt.Sprintf("%7.2f kg\r\n", kg)
}

// volts returns the analogue output.
func (w *weigher) volts(bands []band) float64 {
	if w.off {
		return 0
	}
	kg, failed := w.kilograms(bands)
	if failed {
		return voltsAtError
	}
	return voltsAtZero + voltsPerKg*kg + 0.0002*w.noise()
}

// reset clears what is latched. It latches again at once where RF is still too high.
func (w *weigher) reset(bands []band) {
	for i := range w.states {
		if bands[i].kind == latches {
			w.states[i] = bandState{}
		}
	}
}
