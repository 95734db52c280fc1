package scpi

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"
	"sync/atomic"
	"time"
)

// Defaults of Options.
const (
	DefaultTimeout     = 2 * time.Second
	DefaultDialTimeout = 3 * time.Second
	DefaultMaxLine     = 64 << 10
	DefaultMaxBlock    = 16 << 20
	// UrgentAfter is how long an urgent user waits for the one before it.
	UrgentAfter = 100 * time.Millisecond

	queueLimit   = 50                     // entries of an error queue read in one go
	whyNoAnswer  = 500 * time.Millisecond // for asking why a message was not answered
	clearCommand = "*CLS"
)

// Options say how an instrument is reached. A zero value means the default, never nothing.
type Options struct {
	Name        string // how messages call it, e.g. "source SG1 at TCPIP::…"
	Dial        Dial
	Timeout     time.Duration // for one exchange
	DialTimeout time.Duration
	Terminator  string // of a message and of an answer; default "\n"
	MaxLine     int    // longest answer in bytes
	MaxBlock    int    // longest block in bytes
	ErrorQuery  string // default "SYST:ERR?"
	NoClear     bool   // a connection does not begin with *CLS
	// Recognise, where it is given, judges the answer to Identify on every connection after the first,
	// before anything else is sent: its error ends the exchange. An instrument that does not answer is
	// taken for the one that it was.
	Recognise func(identity string) error
	Identify  string // the question, such as "*IDN?"
	// Trace is told every message; it must not block and must not use the Conn.
	Trace func(Exchange)
}

func (o Options) withDefaults() Options {
	set := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	set(&o.Timeout, DefaultTimeout)
	set(&o.DialTimeout, DefaultDialTimeout)
	if o.MaxLine <= 0 {
		o.MaxLine = DefaultMaxLine
	}
	if o.MaxBlock <= 0 {
		o.MaxBlock = DefaultMaxBlock
	}
	if o.Terminator == "" {
		o.Terminator = "\n"
	}
	if o.ErrorQuery == "" {
		o.ErrorQuery = "SYST:ERR?"
	}
	if o.Name == "" {
		o.Name = "the instrument"
	}
	return o
}

// Conn is the way to one instrument. It is safe for use by several goroutines: one at a time has
// the instrument, the others wait. It dials when it has something to say.
type Conn struct {
	o          Options
	turn       chan struct{} // holds one token; whoever has it has the instrument
	generation atomic.Uint64
	link       *link // owned by the holder of the turn

	mu     sync.Mutex
	cutOff context.CancelCauseFunc // ends the present session
	urgent bool                    // the present session is for silencing
	shut   bool
}

// New returns a Conn that has not dialled yet.
func New(o Options) *Conn {
	c := &Conn{o: o.withDefaults(), turn: make(chan struct{}, 1)}
	c.turn <- struct{}{}
	return c
}

// Open returns a Conn that has dialled.
func Open(ctx context.Context, o Options) (*Conn, error) {
	c := New(o)
	if err := c.Hold(ctx, func(s *Session) error { return s.Connect() }); err != nil {
		return nil, err
	}
	return c, nil
}

// Name returns how messages call the instrument.
func (c *Conn) Name() string { return c.o.Name }

// Generation counts the dials; 0 means never connected. What was known of the instrument's state
// under another generation is not known any more.
func (c *Conn) Generation() uint64 { return c.generation.Load() }

// Close closes the connection for good. An exchange in progress is cut off.
func (c *Conn) Close() error {
	c.mu.Lock()
	c.shut = true
	if c.cutOff != nil {
		c.cutOff(ErrShut)
	}
	c.mu.Unlock()
	<-c.turn
	defer func() { c.turn <- struct{}{} }()
	c.drop()
	return nil
}

// Hold runs f while nobody else can use the instrument.
func (c *Conn) Hold(ctx context.Context, f func(*Session) error) error {
	return c.hold(ctx, false, f)
}

func (c *Conn) hold(ctx context.Context, urgent bool, f func(*Session) error) error {
	select {
	case <-c.turn:
		return c.run(ctx, urgent, f)
	default:
	}
	select {
	case <-c.turn:
		return c.run(ctx, urgent, f)
	case <-ctx.Done():
		return fmt.Errorf("%s: waiting for another user of the instrument: %w", c.o.Name, context.Cause(ctx))
	}
}

// HoldUrgently is Hold for silencing: whoever has the instrument is cut off after UrgentAfter, so
// that an instrument which does not answer cannot hold up the command that switches it off.
func (c *Conn) HoldUrgently(ctx context.Context, f func(*Session) error) error {
	t := time.AfterFunc(UrgentAfter, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.cutOff != nil && !c.urgent {
			c.cutOff(ErrPreempted)
		}
	})
	defer t.Stop()
	return c.hold(ctx, true, f)
}

// urgency marks the context of an urgent session.
type urgency struct{}

// Urgent reports that a Port was called for silencing. A transport that shares something between
// instruments (a bus behind an adapter) takes it away from a user that is not urgent.
func Urgent(ctx context.Context) bool {
	urgent, _ := ctx.Value(urgency{}).(bool)
	return urgent
}

func (c *Conn) run(ctx context.Context, urgent bool, f func(*Session) error) error {
	if urgent {
		ctx = context.WithValue(ctx, urgency{}, true)
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer func() {
		c.mu.Lock()
		c.cutOff = nil
		c.mu.Unlock()
		cancel(nil)
		c.turn <- struct{}{}
	}()
	c.mu.Lock()
	c.cutOff, c.urgent = cancel, urgent
	shut := c.shut
	c.mu.Unlock()
	if shut {
		return fmt.Errorf("%s: %w", c.o.Name, ErrShut)
	}
	return f(&Session{c: c, ctx: ctx})
}

// Write sends a message that has no answer.
func (c *Conn) Write(ctx context.Context, msg string) error {
	return c.Hold(ctx, func(s *Session) error { return s.Write(msg) })
}

// Query sends a message and returns its answer without the terminator.
func (c *Conn) Query(ctx context.Context, msg string) (answer string, err error) {
	err = c.Hold(ctx, func(s *Session) error {
		answer, err = s.Query(msg)
		return err
	})
	return answer, err
}

// QueryBlock sends a message and returns the block that it is answered with. Expect is the length
// of a block that does not tell its own (#0); 0 refuses such a block.
func (c *Conn) QueryBlock(ctx context.Context, msg string, expect int) (data []byte, err error) {
	err = c.Hold(ctx, func(s *Session) error {
		data, err = s.QueryBlock(msg, expect)
		return err
	})
	return data, err
}

// Set sends commands and asks for the error queue in the same message.
func (c *Conn) Set(ctx context.Context, units ...string) error {
	return c.Hold(ctx, func(s *Session) error {
		_, err := s.Ask(0, units...)
		return err
	})
}

// Ask sends units of which some are queries and asks for the error queue in the same message. It
// returns the answers, which must be n.
func (c *Conn) Ask(ctx context.Context, n int, units ...string) (answers []string, err error) {
	err = c.Hold(ctx, func(s *Session) error {
		answers, err = s.Ask(n, units...)
		return err
	})
	return answers, err
}

// drop closes the link, if any.
func (c *Conn) drop() {
	if c.link != nil {
		c.link.port.Close()
		c.link = nil
	}
}

func (c *Conn) trace(d Direction, text string) {
	if c.o.Trace != nil {
		c.o.Trace(Exchange{At: time.Now(), Instrument: c.o.Name, Direction: d, Text: text})
	}
}

// failed poisons the connection and says what happened.
func (c *Conn) failed(doing string, err error) error {
	c.drop()
	if errors.Is(err, context.DeadlineExceeded) {
		err = fmt.Errorf("%w: %w", ErrTimeout, err)
	}
	c.trace(Noted, "poisoned: "+doing+": "+err.Error())
	return &LinkError{Instrument: c.o.Name, Doing: doing, Err: err}
}

func asking(msg string) string { return "asking " + shorten(strconv.Quote(msg)) }
