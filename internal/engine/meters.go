package engine

import (
	"context"
	"fmt"
	"time"

	"provoke/internal/chain"
	"provoke/internal/driver"
	"provoke/internal/guard"
	"provoke/internal/level"
	"provoke/internal/plan"
	"provoke/internal/rf"
)

// measure reads the unmodulated current, has the guard look at it, and remembers it.
func (r *run) measure(ctx context.Context, f rf.Frequency, at *reached, mod level.Modulation) error {
	p, err := r.predict(f, at.drive)
	if err != nil {
		return err
	}
	at.predicted, at.forward, at.forwardPredicted = p.Current, p.Forward, true
	r.feed()
	m := guard.Measurement{Frequency: f, Drive: at.drive, Crest: mod.CrestOverLevel()}
	if r.cfg.Rig.Analyser != nil {
		if err := r.setUpAnalyser(f, p, 0); err != nil {
			return err
		}
		if at.current, err = r.readCurrent(ctx, f); err != nil {
			return err
		}
		m.Current = at.current
	}
	if err := r.guard.Measured(m); err != nil {
		return err
	}
	r.status.Current = at.current
	if at.current.Exact() {
		r.seen[f] = append(r.seen[f], pair{at.drive, at.current})
		if at.highest.Absent() || at.current.Above(at.highest) {
			at.highest = at.current
		}
	}
	return nil
}

// measurePower reads forward and reverse power at the level that was reached, and has the guard look at
// them. It is read there only: many power meters average, and still show a level that is gone.
func (r *run) measurePower(ctx context.Context, f rf.Frequency, at *reached, mod level.Modulation) error {
	crest := plan.CrestOfLevel(mod)
	m := guard.Measurement{Frequency: f, Drive: at.drive, Crest: crest.OverCarrier, Mean: crest.Mean}
	if err := r.readPower(ctx, &m); err != nil {
		return err
	}
	at.reverse = m.Reverse
	if m.Forward.Known() {
		at.forward, at.forwardPredicted = m.Forward, false
	}
	return r.guard.Measured(m)
}

// predict is the budget of an unmodulated carrier.
func (r *run) predict(f rf.Frequency, drive rf.Power) (chain.Prediction, error) {
	p, err := r.cfg.Chain.Predict(f, drive, guard.CrestOf(level.Modulation{}), r.cfg.Plan.Fixture)
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

// dwellWatched is the shortest dwell during which the meters are read again: shorter ones are over
// before the reading says much.
const dwellWatched = 400 * time.Millisecond

// fallAllowed is how far an unmodulated current may fall during a dwell before the level counts as not held.
const fallAllowed rf.Gain = 3

// dwellMeters are the meters while RF dwells.
type dwellMeters struct {
	run   *run
	ctx   context.Context
	at    reached
	crest chain.Crest
	// read brings the reading that is going on; nil when there is none. It began at began; took is how
	// long the last one took.
	read  chan dwellReading
	began time.Time
	took  time.Duration
	fell  rf.Gain // of an unmodulated current, at most
}

type dwellReading struct {
	m   guard.Measurement
	err error
}

// watchMeters begins to watch the meters of a dwell. It returns nil, which watches nothing, where a
// person reads them or the dwell is short.
func (r *run) watchMeters(ctx context.Context, at reached) (*dwellMeters, error) {
	if r.cfg.Rig.Analyser == nil || r.bench.Analyser.ByHand || r.cfg.Plan.Dwell.Std() < dwellWatched {
		return nil, nil
	}
	d := &dwellMeters{run: r, ctx: ctx, at: at, crest: plan.CrestOfLevel(r.cfg.Plan.Modulation)}
	p, err := r.predict(r.at.Frequency, at.drive)
	if err != nil {
		return nil, err
	}
	err = r.setUpAnalyser(r.at.Frequency, p, d.crest.OverCarrier)
	r.dwelling = d
	return d, err
}

// begin reads once, unless a reading is going on or would outlast the dwell.
func (d *dwellMeters) begin(end time.Time) {
	if d == nil || d.read != nil || time.Until(end) < d.took {
		return
	}
	d.read, d.began = make(chan dwellReading, 1), time.Now()
	m := guard.Measurement{Frequency: d.run.at.Frequency, Drive: d.at.drive, Crest: d.crest.OverCarrier, Mean: d.crest.Mean, Modulated: !d.run.cfg.Plan.Modulation.IsCW()}
	go func(read chan<- dwellReading) {
		err := d.run.survive(func() error { return d.run.readMeters(d.ctx, &m) })
		read <- dwellReading{m, err}
	}(d.read)
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

// heard has the guard look at a reading. Whether a current fell is told of one without modulation only:
// what a detector makes of modulation is not known.
func (d *dwellMeters) heard(x dwellReading) error {
	d.read, d.took = nil, time.Since(d.began)
	if x.err != nil {
		return x.err
	}
	if err := d.run.guard.Measured(x.m); err != nil {
		return err
	}
	if !x.m.Modulated && x.m.Current.Exact() && d.at.current.Exact() {
		d.run.status.Current = x.m.Current
		fell, _ := d.at.current.Minus(x.m.Current)
		d.fell = max(d.fell, fell)
	}
	return nil
}

// notHeld says when the level was not held; empty when it was.
func (d *dwellMeters) notHeld() string {
	if d == nil || d.fell <= fallAllowed {
		return ""
	}
	return fmt.Sprintf("the current fell by %v during the dwell", d.fell)
}

// drop waits for a reading that was going on when RF went off, and throws it away.
func (d *dwellMeters) drop() {
	if d != nil && d.read != nil {
		<-d.read
		d.read = nil
	}
}
