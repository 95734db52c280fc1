package driver

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strings"

	"provoke/internal/bench/scpi"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

// Trace is a trace as swept. A point that is not a number by the instrument's own word is absent. Start and
// Stop are what the instrument answers; absent where its table does not ask.
type Trace struct {
	Points      []rf.Power
	Start, Stop rf.Frequency
}

// TraceAs is how a trace is answered.
type TraceAs string

const (
	Trace32   TraceAs = "32 bit" // a block of 32-bit floating-point numbers; the default
	Trace64   TraceAs = "64 bit" // a block of 64-bit ones
	TraceList TraceAs = "list"   // numbers in text
)

// Trace reads the trace and judges it: numbers that are no levels were read in another way than they were
// sent.
func (a *analyser) Trace(ctx context.Context) (out Trace, err error) {
	t := &a.table
	if !t.has(TraceAsk) {
		return out, fmt.Errorf("%s: its command table has no trace", a.name)
	}
	err = a.hold(ctx, func(h *speech) error {
		units, state, err := a.pending(h)
		if err != nil {
			return err
		}
		h.Pin()
		verbs := t.having(Sweep)
		if len(verbs) > 0 && !t.isQuestion(t.say(Sweep)) {
			units, verbs = append(units, t.say(Sweep)), nil
		}
		if len(units)+len(verbs) > 0 {
			if _, err := h.tellAndAsk(units, verbs...); err != nil {
				return err
			}
		}
		levels, err := t.traceLevels(h)
		if err != nil {
			return err
		}
		if out.Points, err = a.points(levels, state); err != nil {
			return h.Garbage(t.say(TraceAsk), err)
		}
		a.accepted(h, state)
		return a.axis(h, &out, state)
	})
	return out, err
}

// traceLevels asks for the trace and takes its numbers out of the answer.
func (t *Table) traceLevels(h *speech) ([]float64, error) {
	ask := t.say(TraceAsk)
	if t.TraceAs == TraceList {
		answer, err := h.Session.Query(ask)
		if err == nil {
			answer, err = t.picked(TraceAsk, answer)
		}
		if err != nil {
			return nil, err
		}
		if strings.HasPrefix(strings.TrimSpace(answer), "#") {
			return nil, h.Garbage(ask, fmt.Errorf(
				"%w: the trace is a block and no list of numbers; quirks.trace_as: %s or %s mends it, or a command "+
					"for \"trace format\" that asks for text", scpi.ErrGarbage, Trace32, Trace64))
		}
		levels, err := t.list(answer)
		if err != nil {
			return nil, h.Garbage(ask, fmt.Errorf("%w: the trace: %w", scpi.ErrGarbage, err))
		}
		return levels, nil
	}
	block, err := h.QueryBlock(ask, 0)
	if errors.Is(err, scpi.ErrGarbage) {
		err = fmt.Errorf("%w; if the trace comes as numbers in text, quirks.trace_as: %s mends it", err, TraceList)
	}
	if err != nil {
		return nil, err
	}
	levels, err := t.judged(block)
	if err != nil {
		return nil, h.Garbage(ask, fmt.Errorf("%w: %w", scpi.ErrGarbage, err))
	}
	return levels, nil
}

// list reads numbers that commas, semicolons or blanks stand between; with decimal commas semicolons or
// blanks do.
func (t *Table) list(answer string) ([]float64, error) {
	fields := strings.FieldsFunc(answer, func(r rune) bool {
		return strings.ContainsRune("; \t\r\n", r) || r == ',' &&
			!t.DecimalComma
	})
	out := make([]float64, len(fields))
	for i, f := range fields {
		x, err := scpi.ParseNumber(t.heard("", f))
		var over *scpi.OverRange
		switch {
		case errors.As(err, &over) && t.Role == RoleAnalyser:
			x = math.Copysign(9.9e37, map[bool]float64{true: -1, false: 1}[over.Negative])
		case errors.Is(err, scpi.ErrInvalid) && t.Role == RoleAnalyser:
			x = math.NaN()
		case err != nil:
			return nil, fmt.Errorf("point %d of %d: %w", i+1, len(fields), err)
		}
		out[i] = x
	}
	return out, nil
}

// encoding is one way of writing numbers into a block.
type encoding struct {
	as    TraceAs
	order ByteOrder
}

func (e encoding) bytes() int {
	if e.as == Trace64 {
		return 8
	}
	return 4
}

func (e encoding) read(block []byte) []float64 {
	var order binary.ByteOrder = binary.BigEndian
	if e.order == LittleEndian {
		order = binary.LittleEndian
	}
	out := make([]float64, len(block)/e.bytes())
	for i := range out {
		if e.as == Trace64 {
			out[i] = math.Float64frombits(order.Uint64(block[8*i:]))
		} else {
			out[i] = float64(math.Float32frombits(order.Uint32(block[4*i:])))
		}
	}
	return out
}

// levels reads a block and tells whether all its numbers can be levels. The half of a longer number can look
// like one by chance, at 2 to 4 dBm; sure is a block that does not.
func (e encoding) levels(block []byte) (out []float64, good, sure bool) {
	if len(block) == 0 || len(block)%e.bytes() != 0 {
		return nil, false, false
	}
	out, sure = e.read(block), true
	for _, x := range out {
		if !isLevel(x) {
			return out, false, false
		}
		sure = sure && math.Abs(x) >= 4
	}
	return out, true, sure
}

// isLevel tells whether a number can be a level in any of the units that readings count in. Bytes in another
// order give numbers of any size, and next to nothing for round ones.
func isLevel(x float64) bool {
	return x == 0 || scpi.CheckNumber(x) != nil || math.Abs(x) >= 1e-20 && math.Abs(x) <= 1000
}

// judged reads a block as the table says, unless the block itself says otherwise.
func (t *Table) judged(block []byte) ([]float64, error) {
	own := encoding{Trace32, BigEndian}
	if t.TraceAs != "" {
		own.as = t.TraceAs
	}
	if t.ByteOrder != "" {
		own.order = t.ByteOrder
	}
	if len(block) == 0 {
		return nil, nil
	}
	levels, good, _ := own.levels(block)
	var others []string
	for _, e := range []encoding{{Trace32, BigEndian}, {Trace32, LittleEndian}, {Trace64, BigEndian},
		{Trace64, LittleEndian}} {
		x, could, sure := e.levels(block)
		if e == own || !could || good && !(sure && e.as == Trace64 && own.as == Trace32) {
			continue
		}
		var keys []string
		if e.as != own.as {
			keys = append(keys, "quirks.trace_as: "+string(e.as))
		}
		if e.order != own.order {
			keys = append(keys, "quirks.byte_order: "+string(e.order))
		}
		others = append(others, fmt.Sprintf("%s mends it (%d points, the first %.4g)", strings.Join(keys, " with "),
			len(x), x[0]))
	}
	switch {
	case good && len(others) == 0:
		return levels, nil
	case len(block)%own.bytes() != 0 && len(others) == 0:
		return nil,
			fmt.Errorf("%d bytes are no numbers of %s, of which each has %d bytes: quirks.trace_as says how they are "+
				"sent, \"trace format\" asks for it", len(block), own.as, own.bytes())
	case len(others) == 0:
		return nil,
			fmt.Errorf("%d numbers of %s, byte order %s, are no levels (%.4g): quirks.trace_as and quirks.byte_order "+
				"say how they are sent, \"trace format\" asks for it", len(levels), own.as, own.order, firstBad(levels))
	}
	return nil, fmt.Errorf("%d bytes read as numbers of %s, byte order %s, are not what was sent; %s", len(block),
		own.as, own.order, strings.Join(others, ", or "))
}

func firstBad(levels []float64) float64 {
	for _, x := range levels {
		if !isLevel(x) {
			return x
		}
	}
	return math.NaN()
}

// points turns the numbers of a trace into levels with their bounds.
func (a *analyser) points(levels []float64, s analyserState) ([]rf.Power, error) {
	if len(levels) == 0 {
		return nil,
			fmt.Errorf("%w: the trace holds no point: nothing was swept yet (\"single sweep\" or \"sweep\" takes "+
				"one), or \"trace?\" names another trace", scpi.ErrGarbage)
	}
	out := make([]rf.Power, len(levels))
	for i, x := range levels {
		var over *scpi.OverRange
		switch err := scpi.CheckNumber(x); {
		case errors.As(err, &over) && !over.Negative:
			out[i] = a.spec.MixerLimit.WithBound(rf.AtLeast)
		case err == nil:
			p, err := a.table.levelOf(TraceAsk, x)
			if err != nil {
				return nil, fmt.Errorf("%w: %w", scpi.ErrGarbage, err)
			}
			if p.In() > 100 || p.In() < -1000 && !p.IsOff() {
				return nil,
					fmt.Errorf("%w: point %d of %d is %.6g, which would be %v and is no level: reads_in says what it "+
						"counts in (such as 0.01 dBm), answers_in where the trace alone counts otherwise",
						scpi.ErrGarbage, i+1, len(levels), x, p)
			}
			out[i] = chain.Bounded(p, a.floor(s), a.spec.MixerLimit, false)
		}
	}
	return out, nil
}

// axis asks where the trace begins and ends and how many points it has, as far as the table can, and
// compares.
func (a *analyser) axis(h *speech, out *Trace, s analyserState) error {
	verbs := a.table.having(TraceStartAsk, TraceStopAsk, TracePointsAsk)
	if len(verbs) == 0 {
		return nil
	}
	answers, err := h.ask(verbs...)
	if err != nil {
		return err
	}
	p := parser{answers: map[Verb]string{}, table: &a.table}
	for i, v := range verbs {
		p.answers[v] = answers[i]
	}
	if a.table.has(TraceStartAsk) {
		out.Start, out.Stop = rf.Frequency(p.number(TraceStartAsk)), rf.Frequency(p.number(TraceStopAsk))
	}
	n := float64(len(out.Points))
	if a.table.has(TracePointsAsk) {
		n = p.number(TracePointsAsk)
	}
	switch centre := rf.Frequency(s.centre); {
	case p.err != nil:
		return h.Garbage(a.table.say(verbs[0]), p.err)
	case n != float64(len(out.Points)):
		return h.Garbage(a.table.say(TracePointsAsk),
			fmt.Errorf("%w: the trace has %d points where the instrument says %v: quirks.trace_as says how they are "+
				"sent", scpi.ErrGarbage, len(out.Points), n))
	case a.table.has(TraceStartAsk) && out.Stop <= out.Start:
		return h.Garbage(a.table.say(TraceStopAsk),
			fmt.Errorf("%w: the trace begins at %v and ends at %v: answers_in says what \"trace start?\" and \"trace "+
				"stop?\" count in", scpi.ErrGarbage, out.Start, out.Stop))
	case a.table.has(TraceStartAsk) && a.table.has(Frequency) && (centre < out.Start || centre > out.Stop):
		return h.Garbage(a.table.say(TraceStartAsk),
			fmt.Errorf("%w: the trace is from %v to %v, and the analyser was told %v: answers_in says what its "+
				"answers count in", scpi.ErrGarbage, out.Start, out.Stop, centre))
	}
	return nil
}
