package driver

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"time"

	"provoke/internal/bench/scpi"
)

// quirkPort changes how a message ends, takes off the echo of what is sent, and knows the end of an answer
// by a prompt. What comes before the echo of a question is older than the question, so it answers another
// one or is noise, and is thrown away.
type quirkPort struct {
	scpi.Port
	table *Table
	rest  []byte // behind the echo, or before the prompt
	fresh bool   // nothing but ends of line came since the echo
}

// mostOfAnswer bounds what is gathered before an echo or a prompt.
const mostOfAnswer = 256 << 10

// quirky wraps a way of connecting where the table's messages end otherwise than its answers, or where the
// instrument echoes or prompts.
func quirky(dial scpi.Dial, t *Table) scpi.Dial {
	if (t.MessageTerminator == "" || t.MessageTerminator == t.terminator()) && !t.console() {
		return dial
	}
	return func(ctx context.Context) (scpi.Port, error) {
		p, err := dial(ctx)
		if err != nil {
			return nil, err
		}
		return &quirkPort{Port: p, table: t}, nil
	}
}

// console reports an instrument that is made for a person at a terminal.
func (t *Table) console() bool { return t.Echo || t.Prompt != "" }

// awake wraps a way of connecting to a console: what it prints when somebody comes, and what the last user
// left half typed or unread, is thrown away before anything is asked. The line that it is sent is no command
// of any console; its echo, which holds a number drawn by lot, shows that all before it is old.
func awake(dial scpi.Dial, t *Table, limit time.Duration) scpi.Dial {
	if !t.console() {
		return dial
	}
	if limit <= 0 {
		limit = scpi.DefaultTimeout
	}
	return func(ctx context.Context) (scpi.Port, error) {
		p, err := dial(ctx)
		if err != nil {
			return nil, err
		}
		if err := t.wake(ctx, p, limit); err != nil {
			p.Close()
			return nil, fmt.Errorf("wait for its console: %w", err)
		}
		return p, nil
	}
}

func (t *Table) wake(ctx context.Context, p scpi.Port, limit time.Duration) error {
	ctx, cancel := context.WithTimeoutCause(ctx, limit, fmt.Errorf("%w (%v)", scpi.ErrTimeout, limit))
	defer cancel()
	q := &quirkPort{Port: p, table: t}
	if err := q.Send(ctx, []byte("!"+strconv.Itoa(1000+rand.IntN(9000))+t.terminator())); err != nil {
		return err
	}
	if t.Echo && t.Prompt != "" {
		_, _, err := q.Receive(ctx)
		return err
	}
	// Without both nothing tells the end of what it says to that.
	quiet, done := context.WithTimeout(ctx, limit/4)
	defer done()
	for {
		if _, _, err := p.Receive(quiet); quiet.Err() != nil {
			return ctx.Err()
		} else if err != nil {
			return err
		}
	}
}

// Send ends the message as the instrument wants it, and waits for its echo.
func (p *quirkPort) Send(ctx context.Context, message []byte) error {
	text := strings.TrimSuffix(string(message), p.table.terminator())
	p.rest, p.fresh = nil, p.table.Echo
	if err := p.Port.Send(ctx, []byte(text+p.table.messageEnd())); err != nil || !p.table.Echo {
		return err
	}
	for {
		if rest, found := p.behindEcho(text); found {
			p.rest = rest
			return nil
		}
		if err := p.more(ctx); err != nil {
			return fmt.Errorf("its echo does not come (quirks.echo), there came %s: %w", shown(p.rest), err)
		}
	}
}

// behindEcho returns what stands behind the line that ends in the message: a prompt may stand before it, or
// what was printed just then.
func (p *quirkPort) behindEcho(text string) (rest []byte, found bool) {
	for at := 0; ; {
		i := bytes.IndexAny(p.rest[at:], "\r\n")
		if i < 0 {
			return nil, false
		}
		line := p.rest[at : at+i]
		at += i + 1
		if bytes.HasSuffix(line, []byte(text)) {
			return bytes.Clone(p.rest[at:]), true
		}
	}
}

// more receives into rest.
func (p *quirkPort) more(ctx context.Context) error {
	data, _, err := p.Port.Receive(ctx)
	if err != nil {
		return err
	}
	if p.rest = append(p.rest, data...); len(p.rest) > mostOfAnswer {
		return fmt.Errorf("%w: %d bytes without an end", scpi.ErrGarbage, len(p.rest))
	}
	return nil
}

// Framed reports that the prompt marks the end of an answer.
func (p *quirkPort) Framed() bool { return p.table.Prompt != "" || p.Port.Framed() }

// Receive returns the answer: all of it, its lines with blanks between them, where a prompt ends it.
func (p *quirkPort) Receive(ctx context.Context) ([]byte, bool, error) {
	if p.table.Prompt == "" {
		return p.behind(ctx)
	}
	for {
		if body, rest, found := p.beforePrompt(); found {
			p.rest = rest
			lines := strings.FieldsFunc(string(body), func(r rune) bool { return r == '\n' || r == '\r' })
			return []byte(strings.TrimSpace(strings.Join(lines, " "))), true, nil
		}
		if err := p.more(ctx); err != nil {
			return nil, false, fmt.Errorf("its prompt %q does not come (quirks.prompt), there came %s: %w",
				p.table.Prompt, shown(p.rest), err)
		}
	}
}

// beforePrompt cuts at the first line that is the prompt and nothing else.
func (p *quirkPort) beforePrompt() (body, rest []byte, found bool) {
	prompt := []byte(p.table.Prompt)
	for at := 0; ; at++ {
		i := bytes.Index(p.rest[at:], prompt)
		if i < 0 {
			return nil, nil, false
		}
		at += i
		body, rest = p.rest[:at], p.rest[at+len(prompt):]
		if (at == 0 || bytes.ContainsRune([]byte("\r\n"), rune(body[at-1]))) &&
			(len(rest) == 0 || bytes.ContainsRune([]byte("\r\n"), rune(rest[0]))) {
			return body, rest, true
		}
	}
}

// behind returns what comes behind the echo, without the end of the echo's own line.
func (p *quirkPort) behind(ctx context.Context) (data []byte, last bool, err error) {
	for {
		if data, p.rest = p.rest, nil; len(data) == 0 {
			if data, last, err = p.Port.Receive(ctx); err != nil {
				return nil, false, err
			}
		}
		if p.fresh {
			data = bytes.TrimLeft(data, "\r\n")
		}
		if len(data) > 0 || last {
			p.fresh = false
			return data, last, nil
		}
	}
}

// Idle lets pass what a console with echo and prompt says by itself: the next echo shows what is older.
// Behind an echo without a prompt an end of line may still come.
func (p *quirkPort) Idle() error {
	for range 100 {
		err := p.Port.Idle()
		var came *scpi.UnaskedError
		switch {
		case len(bytes.TrimLeft(p.rest, "\r\n")) > 0 && !(p.table.Echo && p.table.Prompt != ""):
			return scpi.Unasked(p.rest)
		case !errors.As(err, &came) || !p.table.Echo:
			return err
		case p.table.Prompt == "" && len(bytes.TrimLeft(came.Data, "\r\n")) > 0:
			return err
		}
	}
	return fmt.Errorf("%w: it does not stop talking", scpi.ErrDirty)
}

// shown is the end of what came, for a message.
func shown(data []byte) string {
	const most = 80
	if len(data) == 0 {
		return "nothing"
	}
	if len(data) > most {
		return "… " + strconv.Quote(string(data[len(data)-most:]))
	}
	return strconv.Quote(string(data))
}

// Clear passes a device clear on, where the transport has one.
func (p *quirkPort) Clear(ctx context.Context) error {
	if c, ok := p.Port.(scpi.Clearer); ok {
		return c.Clear(ctx)
	}
	return errors.ErrUnsupported
}

// Release lets go of a bus that the transport shares.
func (p *quirkPort) Release() {
	if s, ok := p.Port.(scpi.Sharer); ok {
		s.Release()
	}
}
