package guard

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

// Report is what silencing did and what was read back.
type Report struct {
	Steps []Step
	// Quiet: the source was read back with its output off, the amplifier in standby where it can
	// be asked, and nothing that measures saw RF.
	Quiet bool
	// How says on what Quiet rests: "measured at the floor", or "off by the instrument's word only".
	How string
	// Measured: Quiet, and a meter was read that saw nothing.
	Measured bool
	Took     time.Duration
}

// Step is one thing that silencing did.
type Step struct{ What, Result string }

// Silence switches RF off: source output off, amplifier to standby, source to minimum, each tried
// whatever came of the one before; then it reads back, and repeats until the bench has been quiet
// for longer than any abandoned command can still take to arrive, or it gives up. It runs on a
// context of its own: cancelling ctx does not stop it. It is the only way that a run, an abort, a
// trip and the off command end RF. It always returns a report, also when an instrument's call never
// comes back; such a call is left behind. While it goes well it is a sign of life for the watcher.
func (g *Guard) Silence(ctx context.Context, cause string) Report {
	g.mu.Lock()
	g.busy++
	g.mu.Unlock()
	<-g.silencing
	defer func() {
		g.silencing <- struct{}{}
		g.mu.Lock()
		g.busy--
		g.mu.Unlock()
	}()
	g.mu.Lock()
	g.epoch++
	suspect := g.suspect || g.pending
	g.mu.Unlock()

	s := silencing{cfg: g.cfg, ctx: context.WithoutCancel(ctx), started: g.now(), now: g.now, alive: g.alive,
		left: map[string]<-chan error{}}
	var quietSince time.Time
	for pass := 1; ; pass++ {
		err := s.pass()
		s.trouble = err != nil
		now := g.now()
		switch {
		case err != nil:
			quietSince = time.Time{}
			suspect = true
		case quietSince.IsZero():
			quietSince = now
		}
		if err == nil && (!suspect || now.Sub(quietSince) >= g.cfg.Linger) {
			g.mu.Lock()
			g.last = Setting{}
			g.suspect, g.pending = false, false
			g.mu.Unlock()
			return s.report(true)
		}
		if now.Sub(s.started) >= g.cfg.GiveUp {
			return s.report(false)
		}
		time.Sleep(g.cfg.Between)
	}
}

// silencing is one call of Silence.
type silencing struct {
	cfg     Config
	ctx     context.Context
	started time.Time
	now     func() time.Time
	steps   []Step
	how     string
	// measured: the witness was read and saw nothing, in this pass.
	measured bool
	alive    func()
	trouble  bool                    // something failed since the last pass that went well
	mu       sync.Mutex              // of left: two steps may go on at once
	left     map[string]<-chan error // calls that did not come back, by step
}

// pass goes through the order once and reads back. The error is why the bench is not quiet.
func (s *silencing) pass() error {
	if s.cfg.Unswitched.Named != "" {
		return s.handPass()
	}
	source := s.off()
	s.do("source to minimum", s.cfg.Source.Minimum)

	err := s.do("source read back", func(ctx context.Context) error {
		state, err := s.cfg.Source.State(ctx)
		if err == nil && state.Output {
			err = fmt.Errorf("its output is still on")
		}
		return err
	})
	if err == nil {
		err = source
	}
	if s.cfg.Amplifier != nil {
		amplifier := s.do("amplifier read back", func(ctx context.Context) error {
			operating, err := s.cfg.Amplifier.Operating(ctx)
			if err == nil && operating {
				err = fmt.Errorf("it is still operating")
			}
			return err
		})
		if err == nil {
			err = amplifier
		}
	}
	if witness := s.witness(); witness != nil {
		return witness
	}
	return err
}

// headStart is how long the amplifier's standby waits for the source's off: a source that is slow, or does
// not answer at all, does not keep the amplifier operating.
const headStart = time.Second

// off switches the source off and takes the amplifier to standby.
func (s *silencing) off() error {
	if s.cfg.Amplifier == nil {
		return s.do("source output off", s.cfg.Source.OutputOff)
	}
	source := make(chan error, 1)
	go func() { source <- s.within("source output off", s.cfg.Source.OutputOff) }()
	first := time.NewTimer(headStart)
	defer first.Stop()
	select {
	case err := <-source:
		s.note("source output off", err)
		s.do("amplifier to standby", s.cfg.Amplifier.Standby)
		return err
	case <-first.C:
	}
	s.do("amplifier to standby", s.cfg.Amplifier.Standby)
	err := <-source
	s.note("source output off", err)
	return err
}

// witness asks the meter. Only a meter that sees RF is a reason not to be quiet; one that does not
// answer leaves the instrument's word.
func (s *silencing) witness() error {
	s.how, s.measured = "off by the instrument's word only", false
	if s.cfg.Witness == nil {
		return nil
	}
	read := make(chan string, 1)
	err := s.do("measured", func(ctx context.Context) error {
		text, quiet, err := s.cfg.Witness.Quiet(ctx)
		if err == nil && !quiet {
			err = seenError(text)
		}
		if err == nil {
			read <- text
		}
		return err
	})
	var seen seenError
	switch {
	case errors.As(err, &seen):
		return seen
	case err != nil:
		s.how += "; the meter could not be read"
	default:
		s.how, s.measured = "read back as off and measured at the floor: "+<-read, true
	}
	return nil
}

// seenError is RF that a meter sees, with its reading.
type seenError string

func (e seenError) Error() string { return "the meter still reads " + string(e) }

// do runs one step within the patience and notes what came of it.
func (s *silencing) do(what string, f func(context.Context) error) error {
	err := s.within(what, f)
	s.note(what, err)
	return err
}

// note keeps what came of a step.
func (s *silencing) note(what string, err error) {
	result := "done"
	if err != nil {
		result, s.trouble = err.Error(), true
	}
	if !s.trouble {
		s.alive()
	}
	// A step that repeats with the same result is told once.
	for _, old := range s.steps {
		if old.What == what && old.Result == result {
			return
		}
	}
	s.steps = append(s.steps, Step{what, result})
}

// comesBack is how long a call may take to come back once its context has ended.
const comesBack = 250 * time.Millisecond

// errStuck is what is said of a call that ignores its context: whoever hangs in it must not keep the
// rest of the bench from being silenced.
var errStuck = errors.New("the call to the instrument does not come back")

// within calls f with the patience as its time. A call of the same step that was left behind has to
// come back first: its answer is old, and another call would only wait behind it.
func (s *silencing) within(what string, f func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(s.ctx, s.cfg.Patience)
	defer cancel()
	s.mu.Lock()
	old, ok := s.left[what]
	s.mu.Unlock()
	if ok {
		select {
		case <-old:
			s.mu.Lock()
			delete(s.left, what)
			s.mu.Unlock()
		case <-ctx.Done():
			return errStuck
		}
	}
	done := make(chan error, 1)
	go func() { done <- f(ctx) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	late := time.NewTimer(comesBack)
	defer late.Stop()
	select {
	case err := <-done:
		return err
	case <-late.C:
		s.mu.Lock()
		s.left[what] = done
		s.mu.Unlock()
		return errStuck
	}
}

// Together puts steps that failed for the same reason into one: an instrument that cannot be reached is told once.
func Together(steps []Step) []Step {
	var out []Step
	at := map[string]int{}
	for _, s := range steps {
		if i, ok := at[s.Result]; ok && s.Result != "done" {
			out[i].What += ", " + s.What
			continue
		}
		at[s.Result] = len(out)
		out = append(out, s)
	}
	return out
}

func (s *silencing) report(quiet bool) Report {
	how := s.how
	if !quiet {
		how = "RF not known to be off"
		for _, st := range Together(s.steps) {
			if st.Result != "done" {
				how += "; " + st.What + ": " + st.Result
			}
		}
	}
	return Report{Steps: s.steps, Quiet: quiet, How: how, Measured: quiet && s.measured && !s.cfg.Unswitched.Sweeps,
		Took: s.now().Sub(s.started)}
}
