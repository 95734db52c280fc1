package usbtmc

import (
	"context"
	"errors"
	"fmt"
	"time"

	"provoke/internal/bench/scpi"
)

// File is an open device of the driver: read, write, and the requests of its ioctl. A read gives one
// message or as much of it as there is room for.
type File interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	// Do carries out a request; value is what goes in, and what comes out is returned.
	Do(r Request, value uint32) (uint32, error)
	Close() error
}

// Request is one that the driver's ioctl takes.
type Request int

// The requests, in the words of the kernel's usb/tmc.h.
const (
	Clear        Request = iota // INITIATE_CLEAR of the interface: a device clear
	AbortOut                    // INITIATE_ABORT_BULK_OUT
	AbortIn                     // INITIATE_ABORT_BULK_IN
	SetTimeout                  // of the driver's transfers, in milliseconds
	ReadStatus                  // READ_STATUS_BYTE of USB488
	Trigger                     // TRIGGER of USB488
	InAttributes                // bmTransferAttributes of the last read; bit 0 is EOM
	CancelIO                    // ends a read or write that another thread is in
)

const (
	longestRead = 256 << 10
	endOfIn     = 1 // EOM, USBTMC 1.0 table 9
	// leastTimeout is the least that the driver takes.
	leastTimeout = 100 * time.Millisecond
	// cancelLimit bounds the wait for a transfer that was cancelled; the command that switches RF off
	// may stand behind it.
	cancelLimit = 100 * time.Millisecond
)

// Port is a device in use.
type Port struct {
	file    File
	failed  bool // a transfer failed or was given up: abort and clear before closing
	timeout uint32
	stuck   chan struct{} // closed once a transfer that was given up has ended; nil for none
	buf     []byte
}

// Options of a Port.
type Options struct {
	// KeepInput leaves out the clear at the beginning.
	KeepInput bool
}

// New makes a Port of an open device and clears its interface.
func New(ctx context.Context, f File, o Options) (*Port, error) {
	p := &Port{file: f, buf: make([]byte, longestRead)}
	if o.KeepInput {
		return p, nil
	}
	err := p.Clear(ctx)
	if err != nil && ctx.Err() == nil { // a transfer that somebody gave up
		err = p.run(ctx, "clearing", func() error { return p.recover() })
	}
	if err != nil {
		p.Close()
		return nil, err
	}
	p.failed = false
	return p, nil
}

// Framed reports that EOM marks the end of an answer.
func (p *Port) Framed() bool { return true }

// Idle always agrees: the bus tells nothing of its own accord. A device that has left says so at the
// next transfer.
func (p *Port) Idle() error { return nil }

// run runs one transfer or request until the context ends, and cancels it then.
func (p *Port) run(ctx context.Context, doing string, f func() error) error {
	if err := p.setTimeout(ctx); err != nil {
		return err
	}
	done := make(chan error, 1)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		done <- f()
	}()
	select {
	case err := <-done:
		if err != nil {
			p.failed = true
			return fmt.Errorf("%s: %w", doing, explain(err))
		}
		return nil
	case <-ctx.Done():
	}
	p.failed = true
	p.file.Do(CancelIO, 0)
	t := time.NewTimer(cancelLimit)
	defer t.Stop()
	select {
	case <-ended:
	case <-t.C:
		p.stuck = ended
	}
	return fmt.Errorf("%s: %w", doing, context.Cause(ctx))
}

// explain turns the driver's errors into those of package scpi.
func explain(err error) error {
	switch {
	case errors.Is(err, errTimedOut):
		return fmt.Errorf("%w: %w", scpi.ErrTimeout, err)
	case errors.Is(err, errGone):
		return fmt.Errorf("%w: %w", scpi.ErrClosed, err)
	}
	return err
}

// setTimeout makes the driver's own limit the context's, so that a read ends even where the driver is
// too old to cancel it.
func (p *Port) setTimeout(ctx context.Context) error {
	limit := scpi.DefaultTimeout
	if deadline, ok := ctx.Deadline(); ok {
		limit = max(time.Until(deadline), leastTimeout)
	}
	ms := uint32(limit / time.Millisecond)
	if ms == p.timeout {
		return nil
	}
	if _, err := p.file.Do(SetTimeout, ms); err != nil {
		p.failed = true
		return fmt.Errorf("setting the driver's time limit: %w", explain(err))
	}
	p.timeout = ms
	return nil
}

// Send writes a message; the driver marks its end.
func (p *Port) Send(ctx context.Context, message []byte) error {
	return p.run(ctx, "writing", func() error {
		n, err := p.file.Write(message)
		if err == nil && n != len(message) {
			err = fmt.Errorf("%w: the driver took %d of %d bytes", scpi.ErrGarbage, n, len(message))
		}
		return err
	})
}

// Receive reads up to the end of the answer.
func (p *Port) Receive(ctx context.Context) ([]byte, bool, error) {
	var n int
	var last bool
	err := p.run(ctx, "reading", func() (err error) {
		if n, err = p.file.Read(p.buf); err == nil {
			last, err = p.ended(n)
		}
		return err
	})
	if err != nil {
		return nil, false, err
	}
	return p.buf[:n], last, nil
}

// ended asks the driver whether the last read, of n bytes, ended with EOM. A driver too old to say
// is believed that a read that left room did.
func (p *Port) ended(n int) (bool, error) {
	attributes, err := p.file.Do(InAttributes, 0)
	switch {
	case err == nil:
		return attributes&endOfIn != 0, nil
	case n < len(p.buf):
		return true, nil
	}
	return false, fmt.Errorf("an answer of %d bytes or more: the driver does not tell whether it ended: %w", n, err)
}

// Clear clears the interface: the device drops what it has not parsed and not sent.
func (p *Port) Clear(ctx context.Context) error {
	return p.run(ctx, "clearing", func() error { _, err := p.file.Do(Clear, 0); return err })
}

// ReadStatus reads the status byte (USB488 1.0, 4.3.1).
func (p *Port) ReadStatus(ctx context.Context) (byte, error) {
	var status uint32
	err := p.run(ctx, "reading the status byte", func() (err error) {
		status, err = p.file.Do(ReadStatus, 0)
		return err
	})
	return byte(status), err
}

// Trigger sends a trigger (USB488 1.0, 3.2.1.1).
func (p *Port) Trigger(ctx context.Context) error {
	return p.run(ctx, "triggering", func() error { _, err := p.file.Do(Trigger, 0); return err })
}

// Close closes the device. After a failure it first aborts the transfer under way and clears the
// interface, so that nothing of it is left for the next user.
func (p *Port) Close() error {
	if p.stuck != nil {
		// The driver is still in the transfer: what is left to do waits for that and nobody else does.
		go func() {
			<-p.stuck
			p.recover()
			p.file.Close()
		}()
		return nil
	}
	if p.failed {
		p.recover()
	}
	return p.file.Close()
}

// recover brings the interface back to where a message can begin. Each step is tried whatever came of
// the one before; what comes of the clear counts.
func (p *Port) recover() error {
	p.file.Do(AbortOut, 0)
	p.file.Do(AbortIn, 0)
	_, err := p.file.Do(Clear, 0)
	return err
}
