package guard

import (
	"context"
	"fmt"
)

// Unswitched describes a source that this program cannot switch off: one that is set by hand, or one
// that sweeps by itself. Off is then what the operator confirms, or what a meter shows at its floor.
type Unswitched struct {
	// Named is the hardware that switches it off: a switch, a socket, an interlock. Empty: the source
	// can be switched off by this program as any other.
	Named string
	// Sweeps: RF moves over a span, so that a meter at the floor at one frequency shows nothing.
	Sweeps bool
}

// handPass goes through the order for a source that a person has to switch off: what can be switched
// at once goes first. The error is why the bench is not quiet.
func (s *silencing) handPass() error {
	var amplifier error
	if s.cfg.Amplifier != nil {
		amplifier = s.do("amplifier to standby", s.cfg.Amplifier.Standby)
		if amplifier == nil {
			amplifier = s.do("amplifier read back", func(ctx context.Context) error {
				operating, err := s.cfg.Amplifier.Operating(ctx)
				if err == nil && operating {
					err = fmt.Errorf("it is still operating")
				}
				return err
			})
		}
	}
	seen := s.witness()
	measured := seen == nil && s.measured && !s.cfg.Unswitched.Sweeps
	off := s.do("operator switches the source off by "+s.cfg.Unswitched.Named, s.cfg.Source.OutputOff)
	if off == nil && seen != nil { // it was read before the operator acted
		seen = s.witness()
	}
	switch {
	case seen != nil:
		return seen
	case off == nil:
		s.how = "off by the operator's word"
		if s.measured && !s.cfg.Unswitched.Sweeps {
			s.how += ", and measured at the floor"
		}
		return amplifier
	case measured && amplifier == nil:
		s.how = "measured at the floor; the operator has not confirmed that the source is off"
		return nil
	}
	return off
}

// ClearSpan makes a permission for a source that sweeps by itself from s.Frequency to s.To: every
// rating is compared at the worst frequency of the whole span. A refusal names that frequency.
func (g *Guard) ClearSpan(ctx context.Context, s Setting) (Cleared, error) {
	if err := g.ready(ctx); err != nil {
		return Cleared{}, fmt.Errorf("clear a sweep of %v from %v to %v: %w", s.Level, s.Frequency, s.To, err)
	}
	if err := g.WithinSpan(s); err != nil {
		return Cleared{}, err
	}
	return g.issue(s, toSet), nil
}

// WithinSpan compares every node of the chain with its rating over the whole span of a sweep. It
// issues nothing.
func (g *Guard) WithinSpan(s Setting) error {
	if !s.To.Known() || !s.Frequency.Known() {
		return fmt.Errorf("%w: a sweep has two ends", ErrRefused)
	}
	s.Output = true
	for _, f := range g.cfg.Chain.Bench().Across(s.Frequency, s.To) {
		at := s
		at.Frequency = f
		if err := g.within(at); err != nil {
			return fmt.Errorf("a sweep over %v to %v passes %v: %w", min(s.Frequency, s.To), max(s.Frequency, s.To),
				f, err)
		}
	}
	return nil
}
