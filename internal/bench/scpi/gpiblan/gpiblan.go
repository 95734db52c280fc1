// Package gpiblan is the transport to GPIB instruments through an adapter that is told what to do by
// lines beginning with "++", over a TCP socket or a serial port. (Gateways that speak VXI-11 are
// reached through package vxi11 with a device such as "gpib0,9".)
//
// One adapter is one bus with one connection: its instruments take turns. The adapter is driven by
// hand: ++auto 0, so that it addresses nobody to talk unasked, and ++read eoi after each question.
// The terminator is ours (++eos 3), escaped as every CR, LF, ESC and + in a message must be.
//
// On a bus an answer that nobody fetched waits for the next question. A Port therefore begins with a
// device clear and a question whose answer was never asked for before (scpi.Resync). When an
// exchange fails, the connection to the adapter is closed and every instrument on the bus counts as
// lost: their settings are read again before anything is raised.
//
// The commands are common practice of such adapters, from memory; IEEE 488.1 is the bus. It has been
// run against a stand-in, never against an adapter.
package gpiblan

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/scpi"
)

// Port of the adapters that listen on TCP, common practice.
const Port = 1234

const (
	// longestWait is how long the adapter is told to wait for an instrument before it is told anew; it
	// hears nothing else meanwhile, and the command that switches RF off stands behind it. (Adapters
	// take up to 3 s, common practice.)
	longestWait = 500 * time.Millisecond
	// grace is how much later than it was told an adapter may say that nothing came.
	grace = 200 * time.Millisecond
)

// Adapter is a bus. The zero value with Open set is ready.
type Adapter struct {
	// Open opens the byte stream to the adapter.
	Open func(ctx context.Context) (io.ReadWriteCloser, error)

	once sync.Once
	turn chan struct{} // holds one token; whoever has it has the bus

	mu         sync.Mutex
	stream     scpi.Port // nil while not connected
	generation int       // counts connections
	users      int       // ports that are open on the present connection
	urgent     bool      // whoever has the bus has it for silencing

	addressed string // how the last instrument was addressed; owned by the holder of the turn
}

func (a *Adapter) init() {
	a.once.Do(func() {
		a.turn = make(chan struct{}, 1)
		a.turn <- struct{}{}
	})
}

// acquire waits for the bus. Silencing takes it away from a user that has it for anything else.
func (a *Adapter) acquire(ctx context.Context) error {
	a.init()
	urgent := scpi.Urgent(ctx)
	if urgent {
		t := time.AfterFunc(scpi.UrgentAfter, a.cutOff)
		defer t.Stop()
	}
	select {
	case <-a.turn:
		a.mu.Lock()
		a.urgent = urgent
		a.mu.Unlock()
		return nil
	case <-ctx.Done():
		return fmt.Errorf("waiting for the GPIB bus: %w", context.Cause(ctx))
	}
}

func (a *Adapter) release() { a.turn <- struct{}{} }

// cutOff closes the connection under a user that is not silencing; its exchange fails.
func (a *Adapter) cutOff() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if !a.urgent && a.stream != nil {
		a.drop()
	}
}

// drop closes the connection. The caller holds mu.
func (a *Adapter) drop() {
	a.stream.Close()
	a.stream = nil
	a.users = 0
}

// current returns the connection that a port was opened on, or an error when it is gone.
func (a *Adapter) current(generation int) (scpi.Port, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.stream == nil || a.generation != generation {
		return nil, fmt.Errorf("%w: the connection to the GPIB adapter was lost", scpi.ErrClosed)
	}
	return a.stream, nil
}

// connect opens and sets up the adapter where that has not been done. The caller has the bus.
func (a *Adapter) connect(ctx context.Context) (scpi.Port, int, error) {
	a.mu.Lock()
	if a.stream != nil && a.stream.Idle() != nil {
		a.drop()
	}
	stream, generation := a.stream, a.generation
	a.mu.Unlock()
	if stream != nil {
		return stream, generation, nil
	}
	rwc, err := a.Open(ctx)
	if err != nil {
		return nil, 0, fmt.Errorf("the GPIB adapter: %w", err)
	}
	stream = scpi.Stream(rwc)
	if err := setUp(ctx, stream); err != nil {
		stream.Close()
		return nil, 0, fmt.Errorf("setting up the GPIB adapter: %w", err)
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	a.stream, a.addressed = stream, ""
	a.generation++
	return stream, a.generation, nil
}

// setUp tells the adapter how it is used, and asks who it is: a terminal server in its place would
// pass the rest on to an instrument.
func setUp(ctx context.Context, stream scpi.Port) error {
	for _, command := range []string{"++savecfg 0", "++mode 1", "++auto 0", "++eoi 1", "++eos 3", "++ver"} {
		if err := stream.Send(ctx, []byte(command+"\n")); err != nil {
			return err
		}
	}
	if _, err := line(ctx, stream); err != nil {
		return fmt.Errorf("it does not answer ++ver: %w", err)
	}
	return nil
}

// line takes one line of the adapter's own.
func line(ctx context.Context, stream scpi.Port) (string, error) {
	var rest []byte
	for {
		data, _, err := stream.Receive(ctx)
		if err != nil {
			return "", err
		}
		rest = append(rest, data...)
		text, after, whole := bytes.Cut(rest, []byte("\n"))
		switch {
		case whole && len(after) > 0:
			return "", scpi.Unasked(after)
		case whole:
			return string(bytes.TrimSpace(text)), nil
		case len(rest) > 1000:
			return "", fmt.Errorf("%w: a line without an end", scpi.ErrGarbage)
		}
	}
}

// Options of an instrument on the bus.
type Options struct {
	Primary    int
	Secondary  int    // -1 for none
	Terminator string // default "\n"
	// Nonce tells old answers from new; see scpi.Resync. With a zero one the device clear must do.
	Nonce scpi.Nonce
	// KeepInput leaves out the device clear; for an instrument from before IEEE 488.2 that takes it for
	// a preset.
	KeepInput bool
	Quiet     time.Duration // without Nonce and clear; default scpi.DefaultTimeout
	// Unmarked says that the instrument gives no EOI: the last byte of the terminator ends an answer.
	Unmarked bool
	// EOIOnly says that the instrument ends an answer with EOI and no terminator; the adapter adds a
	// newline then.
	EOIOnly bool
}

// device is an instrument on the bus, as a Port.
type device struct {
	a          *Adapter
	o          Options
	generation int
	has        bool // it has the bus
	unended    bool // the last answer came without EOI: more may lie in the instrument
	failed     bool
	asked      time.Time // when ++read was last sent; zero when none is open
	closed     bool
}

// Dial returns a Dial for an instrument on the adapter's bus.
func (a *Adapter) Dial(o Options) scpi.Dial {
	if o.Terminator == "" {
		o.Terminator = "\n"
	}
	if o.Secondary < 0 {
		o.Secondary = -1
	}
	if o.Quiet <= 0 {
		o.Quiet = scpi.DefaultTimeout
	}
	return func(ctx context.Context) (scpi.Port, error) {
		if err := a.acquire(ctx); err != nil {
			return nil, err
		}
		d := &device{a: a, o: o, has: true}
		_, generation, err := a.connect(ctx)
		if err == nil {
			d.generation = generation
			a.mu.Lock()
			a.users++
			a.mu.Unlock()
			err = d.begin(ctx)
		}
		if err != nil {
			d.failed = generation != 0
			d.Close()
			return nil, err
		}
		d.Release()
		return d, nil
	}
}

// begin clears the instrument and makes sure that old answers are gone.
func (d *device) begin(ctx context.Context) error {
	if !d.o.KeepInput {
		if err := d.Clear(ctx); err != nil {
			return err
		}
		if d.o.Nonce == (scpi.Nonce{}) {
			return nil
		}
	}
	return scpi.Resync(ctx, d, d.o.Terminator, d.o.Nonce, d.o.Quiet)
}

// take gets the bus, if this port has it not yet, and addresses the instrument.
func (d *device) take(ctx context.Context) (scpi.Port, error) {
	if !d.has {
		if err := d.a.acquire(ctx); err != nil {
			return nil, err
		}
		d.has = true
	}
	stream, err := d.a.current(d.generation)
	if err != nil {
		return nil, err
	}
	if d.asked.IsZero() {
		if err := stream.Idle(); err != nil {
			return nil, err
		}
	}
	address := strconv.Itoa(d.o.Primary)
	if d.o.Secondary >= 0 {
		address += " " + strconv.Itoa(96+d.o.Secondary)
	}
	to := "++addr " + address + "\n++eot_enable 0\n"
	if d.o.EOIOnly {
		to = "++addr " + address + "\n++eot_char 10\n++eot_enable 1\n"
	}
	if d.a.addressed != to {
		if err := stream.Send(ctx, []byte(to)); err != nil {
			return nil, err
		}
		d.a.addressed = to
	}
	return stream, nil
}

// fail remembers that the connection to the adapter cannot be used any more.
func (d *device) fail(err error) error {
	d.failed = d.failed || err != nil
	return err
}

// Framed reports that only the terminator ends an answer: the adapter marks no EOI that could not be
// part of a block.
func (d *device) Framed() bool { return false }

// Idle returns an error when the connection to the adapter is not the one this port was opened on.
func (d *device) Idle() error {
	_, err := d.a.current(d.generation)
	return err
}

// Release lets the other instruments have the bus.
func (d *device) Release() {
	if d.has {
		d.has, d.asked = false, time.Time{}
		d.a.release()
	}
}

// Close frees the bus. After a failure it closes the connection to the adapter; the last port to go
// does so too.
func (d *device) Close() error {
	if d.closed {
		return nil
	}
	d.closed = true
	d.a.mu.Lock()
	if d.a.stream != nil && d.a.generation == d.generation {
		if d.a.users--; d.failed || d.a.users <= 0 {
			d.a.drop()
		}
	}
	d.a.mu.Unlock()
	d.Release()
	return nil
}

// escape marks the bytes that mean something to the adapter.
func escape(message []byte) []byte {
	const esc = 27
	out := make([]byte, 0, len(message)+8)
	for _, b := range message {
		if b == '\r' || b == '\n' || b == esc || b == '+' {
			out = append(out, esc)
		}
		out = append(out, b)
	}
	return append(out, '\n')
}

// Send sends a message to the instrument, EOI with its last byte.
func (d *device) Send(ctx context.Context, message []byte) error {
	d.asked = time.Time{}
	if d.unended {
		if err := d.leftover(ctx); err != nil {
			return err
		}
	}
	stream, err := d.take(ctx)
	if err == nil {
		err = stream.Send(ctx, escape(message))
	}
	return d.fail(err)
}

// Receive lets the instrument talk, again and again when the adapter gives up before the context.
func (d *device) Receive(ctx context.Context) ([]byte, bool, error) {
	stream, err := d.take(ctx)
	if err != nil {
		return nil, false, d.fail(err)
	}
	for {
		wait := patience(ctx)
		if d.asked.IsZero() {
			if err := stream.Send(ctx, d.reading(wait)); err != nil {
				return nil, false, d.fail(err)
			}
			d.asked = time.Now()
		}
		turn, cancel := context.WithDeadlineCause(ctx, d.asked.Add(wait+grace), errSilent)
		data, _, err := stream.Receive(turn)
		cancel()
		if err == nil {
			d.asked, d.unended = time.Now(), d.o.Unmarked
			if d.o.Unmarked && data[len(data)-1] == d.last() {
				d.asked = time.Time{} // the adapter stops here; a block may go on
			}
			return data, false, nil
		}
		if ctx.Err() != nil || err != errSilent {
			return nil, false, d.fail(err)
		}
		d.asked = time.Time{}
	}
}

func (d *device) last() byte { return d.o.Terminator[len(d.o.Terminator)-1] }

// reading is the command that lets the instrument talk.
func (d *device) reading(wait time.Duration) []byte {
	until := "eoi"
	if d.o.Unmarked {
		until = strconv.Itoa(int(d.last()))
	}
	return fmt.Appendf(nil, "++read_tmo_ms %d\n++read %s\n", max(wait/time.Millisecond, 1), until)
}

// leftover asks for what may lie behind an answer that a terminator ended: a second answer would be
// taken for that to the next question.
func (d *device) leftover(ctx context.Context) error {
	stream, err := d.take(ctx)
	if err == nil {
		err = stream.Send(ctx, d.reading(time.Millisecond))
	}
	if err != nil {
		return d.fail(err)
	}
	turn, cancel := context.WithTimeoutCause(ctx, grace/4, errSilent)
	defer cancel()
	data, _, err := stream.Receive(turn)
	switch {
	case err == errSilent:
		d.unended = false
		return nil
	case err == nil:
		err = scpi.Unasked(data)
	}
	return d.fail(err)
}

var errSilent = fmt.Errorf("the instrument said nothing in the adapter's own time: %w", scpi.ErrTimeout)

// patience is what the adapter is told to wait.
func patience(ctx context.Context) time.Duration {
	deadline, ok := ctx.Deadline()
	if !ok {
		return longestWait
	}
	return min(max(time.Until(deadline), time.Millisecond), longestWait)
}

// command tells the adapter something about the addressed instrument.
func (d *device) command(ctx context.Context, text string) (scpi.Port, error) {
	stream, err := d.take(ctx)
	if err == nil {
		err = stream.Send(ctx, []byte(text+"\n"))
	}
	return stream, d.fail(err)
}

// Clear sends a selected device clear (IEEE 488.1, SDC).
func (d *device) Clear(ctx context.Context) error {
	_, err := d.command(ctx, "++clr")
	return err
}

// Trigger sends a group execute trigger (IEEE 488.1, GET).
func (d *device) Trigger(ctx context.Context) error {
	_, err := d.command(ctx, "++trg")
	return err
}

// ReadStatus is a serial poll.
func (d *device) ReadStatus(ctx context.Context) (byte, error) {
	stream, err := d.command(ctx, "++spoll")
	if err != nil {
		return 0, err
	}
	text, err := line(ctx, stream)
	if err != nil {
		return 0, d.fail(err)
	}
	n, err := strconv.ParseUint(strings.TrimSpace(text), 10, 8)
	if err != nil {
		return 0, d.fail(fmt.Errorf("%w: %q is no status byte", scpi.ErrGarbage, text))
	}
	return byte(n), nil
}
