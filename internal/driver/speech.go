package driver

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"provoke/internal/scpi"
)

// speech is a session with an instrument that is spoken to as its command table says. For a table
// without quirks every call is the session's own.
type speech struct {
	*scpi.Session
	ctx   context.Context
	table *Table
}

// living is the key of a context whose owner is told of every exchange that went well.
type living struct{}

// WithLife returns a context under which every exchange that goes well tells somebody so: one call that
// takes several messages to a slow instrument is none the less alive.
func WithLife(ctx context.Context, tell func()) context.Context {
	return context.WithValue(ctx, living{}, tell)
}

// lives tells of an exchange.
func (s *speech) lives(err error) {
	if tell, ok := s.ctx.Value(living{}).(func()); ok && err == nil {
		tell()
	}
}

func (i *instrument) hold(ctx context.Context, f func(*speech) error) error {
	return i.conn.Hold(ctx, func(h *scpi.Session) error { return f(&speech{h, ctx, &i.table}) })
}

func (i *instrument) holdUrgently(ctx context.Context, f func(*speech) error) error {
	return i.conn.HoldUrgently(ctx, func(h *scpi.Session) error { return f(&speech{h, ctx, &i.table}) })
}

// plain reports that whole messages with an error query at their end are understood.
func (t *Table) plain() bool {
	return !t.OneCommandALine && !t.NoErrorQueue && t.Delay <= 0
}

// isQuery reports that a unit is answered.
func isQuery(unit string) bool {
	header, _, _ := strings.Cut(strings.TrimSpace(unit), " ")
	return strings.Contains(header, "?")
}

// Connect dials when there is no good connection, and tells the instrument then how to speak.
func (s *speech) Connect() error {
	before := s.Generation()
	if err := s.Session.Connect(); err != nil {
		return err
	}
	if s.Generation() == before || len(s.table.Start) == 0 {
		return nil
	}
	for _, unit := range s.table.Start {
		if err := s.Write(unit); err != nil {
			return err
		}
	}
	return nil
}

// begin connects first where the table has something to say at the beginning.
func (s *speech) begin() error {
	if len(s.table.Start) == 0 {
		return nil
	}
	return s.Connect()
}

// Write sends one unit that is not answered, and waits as long as the instrument wants.
func (s *speech) Write(unit string) error {
	if err := s.Session.Write(unit); err != nil {
		return err
	}
	return s.rest()
}

// rest lets the instrument's delay pass.
func (s *speech) rest() error {
	if s.table.Delay <= 0 {
		return nil
	}
	t := time.NewTimer(s.table.Delay.Std())
	defer t.Stop()
	select {
	case <-s.ctx.Done():
		return context.Cause(s.ctx)
	case <-t.C:
		return nil
	}
}

// Query sends one unit and returns its answer.
func (s *speech) Query(unit string) (string, error) {
	if err := s.begin(); err != nil {
		return "", err
	}
	answer, err := s.Session.Query(unit)
	s.lives(err)
	return s.table.heard(answer), err
}

// QueryFields sends queries and returns their answers.
func (s *speech) QueryFields(n int, units ...string) ([]string, error) {
	if err := s.begin(); err != nil {
		return nil, err
	}
	if !s.table.OneCommandALine {
		answers, err := s.Session.QueryFields(n, units...)
		s.lives(err)
		return s.table.allHeard(answers), err
	}
	return s.oneByOne(n, units)
}

// Ask sends units of which n are queries, and asks for the error queue where the instrument has one.
func (s *speech) Ask(n int, units ...string) ([]string, error) {
	if err := s.begin(); err != nil {
		return nil, err
	}
	if s.table.plain() {
		answers, err := s.Session.Ask(n, units...)
		s.lives(err)
		return s.table.allHeard(answers), err
	}
	var answers []string
	var err error
	switch {
	case s.table.OneCommandALine:
		answers, err = s.oneByOne(n, units)
	case n > 0:
		answers, err = s.Session.QueryFields(n, units...)
		s.lives(err)
		answers = s.table.allHeard(answers)
	default:
		err = s.Session.Write(scpi.Join(units...))
	}
	if err != nil {
		return answers, err
	}
	if err := s.rest(); err != nil {
		return answers, err
	}
	if s.table.NoErrorQueue {
		return answers, nil
	}
	_, err = s.Session.Ask(0)
	return answers, err
}

// offAlone sends the command that silences by itself, with an error queue that was emptied before it, and
// returns the answer to the question whether it is so. A queue that does not answer, where the question
// was answered, says nothing against it.
func (s *speech) offAlone(off, ask string) (string, error) {
	var units []string
	if !s.table.NoErrorQueue && !s.table.NoClear {
		units = append(units, "*CLS")
	}
	units = append(units, off)
	if !s.table.OneCommandALine {
		units = []string{scpi.Join(units...)}
	}
	for _, unit := range units {
		if err := s.Write(unit); err != nil {
			return "", err
		}
	}
	answer, err := s.Query(ask)
	if err != nil || s.table.NoErrorQueue {
		return answer, err
	}
	var refused *scpi.InstrumentError
	if _, err := s.Session.Ask(0); errors.As(err, &refused) {
		return answer, err
	}
	return answer, nil
}

// oneByOne sends every unit as a message of its own.
func (s *speech) oneByOne(n int, units []string) ([]string, error) {
	var answers []string
	for _, unit := range units {
		if unit == "" {
			continue
		}
		if !isQuery(unit) {
			if err := s.Write(unit); err != nil {
				return answers, err
			}
			continue
		}
		answer, err := s.Session.Query(unit)
		s.lives(err)
		if err != nil {
			return answers, err
		}
		answers = append(answers, s.table.heard(answer))
	}
	if len(answers) != n {
		return nil, fmt.Errorf("%d answers to %d questions", len(answers), n)
	}
	return answers, nil
}

// commaNumber is a number with a decimal comma.
var commaNumber = regexp.MustCompile(`^[-+]?\d+,\d+([eE][-+]?\d+)?$`)

// heard turns an answer into what the generic tables understand.
func (t *Table) heard(answer string) string {
	text := strings.TrimSpace(answer)
	if t.AnswerPattern != "" {
		if re, err := regexp.Compile(t.AnswerPattern); err == nil {
			if m := re.FindStringSubmatch(text); m != nil {
				text = m[len(m)-1]
			}
		}
	}
	if t.DecimalComma && commaNumber.MatchString(text) {
		return strings.Replace(text, ",", ".", 1)
	}
	for word, list := range map[string][]string{"1": t.Yes, "0": t.No} {
		if slices.ContainsFunc(list, func(w string) bool { return strings.EqualFold(w, text) }) {
			return word
		}
	}
	if text == strings.TrimSpace(answer) {
		return answer
	}
	return text
}

func (t *Table) allHeard(answers []string) []string {
	if !t.DecimalComma && t.AnswerPattern == "" && len(t.Yes) == 0 && len(t.No) == 0 {
		return answers
	}
	out := make([]string, len(answers))
	for i, a := range answers {
		out[i] = t.heard(a)
	}
	return out
}

// quirkPort changes how a message ends and leaves out what an instrument does not know.
type quirkPort struct {
	scpi.Port
	table *Table
}

// quirky wraps a way of connecting where the table's messages end otherwise than its answers, or
// where *CLS is not understood.
func quirky(dial scpi.Dial, t *Table) scpi.Dial {
	if (t.MessageTerminator == "" || t.MessageTerminator == t.terminator()) && !t.NoClear {
		return dial
	}
	return func(ctx context.Context) (scpi.Port, error) {
		p, err := dial(ctx)
		if err != nil {
			return nil, err
		}
		return &quirkPort{p, t}, nil
	}
}

// Send ends the message as the instrument wants it.
func (p *quirkPort) Send(ctx context.Context, message []byte) error {
	text := strings.TrimSuffix(string(message), p.table.terminator())
	if p.table.NoClear && text == "*CLS" {
		return nil
	}
	end := p.table.MessageTerminator
	if end == "" {
		end = p.table.terminator()
	}
	return p.Port.Send(ctx, []byte(text+end))
}

// Clear passes a device clear on, where the transport has one.
func (p *quirkPort) Clear(ctx context.Context) error {
	if c, ok := p.Port.(scpi.Clearer); ok {
		return c.Clear(ctx)
	}
	return errors.ErrUnsupported
}

// Release lets go of a bus that the transport shares.
func (p *quirkPort) Release() {
	if s, ok := p.Port.(scpi.Sharer); ok {
		s.Release()
	}
}
