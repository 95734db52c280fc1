package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"sync"
)

// Port is one open connection to an instrument, as a transport makes it. There are two kinds: on a
// framed one the transport marks the last byte of an answer (END of VXI-11 and GPIB, DataEND of
// HiSLIP, EOM of USBTMC), on a byte stream nothing but the terminator and the length of a block
// does. What an answer is made of is read in link.go for both.
//
// A Conn uses a Port from one goroutine at a time. After any error the Port is closed and never used
// again. Errors match ErrClosed when the other end is gone, ErrDirty when something came that nobody
// asked for, and are context.Cause of the context when that ended first.
type Port interface {
	// Send sends one program message with its terminator, whole, and marks its end.
	Send(ctx context.Context, message []byte) error
	// Receive returns the next bytes of the answer and whether they are its last by the transport's
	// own mark. The bytes are good until the next call.
	Receive(ctx context.Context) (data []byte, last bool, err error)
	// Idle returns why the connection cannot be used for the next message: lost, or bytes waiting
	// that nobody asked for; nil as far as can be told without waiting or asking.
	Idle() error
	// Framed reports that Receive marks the last bytes of an answer.
	Framed() bool
	Close() error
}

// Dial opens a Port to an instrument. It must end when the context ends. On the Port that it returns
// no answer to a question of an earlier connection can arrive: where the transport has no
// connections of its own (USBTMC, a serial line, a bus behind an adapter), Dial clears the
// instrument's output or waits until the answer to a question nobody asked before has come.
type Dial func(ctx context.Context) (Port, error)

// Clearer is a Port with a device clear (IEEE 488.1 SDC and its descendants): the instrument drops
// what it has not parsed yet and what it has not sent yet. Settings stay.
type Clearer interface {
	Clear(ctx context.Context) error
}

// StatusReader is a Port that reads the status byte without a program message (serial poll).
type StatusReader interface {
	ReadStatus(ctx context.Context) (byte, error)
}

// Triggerer is a Port with a trigger of its own (group execute trigger).
type Triggerer interface {
	Trigger(ctx context.Context) error
}

// Sharer is a Port that shares something with the ports of other instruments: a bus. It has it from Send
// until Release, which is called once the answer is in, or at once when none is waited for.
type Sharer interface {
	Release()
}

// stream is a Port over a byte stream. A goroutine reads all the time, so that bytes nobody asked
// for, and the other end closing, are noticed before the next message goes out.
type stream struct {
	rwc    io.ReadWriteCloser
	chunks chan []byte
	quit   chan struct{}
	once   sync.Once
	err    error // why reading ended; valid once chunks is closed
}

// Stream makes a Port of a byte stream. Closing the stream must make a pending Read return.
func Stream(rwc io.ReadWriteCloser) Port {
	s := &stream{rwc: rwc, chunks: make(chan []byte), quit: make(chan struct{})}
	go s.read()
	return s
}

// Streams makes a Dial of a function that opens a byte stream; a net.Conn will do.
func Streams(open func(ctx context.Context) (io.ReadWriteCloser, error)) Dial {
	return func(ctx context.Context) (Port, error) {
		rwc, err := open(ctx)
		if err != nil {
			return nil, err
		}
		return Stream(rwc), nil
	}
}

func (s *stream) read() {
	defer close(s.chunks)
	buf := make([]byte, 32<<10)
	for {
		n, err := s.rwc.Read(buf)
		if n > 0 {
			select {
			case s.chunks <- bytes.Clone(buf[:n]):
			case <-s.quit:
				s.err = ErrShut
				return
			}
		}
		if err != nil {
			s.err = Lost(err)
			return
		}
	}
}

// Lost wraps the error of a connection that the other end closed so that it matches ErrClosed.
func Lost(err error) error {
	if errors.Is(err, io.EOF) {
		return ErrClosed
	}
	return fmt.Errorf("%w: %w", ErrClosed, err)
}

// UnaskedError is bytes that nobody asked for; it matches ErrDirty.
type UnaskedError struct{ Data []byte }

// Error shows the bytes.
func (e *UnaskedError) Error() string {
	return fmt.Sprintf("%v: %s", ErrDirty, shorten(strconv.Quote(string(e.Data))))
}

// Unwrap returns ErrDirty.
func (e *UnaskedError) Unwrap() error { return ErrDirty }

// Unasked is the error for bytes that nobody asked for.
func Unasked(data []byte) error { return &UnaskedError{data} }

// Close closes the stream; the reader ends by itself.
func (s *stream) Close() error {
	var err error
	s.once.Do(func() {
		close(s.quit)
		err = s.rwc.Close()
	})
	return err
}

func (s *stream) Framed() bool { return false }

func (s *stream) Idle() error {
	select {
	case c, open := <-s.chunks:
		if !open {
			return s.err
		}
		return Unasked(c)
	default:
		return nil
	}
}

// Send sends the message in one go; when the context ends first the stream is closed.
func (s *stream) Send(ctx context.Context, message []byte) error {
	stop := context.AfterFunc(ctx, func() { s.Close() })
	defer stop()
	if _, err := s.rwc.Write(message); err != nil {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		return fmt.Errorf("%w: %w", ErrClosed, err)
	}
	return nil
}

func (s *stream) Receive(ctx context.Context) ([]byte, bool, error) {
	select {
	case c, open := <-s.chunks:
		if !open {
			return nil, false, s.err
		}
		return c, false, nil
	case <-ctx.Done():
		return nil, false, context.Cause(ctx)
	}
}
