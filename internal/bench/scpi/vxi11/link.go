package vxi11

import (
	"context"
	"errors"
	"fmt"
	"time"

	"provoke/internal/bench/scpi"
)

// Options of a link. The zero value of all but Host will do.
type Options struct {
	Host       string
	MapperPort int    // 0: 111
	CorePort   int    // 0: ask the port mapper
	Device     string // "" means "inst0"
	// Lock asks for the device's lock with the link; LockWait is how long to wait for it.
	Lock     bool
	LockWait time.Duration
	// Terminator, when it is not 0, ends an answer; for an old instrument that asserts no END.
	Terminator byte
	// KeepInput leaves out the device clear at the beginning; for an instrument from before
	// IEEE 488.2 that takes a clear for a preset.
	KeepInput bool
}

// Flags of a call (annex B, B.5.3) and reasons why a read ended (B.5.4).
const (
	flagWaitLock = 1
	flagEnd      = 8
	flagTermChar = 128

	reasonCount = 1
	reasonChar  = 2
	reasonEnd   = 4
)

const (
	// longestRead is asked for at once; the instrument sends what it has.
	longestRead = 256 << 10
	leastWrite  = 1024 // B.6.1: an instrument takes at least so many bytes at once
	// margin lets the instrument's own time limit pass before ours, so that it can say so.
	margin = 50 * time.Millisecond
	// abortLimit bounds the wait for an abort; the command that switches RF off may stand behind it.
	abortLimit = 100 * time.Millisecond
)

// Error is an error code of an instrument or gateway (annex B, B.5.2).
type Error int

// The error codes that are acted on.
const (
	ErrorNotAccessible Error = 3
	ErrorInvalidLink   Error = 4
	ErrorUnsupported   Error = 8
	ErrorOutOfLinks    Error = 9
	ErrorLocked        Error = 11
	ErrorTimeout       Error = 15
	ErrorAborted       Error = 23
)

var errorTexts = map[Error]string{
	1: "syntax error", 3: "device not accessible", 4: "invalid link", 5: "parameter error",
	6: "channel not established",
	8: "operation not supported", 9: "out of resources", 11: "device locked by another link",
	12: "no lock held by this link",
	15: "I/O timeout", 17: "I/O error", 21: "invalid address", 23: "aborted", 29: "channel already established",
}

// Error gives the text of the specification.
func (e Error) Error() string {
	if text, ok := errorTexts[e]; ok {
		return fmt.Sprintf("VXI-11 error %d, %s", int(e), text)
	}
	return fmt.Sprintf("VXI-11 error %d", int(e))
}

// Is matches the errors of package scpi that the code means.
func (e Error) Is(target error) bool {
	switch e {
	case ErrorTimeout:
		return target == scpi.ErrTimeout
	case ErrorLocked, ErrorOutOfLinks:
		return target == scpi.ErrInUse
	case ErrorInvalidLink, ErrorAborted:
		return target == scpi.ErrClosed
	}
	return false
}

// Link is a link to a device. It is a framed scpi.Port, unless Options.Terminator is set.
type Link struct {
	o       Options
	core    *client
	abort   *client // nil when the instrument has none
	id      uint32
	longest int  // bytes of one device_write
	working bool // a call is under way or was given up
	unended bool // the last bytes came without END: more of them may lie in the instrument
}

// Dial returns a scpi.Dial that opens a link.
func Dial(o Options) scpi.Dial {
	return func(ctx context.Context) (scpi.Port, error) { return Open(ctx, o) }
}

// Open asks the port mapper, makes a link and clears the device. A device that is locked, or has no
// link left, is an error that matches scpi.ErrInUse.
func Open(ctx context.Context, o Options) (*Link, error) {
	if o.MapperPort == 0 {
		o.MapperPort = MapperPort
	}
	if o.Device == "" {
		o.Device = "inst0"
	}
	port := o.CorePort
	if port == 0 {
		var err error
		if port, err = getPort(ctx, o.Host, o.MapperPort); err != nil {
			return nil, err
		}
	}
	conn, err := scpi.DialTCP(ctx, o.Host, port)
	if err != nil {
		return nil, err
	}
	l := &Link{o: o, core: newClient(conn, programCore, version)}
	if err = l.create(ctx); err == nil && !o.KeepInput {
		err = l.Clear(ctx)
		if errors.Is(err, ErrorUnsupported) {
			err = nil
		}
	}
	if err != nil {
		l.Close()
		return nil, err
	}
	return l, nil
}

// create makes the link (B.6.1) and opens the abort channel.
func (l *Link) create(ctx context.Context) error {
	d, err := l.call(ctx, procCreateLink, "making a link to "+l.o.Device, func(e encoder) encoder {
		const clientID = 0x70726f76
		return e.uint(clientID, flag(l.o.Lock), milliseconds(l.o.LockWait)).opaque([]byte(l.o.Device))
	})
	if err != nil {
		return err
	}
	id, abortPort, longest := d.uint(), d.uint(), d.uint()
	if d.err != nil {
		return fmt.Errorf("making a link to %s: %w: %w", l.o.Device, scpi.ErrGarbage, d.err)
	}
	l.id, l.longest = id, max(int(min(longest, 1<<20)), leastWrite)
	if abortPort > 0 && abortPort <= 65535 {
		if conn, err := scpi.DialTCP(ctx, l.o.Host, int(abortPort)); err == nil {
			l.abort = newClient(conn, programAbort, version)
		}
	}
	return nil
}

func milliseconds(d time.Duration) uint32 { return uint32(min(max(d/time.Millisecond, 0), 1<<31-1)) }

// patience is how long the instrument may take, by the context's deadline.
func patience(ctx context.Context) uint32 {
	deadline, ok := ctx.Deadline()
	if !ok {
		return milliseconds(scpi.DefaultTimeout)
	}
	left := time.Until(deadline)
	return max(milliseconds(left-min(margin, left/10)), 1)
}

// call makes one call of the core program whose results begin with an error code. When the context
// ends first, what is under way is aborted.
func (l *Link) call(ctx context.Context, procedure uint32, doing string, arguments func(encoder) encoder) (*decoder,
	error) {
	l.working = true
	d, err := l.core.call(ctx, procedure, arguments)
	if err != nil {
		if ctx.Err() != nil {
			l.abortNow()
		}
		return nil, fmt.Errorf("%s: %w", doing, err)
	}
	l.working = false
	if code := Error(d.uint()); d.err == nil && code != 0 {
		return nil, fmt.Errorf("%s: %w", doing, code)
	}
	if d.err != nil {
		return nil, fmt.Errorf("%s: %w: %w", doing, scpi.ErrGarbage, d.err)
	}
	return d, nil
}

// abortNow stops what is under way (B.6.13); the instrument or gateway is then free for the next
// link. It is tried once and briefly.
func (l *Link) abortNow() {
	if l.abort == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), abortLimit)
	defer cancel()
	l.abort.call(ctx, procAbort, func(e encoder) encoder { return e.uint(l.id) })
}

// Close destroys the link when nothing is under way, and closes the channels; the instrument destroys
// a link whose channel is closed (B.4.2).
func (l *Link) Close() error {
	if !l.working && l.id != 0 && l.core.idle() == nil {
		ctx, cancel := context.WithTimeout(context.Background(), abortLimit)
		l.core.call(ctx, procDestroyLink, func(e encoder) encoder { return e.uint(l.id) })
		cancel()
	}
	if l.abort != nil {
		l.abort.close()
	}
	return l.core.close()
}

// Framed reports that END marks the end of an answer.
func (l *Link) Framed() bool { return l.o.Terminator == 0 }

// Idle returns why the link cannot be used.
func (l *Link) Idle() error { return l.core.idle() }

// Send writes a message in pieces that the instrument can take, END with the last (B.6.3).
func (l *Link) Send(ctx context.Context, message []byte) error {
	if l.unended {
		if err := l.leftover(ctx); err != nil {
			return err
		}
	}
	for first := true; first || len(message) > 0; first = false {
		piece, flags := message, uint32(flagEnd)
		if len(piece) > l.longest {
			piece, flags = piece[:l.longest], 0
		}
		d, err := l.call(ctx, procWrite, "device_write", func(e encoder) encoder {
			return e.uint(l.id, patience(ctx), 0, flags).opaque(piece)
		})
		if err != nil {
			return err
		}
		n := int(d.uint())
		if d.err != nil || n < 0 || n > len(piece) || n == 0 && len(piece) > 0 {
			return fmt.Errorf("device_write: %w: it took %d of %d bytes", scpi.ErrGarbage, n, len(piece))
		}
		message = message[n:]
	}
	return nil
}

// leftover asks for what may lie behind an answer that a terminator ended: a second answer would be
// taken for that to the next question. (An IEEE 488.2 instrument may enter −420 for it; one that marks
// no end is seldom one.)
func (l *Link) leftover(ctx context.Context) error {
	data, _, err := l.read(ctx, 1)
	switch {
	case errors.Is(err, ErrorTimeout):
		l.unended = false
		return nil
	case err != nil:
		return err
	}
	return scpi.Unasked(data)
}

// Receive reads what the instrument has, up to END or the terminator (B.6.4).
func (l *Link) Receive(ctx context.Context) ([]byte, bool, error) { return l.read(ctx, patience(ctx)) }

func (l *Link) read(ctx context.Context, limit uint32) ([]byte, bool, error) {
	flags := uint32(0)
	if l.o.Terminator != 0 {
		flags = flagTermChar
	}
	d, err := l.call(ctx, procRead, "device_read", func(e encoder) encoder {
		return e.uint(l.id, longestRead, limit, 0, flags, uint32(l.o.Terminator))
	})
	if err != nil {
		return nil, false, err
	}
	reason, data := d.uint(), d.opaque()
	switch {
	case d.err != nil:
		return nil, false, fmt.Errorf("device_read: %w: %w", scpi.ErrGarbage, d.err)
	case len(data) == 0 && reason&(reasonEnd|reasonChar) == 0:
		return nil, false, fmt.Errorf("device_read: %w: neither bytes nor an end", scpi.ErrGarbage)
	}
	l.unended = reason&reasonEnd == 0
	return data, !l.unended, nil
}

// generic makes one of the calls that take Device_GenericParms (B.6.5 and after).
func (l *Link) generic(ctx context.Context, procedure uint32, doing string) (*decoder, error) {
	return l.call(ctx, procedure, doing, func(e encoder) encoder { return e.uint(l.id, 0, 0, patience(ctx)) })
}

// Clear sends a device clear (B.6.7).
func (l *Link) Clear(ctx context.Context) error {
	_, err := l.generic(ctx, procClear, "device_clear")
	l.unended = l.unended && err != nil
	return err
}

// ReadStatus reads the status byte (B.6.5).
func (l *Link) ReadStatus(ctx context.Context) (byte, error) {
	d, err := l.generic(ctx, procReadStatus, "device_readstb")
	if err != nil {
		return 0, err
	}
	b := d.uint()
	if d.err != nil || b > 255 {
		return 0, fmt.Errorf("device_readstb: %w: status %d", scpi.ErrGarbage, b)
	}
	return byte(b), nil
}

// Trigger sends a group execute trigger (B.6.6).
func (l *Link) Trigger(ctx context.Context) error {
	_, err := l.generic(ctx, procTrigger, "device_trigger")
	return err
}

// Remote locks the front panel out (B.6.8).
func (l *Link) Remote(ctx context.Context) error {
	_, err := l.generic(ctx, procRemote, "device_remote")
	return err
}

// Local gives the front panel back (B.6.9).
func (l *Link) Local(ctx context.Context) error {
	_, err := l.generic(ctx, procLocal, "device_local")
	return err
}

// Lock takes the device for this link alone, waiting so long for another link to let go (B.6.10). A
// device that stays locked is an error that matches scpi.ErrInUse.
func (l *Link) Lock(ctx context.Context, wait time.Duration) error {
	flags := uint32(0)
	if wait > 0 {
		flags = flagWaitLock
	}
	_, err := l.call(ctx, procLock, "device_lock",
		func(e encoder) encoder { return e.uint(l.id, flags, milliseconds(wait)) })
	return err
}

// Unlock lets the device go (B.6.11).
func (l *Link) Unlock(ctx context.Context) error {
	_, err := l.call(ctx, procUnlock, "device_unlock", func(e encoder) encoder { return e.uint(l.id) })
	return err
}
