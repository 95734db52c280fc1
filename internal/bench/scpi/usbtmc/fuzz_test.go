package usbtmc

import (
	"bytes"
	"context"
	"errors"
	"testing"
	"time"

	"provoke/internal/bench/scpi"
)

// said is a driver that gives the answers of a test, each read with the end mark and the errors that
// its first byte stands for.
type said struct {
	answers [][]byte
	last    uint32
	old     bool // the driver does not tell of the end
}

func (s *said) Read(p []byte) (int, error) {
	if len(s.answers) == 0 || len(s.answers[0]) == 0 {
		return 0, errors.New("timeout")
	}
	how, data := s.answers[0][0], s.answers[0][1:]
	s.answers = s.answers[1:]
	s.last, s.old = uint32(how&1), how&2 != 0
	if how&4 != 0 {
		return 0, errors.New("input/output error")
	}
	return copy(p, data), nil
}

func (s *said) Write(p []byte) (int, error) { return len(p), nil }

func (s *said) Do(r Request, value uint32) (uint32, error) {
	if r == InAttributes && s.old {
		return 0, errors.New("no such request")
	}
	return s.last, nil
}

func (s *said) Close() error { return nil }

// FuzzReads: however a device cuts and marks its answers, an answer is bounded and an exchange ends.
func FuzzReads(f *testing.F) {
	f.Add([]byte("\x0112.5\n"), []byte("\x01#15ab\ncd\n"), []byte{})
	f.Add([]byte("\x00#9999"), []byte("\x03999999"), []byte("\x04"))
	f.Add(append([]byte{0}, bytes.Repeat([]byte("x"), 100)...), []byte("\x01\n"), []byte("\x01"))
	f.Fuzz(func(t *testing.T, first, second, third []byte) {
		dial := func(ctx context.Context) (scpi.Port, error) {
			return New(ctx, &said{answers: [][]byte{first, second, third}}, Options{})
		}
		c := scpi.New(scpi.Options{Dial: dial, Timeout: 50 * time.Millisecond, MaxBlock: 64, MaxLine: 64})
		defer c.Close()
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		if answer, err := c.Query(ctx, "A?"); err == nil && len(answer) > 64 {
			t.Errorf("an answer of %d bytes", len(answer))
		}
		if block, err := c.QueryBlock(ctx, "B?", 0); err == nil && len(block) > 64 {
			t.Errorf("a block of %d bytes", len(block))
		}
		if ctx.Err() != nil {
			t.Error("the exchanges did not end by themselves")
		}
	})
}
