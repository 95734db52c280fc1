package scpi

import (
	"context"
	"fmt"
	"strings"
)

// Clear sends a device clear in the transport's own way: the instrument drops what it has not parsed
// and not sent yet; settings stay. Where the transport has none, the connection is closed and
// dialled anew, which does the same to all that can still arrive here.
func (s *Session) Clear() error {
	if err := s.connect(true); err != nil {
		return err
	}
	port, ok := s.c.link.port.(Clearer)
	if !ok {
		s.c.trace(Noted, "dialled anew in place of a device clear")
		s.c.drop()
		return s.connect(true)
	}
	ctx, cancel := context.WithTimeoutCause(s.ctx, s.c.o.Timeout, within(s.c.o.Timeout))
	defer cancel()
	s.c.trace(Noted, "device clear")
	defer s.release()
	if err := port.Clear(ctx); err != nil {
		return s.c.failed("device clear", err)
	}
	s.c.link.begin()
	return nil
}

// Status returns the status byte, by serial poll where the transport has one, else by *STB?.
func (s *Session) Status() (byte, error) {
	if err := s.connect(true); err != nil {
		return 0, err
	}
	port, ok := s.c.link.port.(StatusReader)
	if !ok {
		return s.askStatus()
	}
	ctx, cancel := context.WithTimeoutCause(s.ctx, s.c.o.Timeout, within(s.c.o.Timeout))
	defer cancel()
	defer s.release()
	b, err := port.ReadStatus(ctx)
	if err != nil {
		return 0, s.c.failed("reading the status byte", err)
	}
	s.c.trace(Noted, fmt.Sprintf("status byte %d", b))
	return b, nil
}

// askStatus asks with a message (IEEE 488.2, 10.36).
func (s *Session) askStatus() (byte, error) {
	const ask = "*STB?"
	answer, err := s.Query(ask)
	if err != nil {
		return 0, err
	}
	x, err := ParseNumber(strings.TrimSpace(answer))
	if err == nil && (x < 0 || x > 255 || x != float64(byte(x))) {
		err = fmt.Errorf("%w: %q is no status byte", ErrGarbage, answer)
	}
	if err != nil {
		return 0, s.Garbage(ask, err)
	}
	return byte(x), nil
}

// Trigger triggers the instrument, by a group execute trigger where the transport has one, else by
// *TRG (IEEE 488.2, 10.37). A trigger can start RF: whoever calls it holds the permission.
func (s *Session) Trigger() error {
	if err := s.connect(true); err != nil {
		return err
	}
	port, ok := s.c.link.port.(Triggerer)
	if !ok {
		return s.Write("*TRG")
	}
	ctx, cancel := context.WithTimeoutCause(s.ctx, s.c.o.Timeout, within(s.c.o.Timeout))
	defer cancel()
	s.c.trace(Noted, "trigger")
	defer s.release()
	if err := port.Trigger(ctx); err != nil {
		return s.c.failed("triggering", err)
	}
	return nil
}

// release lets go of what the port shares with those of other instruments.
func (s *Session) release() {
	if s.c.link == nil {
		return
	}
	if shares, ok := s.c.link.port.(Sharer); ok {
		shares.Release()
	}
}
