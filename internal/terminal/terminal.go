package terminal

import (
	"io"
	"sync"
	"unicode/utf8"

	"provoke/internal/job/event"
)

// Writer is an output that a name, a reply of an instrument or a text of the product cannot take
// over: what would move the cursor, colour, hide or turn round text goes out as an escape that can be
// read. Line feeds and tabs pass; where somebody else's text must not break a line, whoever prints it
// uses event.Printable. Inside JSON the escapes are JSON's own.
type Writer struct {
	mu    sync.Mutex
	To    io.Writer
	part  []byte // the beginning of a character whose rest is still to come
	block *Block // what stands below all that is written
	lost  error  // why something that was to be printed first was not
}

// Lost says why something that was printed did not get out; nil when all of it did.
func (h *Writer) Lost() error {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.lost
}

// Write never returns less than all bytes without an error.
func (h *Writer) Write(p []byte) (int, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	text := p
	if len(h.part) > 0 {
		text = append(h.part, p...)
		h.part = nil
	}
	whole := wholeRunes(text)
	h.part = append([]byte(nil), text[whole:]...)
	if whole > 0 {
		if err := h.send(event.Harmless(text[:whole])); err != nil {
			return 0, err
		}
	}
	return len(p), nil
}

// Columns says how wide the terminal behind it is; 0 where there is none.
func (h *Writer) Columns() int {
	if s, ok := h.To.(interface{ Columns() int }); ok {
		return s.Columns()
	}
	return 0
}

// Terminal reports whether a terminal is behind it.
func (h *Writer) Terminal() bool {
	s, ok := h.To.(interface{ Terminal() bool })
	return ok && s.Terminal()
}

// Flush writes what was held back for the rest of a character that never came.
func (h *Writer) Flush() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.part) > 0 {
		h.send(event.Harmless(h.part))
	}
	h.part = nil
}

// send writes what is harmless, above the block that stands there.
func (h *Writer) send(text []byte) error {
	var err error
	if h.block != nil {
		err = h.block.above(h.To, text)
	} else {
		_, err = h.To.Write(text)
	}
	if h.lost == nil {
		h.lost = err
	}
	return err
}

// Ring sounds the bell of a terminal; nothing elsewhere.
func Ring(out io.Writer) {
	if h, ok := out.(*Writer); ok && h.Terminal() {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.To.Write([]byte{'\a'})
	}
}

// wholeRunes returns the length of p without a character that is cut at its end.
func wholeRunes(p []byte) int {
	for i := len(p) - 1; i >= 0 && i >= len(p)-utf8.UTFMax; i-- {
		if utf8.RuneStart(p[i]) {
			if !utf8.FullRune(p[i:]) {
				return i
			}
			break
		}
	}
	return len(p)
}
