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
	mu   sync.Mutex
	To   io.Writer
	part []byte // the beginning of a character whose rest is still to come
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
		if _, err := h.To.Write(event.Harmless(text[:whole])); err != nil {
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

// Flush writes what was held back for the rest of a character that never came.
func (h *Writer) Flush() {
	h.mu.Lock()
	defer h.mu.Unlock()
	if len(h.part) > 0 {
		h.To.Write(event.Harmless(h.part))
	}
	h.part = nil
}

// Overwrite goes back to the beginning of the line and writes text over it: the only way to do so.
func Overwrite(w io.Writer, text string) {
	if h, ok := w.(*Writer); ok {
		h.mu.Lock()
		defer h.mu.Unlock()
		h.To.Write(append([]byte{'\r'}, event.Harmless([]byte(text))...))
		return
	}
	io.WriteString(w, "\r"+text)
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
