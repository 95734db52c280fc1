package terminal_test

import (
	"bytes"
	"encoding/json"
	"io"
	"testing"
	"unicode/utf8"

	"provoke/internal/job/event"
	"provoke/internal/terminal"
)

// hostileText is what a name, a reply or a text of the product may hold at worst: escape sequences of
// ECMA-48 with their 7-bit and 8-bit introducers, a new title for the window, a bell, going back,
// text that runs the other way, text that is not seen, bytes that are no UTF-8.
const hostileText = "\x1b[31mred\x1b[2J\x1b]0;title\x07\u009b31m\rFORGED" +
	"\b\x00\x7f\u202eback\u2066\u200b\u2028line\U000e0041\xff\xfe"

func TestNothingThatMovesTheCursorReachesTheTerminal(t *testing.T) {
	var out bytes.Buffer
	h := &terminal.Writer{To: &out}
	for i := range len(hostileText) { // byte by byte, so that characters are cut
		if n, err := h.Write([]byte{hostileText[i]}); n != 1 || err != nil {
			t.Fatal(n, err)
		}
	}
	h.Flush()
	if want := `\u001b[31mred\u001b[2J\u001b]0;title\u0007\u009b31m\u000dFORGED\u0008\u0000\u007f\u202eback\u2066\u200b\u2028line\udb40\udc41\xff\xfe`; out.String() != want {
		t.Errorf("it wrote\n%q, want\n%q", out.String(), want)
	}
}

func TestWhatAnEngineerWritesPassesUnchanged(t *testing.T) {
	const text = "Zt 12.5 dBΩ\t±0.5 µA²\n10 V e.m.f. → 137 dBµV, \u00a0−20 dBm, ① “Prüfling” 機器\n"
	var out bytes.Buffer
	h := &terminal.Writer{To: &out}
	io.WriteString(h, text)
	h.Flush()
	if out.String() != text {
		t.Errorf("it wrote %q", out.String())
	}
}

func TestJSONStaysJSONAndKeepsItsText(t *testing.T) {
	valid := "\u009b31m\x7f\u202e\U000e0041 µ"
	var out bytes.Buffer
	h := &terminal.Writer{To: &out}
	if err := json.NewEncoder(h).Encode(valid); err != nil {
		t.Fatal(err)
	}
	h.Flush()
	var back string
	if err := json.Unmarshal(out.Bytes(), &back); err != nil || back != valid {
		t.Errorf("%q came back as %q, %v", valid, back, err)
	}
}

func FuzzTerminal(f *testing.F) {
	f.Add([]byte(hostileText), 7)
	f.Add([]byte("Zt 12.5 dBΩ\n"), 9)
	f.Fuzz(func(t *testing.T, text []byte, cut int) {
		var out bytes.Buffer
		h := &terminal.Writer{To: &out}
		cut = max(0, min(cut, len(text)))
		h.Write(text[:cut])
		h.Write(text[cut:])
		h.Flush()
		if !utf8.Valid(out.Bytes()) || bytes.IndexFunc(out.Bytes(), event.Dangerous) >= 0 {
			t.Fatalf("%q was written as %q", text, out.Bytes())
		}
		if utf8.Valid(text) && bytes.IndexFunc(text, event.Dangerous) < 0 && !bytes.Equal(text, out.Bytes()) {
			t.Fatalf("harmless %q was changed to %q", text, out.Bytes())
		}
	})
}
