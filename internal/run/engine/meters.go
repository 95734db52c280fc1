package engine

import (
	"context"
	"fmt"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// measure reads the unmodulated current, has the guard look at it, and remembers it.
func (r *run) measure(ctx context.Context, f rf.Frequency, at *reached, mod level.Modulation) error {
	p, err := r.predict(f, at.drive)
	if err != nil {
		return err
	}
	at.power = nil // a reading of another level
	at.predicted, at.forward, at.forwardPredicted = p.Current, p.Forward, true
	r.feed()
	m := guard.Measurement{Frequency: f, Drive: at.drive, Crest: mod.CrestOverLevel(),
		Expected: r.expectedAt(f, at.drive)}
	left := r.leaves()
	left.noSource = true // it was read back with the setting
	amplifier := make(chan error, 1)
	go func() { amplifier <- r.survive(func() error { return r.readAmplifier(ctx, &left) }) }()
	if r.cfg.Rig.Analyser != nil {
		if err = r.setUpAnalyser(f, p, 0); err == nil {
			at.current, err = r.readCurrent(r.patiently(ctx), f) // the power meter may be read next, and be as slow
			m.Current = at.current
		}
	}
	if other := <-amplifier; err == nil {
		err = other
	}
	if err == nil {
		err = r.judgeLeft(left) // before the reading, which is of no level in standby
	}
	if err != nil {
		return err
	}
	if err := r.guard.Measured(m); err != nil {
		return err
	}
	r.status.Current, r.status.CurrentAt = at.current, time.Now()
	if at.current.Exact() {
		r.seen[f] = append(r.seen[f], pair{at.drive, at.current})
		if at.highest.Absent() || at.current.Above(at.highest) {
			at.highest = at.current
		}
	}
	return nil
}

// look is the forward power that was read at a drive.
type look struct{ drive, forward rf.Power }

// powerBeside brings a reading of the coupler's ports that goes on while something else is asked.
type powerBeside chan powerRead

type powerRead struct {
	m   guard.Measurement
	err error
}

// measureAndPower is measure, and begins beside it to read the coupler's ports at the same level, unless a reading
// of a level that is gone still goes on.
func (r *run) measureAndPower(ctx context.Context, f rf.Frequency, at *reached, mod level.Modulation) error {
	var beside powerBeside
	free := r.power == nil || len(r.power) > 0
	if r.cfg.Rig.PowerMeter != nil && !r.bench.PowerMeter.ByHand && !r.byHand() && free {
		beside = make(powerBeside, 1)
		r.power = beside
		go func() {
			m := guard.Measurement{Frequency: f}
			err := r.survive(func() error { return r.readPower(ctx, &m) })
			beside <- powerRead{m, err}
		}()
	}
	err := r.measure(ctx, f, at, mod)
	at.power = beside
	return err
}

// takePower waits for the reading that was begun at a level, if there is one, or reads now.
func (r *run) takePower(ctx context.Context, at *reached, m *guard.Measurement) (beside bool, err error) {
	if at.power == nil {
		return false, r.readPower(ctx, m)
	}
	read := <-at.power
	r.power, at.power, m.Forward, m.Reverse = nil, nil, read.m.Forward, read.m.Reverse
	return true, read.err
}

// measurePower reads forward and reverse power at the level that was reached, and has the guard look at
// them. On the way to it lookForward alone judges them: many power meters average, and still show a level that is gone.
// A reading that was begun beside the analyser's counts where it follows the drive since lookForward.
func (r *run) measurePower(ctx context.Context, f rf.Frequency, at *reached, mod level.Modulation) error {
	crest := chain.CrestOfLevel(mod)
	m := guard.Measurement{Frequency: f, Drive: at.drive, Crest: crest.OverCarrier, Mean: crest.Mean}
	beside, err := r.takePower(ctx, at, &m)
	if looked, ok := r.looked[f]; err == nil && beside {
		rise, _ := at.drive.Minus(looked.drive)
		if d, _ := m.Forward.Minus(looked.forward.Add(rise)); !ok || !m.Forward.Exact() || !looked.forward.Exact() ||
			d > steadyWithin || d < -steadyWithin {
			err = r.readPower(ctx, &m)
		}
	}
	if err != nil {
		return err
	}
	at.reverse = m.Reverse
	if m.Forward.Known() {
		at.forward, at.forwardPredicted = m.Forward, false
	}
	r.status.Forward, r.status.Reverse = m.Forward, m.Reverse
	return r.guard.Measured(m)
}

// steadyWithin is how near two readings of the power meter lie that no longer show another level.
const steadyWithin rf.Gain = 0.3

// lookForward reads the forward power at a low level, once at every frequency, so that the guard knows what the
// amplifier really gives before it goes up. Many power meters average: a reading counts once the next one
// agrees with it.
func (r *run) lookForward(ctx context.Context, f rf.Frequency, at *reached) error {
	if r.cfg.Rig.PowerMeter == nil || r.bench.PowerMeter.ByHand || r.byHand() || r.looked[f].drive.Known() {
		return nil
	}
	m := guard.Measurement{Frequency: f, Drive: at.drive}
	for try := 0; try < 8; try++ {
		was := m.Forward
		r.feed()
		if _, err := r.takePower(ctx, at, &m); err != nil {
			return err
		}
		if d, _ := m.Forward.Minus(was); was.Known() && (m.Forward.Bound() != rf.Exactly || d <= steadyWithin &&
			d >= -steadyWithin) {
			break
		}
	}
	r.looked[f] = look{at.drive, m.Forward}
	return r.guard.Measured(m)
}

// predict is the budget of an unmodulated carrier.
func (r *run) predict(f rf.Frequency, drive rf.Power) (chain.Prediction, error) {
	p, err := r.cfg.Chain.Predict(f, drive, chain.CrestOf(level.Modulation{}), r.cfg.Plan.Fixture)
	if err != nil {
		return p, fmt.Errorf("predict the current: %w", err)
	}
	return p, nil
}

// readPower reads both ports of the coupler.
func (r *run) readPower(ctx context.Context, m *guard.Measurement) error {
	forward, reverse, err := r.cfg.Rig.PowerMeter.Read(ctx, m.Frequency)
	if err != nil {
		return r.instrument("read forward and reverse power", err)
	}
	if m.Forward, err = r.cfg.Chain.ForwardPower(m.Frequency, forward); err != nil {
		return err
	}
	m.Reverse, err = r.cfg.Chain.ReversePower(m.Frequency, reverse)
	return err
}

// setUpAnalyser says what the next reading of the analyser is to be. The reference level leaves room
// for the high end of the stated range, and for what modulation adds.
func (r *run) setUpAnalyser(f rf.Frequency, p chain.Prediction, crest rf.Gain) error {
	if r.cfg.Rig.Analyser == nil {
		return nil
	}
	high, _ := p.High.Minus(p.Current)
	low, _ := p.Current.Minus(p.Low)
	return r.setUp(f, p.Reading.Add(high+3+crest), p.Reading.Sub(low), p.Reading.Add(high))
}

// setUp says what the next reading of the analyser is to be. Low and high are what the budget expects,
// for a person who reads by eye.
func (r *run) setUp(f rf.Frequency, reference, low, high rf.Power) error {
	bw := rf.Frequency(0)
	if n := len(r.bench.Analyser.Bandwidths); n > 0 {
		bw = r.bench.Analyser.Bandwidths[0]
	}
	setup := driver.AnalyserSetup{Frequency: f, Bandwidth: bw, ReferenceLevel: reference, Low: low, High: high}
	r.analyser.Store(&setup)
	r.dwelling.drop()
	if err := r.cfg.Rig.Analyser.Setup(context.Background(), setup); err != nil {
		return r.instrument("set up the analyser", err)
	}
	return nil
}

// readMeters reads the analyser, as it was set up, and meanwhile a power meter that answers by itself.
// What is not there stays absent.
func (r *run) readMeters(ctx context.Context, m *guard.Measurement) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	beside := *m
	power := make(chan error, 1)
	if r.cfg.Rig.PowerMeter != nil && !r.bench.PowerMeter.ByHand {
		go func() { power <- r.survive(func() error { return r.readPower(ctx, &beside) }) }()
	} else {
		power <- nil
	}
	var err error
	if r.cfg.Rig.Analyser != nil {
		if m.Current, err = r.readCurrent(ctx, m.Frequency); err != nil {
			cancel() // the other one is not waited for
		}
	}
	if other := <-power; err == nil {
		err = other
	}
	m.Forward, m.Reverse = beside.Forward, beside.Reverse
	return err
}

// readCurrent reads the analyser, as it was set up, as a current in the probe.
func (r *run) readCurrent(ctx context.Context, f rf.Frequency) (rf.Current, error) {
	reading, err := r.cfg.Rig.Analyser.Read(ctx)
	if err != nil {
		return rf.Current{}, r.instrument("read the analyser", err)
	}
	current, err := r.cfg.Chain.CableCurrent(f, reading)
	if err != nil {
		return rf.Current{}, fmt.Errorf("turn the analyser's reading into a current: %w", err)
	}
	return current, nil
}

// dwellMeters are the meters, and what source and amplifier say, while RF dwells.
type dwellMeters struct {
	run   *run
	ctx   context.Context
	at    reached
	crest chain.Crest
	// compression is what the budget says that the amplifier takes off at the crest.
	compression rf.Gain
	// read brings the reading that is going on; nil when there is none. It began at began; took is how
	// long the last one took.
	read     chan dwellReading
	began    time.Time
	took     time.Duration
	shows    bool    // something was compared with what it has to be
	fell     rf.Gain // below what was expected, at most
	whatFell string
}

type dwellReading struct {
	m    guard.Measurement
	left left
	err  error
}

// watchMeters begins to watch a dwell. It returns nil, which watches nothing, where a person reads and sets
// everything.
func (r *run) watchMeters(ctx context.Context, at reached) (*dwellMeters, error) {
	if !r.seesCurrent() && !r.seesPower() && !r.wired() {
		return nil, nil
	}
	d := &dwellMeters{run: r, ctx: ctx, at: at, crest: chain.CrestOfLevel(r.modulation())}
	p, err := r.cfg.Chain.Predict(r.at.Frequency, r.at.Level, chain.CrestOf(r.modulation()), r.cfg.Plan.Fixture)
	if err != nil {
		return nil, fmt.Errorf("predict the crest: %w", err)
	}
	d.compression = p.Compression
	if r.seesCurrent() {
		if p, err = r.predict(r.at.Frequency, at.drive); err == nil {
			err = r.setUpAnalyser(r.at.Frequency, p, d.crest.OverCarrier)
		}
	}
	r.dwelling = d
	return d, err
}

// begin reads once, unless a reading is going on, was made a moment ago, or would outlast the dwell.
func (d *dwellMeters) begin(end time.Time) {
	if d == nil || end.IsZero() || d.read != nil || time.Until(end) < d.took || time.Since(d.began) < d.run.pace {
		return
	}
	r := d.run
	first := d.began.IsZero()
	d.read, d.began = make(chan dwellReading, 1), time.Now()
	x := dwellReading{m: guard.Measurement{Frequency: r.at.Frequency, Drive: d.at.drive, Crest: d.crest.OverCarrier,
		Mean: d.crest.Mean, Modulated: !r.modulation().IsCW()}, left: r.leaves()}
	over := r.modulation().CarrierOverLevel()
	response := r.responds()
	x.m.Expected, x.m.ExpectedForward = d.expected(over, response.current, response.forward)
	if !response.ofCurrent {
		x.m.Expected = x.m.Expected.Add(d.crest.OverCarrier)
	}
	if !response.ofPower {
		x.m.ExpectedForward = x.m.ExpectedForward.Add(d.crest.OverCarrier)
	}
	x.left.noSource = x.left.noSource || first // it was read back a moment ago
	go func(read chan<- dwellReading) {
		beside := make(chan error, 1)
		go func() { beside <- r.survive(func() error { return r.readLeft(d.ctx, &x.left) }) }()
		if r.seesCurrent() || r.seesPower() {
			x.err = r.survive(func() error { return r.readMeters(d.ctx, &x.m) })
		}
		if err := <-beside; x.err == nil {
			x.err = err
		}
		read <- x
	}(d.read)
}

// expected is what the meters have to read at a carrier so far above the level, and with what modulation
// adds; absent where nothing was measured before.
func (d *dwellMeters) expected(over, current, forward rf.Gain) (rf.Current, rf.Power) {
	var c rf.Current
	var p rf.Power
	if d.at.current.Exact() {
		c = d.at.current.Add(over + current)
	}
	if d.at.forward.Exact() && !d.at.forwardPredicted {
		p = d.at.forward.Add(over + forward)
	}
	return c, p
}

// reading reports that a reading is going on.
func (d *dwellMeters) reading() bool { return d != nil && d.read != nil }

// answer is where a reading comes from; nil for never.
func (d *dwellMeters) answer() <-chan dwellReading {
	if d == nil {
		return nil
	}
	return d.read
}

// heard judges a reading: what the instruments say of themselves, what the guard says of the meters, and
// whether the level was held.
func (d *dwellMeters) heard(x dwellReading) error {
	r := d.run
	d.read, d.took = nil, time.Since(d.began)
	if x.err != nil {
		return x.err
	}
	r.asked = time.Now()
	if err := r.judgeLeft(x.left); err != nil {
		return err
	}
	if err := r.guard.Measured(x.m); err != nil {
		return err
	}
	if !x.m.Modulated && x.m.Current.Exact() {
		r.status.Current, r.status.CurrentAt = x.m.Current, time.Now()
	}
	over := r.modulation().CarrierOverLevel()
	d.compareWith(x.m, over, r.responds())
	return nil
}

// compareWith notes how far readings lie below what is expected of them.
func (d *dwellMeters) compareWith(m guard.Measurement, over rf.Gain, by response) {
	current, forward := d.expected(over, by.current, by.forward)
	if by.ofCurrent && current.Exact() && m.Current.Known() {
		fell, _ := current.Minus(m.Current.WithBound(rf.Exactly))
		d.lower("the current", fell)
	}
	if by.ofPower && forward.Exact() && m.Forward.Known() {
		fell, _ := forward.Minus(m.Forward.WithBound(rf.Exactly))
		d.lower("forward power", fell)
	}
}

func (d *dwellMeters) lower(what string, fell rf.Gain) {
	d.shows = true
	if d.run.modulation().IsCW() || d.compression < 0 {
		d.compression = 0
	}
	if fell -= d.compression; fell > d.fell {
		d.fell, d.whatFell = fell, what
	}
}

// proved reports that a meter compared, or that none can.
func (d *dwellMeters) proved() bool {
	r := d.run
	current, forward := d.expected(0, 0, 0)
	can := r.seesCurrent() && current.Exact() || r.seesPower() && forward.Exact()
	return d.shows || !can
}

// notHeld says when the level was not held; empty when it was.
func (d *dwellMeters) notHeld() string {
	if d == nil || d.fell <= fallAllowed {
		return ""
	}
	return fmt.Sprintf("the level was not held: %s fell by %v during the dwell", d.whatFell, d.fell)
}

// drop waits for a reading that was going on when RF went off, and throws it away.
func (d *dwellMeters) drop() {
	if d != nil && d.read != nil {
		<-d.read
		d.read = nil
	}
}
