package terminal

import (
	"bytes"
	"context"
	"io"
	"os"
	"sync"
	"time"
)

// LineReader hands out what a person types, line by line or (see Keys) key by key, to whoever asks for it. One
// goroutine reads, and only when something is asked for, so that a question after a run is not answered into a
// reader that the run left behind. The zero value is ready.
type LineReader struct {
	once sync.Once
	want chan struct{}
	got  chan burst
	turn chan struct{} // holds one while somebody is being answered, who owns what follows
	out  bool          // a burst was asked for and has not come
	rest []byte        // what came after the last line
	over bool          // the input has ended
}

// burst is what one read gave, and when.
type burst struct {
	text  []byte
	at    time.Time
	ended bool
}

// Typed returns the reader of what is typed into the world.
func (w *World) Typed() *LineReader {
	if w.lines == nil {
		w.lines = &LineReader{}
	}
	return w.lines
}

// Line returns the next line that is typed; false at the end of the input or of the context.
func (w *World) Line(ctx context.Context) (string, bool) {
	line, ok := w.Typed().Next(ctx, w.Stdin)
	if b := blockOn(w.Stderr); b != nil && ok {
		if f, is := w.Stdin.(*os.File); is && isTerminal(f) {
			b.enterEchoed()
		}
	}
	return line, ok
}

// Next returns the next line without its end; false at the end of the input or of the context.
func (l *LineReader) Next(ctx context.Context, in io.Reader) (string, bool) {
	if !l.begin(ctx, in) {
		return "", false
	}
	defer l.end()
	for {
		if line, rest, whole := bytes.Cut(l.rest, []byte("\n")); whole || l.over {
			l.rest = rest
			return string(line), whole || len(line) > 0
		}
		select {
		case b := <-l.next():
			l.take(b)
			l.rest = append(l.rest, b.text...)
		case <-ctx.Done():
			return "", false
		}
	}
}

// begin waits until nobody else is being answered; false at the end of the context.
func (l *LineReader) begin(ctx context.Context, in io.Reader) bool {
	l.once.Do(func() {
		l.want, l.got, l.turn = make(chan struct{}, 1), make(chan burst), make(chan struct{}, 1)
		go l.pump(in)
	})
	select {
	case l.turn <- struct{}{}:
		return true
	case <-ctx.Done():
		return false
	}
}

func (l *LineReader) end() { <-l.turn }

// next asks for the next burst, unless one is on its way, and returns where it comes. take notes that it came.
func (l *LineReader) next() <-chan burst {
	if !l.out && !l.over {
		l.out = true
		l.want <- struct{}{}
	}
	return l.got
}

func (l *LineReader) take(b burst) { l.out, l.over = false, b.ended }

// pump reads once for each burst that is asked for, until the input ends.
func (l *LineReader) pump(in io.Reader) {
	space := make([]byte, 4096)
	for range l.want {
		n, err := in.Read(space)
		for n == 0 && err != nil && comesBack(in, err) {
			n, err = in.Read(space)
		}
		l.got <- burst{bytes.Clone(space[:n]), time.Now(), err != nil}
		if err != nil {
			return
		}
	}
}
