package scpi

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"strings"
	"time"
)

// Session is one user's turn with an instrument; it is good inside Hold only.
type Session struct {
	c      *Conn
	ctx    context.Context
	pinned bool
	// recognising: the connection is being asked who is there.
	recognising bool
}

// Generation of the present connection.
func (s *Session) Generation() uint64 { return s.c.Generation() }

// Connect dials when there is no good connection, and clears the instrument's status then.
func (s *Session) Connect() error { return s.connect(true) }

// Pin forbids dialling for the rest of the session: a message after a lost connection fails with
// ErrStale and is not sent. A driver pins after it has looked at the state and before it raises.
func (s *Session) Pin() { s.pinned = true }

func (s *Session) connect(clear bool) error {
	c := s.c
	if c.link != nil {
		err := c.link.idle()
		if err == nil {
			return nil
		}
		c.trace(Noted, "poisoned while idle: "+err.Error())
		c.drop()
	}
	if s.pinned {
		return fmt.Errorf("%s: %w", c.o.Name, ErrStale)
	}
	if err := s.ctx.Err(); err != nil {
		return fmt.Errorf("%s: %w", c.o.Name, context.Cause(s.ctx))
	}
	ctx, cancel := context.WithTimeoutCause(s.ctx, c.o.DialTimeout, within(c.o.DialTimeout))
	defer cancel()
	port, err := c.o.Dial(ctx)
	if err != nil {
		if op, ok := err.(*net.OpError); ok && op.Op == "dial" && op.Addr != nil {
			if host, _, _ := net.SplitHostPort(op.Addr.String()); host != "" && strings.Contains(c.o.Name, host) {
				err = op.Err // the name of the instrument tells where already
			}
		}
		if ctx.Err() != nil {
			err = fmt.Errorf("%w: %w", context.Cause(ctx), err)
		}
		return c.failed("dialling", fmt.Errorf("%w (is it switched on, and is the address right?): %w", ErrNotConnected,
			err))
	}
	c.link = &link{port: port}
	c.trace(Noted, "dialled, generation "+strconv.FormatUint(c.generation.Add(1), 10))
	if c.o.Recognise != nil && c.Generation() > 1 && !s.recognising {
		s.recognising = true
		defer func() { s.recognising = false }()
		if err := s.recognise(); err != nil {
			return err
		}
		if c.link == nil { // it did not answer, and the connection went with the question
			return s.connect(clear)
		}
	}
	if !clear || c.o.NoClear {
		return nil
	}
	err = s.send(ctx, clearCommand)
	s.release()
	return err
}

// askedWithin is how long a new connection is asked who is there: whoever wants something of the instrument,
// such as RF off, must not wait for it for long.
const askedWithin = 200 * time.Millisecond

// recognise asks a new connection who is there. Somebody else gets nothing but the question; whoever does
// not answer in a small part of the time that is left gets what was to be sent.
func (s *Session) recognise() error {
	limit := min(s.c.o.Timeout, askedWithin)
	if end, ok := s.ctx.Deadline(); ok {
		limit = min(limit, time.Until(end)/4)
	}
	answer, err := s.query(s.c.o.Identify, false, limit)
	if err != nil {
		return nil
	}
	if err := s.c.o.Recognise(answer); err != nil {
		return s.c.failed("recognising it", err)
	}
	return nil
}

func within(d time.Duration) error { return fmt.Errorf("%w (%v)", ErrTimeout, d) }

func (s *Session) send(ctx context.Context, msg string) error {
	s.c.trace(Sent, msg)
	if err := s.c.link.port.Send(ctx, []byte(msg+s.c.o.Terminator)); err != nil {
		return s.c.failed("sending "+shorten(strconv.Quote(msg)), err)
	}
	return nil
}

// exchange sends one message and lets read take its answer. Nothing may follow the answer.
func (s *Session) exchange(msg string, clear bool, limit time.Duration, read func(context.Context, *link) error) error {
	if strings.Contains(msg, s.c.o.Terminator) {
		return fmt.Errorf("%s: message %s holds a terminator; one message at a time", s.c.o.Name,
			shorten(strconv.Quote(msg)))
	}
	if err := s.connect(clear); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeoutCause(s.ctx, limit, within(limit))
	defer cancel()
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("%s: %w", s.c.o.Name, context.Cause(ctx))
	}
	if err := s.send(ctx, msg); err != nil {
		return err
	}
	defer s.release()
	if read == nil {
		return nil
	}
	s.c.link.begin()
	if err := read(ctx, s.c.link); err != nil {
		return s.c.failed(asking(msg), err)
	}
	if rest := s.c.link.rest; len(rest) > 0 {
		return s.c.failed(asking(msg), fmt.Errorf("%w: %s behind the answer", ErrDirty,
			shorten(strconv.Quote(string(rest)))))
	}
	s.c.link.begin()
	return nil
}

// Write sends a message that has no answer.
func (s *Session) Write(msg string) error { return s.exchange(msg, true, s.c.o.Timeout, nil) }

// Query sends a message and returns its answer without the terminator.
func (s *Session) Query(msg string) (string, error) { return s.query(msg, true, s.c.o.Timeout) }

func (s *Session) query(msg string, clear bool, limit time.Duration) (answer string, err error) {
	err = s.exchange(msg, clear, limit, func(ctx context.Context, l *link) (err error) {
		answer, err = l.line(ctx, s.c.o.Terminator, s.c.o.MaxLine)
		return err
	})
	if err != nil {
		return "", err
	}
	s.c.trace(Received, answer)
	return answer, nil
}

// QueryBlock sends a message and returns the block that it is answered with; see Conn.QueryBlock.
func (s *Session) QueryBlock(msg string, expect int) (data []byte, err error) {
	err = s.exchange(msg, true, s.c.o.Timeout, func(ctx context.Context, l *link) (err error) {
		data, err = l.block(ctx, s.c.o.Terminator, s.c.o.MaxBlock, expect)
		return err
	})
	if err != nil {
		return nil, err
	}
	s.c.trace(Received, fmt.Sprintf("block of %d bytes", len(data)))
	return data, nil
}

// QueryFields sends a message of n queries and returns their n answers. Another number of answers is
// garbage and poisons the connection.
func (s *Session) QueryFields(n int, units ...string) ([]string, error) {
	msg := Join(units...)
	answer, err := s.Query(msg)
	if err != nil {
		return nil, err
	}
	fields := Fields(answer)
	if len(fields) != n {
		return nil, s.Garbage(msg, fmt.Errorf("%w: %d answers to %d questions: %s", ErrGarbage, len(fields),
			n, shorten(strconv.Quote(answer))))
	}
	return fields, nil
}

// Garbage poisons the connection because an answer that was well formed made no sense: it may have
// been the answer to another question.
func (s *Session) Garbage(msg string, err error) error { return s.c.failed(asking(msg), err) }

// Ask sends units and the error query as one message. It returns the n answers of the units that are
// queries. Entries of the error queue, which is read to its end, come back as *InstrumentError,
// beside the answers when all of them came.
func (s *Session) Ask(n int, units ...string) (answers []string, err error) {
	msg := Join(append(units[:len(units):len(units)], s.c.o.ErrorQuery)...)
	answer, err := s.Query(msg)
	if err != nil {
		if errors.Is(err, ErrTimeout) {
			err = errors.Join(err, s.why(msg))
		}
		return nil, err
	}
	fields := Fields(answer)
	code, text, err := ParseError(fields[len(fields)-1])
	if err != nil {
		err = s.Garbage(msg, err)
		return nil, errors.Join(err, s.why(msg))
	}
	if code != 0 {
		if len(fields) == n+1 {
			answers = fields[:n]
		}
		return answers, s.queue(msg, code, text, true, s.c.o.Timeout)
	}
	if len(fields) != n+1 {
		return nil, s.Garbage(msg, fmt.Errorf("%w: %d answers to %d questions: %s", ErrGarbage, len(fields)-1,
			n, shorten(strconv.Quote(answer))))
	}
	return fields[:n], nil
}

// queue reads the error queue to its end, of which the first entry is at hand.
func (s *Session) queue(msg string, code int, text string, clear bool, limit time.Duration) error {
	var found []error
	for range queueLimit {
		if code == 0 {
			return errors.Join(found...)
		}
		found = append(found, &InstrumentError{Code: code, Message: text, Command: msg, Instrument: s.c.o.Name})
		answer, err := s.query(s.c.o.ErrorQuery, clear, limit)
		if err != nil {
			return errors.Join(append(found, err)...)
		}
		if code, text, err = ParseError(answer); err != nil {
			return errors.Join(append(found, s.Garbage(s.c.o.ErrorQuery, err))...)
		}
	}
	return errors.Join(append(found, fmt.Errorf("%s: its error queue does not end after %d entries", s.c.o.Name,
		queueLimit))...)
}

// why asks an instrument that did not answer a message whether it refused it: many drop the rest of
// a message, the question at its end included, after a header they do not know. It returns nil
// when that cannot be found out.
func (s *Session) why(msg string) error {
	if s.ctx.Err() != nil {
		return nil
	}
	ask := Session{c: s.c, ctx: s.ctx} // not pinned: a question raises nothing
	limit := min(whyNoAnswer, s.c.o.Timeout)
	answer, err := ask.query(s.c.o.ErrorQuery, false, limit)
	if err != nil {
		return nil
	}
	code, text, err := ParseError(answer)
	if err != nil {
		ask.Garbage(s.c.o.ErrorQuery, err)
		return nil
	}
	return ask.queue(msg, code, text, false, limit)
}
