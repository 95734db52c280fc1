package session

import (
	"context"
	"fmt"
	"strings"
	"time"

	"provoke/internal/run/engine"
	"provoke/internal/terminal"
)

// listenToOperator turns signals, and on a terminal lines that are typed, into commands.
// An answer to a prompt is taken whether it is typed or comes from a file.
func listenToOperator(w *terminal.World, desk *engine.Desk) (<-chan engine.Command, func()) {
	out := make(chan engine.Command, 8)
	ctx, cancel := context.WithCancel(w.Ctx)
	go signalled(ctx, w, out)
	if w.Terminal || desk != nil {
		w.Typed()
		go typed(ctx, w, desk, out)
	}
	return out, cancel
}

// signalled turns signals into commands: the first finishes safely, every further one switches RF off now.
func signalled(ctx context.Context, w *terminal.World, out chan<- engine.Command) {
	for want, words := engine.Finish, "finishing safely; once more to switch RF off now"; ; want, words =
		engine.Abort, "RF off now" {
		select {
		case <-ctx.Done():
			return
		case <-w.Signals:
			fmt.Fprintln(w.Stderr, "\n"+words)
			out <- engine.Command{Want: want}
		}
	}
}

// typed reads what the operator types: u and Enter for "it upset now", h to hold, g to go on.
// While something is asked, a line is the answer.
func typed(ctx context.Context, w *terminal.World, desk *engine.Desk, out chan<- engine.Command) {
	for {
		line, ok := w.Line(ctx)
		if !ok {
			return
		}
		if p, asked := desk.Pending(); asked {
			desk.Reply(p.Number, line)
			continue
		}
		c := engine.Command{}
		switch word, rest, _ := strings.Cut(strings.TrimSpace(line), " "); word {
		case "u":
			c = engine.Command{Want: engine.Mark, Text: rest, At: time.Now()}
		case "h":
			c.Want = engine.HoldRun
		case "g":
			c.Want = engine.GoOn
		default:
			continue
		}
		select {
		case <-ctx.Done():
			return
		case out <- c:
		case <-time.After(time.Second):
		}
	}
}
