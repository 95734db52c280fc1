package driver

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
)

// PathSwitch is a switch matrix between ports. Choosing a path may raise RF somewhere, so it takes a
// permission, which the guard gives only with the source off.
type PathSwitch interface {
	Identify(ctx context.Context) (string, error)
	// Select closes the route of the permission and reads it back.
	Select(ctx context.Context, c guard.Cleared) error
	// Selected asks which route is closed.
	Selected(ctx context.Context) (string, error)
	Close() error
}

// Relay is an output that feeds the DUT or holds its reset line. It carries no RF.
type Relay interface {
	Identify(ctx context.Context) (string, error)
	// Set switches the output and reads it back.
	Set(ctx context.Context, on bool) error
	Close() error
}

// Capture is a meter or scope that takes a burst of readings.
type Capture interface {
	Identify(ctx context.Context) (string, error)
	// Capture takes n readings over a time and returns them in the order taken.
	Capture(ctx context.Context, n int, over time.Duration) ([]float64, error)
	Close() error
}

type pathSwitch struct{ *instrument }

// OpenSwitch connects to a switch matrix. It changes nothing.
func OpenSwitch(ctx context.Context, spec catalog.PathSwitch, o Options) (PathSwitch, error) {
	i, err := open(ctx, RoleSwitch, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	return &pathSwitch{i}, nil
}

// Select closes the route of the permission and reads it back.
func (p *pathSwitch) Select(ctx context.Context, c guard.Cleared) error {
	return p.choose(ctx, c.TakeRoute)
}

func (p *pathSwitch) choose(ctx context.Context, take func() (string, error)) error {
	return p.hold(ctx, func(h *speech) error {
		if err := h.Connect(); err != nil {
			return err
		}
		h.Pin()
		route, err := take()
		if err != nil {
			return err
		}
		answers, err := h.tellAndAsk([]string{p.table.putText(Route, route)}, RouteAsk)
		if err != nil {
			return err
		}
		if !sameRoute(answers[0], route) {
			return &ReadBackError{p.name, "the route", route, answers[0]}
		}
		return nil
	})
}

func sameRoute(a, b string) bool {
	strip := func(s string) string { return strings.ToUpper(strings.Trim(strings.TrimSpace(s), `"'`)) }
	return strip(a) == strip(b)
}

// Selected asks which route is closed.
func (p *pathSwitch) Selected(ctx context.Context) (route string, err error) {
	err = p.hold(ctx, func(h *speech) error {
		route, err = h.askOne(RouteAsk)
		return err
	})
	return strings.Trim(strings.TrimSpace(route), `"'`), err
}

type relay struct{ *instrument }

// OpenRelay connects to the output that resets or power-cycles the DUT. It changes nothing.
func OpenRelay(ctx context.Context, spec catalog.Relay, o Options) (Relay, error) {
	i, err := open(ctx, RoleRelay, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	return &relay{i}, nil
}

// Set switches the output and reads it back.
func (r *relay) Set(ctx context.Context, on bool) error {
	verb := SwitchOff
	if on {
		verb = SwitchOn
	}
	return r.hold(ctx, func(h *speech) error {
		answers, err := h.tellAndAsk(r.table.each(verb), OnAsk)
		if err != nil {
			return err
		}
		reads, err := scpi.ParseBool(answers[0])
		switch {
		case err != nil:
			return h.Garbage(r.table.say(OnAsk), err)
		case reads != on:
			return &ReadBackError{r.name, "the output", onOff(on), onOff(reads)}
		}
		return nil
	})
}

type capture struct {
	*instrument
	samples    int // owned by whoever holds conn
	interval   time.Duration
	generation uint64
}

// OpenCapture connects to the meter or scope that watches an analogue output.
func OpenCapture(ctx context.Context, spec catalog.Monitor, o Options) (Capture, error) {
	i, err := open(ctx, RoleCapture, spec.ID, spec.Connection, "", o)
	if err != nil {
		return nil, err
	}
	return &capture{instrument: i}, nil
}

// Capture takes n readings over a time.
func (c *capture) Capture(ctx context.Context, n int, over time.Duration) (out []float64, err error) {
	if n < 2 || over <= 0 {
		return nil, fmt.Errorf("%s: a capture of %d readings in %v", c.name, n, over)
	}
	err = c.hold(ctx, func(h *speech) error {
		if err := h.Connect(); err != nil {
			return err
		}
		interval := over / time.Duration(n)
		if c.generation != h.Generation() || c.samples != n || c.interval != interval {
			c.generation = 0
			units := append(c.table.each(c.table.having(TraceFormat)...), c.table.put(Samples, float64(n)),
				c.table.put(Interval, interval.Seconds()))
			if _, err := h.Ask(0, units...); err != nil {
				return err
			}
			c.samples, c.interval, c.generation = n, interval, h.Generation()
		}
		answer, err := h.Session.Query(c.table.say(TraceAsk))
		if err != nil {
			return err
		}
		if out, err = c.list(answer, n); err != nil {
			return h.Garbage(c.table.say(TraceAsk), err)
		}
		return nil
	})
	return out, err
}

// list reads the readings of a capture.
func (c *capture) list(answer string, n int) ([]float64, error) {
	out, err := c.table.list(answer)
	var over *scpi.OverRange
	switch {
	case errors.As(err, &over):
		return nil, fmt.Errorf("%w: the capture is beyond the range of the instrument: %v", scpi.ErrGarbage, err)
	case err != nil:
		return nil, fmt.Errorf("%w: the capture: %w", scpi.ErrGarbage, err)
	case len(out) != n:
		return nil, fmt.Errorf("%w: %d readings where %d were asked", scpi.ErrGarbage, len(out), n)
	}
	return out, nil
}
