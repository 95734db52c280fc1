package terminal

import (
	"context"
	"io"
	"sync"
)

// LineReader hands out what a person types, line by line, to whoever asks for it. One goroutine reads,
// so that a question after a run is not answered into a reader that the run left behind. The zero
// value is ready.
type LineReader struct {
	once  sync.Once
	lines chan string
}

// Typed returns the reader of what is typed into the world.
func (w *World) Typed() *LineReader {
	if w.lines == nil {
		w.lines = &LineReader{}
	}
	return w.lines
}

// Line returns the next line that is typed; false at the end of the input or of the context.
func (w *World) Line(ctx context.Context) (string, bool) { return w.Typed().Next(ctx, w.Stdin) }

// Next returns the next line without its end; false at the end of the input or of the context.
func (l *LineReader) Next(ctx context.Context, in io.Reader) (string, bool) {
	l.once.Do(func() {
		l.lines = make(chan string)
		go l.pump(in)
	})
	select {
	case line, ok := <-l.lines:
		return line, ok
	case <-ctx.Done():
		return "", false
	}
}

// pump reads byte by byte: what comes after a line belongs to the next question.
func (l *LineReader) pump(in io.Reader) {
	defer close(l.lines)
	var line []byte
	one := make([]byte, 1)
	for {
		n, err := in.Read(one)
		switch {
		case n == 1 && one[0] == '\n':
			l.lines <- string(line)
			line = nil
		case n == 1:
			line = append(line, one[0])
		}
		if err != nil {
			if len(line) > 0 {
				l.lines <- string(line)
			}
			return
		}
	}
}
