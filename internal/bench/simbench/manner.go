package simbench

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Touches are what somebody can change at a front panel, by instrument. A word with a sign wants a number in
// dB behind it, as "level+12"; "frequency" moves by a tenth upwards.
var Touches = map[string][]string{
	"source":    {"level+", "level-", "frequency", "on", "off", "am", "cw", "depth", "pulse"},
	"amplifier": {"standby", "gain+", "gain-"},
	"analyser":  {"centre", "reference+", "reference-", "continuous"},
}

// manner is what gear does by itself.
type manner struct {
	gain      float64 // dB that the amplifier's gain lies off
	drift     float64 // dB within driftWithin, from began on; 0 for none
	began     time.Duration
	drifted   float64 // dB of gain that the drift has made so far
	folded    float64 // V r.m.s. that the amplifier gives at most; 0 for no fold-back
	quantised bool    // the source answers levels roughly
}

// driftWithin is the bench time in which a drift is complete.
const driftWithin = 10 * time.Second

// advance moves a drift on to bench time t. The bench shows it at the next message or reading, of which a
// run has many in a second.
func (m *manner) advance(t time.Duration) {
	if m.drift == 0 {
		return
	}
	now := m.drift * min(1, (t-m.began).Seconds()/driftWithin.Seconds())
	m.gain += now - m.drifted
	m.drifted = now
}

// gives applies a fold-back to what the amplifier would give.
func (m *manner) gives(v [3]float64) [3]float64 {
	if m.folded > 0 && v[0] > m.folded {
		for h := range v {
			v[h] *= m.folded / v[0]
		}
	}
	return v
}

func (f Fault) isManner() bool {
	return slices.Contains([]FaultKind{FaultTouched, FaultFolds, FaultDrifts, FaultUntrue, FaultQuantised}, f.Kind)
}

// checkManner says what is wrong with a manner; nil for every other fault.
func (f Fault) checkManner() error {
	if !f.isManner() {
		return nil
	}
	if f.Kind == FaultTouched {
		what, _, err := f.touch()
		if err == nil && !slices.Contains(Touches[f.Instrument], what) {
			err = fmt.Errorf("set=%s is none of %v at the %s", f.Set, Touches[f.Instrument], f.Instrument)
		}
		return err
	}
	at := map[FaultKind]string{FaultFolds: "amplifier", FaultDrifts: "amplifier", FaultUntrue: "source",
		FaultQuantised: "source"}[f.Kind]
	if f.Instrument != at {
		return fmt.Errorf("%s happens at the %s only", f.Kind, at)
	}
	_, err := f.decibels(0)
	return err
}

// touch splits Set into the word, with its sign, and the number.
func (f Fault) touch() (what string, db float64, err error) {
	i := strings.IndexAny(f.Set, "+-")
	if i < 0 {
		return f.Set, 0, nil
	}
	if db, err = strconv.ParseFloat(f.Set[i:], 64); err != nil || math.Abs(db) > 60 {
		return "", 0, fmt.Errorf("set=%s needs a number of dB behind its sign, 60 at most", f.Set)
	}
	return f.Set[:i+1], db, nil
}

func (f Fault) decibels(otherwise float64) (float64, error) {
	if f.Set == "" {
		return otherwise, nil
	}
	db, err := strconv.ParseFloat(f.Set, 64)
	if err != nil || math.Abs(db) > 60 {
		return 0, fmt.Errorf("set=%s is no number of dB, 60 at most", f.Set)
	}
	return db, nil
}

// mannersDue counts a message and begins the manners whose turn has come. The caller holds the lock.
func (f *face) mannersDue(message string) {
	for _, x := range slices.Clone(f.faults) {
		if !x.isManner() || !strings.Contains(strings.ToUpper(message), strings.ToUpper(x.Only)) {
			continue
		}
		if x.After > 0 {
			x.After--
			continue
		}
		f.drop(x)
		f.bench.begin(*x)
	}
}

// begin lets a manner act after its delay, and end in its time. The caller holds the lock.
func (b *Bench) begin(f Fault) {
	act := func() {
		back := sync.OnceFunc(b.touch(f))
		face := b.faces[f.Instrument]
		face.back = append(face.back, back)
		b.plant.changed()
		if f.For > 0 {
			b.later(f.For, func() { back(); b.plant.changed() })
		}
	}
	if f.Delay == 0 {
		b.plant.advance(b.benchTime())
		act()
		return
	}
	b.later(f.Delay, act)
}

// later runs f with the bench's lock and the plant brought up to then, unless the bench is closed first.
func (b *Bench) later(d time.Duration, f func()) {
	if b.closed {
		return
	}
	b.running.Go(func() {
		timer := time.NewTimer(d)
		defer timer.Stop()
		select {
		case <-b.ctx.Done():
			return
		case <-timer.C:
		}
		b.mu.Lock()
		defer b.mu.Unlock()
		b.plant.advance(b.benchTime())
		f()
	})
}

// touch changes what a manner changes, and returns how it is changed back.
func (b *Bench) touch(f Fault) (undo func()) {
	p, m := &b.plant, &b.plant.manner
	switch f.Kind {
	case FaultFolds:
		db, _ := f.decibels(-6)
		m.folded = math.Max(p.amplifierOutput()*ratio(db), 1e-9)
		return func() { m.folded = 0 }
	case FaultDrifts:
		m.drift, _ = f.decibels(-3)
		m.began, m.drifted = p.at, 0
		return func() { m.gain, m.drift, m.drifted = m.gain-m.drifted, 0, 0 }
	case FaultUntrue:
		db, _ := f.decibels(12)
		p.levelError += db
		return func() { p.levelError -= db }
	case FaultQuantised:
		m.quantised = true
		return func() { m.quantised = false }
	}
	what, db, _ := f.touch()
	switch f.Instrument {
	case "source":
		return b.source.touch(what, db)
	case "amplifier":
		if what != "standby" {
			m.gain += db
			return func() { m.gain -= db }
		}
		was := p.operate
		p.operate = false
		return func() { p.operate = was }
	}
	return b.analyser.touch(what, db)
}

// amplifierOutput is what the amplifier gives of the carrier now, in V r.m.s.
func (p *plant) amplifierOutput() float64 {
	g, level := p.generator, p.levelError
	if !g.on {
		return 0
	}
	if p.generatorPadIn {
		level -= p.generatorPad
	}
	return p.amplify(g.hz, g.volts*ratio(level))[0]
}

// touch turns a knob of the generator. Its own limits hold at the front panel too. Set back is what was
// turned, and nothing else.
func (s *source) touch(what string, db float64) (undo func()) {
	g := s.generator
	was := *g
	switch what {
	case "level+", "level-":
		g.volts = math.Min(math.Max(g.volts*ratio(db), s.lowest()), s.highest())
		return func() { g.volts = was.volts }
	case "frequency":
		g.hz = math.Min(g.hz*1.1, generatorHigh)
		return func() { g.hz = was.hz }
	case "on", "off":
		g.on = what == "on"
		return func() { g.on = was.on }
	case "depth":
		g.mod.AMDepth = 1
		return func() { g.mod.AMDepth = was.mod.AMDepth }
	case "pulse":
		g.pulse = !g.pulse
		return func() { g.pulse = was.pulse }
	}
	g.am = what == "am"
	return func() { g.am = was.am }
}

// touch turns a knob of the analyser.
func (a *analyser) touch(what string, db float64) (undo func()) {
	centre, reference, continuous := a.centre, a.reference, a.continuous
	switch what {
	case "centre":
		a.centre *= 1.1
	case "continuous":
		a.continuous = !a.continuous
	default:
		a.reference += db
	}
	return func() { a.centre, a.reference, a.continuous = centre, reference, continuous }
}
