package terminal

import (
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/text/width"

	"provoke/internal/job/event"
)

// between is how often a block is drawn at most.
const between = 100 * time.Millisecond

// Block is lines at the foot of the terminal that are overwritten in place, while all that is printed on stdout and
// stderr goes by above them. Lines are cut to the terminal's width and never wrap. Where stderr is no terminal, or one
// that cannot overwrite, they are printed now and then. One at a time.
type Block struct {
	w     *World
	out   *Writer // nil where nothing can be overwritten
	every time.Duration

	mu     sync.Mutex
	lines  []string
	entry  string // a line that somebody is typing, below the lines
	typing bool
	shown  bool      // the lines are to be seen
	drawn  int       // lines that stand there
	when   time.Time // drawn or printed last
	due    *time.Timer
	told   string // printed last
	open   bool   // somebody's line above has no end yet
	closed bool
}

// NewBlock returns a block on stderr that shows nothing yet. Where there is no terminal it prints its lines at most
// once in a time, 0 for never.
func NewBlock(w *World, every time.Duration) *Block {
	b := &Block{w: w, every: every}
	if h, ok := w.Stderr.(*Writer); ok && w.Terminal && overwrites(h.To) {
		b.out = h
		b.standOn(b)
	}
	return b
}

// standOn sets what stands below what is written on stderr, and on a stdout that is a terminal.
func (b *Block) standOn(block *Block) {
	for _, out := range []io.Writer{b.w.Stdout, b.w.Stderr} {
		if h, ok := out.(*Writer); ok && (h == b.out || h.Terminal()) {
			h.mu.Lock()
			h.block = block
			h.mu.Unlock()
		}
	}
}

// blockOn returns the block that stands below what is written on an output; nil without one.
func blockOn(out io.Writer) *Block {
	h, ok := out.(*Writer)
	if !ok {
		return nil
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.block
}

// Live reports whether the lines are overwritten in place.
func (b *Block) Live() bool { return b.out != nil }

// Fits reports whether a line is seen whole.
func (b *Block) Fits(line string) bool { return b.out == nil || columns(plain(line)) <= b.room() }

// Show replaces the lines. They are drawn at once, or as soon as it may be: ten times a second at most.
func (b *Block) Show(lines ...string) {
	b.change(func() { b.lines, b.shown = lines, true })
}

// Close takes the lines away; where nothing is overwritten it prints them if they were not printed yet.
func (b *Block) Close() {
	b.change(func() { b.when, b.closed, b.shown = time.Time{}, true, false })
	if b.out != nil {
		b.standOn(nil)
	}
}

// ask shows a line that is being typed below the lines; answered takes it away.
func (b *Block) ask(entry string) {
	b.change(func() { b.entry, b.typing, b.shown = entry, true, true })
}

func (b *Block) answered() { b.change(func() { b.entry, b.typing = "", false }) }

// hide takes the lines away until it is undone.
func (b *Block) hide(now bool) { b.change(func() { b.shown = !now }) }

// enterEchoed says that somebody ended a line at the terminal itself: the cursor is below what was drawn.
func (b *Block) enterEchoed() { b.change(func() { b.open, b.drawn = false, 0 }) }

// change does something to the block and shows what that makes of it.
func (b *Block) change(do func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		return
	}
	do()
	switch {
	case b.out != nil && b.shown:
		b.soon()
	case b.out != nil:
		b.erase()
	case b.every > 0 && time.Since(b.when) >= b.every:
		if text := oneLine(b.lines); text != b.told {
			fmt.Fprintln(b.w.Stderr, text)
			b.told, b.when = text, time.Now()
		}
	}
}

// above writes somebody's text where the lines stand, and the lines anew below it once its last line has an end.
func (b *Block) above(to io.Writer, text []byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.erase()
	_, err := to.Write(text)
	if b.open = text[len(text)-1] != '\n'; b.shown && !b.open {
		b.soon()
	}
	return err
}

// soon draws, now or when it may be.
func (b *Block) soon() {
	wait := between - time.Since(b.when)
	switch {
	case b.due != nil:
	case wait <= 0:
		b.draw()
	default:
		var due *time.Timer
		due = time.AfterFunc(wait, func() {
			b.mu.Lock()
			defer b.mu.Unlock()
			if b.due == due {
				b.due = nil
				b.draw()
			}
		})
		b.due = due
	}
}

// draw overwrites the lines in one write; the cursor stays behind the last one.
func (b *Block) draw() {
	lines := b.fitting()
	begin := b.back()
	if b.open {
		begin = "\r\n"
	}
	io.WriteString(b.out.To, begin+strings.Join(lines, "\x1b[K\r\n")+"\x1b[J")
	b.drawn, b.when, b.open = len(lines), time.Now(), false
}

// erase wipes what is drawn; what was still to be drawn is not.
func (b *Block) erase() {
	if b.due != nil {
		b.due.Stop()
		b.due = nil
	}
	if b.drawn > 0 {
		io.WriteString(b.out.To, b.back()+"\x1b[J")
		b.drawn = 0
	}
}

// back moves the cursor from the last line that is drawn to the beginning of the first.
func (b *Block) back() string {
	if b.drawn > 1 {
		return fmt.Sprintf("\r\x1b[%dA", b.drawn-1)
	}
	return "\r"
}

// room is the columns of a line: a terminal that is written full to the end goes on below.
func (b *Block) room() int {
	n := b.out.Columns()
	if n == 0 {
		n = PlainColumns
	}
	return max(n-1, 1)
}

// fitting is the lines as the terminal has room for them.
func (b *Block) fitting() (out []string) {
	lines := b.lines
	if s, ok := b.out.To.(Screen); ok {
		if _, rows := terminalSize(s.File); rows > 0 { // room for the line that is typed too, and for one above
			lines = lines[:max(0, min(len(lines), rows-2))]
		}
	}
	for _, line := range lines {
		out = append(out, cut(plain(line), b.room()))
	}
	if b.typing {
		entry := plain(b.entry)
		for columns(entry) > b.room() { // its end is what is being typed
			runes := []rune(entry)
			entry = "…" + string(runes[min(2, len(runes)):])
		}
		out = append(out, entry)
	}
	return out
}

// oneLine puts lines into one.
func oneLine(lines []string) string {
	var out []string
	for _, line := range lines {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return strings.Join(out, "  ")
}

// plain is a text as one line that moves nothing.
func plain(text string) string {
	return strings.NewReplacer("\n", " ", "\t", " ").Replace(string(event.Harmless([]byte(text))))
}

// cut shortens a text to the room of so many columns.
func cut(text string, room int) string {
	if columns(text) <= room {
		return text
	}
	end, used := 0, 1 // the ellipsis
	for i, r := range text {
		if used += columnsOfRune(r); used > room {
			break
		}
		end = i + len(string(r))
	}
	return text[:end] + "…"
}

// columns is how much room a text takes on a terminal.
func columns(text string) (n int) {
	for _, r := range text {
		n += columnsOfRune(r)
	}
	return n
}

// columnsOfRune is the room of a character after Unicode Standard Annex 11.
func columnsOfRune(r rune) int {
	switch {
	case unicode.In(r, unicode.Mn, unicode.Me):
		return 0
	case width.LookupRune(r).Kind() == width.EastAsianWide, width.LookupRune(r).Kind() == width.EastAsianFullwidth:
		return 2
	}
	return 1
}
