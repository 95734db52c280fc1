// Package engine runs a program on a rig. One goroutine owns the run: it asks the program for the
// next step, has the guard clear every raise, sets the level, watches the device under test, and
// journals what happened before it goes on. It decides nothing about thresholds (package plan does)
// and nothing about limits (package guard does).
//
// The run loop in one look:
//
//	quiet the bench, read it back
//	watch the DUT without RF: the baseline
//	arm, first light
//	for every step of the program:
//	    journal the intent
//	    settle low, bring the unmodulated carrier to the level, measure
//	    modulation on, dwell, watch
//	    on an upset: RF off at once, wait for recovery, classify
//	    journal the step with its readings
//	silence the bench, read it back, close the journal
//
// Whatever ends the run goes through the same silencing.
package engine

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"runtime/debug"
	"sync/atomic"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Journal is where the run's events go. Append returns once they are durable, or fails.
type Journal interface {
	Append(at time.Time, events ...event.Event) ([]event.Record, error)
	Close(at time.Time, verdict event.Verdict, why string) (event.Record, error)
}

// Config is a run.
type Config struct {
	Plan  *plan.Plan
	Chain *chain.Chain
	// Rig is the instruments; its Source may be nil only in a baseline run.
	Rig      *driver.Rig
	Monitors []dut.Monitor
	Journal  Journal
	// Attach keeps a file in the job; nil keeps no pictures of upsets.
	Attach func(name string, data []byte) (event.Attachment, error)
	Run    int
	// Points gives the point of a frequency; it is the function the program was made with.
	Points  func(rf.Frequency) (plan.Point, error)
	Program *plan.Program
	// Closed are the outcomes of the steps that an earlier part of this run closed, in order.
	Closed []plan.Outcome
	// UpsetAt is the lowest current that those steps measured to upset, by frequency.
	UpsetAt map[rf.Frequency]rf.Current
	// Earlier are those steps themselves, for what their readings say of onsets.
	Earlier []*result.Step
	// FirstAttempt is the attempt number of the first step asked: above 1 after a resume.
	FirstAttempt int
	// Armed is journalled when the run arms: the worst case that was shown and accepted.
	Armed event.Armed
	// Operator brings what the person at the bench wants.
	Operator <-chan Command
	// Progress is told what is going on; nil for nobody. It must not block.
	Progress func(Status)
	// Watched is told every look at the DUT as it comes, with RF as it was at the time, from the
	// monitors' goroutines; nil for nobody. It must not block.
	Watched func(Look)
	// Now is the wall clock, which dates the records and nothing else; nil means time.Now.
	Now func() time.Time
	// Slept is for how long the machine has slept so far, where something tells; nil where nothing does.
	Slept func() time.Duration
	// Patience is the longest wait for one exchange with an instrument; 0 means the bench's own.
	Patience time.Duration
	// Watcher is the second process that silences the bench when this one cannot; nil for none.
	Watcher guard.Watcher
	// Linger is how long the bench must stay quiet after a command may have been abandoned.
	Linger time.Duration
	// Desk is where a person is asked; nil for a bench on which nothing is set or read by hand.
	Desk *Desk
	// PersonWithin is how long a prompt waits for its answer; 0 means DefaultPersonWithin.
	PersonWithin time.Duration
	// FreeRunning: the source sweeps by itself (see RunSweep).
	FreeRunning bool
	// OfferReset asks whether a product that shows an error before any RF is to be reset; nil for a yes.
	OfferReset func(ctx context.Context, why string) bool
	// Fixing is the state of a fixing loop, which then says what to expose in place of Program; nil for other runs.
	// Folded is the run that it was made of. Followed is told of it after every change, from the run's goroutine.
	Fixing   *fixing.Loop
	Folded   *result.Run
	Followed func(*fixing.Loop)
	// Countdown is how long RF stays off after hands went out; 0 means DefaultCountdown.
	Countdown time.Duration
	// Reset power-cycles the DUT when its monitors cannot reset it; nil when nothing can.
	Reset Resetter
}

// Look is one look at the DUT as a page shows it while it is new: when it was taken, what was read
// and what it was judged. After is not filled in.
type Look struct {
	At time.Time
	event.Reading
}

// Command is what the person at the bench wants. Text says why an Abort or a Finish was asked for,
// or what was seen with a Mark; it may be empty. With a Reply it is the answer to the prompt of that
// number; 0 is the one that is shown.
type Command struct {
	Want   Want
	Text   string
	Prompt int
	// At is when the key was pressed; zero means when the command is heard.
	At time.Time
	// By is where it came from, where that is told: "key", "page", "foot switch".
	By string
	// Did is, with HandsOut, what hands did; Point, with MovePoint, where to go.
	Did   event.HandsOut
	Point Move
}

// Want is a kind of Command.
type Want int

const (
	// Finish ends the run safely after what is being done now has been given up.
	Finish Want = iota
	// Abort switches RF off now.
	Abort
	// HoldRun switches RF off until GoOn.
	HoldRun
	// GoOn ends a hold.
	GoOn
	// Mark says "it upset now".
	Mark
	// Reply answers a prompt.
	Reply

	// HandsIn asks for RF off so that hands can go to the product, in a fixing loop.
	HandsIn
	// HandsOut asks for RF on again after a countdown, which any other command ends.
	HandsOut
	// Present is a sign of life of whoever asked for HandsOut: without it the countdown ends.
	Present
	// Sign is a sign of the person, nothing more.
	Sign
	// Refer marks the onsets of now as what changes are counted from.
	Refer
	// MovePoint goes to one point by hand, moves there, or goes back to following.
	MovePoint
)

// Status is what a progress line shows.
type Status struct {
	Phase     string
	Step      plan.Step
	Frequency rf.Frequency
	Drive     rf.Power
	Current   rf.Current
	// CurrentAt is when Current was read. Both are cleared when another frequency is set and when RF goes off.
	CurrentAt time.Time
	// Forward and Reverse are what the power meter read last at this frequency; absent where none did.
	Forward, Reverse rf.Power
	// Modulation is what the source has now.
	Modulation level.Modulation
	RFOn       bool
	Done       int
	Known      int
	Upsets     int
	Exposures  int
	Last       string // what came of the step before, in words
	// DwellFrom and DwellUntil are when the dwell of the moment began and when it ends at the
	// earliest; both are zero outside a dwell.
	DwellFrom, DwellUntil time.Time
	// Interlock says from arming on how soon RF goes off when the interlock opens, by what was measured; empty
	// without one.
	Interlock string
	// Prompt is what a person is asked now; nil for nothing. It is to be shown in large words.
	Prompt *Prompt
	// Hands is how far hands in or out have come, in a fixing loop. HandsUntil is when the countdown ends, HandsHow on
	// what "in" rests.
	Hands      Hands
	HandsUntil time.Time
	HandsHow   string
	// Point is the point that is held by hand; nil while the loop follows by itself.
	Point *HeldPoint
	// Until is when the plan's time is up; zero where it has no limit.
	Until time.Time
	// CannotSwitchOff says, in large words, that provoke cannot switch this source off, and what can;
	// empty when it can.
	CannotSwitchOff string
}

// clearReadings forgets what was read of a level that is no more.
func (s *Status) clearReadings() {
	s.Current, s.CurrentAt, s.Forward, s.Reverse = rf.Current{}, time.Time{}, rf.Power{}, rf.Power{}
}

// Result is how a run ended.
type Result struct {
	Verdict event.Verdict
	Why     string
	Upsets  int
	// Exposures is the number of dwells with RF on.
	Exposures int
	Safing    guard.Report
}

// errLateMark is the cause when the operator marked an upset after the last step had closed.
var errLateMark = errors.New("the operator marked an upset as the last step had just closed")

// errStopped is the cause when the operator ends the run.
var errStopped = errors.New("stopped by the operator")

type run struct {
	cfg Config
	// gradings is what readings say of onsets; nil where nobody is to listen to them.
	gradings *result.Gradings
	guard    *guard.Guard
	watch    *watch
	bench    *catalog.Bench
	now      func() time.Time
	cancel   context.CancelCauseFunc

	lit atomic.Bool // RF is on, for other goroutines
	// stopping is why the operator ends the run; nil as long as nobody does.
	stopping atomic.Pointer[error]
	hold     atomic.Bool
	wake     chan struct{}

	on        bool // the source's output is on, as far as was last commanded
	at        guard.Setting
	dark      guard.Setting         // as the source was read back when it was last off
	amplifier driver.AmplifierState // as it was left when it was taken to operate
	asked     time.Time             // when source and amplifier were last asked whether they are as they were left
	response  response
	interlock time.Duration // how long the interlock took to answer at arming
	pace      time.Duration // from one reading in a dwell to the next, at least
	switches  []switching
	analyser  atomic.Pointer[driver.AnalyserSetup] // as it was last set up; silencing reads it from any goroutine
	places    atomic.Pointer[[]rf.Frequency]       // where RF is; two while a change is not confirmed
	seen      map[rf.Frequency][]pair              // exact unmodulated readings: drive and current
	upsetAt   map[rf.Frequency]rf.Current          // the lowest current that was measured to upset
	looked    map[rf.Frequency]look                // what the forward power was at a low level
	power     powerBeside                          // the last reading that went on beside another; nil for none
	// upsets in a row that ended with a reset; -1 once one ended by itself
	latches   int
	dwelling  *dwellMeters // the meters of the last dwell that was watched
	loop      loop         // of a fixing run
	time      timeLimit
	pictures  pictures
	stepping  bool // the run has armed, and does steps
	status    Status
	clock     clock
	writing   chan struct{} // holds one token while somebody writes: the dead-man journals from its own goroutine
	failed    error         // of the journal
	duty      duty
	exposures int
	upsets    int
	skipped   int
	told      atomic.Pointer[Status] // the last status, for other goroutines
	inStandby bool                   // the amplifier waits in standby for the source to be set by hand
}

type pair struct {
	drive   rf.Power
	current rf.Current
}

// Run runs the program to its end and always returns how it ended. The error is what kept the run
// from doing its work; a run that was stopped or tripped has one too.
func Run(ctx context.Context, cfg Config) (Result, error) {
	ctx, r, done := begin(ctx, cfg)
	defer done()
	err := r.survive(func() error { return r.work(ctx) })
	return r.end(ctx, err)
}

// survive turns a panic into an error, so that a fault in this program ends in the bench being silenced
// like any other.
func (r *run) survive(work func() error) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("a fault in provoke itself: %v\n%s", p, debug.Stack())
		}
	}()
	return work()
}

// begin makes a run and everything that goes on beside it until done is called.
func begin(ctx context.Context, cfg Config) (_ context.Context, r *run, done func()) {
	r = &run{cfg: cfg, bench: cfg.Chain.Bench(), now: cfg.Now, wake: make(chan struct{}, 1),
		writing: make(chan struct{}, 1), seen: map[rf.Frequency][]pair{}, upsetAt: maps.Clone(cfg.UpsetAt),
		looked: map[rf.Frequency]look{}}
	r.pictures.hurry = make(chan struct{})
	r.time = timeLimit{time.Now(), map[plan.Purpose]taken{}}
	r.status.Until = r.until()
	if r.upsetAt == nil {
		r.upsetAt = map[rf.Frequency]rf.Current{}
	}
	if r.now == nil {
		r.now = time.Now
	}
	if r.cfg.Patience == 0 {
		r.cfg.Patience = driver.Patience(r.bench)
	}
	if r.cfg.FirstAttempt == 0 {
		r.cfg.FirstAttempt = 1
	}
	if cfg.Fixing != nil {
		r.loop.r, r.loop.wishes = r, make(chan Command, 64)
		r.loop.sign.Store(time.Now().UnixNano())
	}
	r.clock.look(r.now(), r.slept())
	ctx, r.cancel = context.WithCancelCause(ctx)
	if cfg.Rig.Source != nil {
		r.guard = guard.New(r.guardConfig())
	}
	monitors, _ := cfg.Plan.MonitorsOf(r.bench)
	r.watch = newWatch(cfg.Monitors, monitors)
	r.watch.tell = r.tellLook
	r.watch.resetter = cfg.Reset
	r.sitDown()
	listening, ended := make(chan struct{}), make(chan struct{})
	go r.listen(ended, listening)
	return ctx, r, func() {
		r.cancel(nil)
		close(ended)
		<-listening
		if cfg.Desk != nil {
			cfg.Desk.clear()
		}
		r.watch.close()
		if r.guard != nil {
			r.guard.Disarm()
		}
	}
}

func (r *run) guardConfig() guard.Config {
	c := guard.Config{
		Chain: r.cfg.Chain, Fixture: r.cfg.Plan.Fixture, Run: r.cfg.Run,
		DeadMan: r.cfg.Plan.DeadMan.Std(), TripAbove: r.cfg.Plan.TripAbove,
		Source: r.cfg.Rig.Source, Patience: r.cfg.Patience, Linger: r.cfg.Linger, Watcher: r.cfg.Watcher,
		Hardware:   r.cfg.Rig.Hardware(),
		Unswitched: r.unswitched(), PersonWithin: r.cfg.PersonWithin,
		Tripped: func(cause, by string) {
			r.journal(event.Tripped{Cause: cause, By: by})
			r.cancel(fmt.Errorf("%w: %s", guard.ErrTripped, cause))
		},
	}
	if r.cfg.Rig.Analyser != nil {
		c.Witness = witness{r}
	}
	if r.cfg.Rig.Amplifier != nil {
		c.Amplifier = r.cfg.Rig.Amplifier
	}
	if r.cfg.Rig.Interlock != nil {
		c.Interlock = r.cfg.Rig.Interlock.Closed
	}
	return c
}

// listen turns the operator's wishes into what the run looks at. It goes on while the bench is being
// silenced, because answers are wanted then too.
func (r *run) listen(ended <-chan struct{}, done chan<- struct{}) {
	defer close(done)
	for {
		select {
		case <-ended:
			return
		case c, ok := <-r.cfg.Operator:
			if !ok {
				return
			}
			switch c.Want {
			case Reply:
				if r.cfg.Desk != nil {
					r.cfg.Desk.Reply(c.Prompt, c.Text)
				}
			case Finish:
				r.finish(c.Text)
			case Abort:
				r.cancel(r.finish(c.Text))
			case HoldRun:
				r.hold.Store(true)
			case GoOn:
				r.hold.Store(r.hold.Load() && r.cfg.Fixing != nil) // a fixing loop goes on by hands out alone
			case Mark:
				r.watch.mark(c.At, c.Text)
				// Whoever presses the next key is not to wait for a disk that hangs.
				guard.Briefly(func() { r.journal(event.OperatorMark{Text: c.Text}) })
			}
			if r.cfg.Fixing != nil {
				r.heardInLoop(c)
			}
			select {
			case r.wake <- struct{}{}:
			default:
			}
		}
	}
}

// finish has the run end, with the reason that was given first.
func (r *run) finish(why string) error {
	cause := errStopped
	if why != "" {
		cause = fmt.Errorf("%w: %s", errStopped, why)
	}
	r.stopping.CompareAndSwap(nil, &cause)
	return r.stopAsked()
}

// stopAsked is why the operator wants the run to end; nil when nobody does.
func (r *run) stopAsked() error {
	if cause := r.stopping.Load(); cause != nil {
		return *cause
	}
	return nil
}

// journal appends, and remembers the first failure: a run that cannot be journalled must end.
func (r *run) journal(events ...event.Event) error {
	r.writing <- struct{}{}
	defer func() { <-r.writing }()
	if r.failed != nil {
		return r.failed
	}
	at := r.now()
	if step := r.clock.look(at, r.slept()); step != 0 {
		events = append([]event.Event{event.ClockSetBy(step)}, events...)
	}
	records, err := r.cfg.Journal.Append(at, events...)
	if err != nil {
		r.failed = fmt.Errorf("write the journal: %w", err)
		return r.failed
	}
	r.loop.recorded(records)
	return nil
}

func (r *run) tell(phase string) {
	r.status.Phase = phase
	r.status.RFOn = r.on
	r.status.Exposures, r.status.Upsets = r.exposures, r.upsets
	r.status.Prompt, r.status.CannotSwitchOff = r.prompt(), r.cannotSwitchOff()
	told := r.status
	r.told.Store(&told)
	if r.cfg.Progress != nil {
		r.cfg.Progress(r.status)
	}
}

// tellLook passes a look at the DUT on.
func (r *run) tellLook(x judged) {
	if r.cfg.Watched != nil {
		r.cfg.Watched(Look{At: x.At, Reading: event.Reading{Monitor: x.Monitor, Text: x.Text, Value: x.Value,
			HasValue: x.HasValue,
			Bad:      x.bad, Why: x.why, RFOn: r.lit.Load()}})
	}
}

func (r *run) work(ctx context.Context) error {
	if err := r.ready(ctx); err != nil {
		return err
	}
	r.stepping = true
	if r.cfg.Fixing != nil {
		return r.follow(ctx)
	}
	return r.steps(ctx)
}

// ready quiets the bench, watches the DUT without RF and arms.
func (r *run) ready(ctx context.Context) error {
	if r.guard != nil {
		r.tell("quieting the bench")
		if rep := r.guard.Silence(ctx, "before the run"); !rep.Quiet {
			return fmt.Errorf("quiet the bench before the run: %s", rep.How)
		}
	}
	r.tell("watching the product without RF")
	if err := r.watch.start(ctx); err != nil {
		return err
	}
	if err := r.baseline(ctx); err != nil {
		return err
	}
	if err := r.journal(event.Watching{Monitors: r.watch.baselines()}); err != nil {
		return err
	}
	r.grade()
	if r.cfg.Plan.Kind != plan.Baseline {
		if r.guard == nil {
			return errors.New("arm: this bench has no source that provoke can drive")
		}
		return r.arm(ctx)
	}
	return nil
}

// baseline watches the product without RF. One that shows an error, latched by an earlier run perhaps, is reset
// once, if anything can and who is asked agrees.
func (r *run) baseline(ctx context.Context) error {
	err := r.watch.baseline(ctx, r.baselineTime())
	var shown errShown
	if !errors.As(err, &shown) || r.cfg.OfferReset != nil && !r.cfg.OfferReset(ctx, shown.Error()) {
		return err
	}
	if bad := r.resetDUT(ctx); errors.Is(bad, dut.ErrNoReset) {
		return err
	} else if bad != nil {
		return fmt.Errorf("%w; and it cannot be reset: %w", err, bad)
	}
	words := fmt.Sprintf("%s %s before any RF; the product was reset once", shown.monitor, shown.why)
	r.tell(words)
	if err := r.journal(event.Note{By: "provoke", Text: words}); err != nil {
		return err
	}
	for end := time.Now().Add(r.cfg.Plan.RecoverWithin.Std()); ; {
		if err = r.watch.baseline(ctx, r.baselineTime()); !errors.As(err, &shown) || time.Now().After(end) {
			return err
		}
		if bad := r.sleep(ctx, betweenBaselines); bad != nil {
			return bad
		}
	}
}

// betweenBaselines is how long a product that was reset is left before it is looked at once more.
const betweenBaselines = 200 * time.Millisecond

// baselineTime is how long the DUT is watched before RF: two dwells, at least.
func (r *run) baselineTime() time.Duration { return 2 * r.cfg.Plan.Dwell.Std() }

func (r *run) arm(ctx context.Context) error {
	r.tell("arming")
	if err := r.timeInterlock(ctx); err != nil {
		return err
	}
	if err := r.guard.Arm(); err != nil {
		return err
	}
	if err := r.plainSource(ctx); err != nil {
		return err
	}
	if err := r.limitSource(ctx); err != nil {
		return err
	}
	if err := r.armedWords(ctx); err != nil {
		return err
	}
	if err := r.journal(r.cfg.Armed); err != nil {
		return err
	}
	if r.byHand() { // silencing may rest on a meter; operate and a path need the source's own state
		if err := r.cfg.Rig.Source.OutputOff(r.patiently(ctx)); err != nil {
			return r.instrument("switch the source off before anything operates", err)
		}
	}
	if err := r.armUnswitched(ctx); err != nil {
		return err
	}
	if err := r.selectRoute(ctx); err != nil {
		return err
	}
	if err := r.proveOff(ctx); err != nil {
		return err
	}
	if err := r.operateByHand(ctx); err != nil {
		return err
	}
	if r.cfg.Rig.Amplifier != nil {
		return r.operate(ctx)
	}
	return r.leftDark(ctx)
}

// operate takes the amplifier to operate, with the source read back as off or at its minimum.
func (r *run) operate(ctx context.Context) error {
	state, err := r.cfg.Rig.Source.State(r.patiently(ctx))
	if err != nil {
		return r.instrument("read the source back before the amplifier operates", err)
	}
	c, err := r.guard.ClearOperate(ctx, state)
	if err != nil {
		return err
	}
	if err := r.cfg.Rig.Amplifier.Operate(r.patiently(ctx), c); err != nil {
		return r.instrument("take the amplifier to operate", err)
	}
	r.guard.Confirmed()
	if r.amplifier, err = r.cfg.Rig.Amplifier.State(ctx); err != nil {
		return r.instrument("read the amplifier back", err)
	}
	if !r.amplifier.Operating || r.amplifier.Fault != "" {
		return fmt.Errorf("take the amplifier to operate: it reads back %s", r.amplifier.Words())
	}
	return r.leftDark(ctx)
}

// steps asks the program and does what it says.
func (r *run) steps(ctx context.Context) error {
	step, ok, err := r.cfg.Program.Replay(r.cfg.Closed)
	if err != nil {
		return fmt.Errorf("resume: %w", err)
	}
	attempt := r.cfg.FirstAttempt
	lit, intended := r.cfg.Plan.Kind == plan.Baseline, false
	var up error // the time is
	for ok {
		if err := r.pause(ctx); err != nil {
			return err
		}
		if err := r.cool(ctx); err != nil {
			return err
		}
		if up = r.inTime(step); up != nil {
			break
		}
		if !lit {
			err := r.firstLight(ctx, step)
			if err == nil {
				err = r.learn(ctx, step)
			}
			if errors.Is(err, errHeld) {
				continue
			}
			if err != nil {
				return err
			}
			lit = true
		}
		began := time.Now()
		r.status.Step, r.status.Frequency = step, step.Point.Frequency
		r.status.Done, r.status.Known = r.cfg.Program.Progress()
		if !intended {
			if err := r.journal(event.Intent{Step: step, Attempt: attempt}); err != nil {
				return err
			}
		}
		closed, err := r.do(ctx, step)
		if errors.Is(err, errHeld) {
			attempt, intended = attempt+1, false // the step is asked again once the hold ends
			continue
		}
		if err == nil {
			err = r.attended()
		}
		if err != nil {
			return err
		}
		closed.Step, closed.Attempt, closed.Outcome.Number = step, attempt, step.Number
		r.graded(&closed)
		r.time.closed(step, time.Since(began))
		step, ok = r.cfg.Program.Next(&closed.Outcome)
		// The next step's intent is durable with this step's result, in one transaction.
		events := []event.Event{closed}
		if intended = ok && r.stopAsked() == nil && !r.hold.Load() && r.inTime(step) == nil; intended {
			events = append(events, event.Intent{Step: step, Attempt: 1})
		}
		err = r.journalMeanwhile(ctx, events...)
		if r.failed == nil { // what is not in the journal is neither counted nor told
			r.count(closed)
			r.status.Done, r.status.Known = r.cfg.Program.Progress()
		}
		if err != nil {
			return err
		}
		attempt = 1
	}
	if text, ok := r.watch.lateMark(); ok {
		return fmt.Errorf("%w: %s; expose its frequency again", errLateMark, text)
	}
	if up != nil {
		return up
	}
	return r.cfg.Program.Err()
}

// attended returns an error when the watcher took over, or this process stood still, so that a step closes
// nothing: what was seen in it, as a meter that did not answer in time, may be no fault of the product's.
func (r *run) attended() error {
	if r.guard == nil {
		return nil
	}
	return r.guard.Watched()
}

// journalMeanwhile appends, and asks the interlock while the disk writes, so that the next step's first
// permission finds a fresh answer. What it says counts after what was written.
func (r *run) journalMeanwhile(ctx context.Context, events ...event.Event) error {
	interlock := func() error { return nil }
	if r.guard != nil && r.on {
		interlock = r.guard.BeginInterlock(ctx)
	}
	err := r.journal(events...)
	if open := interlock(); err == nil {
		err = open
	}
	return err
}

func (r *run) count(c event.StepClosed) {
	r.exposures += c.Outcome.Exposures
	if c.Outcome.Upset {
		r.upsets++
	}
	// A level that was not reached leaves something open only where nothing upset: an upset on the way up is one, and
	// a search stays below what upset.
	if c.Outcome.Skipped || c.Outcome.NotReached && !r.upsetAt[c.Step.Point.Frequency].Known() {
		r.skipped++
	}
	r.status.Last = describe(c)
}

func describe(c event.StepClosed) string {
	at := fmt.Sprintf("%v %v", c.Step.Point.Frequency, c.Current)
	switch {
	case c.Outcome.Skipped:
		return at + " not tested"
	case c.Outcome.Upset:
		return at + " upset"
	case c.Outcome.NotReached:
		return at + " level not reached"
	}
	return at + " well"
}

// pause is where the run stops for the operator, between steps.
func (r *run) pause(ctx context.Context) error {
	for {
		if err := r.stopAsked(); err != nil {
			return err
		}
		if err := context.Cause(ctx); err != nil {
			return err
		}
		if !r.hold.Load() {
			return nil
		}
		if err := r.off(ctx); err != nil {
			return err
		}
		if err := r.journal(event.Hold{Why: "the operator asked for it"}); err != nil {
			return err
		}
		r.tell("held, RF off")
		for r.hold.Load() && r.stopAsked() == nil {
			if err := r.sleep(ctx, 50*time.Millisecond); err != nil {
				return err
			}
			if err := r.lookBeside(ctx); err != nil {
				return err
			}
		}
		clear(r.seen) // a person may have moved clamp or probe
		if err := r.journal(event.Resumed{Why: "the operator said go on"}); err != nil {
			return err
		}
	}
}

// sleep lets time pass and keeps the dead-man fed. It returns early with the cause when the run is
// to end, and without one when somebody woke it.
func (r *run) sleep(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	feed := time.NewTicker(max(r.cfg.Plan.DeadMan.Std()/4, time.Millisecond))
	defer feed.Stop()
	for {
		r.feed()
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-timer.C:
			return nil
		case <-r.wake:
			return nil
		case <-feed.C:
		}
	}
}

func (r *run) feed() {
	if r.guard != nil {
		r.guard.Feed()
	}
}

// instrument words an instrument's fault.
func (r *run) instrument(doing string, err error) error {
	return fmt.Errorf("%s: %w", doing, err)
}

// end silences the bench, whatever happened, and closes the journal.
func (r *run) end(ctx context.Context, err error) (Result, error) {
	if r.guard != nil && r.guard.Cause() == "" { // what tripped may be that the engine gives no sign of life
		r.feed()
	}
	if err != nil && r.guard != nil {
		r.guard.Watched() // what failed may follow from the watcher's having acted
	}
	if cause := context.Cause(ctx); cause != nil && err != nil {
		err = cause // the first cause, not what followed from it
	} else if err != nil && r.guard != nil && r.guard.Cause() != "" {
		err = fmt.Errorf("%w: %s", guard.ErrTripped, r.guard.Cause()) // it is being journalled
	}
	res := Result{Upsets: r.upsets, Exposures: r.exposures}
	if err != nil && (r.guard == nil || r.guard.Cause() == "") {
		guard.Briefly(func() { r.journal(event.Stopping{Cause: err.Error(), ByOperator: errors.Is(err, errStopped)}) })
	}
	quiet := true
	if r.guard != nil {
		r.tell("silencing")
		cause := "the run has ended"
		if err != nil {
			cause = err.Error()
		}
		res.Safing = r.guard.Silence(ctx, cause)
		if quiet = res.Safing.Quiet; quiet {
			r.switched(false)
		}
		r.guard.Disarm() // whatever trips does so before the silencing is journalled
		r.journal(safed(cause, res.Safing))
	}
	r.lastPictures()
	if res.Verdict, res.Why = r.verdict(err, quiet); !res.Safing.Measured {
		res.Verdict = res.Verdict.Unmeasured()
	}
	r.writing <- struct{}{}
	defer func() { <-r.writing }()
	if r.failed == nil {
		if _, cerr := r.cfg.Journal.Close(r.now(), res.Verdict, res.Why); cerr != nil {
			r.failed = fmt.Errorf("close the journal: %w", cerr)
		}
	}
	if r.failed != nil && !errors.Is(err, r.failed) {
		err = errors.Join(err, r.failed)
	}
	if res.Verdict.Kind() == event.TimeUp && r.failed == nil {
		err = nil
	}
	if !quiet {
		err = errors.Join(err, errors.New(res.Safing.How))
	}
	r.tell(string(res.Verdict))
	return res, err
}

func safed(cause string, rep guard.Report) event.Safed {
	e := event.Safed{Cause: cause, Quiet: rep.Quiet, How: rep.How, Took: rf.Duration(rep.Took)}
	for _, s := range rep.Steps {
		e.Steps = append(e.Steps, event.SafeStep{What: s.What, Result: s.Result})
	}
	return e
}

func (r *run) verdict(err error, quiet bool) (event.Verdict, string) {
	why := ""
	if err != nil {
		why = err.Error()
	}
	switch {
	case !quiet:
		return event.RFNotKnownOff, why
	case r.guard != nil && r.guard.Cause() != "":
		return event.TrippedEnd, r.guard.Cause()
	case errors.Is(err, errStopped):
		return event.Stopped, why
	case errors.Is(err, errTimeUp):
		return event.TimeUp, why
	case errors.Is(err, errLateMark):
		return event.Incomplete, why
	case err != nil:
		return event.Failed, why
	case r.skipped > 0 && r.cfg.Fixing == nil:
		return event.Incomplete, fmt.Sprintf("%d steps did not reach their level or were not tested", r.skipped)
	case r.upsets > 0:
		return event.DoneUpset, ""
	}
	return event.Done, ""
}
