package scpi

import (
	"bytes"
	"context"
	"fmt"
	"strconv"
	"time"
)

// link is one Port from dial to close, with what was received and not yet taken.
type link struct {
	port  Port
	rest  []byte
	ended bool // rest holds the last byte of the answer by the transport's own mark
}

// begin forgets the answer before; nothing may be left of it.
func (l *link) begin() { l.rest, l.ended = nil, false }

// idle reports that the link is open and that nothing has come unasked.
func (l *link) idle() error {
	if len(l.rest) > 0 {
		return ErrDirty
	}
	return l.port.Idle()
}

func (l *link) fill(ctx context.Context) error {
	if l.ended {
		return fmt.Errorf("%w: it ends after %s", ErrGarbage, shorten(strconv.Quote(string(l.rest))))
	}
	data, last, err := l.port.Receive(ctx)
	if err != nil {
		return err
	}
	l.rest, l.ended = append(l.rest, data...), last
	return nil
}

// whole receives to the end of the answer on a framed link.
func (l *link) whole(ctx context.Context, most int) error {
	for !l.ended {
		if len(l.rest) > most {
			return fmt.Errorf("%w: %d bytes without an end", ErrGarbage, len(l.rest))
		}
		if err := l.fill(ctx); err != nil {
			return err
		}
	}
	return nil
}

// line takes one answer; CR before its terminator is stripped. On a framed link the terminator may be
// missing, and one that is not at the end means that two answers came as one.
func (l *link) line(ctx context.Context, terminator string, most int) (string, error) {
	if !l.port.Framed() {
		return l.lineOfStream(ctx, terminator, most)
	}
	if err := l.whole(ctx, most); err != nil {
		return "", err
	}
	text := bytes.TrimSuffix(l.rest, []byte(terminator))
	if bytes.Contains(text, []byte(terminator)) {
		return "", fmt.Errorf("%w: two answers came as one: %s", ErrDirty, shorten(strconv.Quote(string(l.rest))))
	}
	if len(text) > most {
		return "", tooLong(len(text), most)
	}
	l.rest = nil
	return string(bytes.TrimRight(text, "\r")), nil
}

// lineOfStream takes one answer up to its terminator.
func (l *link) lineOfStream(ctx context.Context, terminator string, most int) (string, error) {
	from := 0
	for {
		if i := bytes.Index(l.rest[from:], []byte(terminator)); i >= 0 {
			end := from + i
			if end > most {
				return "", tooLong(end, most)
			}
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

func tooLong(n, most int) error {
	return fmt.Errorf("%w: an answer of %d bytes, the most taken is %d", ErrGarbage, n, most)
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
// after it. An indefinite block tells no length; its end is the transport's, or on a byte stream
// known only when expect gives it.
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
	} else if l.port.Framed() {
		return l.indefinite(ctx, terminator, most)
	} else if expect <= 0 {
		return nil,
			fmt.Errorf("%w: a block of indefinite length (#0) has no end on a byte stream; ask for a definite one",
				ErrGarbage)
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

// indefinite takes a block that ends where the answer ends.
func (l *link) indefinite(ctx context.Context, terminator string, most int) ([]byte, error) {
	if err := l.whole(ctx, most); err != nil {
		return nil, err
	}
	data := bytes.TrimSuffix(l.rest, []byte(terminator))
	if len(data) > most {
		return nil, tooLong(len(data), most)
	}
	l.rest = nil
	return bytes.Clone(data), nil
}

// end takes the terminator that must follow a block, with CR before it or not; on a framed link the
// end of the answer will do.
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
