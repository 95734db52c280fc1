package driver

import (
	"context"
	"fmt"
	"math"
	"strconv"

	"provoke/internal/bench/scpi"
	"provoke/internal/units/rf"
)

// Limiter is a source that holds a limit by itself: what it then refuses is refused whatever this
// program, or a program gone wrong, tells it.
type Limiter interface {
	// Limit sets with the output off what the source can hold: a largest level, and the output going
	// off by itself when the connection is lost. It reads each back and returns what it set, in
	// words; nothing when the command table knows no such thing.
	Limit(ctx context.Context, most rf.Power) ([]string, error)
}

// LimitFor returns the level to which a source is limited for a largest setting: rounded up to the
// source's resolution, so that the setting itself is not refused.
func LimitFor(most rf.Power, resolution rf.Gain) rf.Power {
	step := max(resolution.DB(), 0.01)
	return rf.DBm(math.Ceil(most.In()/step-1e-6) * step)
}

// Limit is Limiter's.
func (s *source) Limit(ctx context.Context, most rf.Power) ([]string, error) {
	var words []string
	err := s.hold(ctx, func(h *speech) error {
		if err := s.lookIfLost(h); err != nil {
			return err
		}
		if err := s.fits(); err != nil {
			return err
		}
		if s.known.Output {
			return fmt.Errorf("%s: set its limit: its output is on: %w", s.name, ErrWouldRaise)
		}
		h.Pin()
		if s.table.has(OutputLimit) {
			limit, err := s.limitLevel(h, LimitFor(most, s.spec.Resolution))
			if err != nil {
				return err
			}
			words = append(words, fmt.Sprintf("source %s refuses levels above %s by itself", s.id, limit.Text(2)))
		}
		if s.table.has(OffWhenLost) {
			if err := s.told(h, OffWhenLost, OffWhenLostAsk, "going off when the connection is lost"); err != nil {
				return err
			}
			words = append(words, fmt.Sprintf("source %s switches its output off when the connection is lost", s.id))
		}
		return nil
	})
	return words, err
}

// limitLevel sets the largest level and reads it back.
func (s *source) limitLevel(h *speech, most rf.Power) (rf.Power, error) {
	a := s.known.assumed
	if most.Exceeds(s.spec.Maximum) {
		most = s.spec.Maximum
	}
	set := s.table.putText(OutputLimit, strconv.FormatFloat(s.limitNumber(most, a), 'f', -1, 64))
	answers, err := h.tellAndAsk([]string{set}, OutputLimitAsk)
	if err != nil {
		return rf.Power{}, fmt.Errorf("set the largest level: %w", err)
	}
	x, err := scpi.ParseNumber(answers[0])
	if err == nil {
		x, err = s.table.answered(OutputLimitAsk, x)
	}
	if err != nil {
		return rf.Power{}, h.Garbage(s.table.say(OutputLimitAsk), err)
	}
	got := s.fromNumber(x, a)
	// limitNumber adds one of them
	if d, bound := got.Minus(most); bound != rf.Exactly || math.Abs(d.DB()) > max(2*levelTolerance,
		s.spec.Resolution).DB() {
		return got, &ReadBackError{s.name, "the largest level", most.Text(2), got.Text(2)}
	}
	if s.table.has(LimitOn) {
		if err := s.told(h, LimitOn, LimitOnAsk, "the limit of the level"); err != nil {
			return got, err
		}
	}
	return got, nil
}

// limitNumber is toNumber with what a source may round the level up by: a limit must not refuse the
// level itself.
func (s *source) limitNumber(p rf.Power, a assumed) float64 {
	return s.toNumber(p.Add(levelTolerance), a)
}

// told sends a command and asks whether it is so.
func (s *source) told(h *speech, set, ask Verb, what string) error {
	answers, err := h.tellAndAsk(s.table.each(set), ask)
	if err != nil {
		return fmt.Errorf("set %s: %w", what, err)
	}
	on, err := scpi.ParseBool(answers[0])
	if err != nil {
		return h.Garbage(s.table.say(ask), err)
	}
	if !on {
		return &ReadBackError{s.name, what, "on", "off"}
	}
	return nil
}
