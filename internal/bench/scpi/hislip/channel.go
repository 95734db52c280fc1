package hislip

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/scpi"
)

// channel is one of the two connections of a session. A goroutine reads it all the time.
type channel struct {
	conn     net.Conn
	messages chan message
	quit     chan struct{}
	once     sync.Once
	err      error // why reading ended; valid once messages is closed
	buf      []byte
}

// newChannel starts to read; sift takes messages that need no receiver, and returns false for the
// others.
func newChannel(conn net.Conn, sift func(message) bool) *channel {
	c := &channel{conn: conn, messages: make(chan message), quit: make(chan struct{})}
	go c.read(sift)
	return c
}

func (c *channel) read(sift func(message) bool) {
	defer close(c.messages)
	in := bufio.NewReaderSize(c.conn, 32<<10)
	for {
		m, err := readMessage(in, longestPayload)
		if err != nil {
			c.err = err
			return
		}
		if sift != nil && sift(m) {
			continue
		}
		select {
		case c.messages <- m:
		case <-c.quit:
			c.err = scpi.ErrShut
			return
		}
	}
}

func (c *channel) close() error {
	var err error
	c.once.Do(func() {
		close(c.quit)
		err = c.conn.Close()
	})
	return err
}

var aLongTimeAgo = time.Unix(1, 0)

// send writes one message in one go.
func (c *channel) send(ctx context.Context, m message) error {
	c.buf = m.append(c.buf[:0])
	stop := context.AfterFunc(ctx, func() { c.conn.SetWriteDeadline(aLongTimeAgo) })
	_, err := c.conn.Write(c.buf)
	if !stop() {
		return context.Cause(ctx)
	}
	if err != nil {
		return scpi.Lost(err)
	}
	return nil
}

// receive takes the next message. The server's error messages come back as *Error.
func (c *channel) receive(ctx context.Context) (message, error) {
	select {
	case m, open := <-c.messages:
		if !open {
			return message{}, c.err
		}
		return m, m.failure()
	case <-ctx.Done():
		return message{}, context.Cause(ctx)
	}
}

// failure returns the error that a message is.
func (m message) failure() error {
	if m.kind != fatalError && m.kind != nonFatalError {
		return nil
	}
	return &Error{Fatal: m.kind == fatalError, Code: m.control, Text: strings.ToValidUTF8(string(m.payload), "?")}
}

// expect receives a message of one type.
func (c *channel) expect(ctx context.Context, want messageType) (message, error) {
	m, err := c.receive(ctx)
	if err == nil && m.kind != want {
		err = fmt.Errorf("%w: %v in place of %v", scpi.ErrGarbage, m.kind, want)
	}
	return m, err
}

// idle returns why the channel cannot be used.
func (c *channel) idle() error {
	select {
	case m, open := <-c.messages:
		switch {
		case !open:
			return c.err
		case m.failure() != nil:
			return m.failure()
		}
		return fmt.Errorf("%w: %v", scpi.ErrDirty, m.kind)
	default:
		return nil
	}
}

// complain tells the server why the session ends, when it sent what is no message (IVI-6.1, fatal error detection).
func (c *channel) complain(err error) {
	if !errors.Is(err, scpi.ErrGarbage) {
		return
	}
	const poorlyFormed = 1
	ctx, cancel := context.WithTimeout(context.Background(), closeLimit)
	defer cancel()
	c.send(ctx, message{kind: fatalError, control: poorlyFormed, payload: []byte("poorly formed message")})
}
