package engine

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/driver"
)

// Prompt is something that a person at the bench is asked to set, to switch or to read. Number tells
// prompts apart: an answer names the prompt that it is for.
type Prompt struct {
	Number int
	driver.Prompt
	Since time.Time
}

// Desk is where prompts wait for a person. A driver of a piece that is set by hand asks, the terminal
// or the page shows Pending and calls Reply. One prompt is shown at a time; an urgent one goes before
// all others. Make it with NewDesk, give it to driver.Options and to Config.
type Desk struct {
	mu       sync.Mutex
	number   int
	waiting  []*asking
	within   time.Duration
	alive    func(ctx context.Context, urgent bool) error
	changed  func()
	answered func(p Prompt, answer string, took time.Duration)
}

// asking is a prompt that waits.
type asking struct {
	Prompt
	answer chan string // holds one
}

// NewDesk returns a desk at which nobody waits.
func NewDesk() *Desk { return &Desk{} }

// ErrNobody is wrapped when a prompt was not answered in time.
var ErrNobody = errors.New("nobody answered")

// ErrNoPrompt is returned by Reply when the prompt is not shown any more.
var ErrNoPrompt = errors.New("this is not asked any more")

// DefaultPersonWithin is how long a prompt waits where the run does not say.
const DefaultPersonWithin = 2 * time.Minute

// Pending returns the prompt that is shown now.
func (d *Desk) Pending() (Prompt, bool) {
	if d == nil {
		return Prompt{}, false
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if a := d.first(); a != nil {
		return a.Prompt, true
	}
	return Prompt{}, false
}

// first is the prompt that is shown: the oldest urgent one, else the oldest.
func (d *Desk) first() *asking {
	for _, a := range d.waiting {
		if a.Urgent {
			return a
		}
	}
	if len(d.waiting) > 0 {
		return d.waiting[0]
	}
	return nil
}

// Reply answers the prompt with a number; 0 is the one that is shown.
func (d *Desk) Reply(number int, answer string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	a := d.first()
	if a == nil || number != 0 && a.Number != number {
		return ErrNoPrompt
	}
	select {
	case a.answer <- strings.TrimSpace(answer):
		return nil
	default:
		return ErrNoPrompt // answered a moment ago
	}
}

// Ask shows a prompt and waits for its answer. An urgent prompt that nobody answered in the time of ctx
// stays, and asking for the same again goes on waiting for it.
func (d *Desk) Ask(ctx context.Context, p driver.Prompt) (string, error) {
	a, within, alive := d.enter(p)
	limit := time.NewTimer(within)
	defer limit.Stop()
	look := time.NewTicker(50 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case answer := <-a.answer:
			d.leave(a)
			d.tellAnswered(a, answer)
			return answer, nil
		case <-ctx.Done():
			if !p.Urgent {
				d.leave(a)
			}
			return "", context.Cause(ctx)
		case <-limit.C:
			d.leave(a)
			return "", fmt.Errorf("%w within %v", ErrNobody, within)
		case <-look.C:
			if alive == nil {
				continue
			}
			if err := alive(ctx, p.Urgent); err != nil {
				d.leave(a)
				return "", err
			}
		}
	}
}

// enter puts a prompt into the row, or finds the urgent one that is in it already.
func (d *Desk) enter(p driver.Prompt) (*asking, time.Duration, func(ctx context.Context, urgent bool) error) {
	d.mu.Lock()
	within, alive, changed := d.within, d.alive, d.changed
	if within <= 0 {
		within = DefaultPersonWithin
	}
	if p.Urgent {
		for _, a := range d.waiting {
			if a.Urgent && a.Instrument == p.Instrument && a.Title == p.Title {
				a.Doubt = p.Doubt
				d.mu.Unlock()
				return a, within, alive
			}
		}
	}
	d.number++
	a := &asking{Prompt{Number: d.number, Prompt: p, Since: time.Now()}, make(chan string, 1)}
	d.waiting = append(d.waiting, a)
	d.mu.Unlock()
	if changed != nil {
		changed()
	}
	return a, within, alive
}

// leave takes a prompt out of the row.
func (d *Desk) leave(a *asking) {
	d.mu.Lock()
	d.waiting = slices.DeleteFunc(d.waiting, func(x *asking) bool { return x == a })
	changed := d.changed
	d.mu.Unlock()
	if changed != nil {
		changed()
	}
}

func (d *Desk) tellAnswered(a *asking, answer string) {
	d.mu.Lock()
	answered := d.answered
	d.mu.Unlock()
	if answered != nil {
		answered(a.Prompt, answer, time.Since(a.Since))
	}
}

// serve lets a run take part: alive is called while a prompt waits, and ends it with an error; changed when another
// prompt is shown or none; answered with every answer.
func (d *Desk) serve(within time.Duration, alive func(ctx context.Context, urgent bool) error, changed func(),
	answered func(Prompt, string, time.Duration)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.within, d.alive, d.changed, d.answered = within, alive, changed, answered
}

// clear takes every prompt away: the run has ended.
func (d *Desk) clear() {
	d.mu.Lock()
	d.waiting = nil
	d.alive, d.changed, d.answered = nil, nil, nil
	d.mu.Unlock()
}
