package engine

import (
	"context"
	"fmt"
	"strings"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/job/event"
	"provoke/internal/units/rf"
)

// byHand reports that a person sets the source.
func (r *run) byHand() bool { return r.bench.Source.ByHand }

// unswitched says what the guard has to know of a source that provoke cannot switch off.
func (r *run) unswitched() guard.Unswitched {
	if !r.byHand() && !r.cfg.FreeRunning {
		return guard.Unswitched{}
	}
	return guard.Unswitched{Named: r.bench.Source.HardwareOff, Sweeps: r.cfg.FreeRunning}
}

// cannotSwitchOff is what the page says in large words; empty when provoke can.
func (r *run) cannotSwitchOff() string {
	if u := r.unswitched(); u.Named != "" {
		return fmt.Sprintf("provoke cannot switch this off: use %s", u.Named)
	}
	return ""
}

// sitDown connects the run with the desk.
func (r *run) sitDown() {
	d := r.cfg.Desk
	if d == nil {
		return
	}
	d.serve(r.cfg.PersonWithin, r.whileWaiting, r.tellPrompt, func(p Prompt, answer string, took time.Duration) {
		r.journal(event.ByHand{Instrument: p.Instrument, Asked: append([]string{p.Title}, p.Lines...), Answer: answer,
			Took: rf.Duration(took.Round(time.Millisecond)), Doubted: p.Doubt})
	})
}

// besides marks the context of what goes on beside the engine: a prompt of a monitor that a person reads
// is no sign of life of the engine.
type besides struct{}

// besideEngine is the context of something that goes on beside the engine and does not end with ctx.
func besideEngine(ctx context.Context) context.Context {
	return context.WithValue(context.WithoutCancel(ctx), besides{}, true)
}

// whileWaiting keeps the dead-man fed while the engine waits for a person, and looks at the operator's wish
// to stop. An urgent prompt asks for RF to go off: nothing ends it, and the switch
// that the person uses may open the interlock.
func (r *run) whileWaiting(ctx context.Context, urgent bool) error {
	if ctx.Value(besides{}) == nil {
		r.feed()
	}
	if urgent {
		return nil
	}
	if err := r.stopAsked(); err != nil {
		return err
	}
	return nil
}

// tellPrompt tells the last status again, with the prompt of the moment.
func (r *run) tellPrompt() {
	last := r.told.Load()
	if last == nil || r.cfg.Progress == nil {
		return
	}
	s := *last
	s.Prompt = r.prompt()
	r.cfg.Progress(s)
}

func (r *run) prompt() *Prompt {
	if p, ok := r.cfg.Desk.Pending(); ok {
		return &p
	}
	return nil
}

// armUnswitched has the operator name and confirm the hardware that switches RF off, with the source
// off.
func (r *run) armUnswitched(ctx context.Context) error {
	u := r.unswitched()
	switch {
	case u.Named == "" && (r.byHand() || r.cfg.FreeRunning):
		return fmt.Errorf("arm: %w: the source %s cannot be switched off by provoke and the bench file names no "+
			"hardware_off", guard.ErrRefused, r.bench.Source.ID)
	case u.Named == "":
		return nil
	case r.cfg.Desk == nil:
		return fmt.Errorf("arm: %w: the source %s cannot be switched off by provoke, and nobody can be asked",
			guard.ErrRefused, r.bench.Source.ID)
	}
	why := "set by hand"
	if u.Sweeps {
		why = "sweeps by itself"
	}
	p := driver.Prompt{Instrument: "source " + r.bench.Source.ID, Title: "PROVOKE CANNOT SWITCH THIS OFF",
		Lines: []string{"hardware off: " + u.Named, "try it now: it must take RF away whatever the source does",
			"one hand stays near it while RF is on"},
		Wants: "the name of the hardware off, as above, to confirm that it is in reach and works"}
	for range 4 {
		answer, err := r.cfg.Desk.Ask(ctx, p)
		if err != nil {
			return fmt.Errorf("arm: confirm the hardware off: %w", err)
		}
		if strings.EqualFold(strings.TrimSpace(answer), u.Named) || strings.EqualFold(answer, "confirmed") {
			return r.journal(event.HardwareOff{Source: p.Instrument, Why: why, Named: u.Named, By: r.cfg.Armed.By})
		}
		if strings.EqualFold(answer, "no") {
			break
		}
		p.Doubt = fmt.Sprintf("%q is not its name: type %q", answer, u.Named)
	}
	return fmt.Errorf("arm: %w: the operator did not confirm the hardware off %q", guard.ErrRefused, u.Named)
}

// operateByHand asks for an amplifier without a remote interface to be taken to operate.
func (r *run) operateByHand(ctx context.Context) error {
	a := r.bench.Amplifier
	if a == nil || !a.ByHand || r.cfg.Desk == nil {
		return nil
	}
	return driver.AskToOperate(ctx, *a, r.cfg.Desk)
}

// selectRoute closes the bench's route while the source is off.
func (r *run) selectRoute(ctx context.Context) error {
	s := r.cfg.Rig.Switch
	if s == nil {
		return nil
	}
	state, err := r.cfg.Rig.Source.State(r.patiently(ctx))
	if err != nil {
		return r.instrument("read the source back before a path is chosen", err)
	}
	c, err := r.guard.ClearRoute(ctx, state, r.bench.Switch.Route)
	if err != nil {
		return err
	}
	if err := s.Select(ctx, c); err != nil {
		return r.instrument(fmt.Sprintf("choose the route %q", r.bench.Switch.Route), err)
	}
	r.guard.Confirmed()
	return nil
}

// standbyAtOnce takes a remote amplifier to standby before a person is asked to switch the source off:
// it is quicker.
func (r *run) standbyAtOnce(ctx context.Context) error {
	if !r.byHand() || r.cfg.Rig.Amplifier == nil {
		return nil
	}
	if err := r.cfg.Rig.Amplifier.Standby(ctx); err != nil {
		return r.instrument("take the amplifier to standby", err)
	}
	r.inStandby = true
	return nil
}

// operateAgain takes the amplifier back to operate, with the source off.
func (r *run) operateAgain(ctx context.Context) error {
	if !r.inStandby {
		return nil
	}
	if err := r.operate(ctx); err != nil {
		return err
	}
	r.inStandby = false
	return nil
}

// Resetter brings the DUT back when its monitors cannot: a power cycle.
type Resetter interface {
	Reset(ctx context.Context) error
}
