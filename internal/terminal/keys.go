package terminal

import (
	"context"
	"fmt"
	"os"
	"sync"
	"time"
)

// Keys delivers what is typed key by key, without Enter and without echo:
//
//	keys, ok := w.Keys()
//	if !ok {
//		… // no terminal, or none that can do it: take lines (World.Line)
//	}
//	defer keys.Close() // gives the terminal back, on a panic too
//	figures := terminal.NewBlock(w, 10*time.Second)
//	defer figures.Close()
//	var hold terminal.Hold
//	for {
//		select {
//		case p, ok := <-keys.Pressed():
//			switch {
//			case !ok: // nobody types any more
//				return
//			case hold.Press(p) && p.Key == terminal.Space:
//				… // held for a second: go on
//			case p.Key == "c":
//				text, ok := keys.ReadLine(ctx, "what was changed? ")
//				…
//			}
//		case <-tick.C:
//			figures.Show("", "  "+level, "  "+frequency)
//		case <-w.Signals: // Ctrl-C stays a signal
//			return
//		}
//	}
//
// What others print meanwhile begins in the first column and stands above the block. Ctrl-Z gives the terminal back
// while the program is stopped. Lines asked for elsewhere (World.Line) wait until Close. What cannot be caught leaves
// the terminal as it is until "stty sane" is typed: kill -KILL and -STOP, and a panic in another goroutine.
type Keys struct {
	w     *World
	lines *LineReader
	mode  *keyMode
	out   chan Press
	quit  context.CancelFunc
	ended chan struct{}
	once  sync.Once
}

// Keys begins to deliver keys; false where stdin is no terminal, or none that can deliver keys. It waits until
// nobody is asking for a line.
func (w *World) Keys() (*Keys, bool) {
	f, ok := w.Stdin.(*os.File)
	if !ok || !isTerminal(f) || !w.Typed().begin(w.Ctx, f) {
		return nil, false
	}
	mode, err := enterKeyMode(f, w.stopped)
	if err != nil {
		w.lines.end()
		return nil, false
	}
	ctx, quit := context.WithCancel(w.Ctx)
	k := &Keys{w: w, lines: w.lines, mode: mode, out: make(chan Press, 256), quit: quit, ended: make(chan struct{})}
	go k.read(ctx)
	return k, true
}

// stopped takes the block away before the program is stopped and draws it anew afterwards.
func (w *World) stopped(now bool) {
	if b := blockOn(w.Stderr); b != nil {
		b.hide(now)
	}
}

// Pressed returns where the keys arrive in the order in which they were typed; closed at the end of the input.
func (k *Keys) Pressed() <-chan Press { return k.out }

// Close gives the terminal back as it was. Keys that nobody took are gone.
func (k *Keys) Close() {
	k.once.Do(func() {
		k.quit()
		<-k.ended
		k.mode.leave()
		k.lines.end()
	})
}

// read turns bursts into keys until Close or the end of the input.
func (k *Keys) read(ctx context.Context) {
	defer close(k.ended)
	defer close(k.out)
	var d decoder
	presses := d.feed(k.lines.rest, time.Now())
	k.lines.rest = nil
	for {
		for _, p := range presses {
			if p.Key == "Ctrl-Z" {
				k.mode.suspend()
				continue
			}
			select {
			case k.out <- p:
			case <-ctx.Done():
				return
			}
		}
		if k.lines.over {
			return
		}
		var late <-chan time.Time
		if wait := d.patience(); wait > 0 {
			late = time.After(wait)
		}
		var b burst
		select {
		case b = <-k.lines.next():
		case <-late:
			select {
			case b = <-k.lines.next(): // it came while the program was kept from looking
			case <-time.After(10 * time.Millisecond):
				presses = d.expire()
				continue
			}
		case <-ctx.Done():
			return
		}
		k.lines.take(b)
		presses = d.feed(b.text, b.at)
		if b.ended {
			presses = append(presses, d.expire()...)
		}
	}
}

// ReadLine takes a line from the keys, below the block where there is one: Backspace takes back, Esc and the end of
// the context or of the input give false, and other keys that write nothing are passed over. Keys after Enter or Esc
// arrive at Pressed. Whoever calls it takes no keys meanwhile.
func (k *Keys) ReadLine(ctx context.Context, prompt string) (string, bool) {
	b := blockOn(k.w.Stderr)
	if b == nil {
		b = NewBlock(k.w, 0)
		defer b.Close()
		if !b.Live() {
			fmt.Fprintln(k.w.Stderr, prompt)
		}
	}
	var text []rune
	for {
		b.ask(prompt + string(text))
		select {
		case p, open := <-k.out:
			switch {
			case !open || p.Key == Esc:
				b.answered()
				return "", false
			case p.Key == Enter:
				b.answered()
				fmt.Fprintln(k.w.Stderr, prompt+string(text))
				return string(text), true
			case p.Key == Backspace:
				text = text[:max(len(text)-1, 0)]
			default:
				text = append(text, []rune(p.Key.Text())...)
			}
		case <-ctx.Done():
			b.answered()
			return "", false
		}
	}
}
