package guard

import (
	"context"
	"fmt"
	"time"
)

// InterlockEvery is how often the interlock is asked while RF may be on, whatever the run is doing.
const InterlockEvery = 150 * time.Millisecond

// watchInterlock asks the interlock until stop is closed, and silences the bench when it is open or does not
// answer.
func (g *Guard) watchInterlock(stop <-chan struct{}) {
	if g.cfg.Interlock == nil {
		return
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	go func() {
		select {
		case <-stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	ask := time.NewTicker(InterlockEvery)
	defer ask.Stop()
	for {
		select {
		case <-stop:
			return
		case <-ask.C:
		}
		if !g.interlockMatters() {
			continue
		}
		asked := g.now()
		closed, err := g.cfg.Interlock(ctx)
		if !g.interlockMatters() {
			continue
		}
		if g.judgeInterlock(ctx, asked, closed, err) != nil && ctx.Err() == nil {
			g.Silence(context.Background(), "interlock")
			return
		}
	}
}

// interlockMatters reports that RF may be on and is not on its way off.
func (g *Guard) interlockMatters() bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.cause == "" && g.busy == 0 && g.goingOff == 0 && (g.last.Output || g.pending)
}

// GoingOff says that RF is being switched off until the function that it returns is called: an interlock that
// opens meanwhile may be how a person does that.
func (g *Guard) GoingOff() (done func()) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.goingOff++
	return func() {
		g.mu.Lock()
		defer g.mu.Unlock()
		g.goingOff--
	}
}

// TimeInterlock asks the interlock three times and returns the longest time of the last two, the first having
// found the connection. It trips like CheckInterlock; 0 where the bench has none.
func (g *Guard) TimeInterlock(ctx context.Context) (longest time.Duration, err error) {
	if g.cfg.Interlock == nil {
		return 0, nil
	}
	for i := range 3 {
		asked := g.now()
		closed, err := g.cfg.Interlock(ctx)
		if err := g.judgeInterlock(ctx, asked, closed, err); err != nil {
			return 0, err
		}
		if i > 0 {
			longest = max(longest, g.now().Sub(asked))
		}
	}
	return longest, nil
}

// freshInterlock is how old a reading of the interlock may be that a permission rests on: several
// permissions of one point are made within a few milliseconds.
const freshInterlock = 5 * time.Millisecond

// CheckInterlock reads the interlock, unless it was read as closed a moment ago, and trips when it
// is open or does not answer.
func (g *Guard) CheckInterlock(ctx context.Context) error {
	if g.interlockIsFresh() {
		return nil
	}
	asked := g.now()
	closed, err := g.cfg.Interlock(ctx)
	return g.judgeInterlock(ctx, asked, closed, err)
}

// BeginInterlock is CheckInterlock in two parts: it asks at once, and the function that it returns waits
// for the answer and judges it. What the caller does in between costs no time.
func (g *Guard) BeginInterlock(ctx context.Context) (check func() error) {
	if g.interlockIsFresh() {
		return func() error { return nil }
	}
	type answer struct {
		closed bool
		err    error
	}
	asked, answers := g.now(), make(chan answer, 1)
	go func() {
		var a answer
		defer func() {
			if p := recover(); p != nil {
				a = answer{err: fmt.Errorf("a fault in provoke itself: %v", p)}
			}
			answers <- a
		}()
		a.closed, a.err = g.cfg.Interlock(ctx)
	}()
	return func() error {
		a := <-answers
		return g.judgeInterlock(ctx, asked, a.closed, a.err)
	}
}

// interlockIsFresh reports that the interlock need not be read now.
func (g *Guard) interlockIsFresh() bool {
	if g.cfg.Interlock == nil {
		return true
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.now().Sub(g.seenClosed) < freshInterlock
}

// judgeInterlock trips on anything but a closed interlock.
func (g *Guard) judgeInterlock(ctx context.Context, asked time.Time, closed bool, err error) error {
	if err == nil && closed {
		g.mu.Lock()
		g.seenClosed = asked
		g.mu.Unlock()
		return nil
	}
	if cause := context.Cause(ctx); cause != nil {
		return cause // the run is ending anyway, for a cause of its own
	}
	if err != nil {
		if over := g.Watched(); over != nil {
			return over // a process that stood still waited in vain for answers that came long ago
		}
		g.Trip(fmt.Sprintf("the interlock cannot be read: %v", err), "guard")
		return fmt.Errorf("%w: the interlock cannot be read: %w", ErrTripped, err)
	}
	g.Trip("the interlock is open", "guard")
	return fmt.Errorf("%w: the interlock is open", ErrTripped)
}
