package watcher

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

// reached is an instrument that silencing needs. It is dialled whenever it is asked for something and is
// not connected: what could not be reached once is not missing for good. The zero value of T is none.
type reached[T io.Closer] struct {
	id   string
	one  bool // it takes one connection by the bench file
	open func(context.Context) (T, error)

	mu     sync.Mutex
	now    T
	have   bool
	alone  bool          // the run holds its only connection: nothing is opened
	trying chan struct{} // closed when the attempt that goes on is over
	err    error         // of the last attempt
}

// errAlone is why an instrument is not reached while the run lives.
var errAlone = errors.New("it takes one connection, which the run has: it is dialled once the run is over")

// get returns the instrument, dialled if need be. An attempt that outlasts ctx goes on, and the next call
// finds what came of it.
func (r *reached[T]) get(ctx context.Context) (T, error) {
	r.mu.Lock()
	if r.have || r.alone {
		defer r.mu.Unlock()
		if r.alone {
			return r.now, fmt.Errorf("%s: %w", r.id, errAlone)
		}
		return r.now, nil
	}
	trying := r.trying
	if trying == nil {
		trying = make(chan struct{})
		r.trying = trying
		go r.try(trying)
	}
	r.mu.Unlock()
	select {
	case <-trying:
	case <-ctx.Done():
		var none T
		return none, fmt.Errorf("open %s: %w", r.id, context.Cause(ctx))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.now, r.err
}

// try makes one attempt.
func (r *reached[T]) try(over chan struct{}) {
	ctx, cancel := context.WithTimeout(context.Background(), verifyWithin-time.Second)
	defer cancel()
	x, err := r.open(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case err == nil && (r.alone || r.trying != over): // it was let go meanwhile
		x.Close()
		err = errAlone
	case err == nil:
		r.now, r.have = x, true
	}
	r.err = err
	if r.trying == over {
		r.trying = nil
	}
	close(over)
}

// leave closes the connection. Nothing is dialled until take where alone is set.
func (r *reached[T]) leave(alone bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.have {
		r.now.Close()
	}
	var none T
	r.now, r.have, r.alone, r.trying = none, false, alone, nil
}

// take allows dialling again.
func (r *reached[T]) take() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.alone = false
}

func (r *reached[T]) isAlone() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.alone
}

// member is a reached instrument whatever its role.
type member interface {
	leave(alone bool)
	take()
	isAlone() bool
	words() (role, id string, one bool)
	who() (id, idn string)
	reach(context.Context) error
}

// gear is what of a bench silencing needs; nil for what it has not.
type gear struct {
	source    *reachedSource
	amplifier *reachedAmplifier
	analyser  *reachedAnalyser
	patience  time.Duration // the longest wait for one exchange
}

type (
	reachedSource    struct{ reached[driver.Source] }
	reachedAmplifier struct{ reached[driver.Amplifier] }
	reachedAnalyser  struct{ reached[driver.Analyser] }
)

// gearOf names the instruments of a bench; nothing is dialled. identified says who they are known to be.
func gearOf(b *catalog.Bench, identified map[string]string) *gear {
	patience := driver.Patience(b)
	o := driver.Options{ForSilencing: true, Timeout: patience, Identified: identified}.For(b)
	g := &gear{patience: patience, source: &reachedSource{reached[driver.Source]{id: b.Source.ID,
		one: b.Source.OneClient, open: func(ctx context.Context) (driver.Source, error) {
			if !b.Source.Present() {
				return nil, errors.New("it is set by hand: only a person can switch it off")
			}
			return driver.OpenSource(ctx, b.Source, o)
		}}}}
	if a := b.Amplifier; a != nil && a.Present() {
		g.amplifier = &reachedAmplifier{reached[driver.Amplifier]{id: a.ID, one: a.OneClient,
			open: func(ctx context.Context) (driver.Amplifier, error) {
				return driver.OpenAmplifier(ctx, *a, o)
			}}}
	}
	if a := b.Analyser; a != nil && a.Present() {
		g.analyser = &reachedAnalyser{reached[driver.Analyser]{id: a.ID, one: a.OneClient,
			open: func(ctx context.Context) (driver.Analyser, error) {
				return driver.OpenAnalyser(ctx, *a, o)
			}}}
	}
	return g
}

// members lists what there is, in the order of the bench file.
func (g *gear) members() []member {
	out := []member{g.source}
	if g.amplifier != nil {
		out = append(out, g.amplifier)
	}
	if g.analyser != nil {
		out = append(out, g.analyser)
	}
	return out
}

// strike reaches for everything at once and lowers what answers as soon as it does: an instrument that lets
// itself be waited for holds up no other. The error tells what could not be reached.
func (g *gear) strike(ctx context.Context) error {
	var wg sync.WaitGroup
	errs := make([]error, len(g.members()))
	for i, m := range g.members() {
		wg.Go(func() {
			if errs[i] = m.reach(ctx); errs[i] != nil {
				return
			}
			ctx, cancel := context.WithTimeout(ctx, g.patience)
			defer cancel()
			switch m := m.(type) { // whether it worked is what guard's Silence finds out
			case *reachedSource:
				m.OutputOff(ctx)
			case *reachedAmplifier:
				m.Standby(ctx)
			}
		})
	}
	wg.Wait()
	return errors.Join(errs...)
}

// identified returns who the instruments are that were reached.
func (g *gear) identified() map[string]string {
	out := map[string]string{}
	for _, m := range g.members() {
		if id, idn := m.who(); idn != "" {
			out[id] = idn
		}
	}
	return out
}

func (g *gear) close() {
	for _, m := range g.members() {
		m.leave(true)
	}
}

// guard makes a guard of it that raises nothing. between is the pause from one pass to the next, giveUp how
// long it tries; 0 for guard's own.
func (g *gear) guard(b *catalog.Bench, at func() rf.Frequency, between, giveUp time.Duration) *guard.Guard {
	cfg := guard.Config{Chain: chain.New(b), Source: g.source, Patience: g.patience, Between: between, GiveUp: giveUp}
	if !b.Source.Present() { // what is wired is lowered, and that is all
		cfg.Unswitched = guard.Unswitched{Named: cmp.Or(b.Source.HardwareOff, "its own switch"), Sweeps: true}
		cfg.PersonWithin = g.patience
	}
	if g.amplifier != nil {
		cfg.Amplifier = g.amplifier
	}
	if g.analyser != nil {
		cfg.Witness = witness{g.analyser, func() driver.AnalyserSetup {
			f := at()
			if !f.Known() {
				f = (b.Source.Band.Low + b.Source.Band.High) / 2
			}
			return driver.AnalyserSetup{Frequency: f}
		}}
	}
	return guard.New(cfg)
}

func (r *reached[T]) who() (id, idn string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !r.have {
		return r.id, ""
	}
	return driver.IdentityOf(r.now)
}

func (r *reached[T]) reach(ctx context.Context) error { _, err := r.get(ctx); return err }

func (r *reachedSource) words() (role, id string, one bool)    { return "source", r.id, r.one }
func (r *reachedAmplifier) words() (role, id string, one bool) { return "amplifier", r.id, r.one }
func (r *reachedAnalyser) words() (role, id string, one bool)  { return "analyser", r.id, r.one }

func (r *reachedSource) OutputOff(ctx context.Context) error {
	x, err := r.get(ctx)
	if err == nil {
		err = x.OutputOff(ctx)
	}
	return err
}

func (r *reachedSource) Minimum(ctx context.Context) error {
	x, err := r.get(ctx)
	if err == nil {
		err = x.Minimum(ctx)
	}
	return err
}

func (r *reachedSource) State(ctx context.Context) (guard.SourceState, error) {
	x, err := r.get(ctx)
	if err != nil {
		return guard.SourceState{}, err
	}
	return x.State(ctx)
}

func (r *reachedAmplifier) Standby(ctx context.Context) error {
	x, err := r.get(ctx)
	if err == nil {
		err = x.Standby(ctx)
	}
	return err
}

func (r *reachedAmplifier) Operating(ctx context.Context) (bool, error) {
	x, err := r.get(ctx)
	if err != nil {
		return false, err
	}
	return x.Operating(ctx)
}

// witness measures with an analyser once that is reached.
type witness struct {
	analyser *reachedAnalyser
	at       func() driver.AnalyserSetup
}

// Quiet measures once.
func (w witness) Quiet(ctx context.Context) (string, bool, error) {
	x, err := w.analyser.get(ctx)
	if err != nil {
		return "", false, err
	}
	return driver.FloorWitness(x, w.at).Quiet(ctx)
}
