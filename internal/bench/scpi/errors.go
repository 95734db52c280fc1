package scpi

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// The ways in which an exchange fails. All but ErrOverRange, ErrInvalid and ErrNotBuilt come inside
// a *LinkError.
var (
	// ErrPoisoned matches every error after which the connection has been closed. Whether the
	// instrument carried the message out is not known.
	ErrPoisoned = errors.New("connection poisoned")
	// ErrTimeout: no complete answer in time.
	ErrTimeout = errors.New("no answer in time")
	// ErrClosed: the instrument closed the connection.
	ErrClosed = errors.New("the instrument closed the connection")
	// ErrDirty: bytes came that nobody asked for, so it cannot be told which question they answer.
	ErrDirty = errors.New("bytes that nobody asked for")
	// ErrGarbage: the answer has not the form it must have.
	ErrGarbage = errors.New("the answer makes no sense")
	// ErrStale: the session was pinned to a connection that is gone; nothing was sent.
	ErrStale = errors.New("the connection was lost meanwhile; nothing was sent")
	// ErrPreempted: an urgent user took the instrument away.
	ErrPreempted = errors.New("cut off so that the instrument could be silenced")
	// ErrNotConnected: dialling failed.
	ErrNotConnected = errors.New("cannot connect")
	// ErrInUse: the instrument refuses because another user has it (a lock, or no link left).
	ErrInUse = errors.New("another user has the instrument")
	// ErrAnother: somebody else answers at the instrument's address; nothing was set there.
	ErrAnother = errors.New("another instrument answers at its address")
	// ErrShut: the Conn was closed by its owner.
	ErrShut = errors.New("this connection has been closed for good")

	// ErrOverRange: the instrument answers infinity, ±9.9E37 (SCPI-1999 volume 1, 7.2.1.4).
	ErrOverRange = errors.New("over range")
	// ErrInvalid: the instrument answers not-a-number, 9.91E37 (SCPI-1999 volume 1, 7.2.1.5).
	ErrInvalid = errors.New("not a number by the instrument's own word")
)

// LinkError is a failure of the connection. The connection has been closed.
type LinkError struct {
	Instrument string // name and address
	Doing      string // "asking "READ?"", "dialling"
	Err        error
}

// Error says which instrument failed at what.
func (e *LinkError) Error() string { return e.Instrument + ": " + e.Doing + ": " + e.Err.Error() }

// Unwrap returns the cause.
func (e *LinkError) Unwrap() error { return e.Err }

// Is matches ErrPoisoned, whatever the cause.
func (e *LinkError) Is(target error) bool { return target == ErrPoisoned }

// InstrumentError is an entry of the instrument's error queue.
type InstrumentError struct {
	Code    int
	Message string
	// Command is the program message after which the entry was found.
	Command    string
	Instrument string
}

// Error gives the instrument's own words and the message that it refused.
func (e *InstrumentError) Error() string {
	return fmt.Sprintf("%s reports error %d, %q, after %s", e.Instrument, e.Code, e.Message,
		shorten(strconv.Quote(e.Command)))
}

// ParseError reads an answer to SYSTem:ERRor?: a number, a comma and a quoted text (SCPI-1999
// volume 2, 21.8). Code 0 is an empty queue.
func ParseError(text string) (code int, message string, err error) {
	number, rest, _ := strings.Cut(strings.TrimSpace(text), ",")
	code, e := strconv.Atoi(strings.TrimPrefix(strings.TrimSpace(number), "+"))
	rest = strings.TrimSpace(rest)
	if e != nil || (rest != "" && !quoted(rest)) || (rest == "" && code != 0) {
		return 0, "", fmt.Errorf("%w: %s is no entry of an error queue", ErrGarbage, shorten(strconv.Quote(text)))
	}
	if rest != "" {
		q := rest[:1]
		message = strings.ReplaceAll(rest[1:len(rest)-1], q+q, q)
	}
	return code, message, nil
}

func quoted(s string) bool {
	return len(s) >= 2 && (s[0] == '"' || s[0] == '\'') && s[len(s)-1] == s[0]
}

// shorten keeps an error message readable when an instrument sends a novel.
func shorten(s string) string {
	const limit = 240
	if len(s) <= limit {
		return s
	}
	return strings.ToValidUTF8(s[:limit], "") + "…"
}
