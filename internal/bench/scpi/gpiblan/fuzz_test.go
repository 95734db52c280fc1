package gpiblan

import (
	"bytes"
	"context"
	"io"
	"testing"
	"time"

	"provoke/internal/bench/scpi"
)

// script is an adapter that says what a test gives it, whatever it is told: one piece for each line
// that asks for something.
type script struct {
	in   *io.PipeReader
	out  *io.PipeWriter
	said [][]byte
}

func (s *script) Write(p []byte) (int, error) {
	for _, line := range bytes.Split(p, []byte("\n")) {
		if !bytes.HasPrefix(line, []byte("++ver")) && !bytes.HasPrefix(line, []byte("++read")) &&
			!bytes.HasPrefix(line, []byte("++spoll")) {
			continue
		}
		if len(s.said) == 0 {
			s.out.Close()
			break
		}
		go s.out.Write(s.said[0])
		s.said = s.said[1:]
	}
	return len(p), nil
}

func (s *script) Read(p []byte) (int, error) { return s.in.Read(p) }

func (s *script) Close() error { return s.in.Close() }

// FuzzAdapter: whatever an adapter says, an answer is bounded, and an exchange ends.
func FuzzAdapter(f *testing.F) {
	f.Add([]byte("adapter 1\n"), []byte("12.5\n"), []byte("0,\"No error\"\n"))
	f.Add([]byte("adapter 1\n"), []byte("#15ab\ncd\n"), []byte("64\n"))
	f.Add([]byte("\n"), []byte("#9999999999"), []byte(""))
	f.Add([]byte("adapter 1\nmore"), bytes.Repeat([]byte("x"), 2000), []byte("\n"))
	f.Fuzz(func(t *testing.T, version, first, second []byte) {
		a := &Adapter{Open: func(context.Context) (io.ReadWriteCloser, error) {
			in, out := io.Pipe()
			return &script{in, out, [][]byte{version, first, second}}, nil
		}}
		c := scpi.New(scpi.Options{Dial: a.Dial(Options{Primary: 9, Secondary: -1}), Timeout: 50 * time.Millisecond,
			DialTimeout: 50 * time.Millisecond, MaxBlock: 64, MaxLine: 64})
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
