package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"
)

// Nonce is a way to ask for a number that nobody asked for before: Set, with {} for the number,
// stores it and Ask reads it back.
type Nonce struct{ Set, Ask string }

// EventEnable is the nonce that every IEEE 488.2 instrument has: the event status enable register,
// 0 to 255 (IEEE 488.2, 10.10 and 10.11). It is 0 afterwards, as after power-on.
var EventEnable = Nonce{Set: "*ESE {}", Ask: "*ESE?"}

// spoil is sent before all else: when the last connection was cut in the middle of a message, it makes
// a syntax error of the half that is there. A bare terminator would carry out "POW -1" of "POW -10".
const spoil = "!"

// rounds of a nonce: a late answer that happens to equal both numbers in turn is one in 65,000.
const rounds = 2

// Resync makes a port good whose bytes may still answer questions of an earlier connection: a serial
// line or a bus has no connections, and a late answer arrives on the next one. It throws away
// what comes until an instrument, which answers in the order in which it is asked, gives back a
// number that was never asked before. The error queue holds a syntax error afterwards, which *CLS
// clears. With a zero Nonce it waits instead until nothing has come for
// the time quiet, which must be longer than the instrument's slowest answer.
func Resync(ctx context.Context, port Port, terminator string, n Nonce, quiet time.Duration) error {
	if err := port.Send(ctx, []byte(spoil+terminator)); err != nil {
		return err
	}
	if n == (Nonce{}) {
		return waitQuiet(ctx, port, quiet)
	}
	for range rounds {
		number := strconv.Itoa(1 + rand.IntN(254))
		set := strings.ReplaceAll(n.Set, "{}", number)
		for _, msg := range []string{set, n.Ask} {
			if err := port.Send(ctx, []byte(msg+terminator)); err != nil {
				return err
			}
		}
		if err := await(ctx, port, terminator, number); err != nil {
			return fmt.Errorf("waiting for the answer to %q that tells old answers from new: %w", n.Ask, err)
		}
	}
	return port.Send(ctx, []byte(strings.ReplaceAll(n.Set, "{}", "0")+terminator))
}

// await throws lines away until one is the number.
func await(ctx context.Context, port Port, terminator, number string) error {
	var rest []byte
	for {
		for {
			line, after, found := bytes.Cut(rest, []byte(terminator))
			if !found {
				break
			}
			rest = after
			if strings.TrimLeft(string(bytes.TrimSpace(line)), "+") == number {
				if len(rest) > 0 {
					return Unasked(rest)
				}
				return nil
			}
		}
		data, _, err := port.Receive(ctx)
		if err != nil {
			return err
		}
		if rest = append(rest, data...); len(rest) > DefaultMaxLine {
			rest = rest[len(rest)-len(terminator):] // an endless line is none that is waited for
		}
	}
}

func waitQuiet(ctx context.Context, port Port, quiet time.Duration) error {
	errQuiet := errors.New("quiet")
	for {
		wait, cancel := context.WithTimeoutCause(ctx, quiet, errQuiet)
		_, _, err := port.Receive(wait)
		cancel()
		switch {
		case errors.Is(err, errQuiet):
			return nil
		case err != nil:
			return err
		}
	}
}
