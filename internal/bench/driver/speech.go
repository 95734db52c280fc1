package driver

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/scpi"
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
func (t *Table) plain() bool { return !t.lineByLine() && !t.NoErrorQueue && t.Delay <= 0 }

// lineByLine reports that a message holds one command or question.
func (t *Table) lineByLine() bool { return t.OneCommandALine || t.answersAll() || t.Echo }

// answersAll reports that what is told is answered too: by an acknowledgement, or by a prompt alone.
func (t *Table) answersAll() bool { return t.Acknowledge != "" || t.Prompt != "" }

// isQuestion reports that a unit is answered.
func (t *Table) isQuestion(unit string) bool {
	header, _, _ := strings.Cut(strings.TrimSpace(unit), " ")
	if strings.Contains(header, "?") || !t.PlainQuestions {
		return strings.Contains(header, "?")
	}
	for v, c := range t.Commands {
		if c == unit && strings.HasSuffix(string(v), "?") {
			return true
		}
	}
	return false
}

// Connect dials when there is no good connection, and tells the instrument then how to speak.
func (s *speech) Connect() error {
	before := s.Generation()
	if err := s.Session.Connect(); err != nil || s.Generation() == before {
		return err
	}
	if s.table.answersAll() && !s.table.NoClear { // the session does not wait for an answer to it
		if err := s.write("*CLS"); err != nil {
			return fmt.Errorf("clear its status (quirks.no_clear leaves that out): %w", err)
		}
	}
	for _, unit := range s.table.Start {
		if err := s.write(unit); err != nil {
			return err
		}
	}
	return nil
}

// begin connects first where the table has something to say at the beginning.
func (s *speech) begin() error {
	if len(s.table.Start) == 0 && (!s.table.answersAll() || s.table.NoClear) {
		return nil
	}
	return s.Connect()
}

// Write sends one unit that is no question, takes its acknowledgement where the instrument gives one, and
// waits as long as the instrument wants.
func (s *speech) Write(unit string) error {
	if err := s.begin(); err != nil {
		return err
	}
	return s.write(unit)
}

func (s *speech) write(unit string) error {
	if !s.table.answersAll() {
		if err := s.Session.Write(unit); err != nil {
			return err
		}
		return s.rest()
	}
	answer, err := s.Session.Query(unit)
	s.lives(err)
	if err != nil && s.table.Acknowledge != "" {
		return fmt.Errorf("%q is not acknowledged by %q (quirks.acknowledge): %w", unit, s.table.Acknowledge, err)
	}
	if err != nil {
		return err
	}
	if answer = strings.TrimSpace(answer); answer != s.table.Acknowledge {
		// It may be refused, or answer something else that was said: what comes next cannot be trusted.
		want := "nothing (quirks.acknowledge names an acknowledgement)"
		if s.table.Acknowledge != "" {
			want = fmt.Sprintf("%q (quirks.acknowledge)", s.table.Acknowledge)
		}
		return s.Garbage(unit, fmt.Errorf("%w: a setting is answered by %q, where %s belongs", scpi.ErrGarbage,
			answer, want))
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

// Query sends one question and returns its answer.
func (s *speech) Query(unit string) (string, error) {
	if err := s.begin(); err != nil {
		return "", err
	}
	answer, err := s.Session.Query(unit)
	s.lives(err)
	if err == nil && s.table.Acknowledge != "" && strings.TrimSpace(answer) == s.table.Acknowledge {
		err = s.Garbage(unit, fmt.Errorf("%w: the acknowledgement of a setting, %q, in place of an answer",
			scpi.ErrGarbage, answer))
	}
	return s.table.heard(unit, answer), err
}

// QueryFields sends queries and returns their answers.
func (s *speech) QueryFields(n int, units ...string) ([]string, error) {
	if err := s.begin(); err != nil {
		return nil, err
	}
	switch {
	case s.table.JoinedQuestions && n > 1:
		return s.joined(n, units)
	case s.table.lineByLine():
		return s.oneByOne(n, units)
	}
	answers, err := s.Session.QueryFields(n, units...)
	s.lives(err)
	return s.table.allHeard(units, answers), err
}

// Ask sends units of which n are queries, and asks for the error queue where the instrument has one.
func (s *speech) Ask(n int, units ...string) ([]string, error) {
	if err := s.begin(); err != nil {
		return nil, err
	}
	if s.table.plain() {
		answers, err := s.Session.Ask(n, units...)
		s.lives(err)
		return s.table.allHeard(units, answers), err
	}
	if s.table.JoinedQuestions {
		return s.joined(n, units)
	}
	answers, err := s.inTurn(n, units)
	if err != nil || s.table.NoErrorQueue {
		return answers, err
	}
	_, err = s.Session.Ask(0)
	return answers, err
}

// inTurn sends settings and questions in as few messages as the table lets it. A question is not asked
// before the delay of what was told before it.
func (s *speech) inTurn(n int, units []string) (answers []string, err error) {
	units = slices.DeleteFunc(slices.Clone(units), func(u string) bool { return u == "" })
	switch {
	case s.table.lineByLine():
		return s.oneByOne(n, units)
	case s.table.Delay <= 0 && n > 0:
		return s.QueryFields(n, units...)
	}
	for len(units) > 0 {
		asks := s.table.isQuestion(units[0])
		k := 1
		for k < len(units) && s.table.isQuestion(units[k]) == asks {
			k++
		}
		if asks {
			more, err := s.QueryFields(k, units[:k]...)
			if err != nil {
				return answers, err
			}
			answers = append(answers, more...)
		} else if err := s.Write(scpi.Join(units[:k]...)); err != nil {
			return answers, err
		}
		units = units[k:]
	}
	return s.counted(n, answers)
}

// joined sends each setting as a message of its own, and the questions that follow one another in one, with the
// error query at its end. A wrong number of answers, and an end that is no entry of an error queue, are garbage.
func (s *speech) joined(n int, units []string) (answers []string, err error) {
	units = slices.DeleteFunc(slices.Clone(units), func(u string) bool { return u == "" })
	for {
		k := 0
		for k < len(units) && s.table.isQuestion(units[k]) {
			k++
		}
		if k == 0 && len(units) > 0 {
			if err := s.Write(units[0]); err != nil {
				return answers, err
			}
			units = units[1:]
			continue
		}
		more, err := s.Session.Ask(k, units[:k]...)
		s.lives(err)
		answers = append(answers, s.table.allHeard(units[:k], more)...)
		if units = units[k:]; err != nil {
			return answers, err
		}
		if len(units) == 0 {
			return s.counted(n, answers)
		}
	}
}

func (s *speech) counted(n int, answers []string) ([]string, error) {
	if len(answers) != n {
		return nil, fmt.Errorf("%d answers to %d questions", len(answers), n)
	}
	return answers, nil
}

// tellAndAsk sends settings and then the questions of verbs, and returns their answers in that order.
func (s *speech) tellAndAsk(units []string, verbs ...Verb) ([]string, error) {
	answers, err := s.Ask(len(verbs), append(slices.Clone(units), s.table.each(verbs...)...)...)
	return s.picked(verbs, answers, err)
}

// ask asks the questions of verbs.
func (s *speech) ask(verbs ...Verb) ([]string, error) {
	answers, err := s.QueryFields(len(verbs), s.table.each(verbs...)...)
	return s.picked(verbs, answers, err)
}

// askOne asks the question of one verb.
func (s *speech) askOne(v Verb) (string, error) {
	answer, err := s.Query(s.table.say(v))
	if err != nil {
		return "", err
	}
	answers, err := s.picked([]Verb{v}, []string{answer}, nil)
	return strings.Join(answers, ""), err
}

// picked takes out of each answer what the verb's own pattern finds. An answer in which it finds nothing
// may belong to another question.
func (s *speech) picked(verbs []Verb, answers []string, err error) ([]string, error) {
	if len(answers) != len(verbs) || err != nil && len(s.table.Patterns) == 0 {
		return answers, err
	}
	for i, v := range verbs {
		text, bad := s.table.picked(v, answers[i])
		if bad != nil {
			return nil, errors.Join(err, s.Garbage(s.table.say(v), bad))
		}
		answers[i] = text
	}
	return answers, err
}

// offAlone sends the command that silences by itself, with an error queue that was emptied before it, and
// returns the answer to the question whether it is so. A queue that does not answer, where the question
// was answered, says nothing against it.
func (s *speech) offAlone(off string, ask Verb) (string, error) {
	var units []string
	if !s.table.NoErrorQueue && !s.table.NoClear {
		units = append(units, "*CLS")
	}
	units = append(units, off)
	if !s.table.lineByLine() {
		units = []string{scpi.Join(units...)}
	}
	for _, unit := range units {
		if err := s.Write(unit); err != nil {
			return "", err
		}
	}
	answer, err := s.askOne(ask)
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
		if !s.table.isQuestion(unit) {
			if err := s.Write(unit); err != nil {
				return answers, err
			}
			continue
		}
		answer, err := s.Query(unit)
		if err != nil {
			return answers, err
		}
		answers = append(answers, answer)
	}
	return s.counted(n, answers)
}

// commaNumber is a number with a decimal comma.
var commaNumber = regexp.MustCompile(`^[-+]?\d+,\d+([eE][-+]?\d+)?$`)

// heard turns the answer to a unit into what the generic tables understand. Where a verb has a pattern of
// its own for it, that is left to picked.
func (t *Table) heard(unit, answer string) string {
	for v := range t.Patterns {
		if t.Commands[v] == unit {
			return answer
		}
	}
	if text, found := findIn(t.AnswerPattern, answer); found {
		return t.understood(text, answer)
	}
	return t.understood(strings.TrimSpace(answer), answer)
}

// picked finds a verb's value by the verb's own pattern, where it has one.
func (t *Table) picked(v Verb, answer string) (string, error) {
	if t.Patterns[v] == "" {
		return answer, nil
	}
	text, found := findIn(t.Patterns[v], answer)
	if !found {
		return "", fmt.Errorf("%w: answer_patterns.%s finds nothing in %q", scpi.ErrGarbage, v, answer)
	}
	return t.understood(text, answer), nil
}

var compiled sync.Map // patterns of tables to *regexp.Regexp; every answer asks for one

// findIn returns the first group of a pattern that took part, or all that a pattern without groups finds.
func findIn(pattern, answer string) (string, bool) {
	if pattern == "" {
		return "", false
	}
	kept, ok := compiled.Load(pattern)
	if !ok {
		re, err := regexp.Compile(pattern)
		if err != nil {
			return "", false
		}
		kept, _ = compiled.LoadOrStore(pattern, re)
	}
	re := kept.(*regexp.Regexp)
	text := strings.TrimSpace(answer)
	m := re.FindStringSubmatchIndex(text)
	for i := 2; i < len(m); i += 2 {
		if m[i] >= 0 {
			return text[m[i]:m[i+1]], true
		}
	}
	if len(m) != 2 {
		return "", false
	}
	return text[m[0]:m[1]], true
}

// understood writes a number with a decimal point, and yes and no as 1 and 0.
func (t *Table) understood(text, answer string) string {
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

// allHeard is heard for the questions among units.
func (t *Table) allHeard(units, answers []string) []string {
	units = slices.DeleteFunc(slices.Clone(units), func(u string) bool { return !t.isQuestion(u) })
	if len(units) != len(answers) {
		return answers
	}
	out := make([]string, len(answers))
	for i, a := range answers {
		out[i] = t.heard(units[i], a)
	}
	return out
}
