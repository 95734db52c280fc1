package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"sync"
	"time"
)

// link is one connection from dial to close. A goroutine reads it all the time, so that bytes which
// nobody asked for, and the other end closing, are noticed before the next message goes out.
type link struct {
	rwc    io.ReadWriteCloser
	chunks chan []byte
	quit   chan struct{}
	once   sync.Once
	err    error  // why reading ended; valid once chunks is closed
	rest   []byte // received and not yet taken
}

func newLink(rwc io.ReadWriteCloser) *link {
	l := &link{rwc: rwc, chunks: make(chan []byte), quit: make(chan struct{})}
	go l.read()
	return l
}

func (l *link) read() {
	defer close(l.chunks)
	buf := make([]byte, 32<<10)
	for {
		n, err := l.rwc.Read(buf)
		if n > 0 {
			select {
			case l.chunks <- bytes.Clone(buf[:n]):
			case <-l.quit:
				l.err = ErrShut
				return
			}
		}
		if err != nil {
			l.err = ErrClosed
			if !errors.Is(err, io.EOF) {
				l.err = fmt.Errorf("%w: %w", ErrClosed, err)
			}
			return
		}
	}
}

// shut closes the connection; the reader ends by itself.
func (l *link) shut() {
	l.once.Do(func() {
		close(l.quit)
		l.rwc.Close()
	})
}

// idle reports that the link is open and that nothing has come unasked.
func (l *link) idle() error {
	if len(l.rest) > 0 {
		return ErrDirty
	}
	select {
	case c, open := <-l.chunks:
		if !open {
			return l.err
		}
		return fmt.Errorf("%w: %s", ErrDirty, shorten(strconv.Quote(string(c))))
	default:
		return nil
	}
}

// write sends the whole message in one go; when the context ends first the link is shut.
func (l *link) write(ctx context.Context, msg []byte) error {
	stop := context.AfterFunc(ctx, l.shut)
	defer stop()
	if _, err := l.rwc.Write(msg); err != nil {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		return fmt.Errorf("%w: %w", ErrClosed, err)
	}
	return nil
}

func (l *link) fill(ctx context.Context) error {
	select {
	case c, open := <-l.chunks:
		if !open {
			return l.err
		}
		l.rest = append(l.rest, c...)
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// line takes one answer up to its terminator; CR before it is stripped.
func (l *link) line(ctx context.Context, terminator string, most int) (string, error) {
	from := 0
	for {
		if i := bytes.Index(l.rest[from:], []byte(terminator)); i >= 0 {
			end := from + i
			text := string(bytes.TrimRight(l.rest[:end], "\r"))
			l.rest = l.rest[end+len(terminator):]
			return text, nil
		}
		from = max(0, len(l.rest)-len(terminator)+1)
		if len(l.rest) > most {
			return "", fmt.Errorf("%w: %d bytes without an end", ErrGarbage, len(l.rest))
		}
		if err := l.fill(ctx); err != nil {
			return "", err
		}
	}
}

// take takes exactly n bytes.
func (l *link) take(ctx context.Context, n int) ([]byte, error) {
	for len(l.rest) < n {
		if err := l.fill(ctx); err != nil {
			return nil, err
		}
	}
	out := l.rest[:n:n]
	l.rest = l.rest[n:]
	return out, nil
}

// block takes an arbitrary block by its length (IEEE 488.2, 8.7.9 and 8.7.10) with the terminator
// after it. An indefinite block tells no length; its end is known only when expect gives it.
func (l *link) block(ctx context.Context, terminator string, most, expect int) ([]byte, error) {
	head, err := l.take(ctx, 2)
	if err != nil {
		return nil, err
	}
	if head[0] != '#' || head[1] < '0' || head[1] > '9' {
		return nil, fmt.Errorf("%w: a block cannot begin with %q", ErrGarbage, head)
	}
	n := expect
	if digits := int(head[1] - '0'); digits > 0 {
		length, err := l.take(ctx, digits)
		if err != nil {
			return nil, err
		}
		if n, err = blockLength(length); err != nil {
			return nil, err
		}
	} else if expect <= 0 {
		return nil, fmt.Errorf("%w: a block of indefinite length (#0) has no end on a byte stream; ask for a definite one", ErrGarbage)
	}
	if n > most {
		return nil, fmt.Errorf("%w: a block of %d bytes, the most taken is %d", ErrGarbage, n, most)
	}
	data, err := l.take(ctx, n)
	if err != nil {
		return nil, err
	}
	return bytes.Clone(data), l.end(ctx, terminator)
}

func blockLength(digits []byte) (int, error) {
	n := 0
	for _, d := range digits {
		if d < '0' || d > '9' {
			return 0, fmt.Errorf("%w: a block cannot be %q bytes long", ErrGarbage, digits)
		}
		n = 10*n + int(d-'0')
	}
	return n, nil
}

// end takes the terminator that must follow a block, with CR before it or not.
func (l *link) end(ctx context.Context, terminator string) error {
	tail, err := l.line(ctx, terminator, 2+len(terminator))
	if err != nil {
		return err
	}
	if tail != "" {
		return fmt.Errorf("%w: %q behind the end of a block", ErrGarbage, tail)
	}
	return nil
}

// Exchange is one line of a transcript.
type Exchange struct {
	At         time.Time
	Instrument string
	Direction  Direction
	Text       string
}

// Direction of an Exchange.
type Direction string

// The directions.
const (
	Sent     Direction = ">"
	Received Direction = "<"
	Noted    Direction = "#" // dialled, poisoned, drained
)
