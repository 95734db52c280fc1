package driver

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"provoke/internal/bench/scpi"
)

// Plainer is a source that can be brought to a plain carrier: one that the last user left sweeping, gated
// or with another waveform puts out something else than what is set and read back.
type Plainer interface {
	// Plain sets and reads, with the output off, every setting that makes something else than a carrier
	// with the modulation that is asked for; a preset comes first where the command table has one. The
	// amplifier must be in standby. Unread are the settings that cannot be read on this source.
	Plain(ctx context.Context) (unread []string, err error)
}

// aspect is one setting that makes something else of a carrier.
type aspect struct {
	what     string
	set, ask Verb
	good     []string // the beginnings of the answers that mean a plain carrier
}

// aspects in the order in which they are set. Offset, unit and load are read with every look at the
// source where the table has a question for them.
var aspects = []aspect{
	{"waveform", WaveformSine, WaveformAsk, []string{"SIN"}},
	{"sweep or list", SweepOff, SweepAsk, []string{"0", "OFF", "CW", "FIX"}},
	{"burst", BurstOff, BurstAsk, []string{"0", "OFF"}},
	{"frequency modulation", FMOff, FMAsk, []string{"0", "OFF"}},
	{"phase modulation", PMOff, PMAsk, []string{"0", "OFF"}},
	{"source of AM", AMInternal, AMSourceAsk, []string{"INT"}},
	{"source of pulse modulation", PulseInternal, PulseSourceAsk, []string{"INT"}},
}

// plainVerbs are those of the aspects, all of which a table may leave out.
func plainVerbs() []Verb {
	out := []Verb{Preset}
	for _, a := range aspects {
		out = append(out, a.set, a.ask)
	}
	return out
}

// Plain is Plainer's.
func (s *source) Plain(ctx context.Context) (unread []string, err error) {
	if err := s.preset(ctx); err != nil {
		return nil, err
	}
	err = s.hold(ctx, func(h *speech) error {
		if err := s.lookIfLost(h); err != nil {
			return err
		}
		if s.known.Output {
			return fmt.Errorf("%s: bring it to a plain carrier: its output is on: %w", s.name, ErrWouldRaise)
		}
		h.Pin()
		for _, a := range aspects {
			read, err := s.plain(h, a)
			if err != nil {
				return fmt.Errorf("bring the source to a plain carrier: %s: %w", a.what, err)
			}
			if !read && s.matters(a) {
				unread = append(unread, a.what)
			}
		}
		return nil
	})
	if err == nil && !s.table.has(OffsetAsk) {
		unread = append(unread, "direct voltage")
	}
	if err == nil && s.table.CountsIn != "dBm" && !s.table.has(LoadAsk) {
		unread = append(unread, "load")
	}
	return unread, err
}

// matters leaves out the source of a modulation that is never switched on.
func (s *source) matters(a aspect) bool {
	return (a.ask != AMSourceAsk || s.table.has(AMOn)) && (a.ask != PulseSourceAsk || s.table.has(PulseOn))
}

// plain sets one aspect, where it can be set, and reads it, where it can be read.
func (s *source) plain(h *speech, a aspect) (read bool, err error) {
	set := ""
	if s.table.has(a.set) {
		set = s.table.say(a.set)
	}
	switch {
	case !s.table.has(a.ask) && set == "":
		return false, nil
	case !s.table.has(a.ask):
		_, err := h.Ask(0, set)
		return false, err
	}
	var answers []string
	if set == "" {
		answers, err = h.ask(a.ask)
	} else {
		answers, err = h.tellAndAsk([]string{set}, a.ask)
	}
	if err != nil {
		return false, err
	}
	answer := strings.Trim(upper(answers[0]), `"'`)
	if answer == "" {
		return false, h.Garbage(s.table.say(a.ask), fmt.Errorf("%w: an empty answer", scpi.ErrGarbage))
	}
	for _, good := range a.good {
		if answer == good || len(good) > 1 && strings.HasPrefix(answer, good) {
			return true, nil
		}
	}
	return false, &SettingError{s.name, a.what, answers[0], "that it is " + strings.Join(a.good, " or "),
		"set it at the instrument; what comes out is no plain carrier"}
}

// preset takes a source to its known beginning and from there to its lowest level, off.
func (s *source) preset(ctx context.Context) error {
	if !s.table.has(Preset) {
		return nil
	}
	err := s.hold(ctx, func(h *speech) error {
		if err := s.look(h); err != nil {
			return err
		}
		if s.known.Output {
			return fmt.Errorf("%s: its output is on: %w", s.name, ErrWouldRaise)
		}
		h.Pin()
		s.known = looked{}
		_, err := h.Ask(0, s.table.say(Preset))
		return err
	})
	if err == nil {
		// A preset may switch an output on, and its level is the instrument's own.
		err = errors.Join(s.OutputOff(ctx), s.Minimum(ctx))
	}
	if err == nil {
		_, err = s.State(ctx)
	}
	if err == nil {
		err = s.fits()
	}
	if err != nil {
		return fmt.Errorf("preset the source: %w", err)
	}
	return nil
}
