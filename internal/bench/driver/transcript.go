package driver

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"sync"

	"provoke/internal/bench/scpi"
)

// Transcript is a conversation with an instrument, line by line as it went over the connection. It is
// recorded from an instrument and can stand in for it afterwards. Its text has one line for each
// message: "> " before what the controller sent, "< " before what the instrument answered, "#" before
// a remark; what is not printable stands in quotes as Go writes it.
type Transcript struct {
	Remarks []string
	Lines   []TranscriptLine

	mu      sync.Mutex
	at      int
	differs error
}

// TranscriptLine is one message or answer, without its terminator.
type TranscriptLine struct {
	Sent bool
	Text string
}

// ParseTranscript reads the text of a transcript.
func ParseTranscript(text string) (*Transcript, error) {
	t := &Transcript{}
	for n, l := range strings.Split(strings.ReplaceAll(text, "\r\n", "\n"), "\n") {
		mark, rest := "", ""
		if len(l) >= 2 {
			mark, rest = l[:2], l[2:]
		}
		switch {
		case strings.TrimSpace(l) == "":
		case l[0] == '#':
			t.Remarks = append(t.Remarks, strings.TrimSpace(l[1:]))
		case mark == "> " || mark == "< " || l == ">" || l == "<":
			if strings.HasPrefix(rest, `"`) {
				plain, err := strconv.Unquote(rest)
				if err != nil {
					return nil, fmt.Errorf("line %d: %s: %w", n+1, l, err)
				}
				rest = plain
			}
			t.Lines = append(t.Lines, TranscriptLine{l[0] == '>', rest})
		default:
			return nil, fmt.Errorf("line %d: %q begins with none of >, <, #", n+1, l)
		}
	}
	if len(t.Lines) == 0 {
		return nil, fmt.Errorf("the transcript holds no message")
	}
	return t, nil
}

// String writes the transcript.
func (t *Transcript) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	var b strings.Builder
	for _, r := range t.Remarks {
		fmt.Fprintln(&b, "# "+r)
	}
	for _, l := range t.Lines {
		mark := "< "
		if l.Sent {
			mark = "> "
		}
		text := l.Text
		if q := strconv.Quote(text); q != `"`+text+`"` && strings.ContainsAny(q, `\`) &&
			(strings.Contains(q, `\x`) || strings.Contains(q, `\n`) || strings.Contains(q, `\r`) ||
				strings.Contains(q, `\u`) || strings.Contains(q, `\t`)) || strings.HasPrefix(text, `"`) ||
			strings.HasSuffix(text, " ") {
			text = q
		}
		fmt.Fprintln(&b, mark+text)
	}
	return b.String()
}

// note adds a line; answers that come in pieces are put together.
func (t *Transcript) note(sent bool, text string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if n := len(t.Lines); !sent && n > 0 && !t.Lines[n-1].Sent {
		t.Lines[n-1].Text += text
		return
	}
	t.Lines = append(t.Lines, TranscriptLine{sent, text})
}

// finish takes the terminators off.
func (t *Transcript) finish(message, answer string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i := range t.Lines {
		l := &t.Lines[i]
		if l.Sent {
			l.Text = strings.TrimSuffix(l.Text, message)
		} else if answer != "" {
			l.Text = strings.TrimRight(strings.TrimSuffix(l.Text, answer), "\r")
		}
	}
}

// recordPort writes down what goes over a connection.
type recordPort struct {
	scpi.Port
	t *Transcript
}

// record wraps a way of connecting so that everything is written down.
func (t *Transcript) record(dial scpi.Dial) scpi.Dial {
	return func(ctx context.Context) (scpi.Port, error) {
		p, err := dial(ctx)
		if err != nil {
			return nil, err
		}
		return &recordPort{p, t}, nil
	}
}

// Send writes the message down.
func (p *recordPort) Send(ctx context.Context, message []byte) error {
	p.t.note(true, string(message))
	return p.Port.Send(ctx, message)
}

// Receive writes the answer down.
func (p *recordPort) Receive(ctx context.Context) ([]byte, bool, error) {
	data, last, err := p.Port.Receive(ctx)
	if len(data) > 0 {
		p.t.note(false, string(data))
	}
	return data, last, err
}

// Release lets go of a bus that the transport shares.
func (p *recordPort) Release() {
	if s, ok := p.Port.(scpi.Sharer); ok {
		s.Release()
	}
}

// Differs returns where the controller first said something else than the transcript has, or did not
// come to its end; nil when it said the same.
func (t *Transcript) Differs() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.differs != nil {
		return t.differs
	}
	if t.at < len(t.Lines) {
		return fmt.Errorf("%d lines of the transcript were not reached, the first is %q", len(t.Lines)-t.at,
			t.Lines[t.at].Text)
	}
	return nil
}

// play lets the transcript stand in for the instrument.
func (t *Transcript) play(message, answer string) scpi.Dial {
	return func(context.Context) (scpi.Port, error) {
		return &playPort{t: t, message: message, answer: answer}, nil
	}
}

// playPort answers as the transcript does, and insists on the controller's part.
type playPort struct {
	t               *Transcript
	message, answer string
	waiting         []byte
}

// Send compares the message with the transcript's.
func (p *playPort) Send(_ context.Context, message []byte) error {
	t := p.t
	t.mu.Lock()
	defer t.mu.Unlock()
	text := strings.TrimSuffix(string(message), p.message)
	if t.differs == nil && (t.at >= len(t.Lines) || !t.Lines[t.at].Sent || t.Lines[t.at].Text != text) {
		want := "nothing more"
		if t.at < len(t.Lines) {
			want = strconv.Quote(t.Lines[t.at].Text)
		}
		t.differs = fmt.Errorf("the transcript differs: %q is sent where it has %s", text, want)
	}
	if t.differs != nil {
		return fmt.Errorf("%w: %w", scpi.ErrClosed, t.differs)
	}
	t.at++
	for t.at < len(t.Lines) && !t.Lines[t.at].Sent {
		p.waiting = append(p.waiting, t.Lines[t.at].Text+p.answer...)
		t.at++
	}
	return nil
}

// Receive gives the answer of the transcript.
func (p *playPort) Receive(ctx context.Context) ([]byte, bool, error) {
	if len(p.waiting) > 0 {
		data := p.waiting
		p.waiting = nil
		return data, false, nil
	}
	<-ctx.Done() // the instrument was silent here
	return nil, false, context.Cause(ctx)
}

// Idle reports nothing waiting.
func (p *playPort) Idle() error { return nil }

// Framed reports that nothing but the terminator ends an answer.
func (p *playPort) Framed() bool { return false }

// Close has nothing to close.
func (p *playPort) Close() error { return nil }
