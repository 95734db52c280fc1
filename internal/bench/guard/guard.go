// Package guard is the only maker of a permission to raise RF. It computes every request through
// the chain and compares the peak with every rating; it trips on what is measured; it holds the
// latch, the dead-man and the one function that silences a bench. Budget and plan check advise;
// guard refuses. A refusal is an error, never a silent clip.
//
// A hold is the engine's business and may end by itself. A trip is latched here: after one, no
// permission works, old or new, until a person arms anew.
package guard

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Setting is the whole state of the source that a permission allows.
type Setting struct {
	Frequency  rf.Frequency
	Level      rf.Power // available into 50 Ω, unmodulated carrier
	Modulation level.Modulation
	Output     bool
	// To is where a source ends that sweeps by itself from Frequency; absent for one that stands still.
	To rf.Frequency
}

// SourceState is what a source says of itself when asked.
type SourceState struct {
	Setting
	// Settled is false when the source answers that it is still changing.
	Settled bool
}

// SourceSilencer is the part of a source that can only lower RF.
type SourceSilencer interface {
	OutputOff(ctx context.Context) error
	Minimum(ctx context.Context) error
	State(ctx context.Context) (SourceState, error)
}

// AmplifierSilencer is the part of an amplifier that can only lower RF.
type AmplifierSilencer interface {
	Standby(ctx context.Context) error
	Operating(ctx context.Context) (bool, error)
}

// Witness measures whether RF is there, independently of the source's word.
type Witness interface {
	// Quiet measures once: the level, and whether it is at the floor of the meter.
	Quiet(ctx context.Context) (text string, quiet bool, err error)
}

// ErrTripped is wrapped by every refusal that comes from the latch.
var ErrTripped = errors.New("the guard has tripped")

// ErrRefused is wrapped by a refusal that comes from a rating: nothing is wrong with the bench,
// the request is too much for it.
var ErrRefused = errors.New("refused by a rating")

// Config is what a guard protects and how.
type Config struct {
	Chain     *chain.Chain
	Fixture   catalog.Fixture
	Run       int
	Lifetime  time.Duration // of a permission; 0 means 2 s
	DeadMan   time.Duration // longest time between two signs of life; 0 means 2 s
	TripAbove rf.Gain       // measured above the prediction's high end; 0 means the constant TripAbove

	Source    SourceSilencer
	Amplifier AmplifierSilencer // nil where the amplifier has no remote standby
	Witness   Witness           // nil where nothing measures
	// Unswitched says that the source cannot be switched off by this program; its zero value that it can.
	Unswitched Unswitched
	// PersonWithin is how long silencing waits for a person to switch such a source off; 0 means 1 min.
	PersonWithin time.Duration
	// Interlock reads the interlock; nil where the bench has none. While RF may be on it is asked every
	// InterlockEvery, or as fast as it answers.
	Interlock func(context.Context) (closed bool, err error)
	// Watcher is the second process that silences the bench when this one cannot; nil for none.
	Watcher Watcher
	// Hardware is what ends RF when both processes are gone; nil for none. Only this guard feeds it.
	Hardware HardwareDeadMan
	// Tripped is told of a trip before anything is done about it. It is waited for a short time only: a
	// journal on a disk that hangs must not keep the bench from being silenced.
	Tripped func(cause, by string)

	// Patience is the longest wait for one exchange while silencing; 0 means 1 s. GiveUp is when
	// silencing ends without success; 0 means 5 s more. Linger is how long the bench must stay quiet
	// when a command that raises RF may have been abandoned and could still be carried out; 0 means
	// 1.5 s more than Patience, which is longer than any exchange is waited for.
	Patience, GiveUp, Linger time.Duration
	// Between is the pause from one pass of silencing to the next; 0 means 50 ms.
	Between time.Duration
}

// Watcher is this process's view of the second process that silences the bench when this one cannot.
type Watcher interface {
	// Check returns nil while the watcher watches and has no reason to act.
	Check() error
	// Gone is closed when that is over.
	Gone() <-chan struct{}
	// At says where RF is about to be.
	At(rf.Frequency)
	// Alive is a sign of life of the engine, not of its process. Without another one within the time
	// that comes with it the watcher acts; 0 says that none is due any more. It must not block.
	Alive(within time.Duration)
}

// Takeover is how long after the dead-man's time the watcher acts on an engine that gives no sign of
// life: the dead-man, which stands nearer, acts first, and may be held up by what holds up the engine.
const Takeover = 500 * time.Millisecond

// Guard protects one run on one bench.
type Guard struct {
	cfg Config

	mu    sync.Mutex
	armed bool
	cause string // of the trip; empty when not tripped
	epoch int    // permissions of an older epoch are void
	last  Setting
	// surplus is by how much the last readings of the unmodulated carrier at a frequency lay above the
	// prediction.
	surplus  map[rf.Frequency]chain.Surplus
	suspect  bool // somebody said that a command which raises may still be on its way
	pending  bool // a permission was used and the instrument has not confirmed it
	busy     int  // silencing that is going on or waiting for its turn
	goingOff int  // RF is being switched off, which a person may do by opening the interlock
	// seenClosed is when the interlock was last asked and found closed.
	seenClosed time.Time
	feed       chan struct{}
	stop       chan struct{}
	done       chan struct{}

	feeding sync.Mutex // held while the hardware dead-man is fed
	fed     time.Time  // when it was last fed; zero for never

	silencing chan struct{} // holds one token: whoever has it silences
	now       func() time.Time
}

// New makes a guard that is neither armed nor tripped.
func New(cfg Config) *Guard {
	defaults := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	defaults(&cfg.Lifetime, 2*time.Second)
	defaults(&cfg.DeadMan, 2*time.Second)
	defaults(&cfg.Patience, time.Second)
	defaults(&cfg.GiveUp, 5*time.Second+cfg.Patience)
	defaults(&cfg.Linger, 1500*time.Millisecond+cfg.Patience)
	defaults(&cfg.Between, 50*time.Millisecond)
	if cfg.Unswitched.Named != "" {
		defaults(&cfg.PersonWithin, time.Minute)
		cfg.GiveUp = max(cfg.GiveUp, cfg.PersonWithin)
	}
	if cfg.TripAbove == 0 {
		cfg.TripAbove = TripAbove
	}
	g := &Guard{cfg: cfg, now: time.Now, silencing: make(chan struct{}, 1)}
	g.silencing <- struct{}{}
	return g
}

// Arm allows permissions to be made and starts the dead-man. It refuses after a trip: that takes a
// new guard, which a person starts.
func (g *Guard) Arm() error {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.cause != "" {
		return fmt.Errorf("arm: %w: %s", ErrTripped, g.cause)
	}
	if g.armed {
		return nil
	}
	g.armed = true
	g.feed, g.stop, g.done = make(chan struct{}, 1), make(chan struct{}), make(chan struct{})
	if g.cfg.Watcher != nil {
		g.cfg.Watcher.Alive(g.cfg.DeadMan + Takeover)
	}
	feed, stop, done := g.feed, g.stop, g.done
	var beside sync.WaitGroup
	beside.Go(func() { g.deadMan(feed, stop) })
	beside.Go(func() { g.watchInterlock(stop) })
	if g.cfg.Hardware != nil {
		beside.Go(func() { g.keepFed(stop) })
	}
	go func() { beside.Wait(); close(done) }()
	return nil
}

// Disarm ends the dead-man and voids every permission. It is called once the bench is silent.
func (g *Guard) Disarm() {
	g.mu.Lock()
	stop, done := g.stop, g.done
	g.armed, g.stop = false, nil
	g.epoch++
	if g.cfg.Watcher != nil {
		g.cfg.Watcher.Alive(0)
	}
	g.mu.Unlock()
	if stop != nil {
		close(stop)
		<-done
	}
}

// Feed is the engine's sign of life.
func (g *Guard) Feed() {
	g.mu.Lock()
	feed := g.feed
	g.mu.Unlock()
	select {
	case feed <- struct{}{}:
	default:
	}
	g.alive()
}

// alive passes a sign of life on to the watcher.
func (g *Guard) alive() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.armed && g.cfg.Watcher != nil {
		g.cfg.Watcher.Alive(g.cfg.DeadMan + Takeover)
	}
}

func (g *Guard) deadMan(feed, stop <-chan struct{}) {
	timer := time.NewTimer(g.cfg.DeadMan)
	defer timer.Stop()
	var gone <-chan struct{}
	if g.cfg.Watcher != nil {
		gone = g.cfg.Watcher.Gone()
	}
	for {
		select {
		case <-stop:
			return
		case <-gone:
			g.Watched()
			g.Silence(context.Background(), "watcher")
			return
		case <-feed:
			timer.Reset(g.cfg.DeadMan)
		case <-timer.C:
			select {
			case <-feed: // it came at the last moment
				timer.Reset(g.cfg.DeadMan)
				continue
			default:
			}
			if g.isSilencing() {
				timer.Reset(g.cfg.DeadMan) // what the dead-man would do is being done
				continue
			}
			g.Trip(fmt.Sprintf("no sign of life from the engine for %v", rf.Duration(g.cfg.DeadMan)), "dead-man")
			g.Silence(context.Background(), "dead-man")
			return
		}
	}
}

// Trip latches. The first cause stays; later ones are ignored.
func (g *Guard) Trip(cause, by string) {
	g.mu.Lock()
	if g.cause != "" {
		g.mu.Unlock()
		return
	}
	g.cause = cause
	g.epoch++
	g.mu.Unlock()
	if g.cfg.Tripped == nil {
		return
	}
	Briefly(func() { g.cfg.Tripped(cause, by) })
}

// toldWithin is how long RF off waits for its cause to be journalled.
const toldWithin = 250 * time.Millisecond

// Briefly lets the cause of an end be told, and waits for that a short time only: a journal on a disk that
// hangs must not keep the bench from being silenced.
func Briefly(tell func()) {
	told := make(chan struct{})
	go func() {
		defer close(told)
		tell()
	}()
	late := time.NewTimer(toldWithin)
	defer late.Stop()
	select {
	case <-told:
	case <-late.C:
	}
}

// Cause returns the cause of the trip, empty when the guard has not tripped.
func (g *Guard) Cause() string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.cause
}

func (g *Guard) isSilencing() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.busy > 0
}

// Suspect says that a command which raises RF may have been abandoned on its way to an instrument,
// so that silencing has to last longer than it can still take to be carried out. What this guard
// permitted itself and was not told of with Confirmed it suspects anyway.
func (g *Guard) Suspect() {
	g.mu.Lock()
	g.suspect = true
	g.mu.Unlock()
}

// Clear makes a permission for a setting, or refuses. It reads the interlock, and computes every
// rating at the peak. While the output is on, a change of frequency is cleared only when both the
// level before it and the level after it are within every rating at both frequencies: go down
// first. A refusal by a rating wraps ErrRefused, one by the latch ErrTripped.
func (g *Guard) Clear(ctx context.Context, s Setting) (Cleared, error) {
	if err := g.ready(ctx); err != nil {
		return Cleared{}, fmt.Errorf("clear %v at %v: %w", s.Level, s.Frequency, err)
	}
	if s.To.Known() {
		return Cleared{}, fmt.Errorf("clear %v at %v: %w: a sweep to %v is cleared over its whole span only",
			s.Level, s.Frequency, ErrRefused, s.To)
	}
	if err := g.within(s); err != nil {
		return Cleared{}, err
	}
	g.mu.Lock()
	last := g.last
	g.mu.Unlock()
	if s.Output && last.Output && last.Frequency != s.Frequency {
		for _, cross := range []Setting{
			{Frequency: s.Frequency, Level: last.Level, Modulation: last.Modulation, Output: true},
			{Frequency: last.Frequency, Level: s.Level, Modulation: s.Modulation, Output: true},
		} {
			if err := g.within(cross); err != nil {
				return Cleared{}, fmt.Errorf(
					"change of frequency from %v to %v with the output on: go to a lower level first: %w",
					last.Frequency, s.Frequency, err)
			}
		}
	}
	return g.issue(s, toSet), nil
}

// ClearOperate makes the permission to take the amplifier to operate. The source must have been
// read back with its output off or at its minimum; the caller passes what it read.
func (g *Guard) ClearOperate(ctx context.Context, read SourceState) (Cleared, error) {
	if err := g.ready(ctx); err != nil {
		return Cleared{}, fmt.Errorf("clear the amplifier to operate: %w", err)
	}
	minimum := g.cfg.Chain.Bench().Source.Minimum
	if read.Output && read.Level.Exceeds(minimum.Add(0.1)) {
		return Cleared{},
			fmt.Errorf("clear the amplifier to operate: %w: the source's output is on at %v; switch it off or to its "+
				"minimum of %v first", ErrRefused, read.Level, minimum)
	}
	return g.issue(Setting{}, toOperate), nil
}

// ClearRoute makes the permission to choose another path between ports. The source must have been
// read back with its output off: nobody has computed what stands at the ports meanwhile.
func (g *Guard) ClearRoute(ctx context.Context, read SourceState, route string) (Cleared, error) {
	if err := g.ready(ctx); err != nil {
		return Cleared{}, fmt.Errorf("clear the route %q: %w", route, err)
	}
	if read.Output {
		return Cleared{}, fmt.Errorf("clear the route %q: %w: the source's output is on; switch it off first",
			route, ErrRefused)
	}
	c := g.issue(Setting{}, toRoute)
	c.permit.route = route
	return c, nil
}

// ready checks everything that does not depend on the level.
func (g *Guard) ready(ctx context.Context) error {
	g.mu.Lock()
	armed, cause := g.armed, g.cause
	g.mu.Unlock()
	switch {
	case cause != "":
		return fmt.Errorf("%w: %s", ErrTripped, cause)
	case !armed:
		return fmt.Errorf("%w: not armed", ErrRefused)
	}
	if err := g.Watched(); err != nil {
		return err
	}
	if err := g.hardwareFed(ctx); err != nil {
		return err
	}
	return g.CheckInterlock(ctx)
}

// Watched trips when the watcher does not watch any more, or has acted; the error says so.
func (g *Guard) Watched() error {
	if g.cfg.Watcher == nil {
		return nil
	}
	if err := g.cfg.Watcher.Check(); err != nil {
		g.Trip(err.Error(), "watcher")
		return fmt.Errorf("%w: %w", ErrTripped, err)
	}
	return nil
}

// within compares every node of the chain with its rating.
func (g *Guard) within(s Setting) error {
	if !s.Output {
		return nil
	}
	if s.Level.Absent() || !s.Frequency.Known() {
		return fmt.Errorf("%w: the request has no level or no frequency", ErrRefused)
	}
	source := g.cfg.Chain.Bench().Source
	if !source.Band.Contains(s.Frequency) {
		return fmt.Errorf("%w: %v is outside the source's band of %v to %v", ErrRefused, s.Frequency, source.Band.Low,
			source.Band.High)
	}
	p, err := g.cfg.Chain.Predict(s.Frequency, s.Level, chain.CrestOf(s.Modulation), g.cfg.Fixture)
	if err != nil {
		return fmt.Errorf("%w: %w", ErrRefused, err)
	}
	g.mu.Lock()
	surplus := g.surplus[s.Frequency]
	g.mu.Unlock()
	if err := NodesError(p.With(surplus)); err != nil {
		if NodesError(p) == nil {
			return fmt.Errorf("%w: by what was measured at %v below this level, %s", err, s.Frequency, surplus)
		}
		return err
	}
	return nil
}

// NodesError returns an error that names every node of a prediction which is over its rating, or
// nil. It wraps ErrRefused.
func NodesError(p chain.Prediction) error {
	var errs []error
	for _, n := range p.Nodes {
		if n.Within {
			continue
		}
		if n.Note != "" {
			errs = append(errs, fmt.Errorf("%w: %s %s at %v: %s", ErrRefused, n.ID, n.Place, p.Frequency, n.Note))
			continue
		}
		errs = append(errs, fmt.Errorf("%w: %s %s at %v: %s %s%s is %s over the rating of %s",
			ErrRefused, n.ID, n.Place, p.Frequency, n.Compared(), n.Counted(), chain.Allowing(n.Unsure), -n.Headroom,
			n.Rating))
	}
	return errors.Join(errs...)
}

// learn keeps by how much readings lie above the prediction, so that the next raise is compared with its
// ratings as the bench is and not as its file says.
func (g *Guard) learn(m Measurement, p chain.Prediction) {
	g.mu.Lock()
	defer g.mu.Unlock()
	s := g.surplus[m.Frequency]
	if m.Forward.Exact() {
		s.Forward, _ = m.Forward.Minus(p.Forward)
	}
	if m.Current.Exact() {
		s.Current, _ = m.Current.Minus(p.High)
	}
	if g.surplus == nil {
		g.surplus = map[rf.Frequency]chain.Surplus{}
	}
	g.surplus[m.Frequency] = s
}

// TripAbove is how far a reading may lie above the high end of what the budget predicts where a plan does not
// say. ExcessAllowed is how far one may lie above what was measured just before at the same frequency.
const TripAbove, ExcessAllowed rf.Gain = 6, 3

// Measurement is what the bench's meters read at a setting; absent where there is no meter.
type Measurement struct {
	Frequency rf.Frequency
	Drive     rf.Power
	Current   rf.Current // unmodulated
	Forward   rf.Power   // at the clamp's input
	Reverse   rf.Power
	// Crest and Mean are what the modulation will add to the unmodulated readings: at the crest of the
	// envelope, and in mean power.
	Crest, Mean rf.Gain
	// Modulated says that modulation was on when the meters were read, so that a reading may be anything
	// up to the crest: only one that is above what the crest can be is judged.
	Modulated bool
	// Expected and ExpectedForward are the most that is expected after what was measured just before; absent
	// where nothing was.
	Expected        rf.Current
	ExpectedForward rf.Power
}

// Measured compares readings with ratings and with the prediction, and trips when one is over. It
// is what stands between a fault in the chain's arithmetic, or in the wiring, and the gear.
func (g *Guard) Measured(m Measurement) error {
	p, err := g.cfg.Chain.Predict(m.Frequency, m.Drive, chain.Crest{}, g.cfg.Fixture)
	if err != nil {
		return fmt.Errorf("compare readings with the prediction: %w", err)
	}
	b := g.cfg.Chain.Bench()
	if !m.Modulated {
		g.learn(m, p)
	}
	cause := ""
	over := func(what string, reading, limit fmt.Stringer, exceeds bool) {
		if exceeds && cause == "" {
			cause = fmt.Sprintf("%s reads %v at %v, above %v", what, reading, m.Frequency, limit)
		}
	}
	// What modulation will add to a reading without it; and what it may have added to one with it.
	crest, mean, added := m.Crest, m.Mean, rf.Gain(0)
	current := m.Current
	if m.Modulated {
		crest, mean, added = 0, 0, m.Crest
		current = current.WithBound(rf.Exactly) // an overloaded analyser reads less than there is
	}
	if !current.Absent() && !current.IsOff() {
		peak := current.Add(crest)
		if current.Bound() == rf.AtLeast {
			over("the current probe, overloaded,", current, p.High, true)
		}
		// A reading below what the analyser can tell is no evidence of too much.
		if current.Exact() && m.Current.Bound() != rf.AtMost {
			over("the cable current at the crest", peak, b.Cable.MaximumCurrent, g.cfg.Fixture == catalog.OnCable &&
				peak.Exceeds(b.Cable.MaximumCurrent))
			if b.Probe != nil {
				over("the current at the crest", peak, b.Probe.MaximumCurrent, peak.Exceeds(b.Probe.MaximumCurrent))
			}
			probe := "the current probe"
			if m.Current.Bound() == rf.AtLeast {
				probe += ", overloaded,"
			}
			limit := p.High.Add(g.cfg.TripAbove + added)
			over(probe, current, limit, current.Exceeds(limit))
			limit = m.Expected.Add(ExcessAllowed)
			over(probe, current, limit, m.Expected.Exact() && current.Exceeds(limit))
		}
	}
	if m.Current.Bound() == rf.AtMost && cause == "" && !m.Modulated {
		// Nothing is read where much more than nothing is expected: whoever goes on raises blindly.
		if least := p.Low.Sub(g.cfg.TripAbove); least.Exact() && least.Above(m.Current.WithBound(rf.Exactly)) {
			cause = fmt.Sprintf("the current probe reads %v at %v, where at least %v is expected: the probe may be "+
				"off, the amplifier not operating, or the analyser not where it was set", m.Current, m.Frequency, least)
		}
	}
	// "At least", from an overloaded port, exceeds every limit; "at most" is no evidence of too much.
	if m.Forward.Known() && m.Forward.Bound() != rf.AtMost {
		mean, rated := m.Forward.Add(mean), b.Clamp.MaximumForward.Add(added)
		over("forward power with its modulation", mean, rated, mean.Exceeds(rated))
		limit := p.Forward.Add(g.cfg.TripAbove + added)
		over("forward power", m.Forward, limit, m.Forward.Exceeds(limit))
		limit = m.ExpectedForward.Add(ExcessAllowed)
		over("forward power", m.Forward, limit, m.ExpectedForward.Exact() && m.Forward.Exceeds(limit))
	}
	if m.Reverse.Known() && m.Reverse.Bound() != rf.AtMost && b.Amplifier != nil {
		peak := m.Reverse.Add(crest)
		over("reverse power at the crest", peak, b.Amplifier.ReflectedLimit, peak.Exceeds(b.Amplifier.ReflectedLimit))
	}
	if cause == "" {
		return nil
	}
	g.Trip(cause, "guard")
	return fmt.Errorf("%w: %s", ErrTripped, cause)
}
