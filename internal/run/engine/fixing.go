package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"sync/atomic"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// DefaultCountdown is how long RF stays off after hands went out, and DefaultAlone how long it stays on without a sign
// of the person, where nobody says otherwise.
const (
	DefaultCountdown = 3 * time.Second
	DefaultAlone     = 10 * time.Minute
)

// presentWithin is how old the last sign of life may be in the countdown of whoever asked for it.
const presentWithin = time.Second

// longestHold bounds one point that is held by hand; the person is asked for a sign long before.
const longestHold = 24 * time.Hour

// Hands is how far hands in or out have come.
type Hands string

// The states. Only in HandsAreIn RF was read back as off for hands to go to the product.
const (
	HandsAreOut  Hands = ""
	HandsGoingIn Hands = "going in"
	HandsAreIn   Hands = "in"
	HandsGoOut   Hands = "going out"
)

// HandsInWords are the large words that are shown once RF was read back as off, and not before.
const HandsInWords = "hands in: RF off, read back"

// Move says where the point goes that is held by hand.
type Move struct {
	At     rf.Frequency // go there; 0 stays
	Offset *rf.Gain     // to this level, against the target; nil stays
	Steps  int          // so many resolution steps up, or down below 0
	Along  int          // so many frequencies of the plan up, or down below 0
	Next   int          // to the next frequency that is followed, up or down
	// Carrier switches the plan's modulation off or on.
	Carrier *bool
	// Follow ends it: the loop follows the onset by itself again.
	Follow bool
}

// HeldPoint is the point that is held by hand.
type HeldPoint struct {
	Point  plan.Point
	Offset rf.Gain // against the target
	// Carrier: without the plan's modulation.
	Carrier bool
	// Waits: RF is off after an upset, until the next key.
	Waits bool
}

// loop is what a fixing run is at.
type loop struct {
	r        *run
	wishes   chan Command // heard, and not yet taken up
	handsBy  atomic.Pointer[string]
	sign     atomic.Int64 // when the person was last heard, Unix time in ns
	present  atomic.Int64 // when whoever asked for a countdown was last heard
	finished atomic.Bool
	lit      bool // first light was compared since hands went out
	point    *HeldPoint
}

// errHandsFirst ends a wait for the product to recover: hands go in before.
var errHandsFirst = errors.New("hands went in before the product had recovered")

// recorded folds what was journalled. The dead-man journals from its own goroutine, after which nothing is exposed.
func (l *loop) recorded(records []event.Record) {
	if l.r == nil {
		return
	}
	for _, rec := range records {
		l.r.cfg.Folded.Apply(rec)
	}
}

// heardInLoop takes a command up, from the listening goroutine. Hands in stops everything at once.
func (r *run) heardInLoop(c Command) {
	now := time.Now().UnixNano()
	switch c.Want {
	case Present:
		r.loop.present.Store(now)
		return
	case Finish:
		r.loop.finished.Store(true)
	case HandsIn, HoldRun:
		by := c.By
		r.loop.handsBy.Store(&by)
		r.hold.Store(true)
	}
	r.loop.sign.Store(now)
	select {
	case r.loop.wishes <- c:
	default: // a person does not press sixty keys within one exposure; what is dropped is no switching off
	}
}

// wish is the next wish, if there is one.
func (l *loop) wish() (Command, bool) {
	select {
	case c := <-l.wishes:
		return c, true
	default:
		return Command{}, false
	}
}

// follow is the fixing loop: exposures up and down around the onset until a person wants hands in, a point by hand, or
// the end.
func (r *run) follow(ctx context.Context) (err error) {
	l := &r.loop
	defer func() {
		if errors.Is(err, errStopped) && l.finished.Load() && ctx.Err() == nil {
			err = nil // as it is meant to end: the person has had enough
		}
	}()
	r.toldLoop()
	if r.cfg.Fixing.Hands { // it ended with hands in, and nobody said since that they are out
		by := "taken up again: hands were in"
		l.handsBy.Store(&by)
		r.hold.Store(true)
	}
	for {
		if err := r.stopAsked(); err != nil {
			return err
		}
		if err := context.Cause(ctx); err != nil {
			return err
		}
		r.alone()
		if r.hold.Load() {
			if err := r.handsIn(ctx); err != nil {
				return err
			}
			continue
		}
		if err := r.takeWishes(); err != nil {
			return err
		}
		if err := r.cool(ctx); err != nil {
			return err
		}
		if l.point != nil && l.point.Waits {
			if err := r.off(ctx); err != nil { // after a step that was given up it is on, at a low level
				return err
			}
			if err := r.sleep(ctx, 20*time.Millisecond); err != nil {
				return err
			}
			if err := r.lookBeside(ctx); err != nil {
				return err
			}
			continue
		}
		step, ok := r.nextInLoop()
		if !ok {
			return errors.New("the loop has no frequency to follow")
		}
		if err := r.oneInLoop(ctx, step); err != nil && !errors.Is(err, errHeld) {
			return err
		}
	}
}

// nextInLoop is the next exposure: at the point that is held by hand, or where the loop learns most.
func (r *run) nextInLoop() (plan.Step, bool) {
	p := r.loop.point
	if p == nil {
		return r.cfg.Fixing.Next()
	}
	return plan.Step{Number: r.cfg.Fixing.Number(), Point: p.Point, Purpose: plan.HeldPoint, Offset: p.Offset}, true
}

// oneInLoop does one exposure from its intent to its record. After hands were in, what is measured is first compared
// with what is predicted, far below.
func (r *run) oneInLoop(ctx context.Context, step plan.Step) error {
	l := &r.loop
	if !l.lit {
		r.status.Frequency = step.Point.Frequency
		if err := r.firstLight(ctx, step); err != nil {
			return err
		}
		if err := r.learn(ctx, step); err != nil {
			return err
		}
		l.lit = true
	}
	r.status.Step, r.status.Frequency = step, step.Point.Frequency
	if err := r.journal(event.Intent{Step: step, Attempt: 1}); err != nil {
		return err
	}
	closed, err := r.do(ctx, step)
	if err == nil {
		err = r.attended()
	}
	if err != nil {
		return err
	}
	if p := l.point; step.Purpose == plan.HeldPoint && p != nil {
		if p.Carrier && closed.Note == "" {
			closed.Note = "without the plan's modulation"
		}
		p.Waits = closed.Outcome.Upset || closed.Outcome.Skipped
	}
	closed.Step, closed.Attempt, closed.Outcome.Number = step, 1, step.Number
	err = r.journalMeanwhile(ctx, closed)
	if r.failed == nil {
		r.count(closed)
		r.toldLoop()
	}
	return err
}

// toldLoop takes what was recorded into the loop and tells of it.
func (r *run) toldLoop() {
	r.cfg.Fixing.Follow(r.cfg.Folded)
	r.status.Point = nil
	if p := r.loop.point; p != nil {
		now := *p
		r.status.Point = &now
	}
	if r.cfg.Followed != nil {
		r.cfg.Followed(r.cfg.Fixing)
	}
	r.tell(r.status.Phase)
}

// alone asks for hands in where nobody gave a sign for as long as was stated.
func (r *run) alone() {
	limit := r.cfg.Fixing.Fixing.Alone.Std()
	if limit <= 0 {
		limit = DefaultAlone
	}
	if time.Since(time.Unix(0, r.loop.sign.Load())) > limit {
		by := fmt.Sprintf("nobody gave a sign for %v", rf.Duration(limit))
		r.loop.handsBy.Store(&by)
		r.hold.Store(true)
	}
}

// handsIn silences the bench, reads that back, and only then says that hands may go to the product. It returns once
// hands are out and the countdown has run.
func (r *run) handsIn(ctx context.Context) error {
	l := &r.loop
	r.status.Hands, r.status.HandsHow = HandsGoingIn, ""
	r.tell("hands off: switching RF off for hands in")
	began := time.Now()
	rep := r.guard.Silence(ctx, "hands in")
	if !rep.Quiet {
		return fmt.Errorf("KEEP HANDS OFF: hands in was asked for, and RF is not known to be off: %s", rep.How)
	}
	r.switched(false)
	r.guard.WentOff()
	r.inStandby = r.cfg.Rig.Amplifier != nil
	if err := r.leftDark(ctx); err != nil {
		return err
	}
	by := "key"
	if p := l.handsBy.Load(); p != nil && *p != "" {
		by = *p
	}
	if err := r.journal(event.HandsIn{By: by, How: rep.How, Took: rf.Duration(time.Since(began)),
		Measured: rep.Measured}); err != nil {
		return err
	}
	l.lit, l.point = false, nil
	clear(r.seen) // hands may have moved clamp or probe
	clear(r.looked)
	r.toldLoop()
	r.status.Hands, r.status.HandsHow = HandsAreIn, rep.How
	r.tell(HandsInWords)
	did, err := r.awaitHandsOut(ctx)
	if err != nil {
		return err
	}
	did.Try = r.cfg.Fixing.LastTry() + 1
	if err := r.journal(did); err != nil {
		return err
	}
	clear(r.upsetAt)
	r.status.Hands, r.status.HandsHow, r.status.HandsUntil = HandsAreOut, "", time.Time{}
	r.toldLoop()
	return nil
}

// awaitHandsOut waits with RF off, and sees to it that it stays off, until a countdown after hands out has run.
func (r *run) awaitHandsOut(ctx context.Context) (event.HandsOut, error) {
	for {
		if err := r.stopAsked(); err != nil {
			return event.HandsOut{}, err
		}
		if err := r.stillDark(ctx); err != nil {
			return event.HandsOut{}, err
		}
		c, ok := r.loop.wish()
		switch {
		case !ok:
			if err := r.sleep(ctx, 20*time.Millisecond); err != nil {
				return event.HandsOut{}, err
			}
		case c.Want == HandsOut:
			run, err := r.countDown(ctx)
			if err == nil && run {
				r.hold.Store(false) // from here on a press means that hands go in again
				err = r.wellAfterHands(ctx)
				if run = err == nil; !run && ctx.Err() == nil && r.stopAsked() == nil && r.attended() == nil {
					r.status.Last, err = err.Error(), nil // hands stay in until the product is well
				}
				run = run && !r.hold.Load()
			}
			if err != nil {
				return event.HandsOut{}, err
			}
			if run {
				c.Did.By = c.By
				return c.Did, nil
			}
			r.status.Hands, r.status.HandsUntil = HandsAreIn, time.Time{}
			r.tell(HandsInWords)
		case c.Want == Refer:
			if err := r.refer(c.Text); err != nil {
				return event.HandsOut{}, err
			}
		}
	}
}

// countDown runs before RF may come on. Any command ends it, and so does silence of whoever asked for it.
func (r *run) countDown(ctx context.Context) (bool, error) {
	long := r.cfg.Countdown
	if long <= 0 {
		long = DefaultCountdown
	}
	began := time.Now()
	r.loop.present.Store(began.UnixNano())
	r.status.Hands, r.status.HandsUntil = HandsGoOut, began.Add(long)
	r.tell("RF comes on after the countdown: any key ends it")
	for {
		if err := r.stopAsked(); err != nil {
			return false, err
		}
		if err := r.stillDark(ctx); err != nil {
			return false, err
		}
		if c, ok := r.loop.wish(); ok && c.Want != Sign {
			return false, nil
		}
		if time.Since(time.Unix(0, r.loop.present.Load())) > presentWithin {
			return false, nil
		}
		if time.Since(began) >= long {
			return true, nil
		}
		if err := r.sleep(ctx, 20*time.Millisecond); err != nil {
			return false, err
		}
	}
}

// wellAfterHands takes the product's baseline anew: hands may have changed what it reads when it is well.
func (r *run) wellAfterHands(ctx context.Context) error {
	r.status.HandsUntil = time.Time{}
	r.tell("watching the product without RF")
	if err := r.baseline(ctx); err != nil {
		return err
	}
	return r.journal(event.Watching{Monitors: r.watch.baselines()})
}

// stillDark trips when anything comes on while hands are in: what the source says is compared with how it was left, and
// the amplifier is asked whether it operates.
func (r *run) stillDark(ctx context.Context) error {
	due := r.asked.IsZero() || time.Since(r.asked) >= lookBesides
	if err := r.lookBeside(ctx); err != nil || !due || r.cfg.Rig.Amplifier == nil {
		return err
	}
	state, err := r.cfg.Rig.Amplifier.State(r.patiently(ctx))
	if err != nil {
		return r.instrument("read back that the amplifier is in standby while hands are in", err)
	}
	if state.Operating {
		cause := fmt.Sprintf("amplifier %s: it operates while hands are in: KEEP HANDS OFF; somebody at its front "+
			"panel, another program or another computer switched it", r.bench.Amplifier.ID)
		r.guard.Trip(cause, "guard")
		return fmt.Errorf("%w: %s", guard.ErrTripped, cause)
	}
	return nil
}

// refer marks the onsets of now.
func (r *run) refer(text string) error {
	err := r.journal(event.Reference{Text: text})
	if err == nil {
		r.toldLoop()
	}
	return err
}

// takeWishes does what was asked for between two exposures.
func (r *run) takeWishes() error {
	for {
		c, ok := r.loop.wish()
		if !ok {
			return nil
		}
		switch c.Want {
		case Refer:
			if err := r.refer(c.Text); err != nil {
				return err
			}
		case MovePoint:
			if err := r.movePoint(c.Point); err != nil {
				r.status.Last = err.Error()
			}
			r.toldLoop()
		}
	}
}

// heldBelow is how far below the level wanted a point begins of which nothing is known.
const heldBelow rf.Gain = 20

// movePoint moves the point that is held by hand. Never above the level wanted.
func (r *run) movePoint(m Move) error {
	p, known := r.loop.point, r.loop.point != nil
	if m.Follow {
		r.loop.point = nil
		return nil
	}
	if p == nil {
		step, _ := r.cfg.Fixing.Next()
		p = &HeldPoint{Point: step.Point, Offset: step.Offset}
	}
	next := *p
	next.Waits = false
	if f := r.frequency(p.Point.Frequency, m); f != p.Point.Frequency {
		point, err := r.cfg.Points(f)
		if err != nil {
			return fmt.Errorf("go to %v: %w", f, err)
		}
		next.Point = point
		if !known {
			next.Offset = -heldBelow // until a key says more
		}
		if place := r.cfg.Fixing.At(f); place != nil {
			if e := place.Track.Now(); !e.Nothing() && !e.LowOpen {
				next.Offset = rf.Gain(e.Low)
			}
		}
	}
	resolution := float64(r.cfg.Plan.Search.Resolution)
	if m.Offset != nil {
		next.Offset = *m.Offset
	}
	steps := math.Round(float64(next.Offset)/resolution) + float64(m.Steps)
	lowest := -math.Floor(float64(r.cfg.Plan.Search.Range)/resolution + 1e-9)
	next.Offset = rf.Gain(min(0, max(lowest, steps)) * resolution)
	if m.Carrier != nil {
		next.Carrier = *m.Carrier
	}
	r.loop.point = &next
	return nil
}

// frequency is where a move goes from a frequency.
func (r *run) frequency(from rf.Frequency, m Move) rf.Frequency {
	at := slices.Clone(r.cfg.Plan.Grid)
	by := m.Along
	switch {
	case m.At > 0:
		for _, p := range r.cfg.Fixing.Places { // as it is told it has fewer digits
			if f := p.Point.Frequency; math.Abs(float64(f/m.At)-1) < 1e-3 {
				return f
			}
		}
		return m.At
	case m.Next != 0:
		by, at = m.Next, nil
		for _, p := range r.cfg.Fixing.Places {
			at = append(at, p.Point.Frequency)
		}
		slices.Sort(at)
	case m.Along == 0:
		return from
	}
	i, found := slices.BinarySearch(at, from)
	if !found && by > 0 {
		i-- // the next above stands at i
	}
	return at[min(max(i+by, 0), len(at)-1)]
}

// heldUntil says when the dwell of a point that is held by hand ends: at the next wish, or when nobody is there. It is
// nil for every other step.
func (r *run) heldUntil(step plan.Step) func() bool {
	if step.Purpose != plan.HeldPoint {
		return nil
	}
	return func() bool {
		r.alone()
		return len(r.loop.wishes) > 0
	}
}

// modulation is what a dwell has on the carrier: the plan's, unless a person switched it off at a point by hand.
func (r *run) modulation() level.Modulation {
	if p := r.loop.point; p != nil && p.Carrier {
		return level.Modulation{}
	}
	return r.cfg.Plan.Modulation
}

// responds is what the detectors make of that modulation.
func (r *run) responds() response {
	if r.modulation().IsCW() {
		return response{ofCurrent: true, ofPower: true}
	}
	return r.response
}
