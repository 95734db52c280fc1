package terminal

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// sent is what terminals send for keys, written out from ECMA-48, the text console of Linux and xterm's control
// sequences.
var sent = map[string]Key{
	"u": "u", "U": "U", "+": "+", "µ": "µ", "機": "機", " ": Space,
	"\r": Enter, "\n": Enter, "\x1bOM": Enter, "\x7f": Backspace, "\b": Backspace, "\t": Tab, "\x1b[Z": "Shift-Tab",
	"\x00": "Ctrl-Space", "\x01": "Ctrl-A", "\x04": "Ctrl-D", "\x13": "Ctrl-S", "\x1c": `Ctrl-\`, "\x1d": "Ctrl-]",
	"\x1b[A": Up, "\x1b[B": Down, "\x1b[C": Right, "\x1b[D": Left, "\x1bOA": Up, "\x1bOD": Left,
	"\x1b[H": Home, "\x1b[F": End, "\x1b[1~": Home, "\x1b[4~": End, "\x1bOH": Home, "\x1bOF": End,
	"\x1b[5~": PageUp, "\x1b[6~": PageDown, "\x1b[2~": Insert, "\x1b[3~": Delete,
	"\x1bOP": "F1", "\x1bOQ": "F2", "\x1bOR": "F3", "\x1bOS": "F4", "\x1b[11~": "F1", "\x1b[[A": "F1",
	"\x1b[[E": "F5", "\x1b[15~": "F5", "\x1b[17~": "F6", "\x1b[18~": "F7", "\x1b[19~": "F8", "\x1b[20~": "F9",
	"\x1b[21~": "F10", "\x1b[23~": "F11", "\x1b[24~": "F12", "\x1b[25~": "F13", "\x1b[28~": "F15", "\x1b[34~": "F20",
	"\x1bx": "Alt-x", "\x1bµ": "Alt-µ", "\x1b\r": "Alt-Enter", "\x1b\x01": "Alt-Ctrl-A",
	"\x1b[1;5A": "ESC[1;5A", "\x1b[57399u": "ESC[57399u", "\x1bOj": "ESCOj",
}

func TestEveryKeyIsNamedAndItsNameIsRead(t *testing.T) {
	for text, want := range sent {
		var d decoder
		got := d.feed([]byte(text), time.Time{})
		if len(got) != 1 || got[0].Key != want || len(d.held) > 0 {
			t.Errorf("%q came as %q, still held %q; want %q", text, got, d.held, want)
		}
		if k, err := ParseKey(want.String()); err != nil || k != want {
			t.Errorf("the name %q is read as %q, %v", want, k, err)
		}
	}
	for text, want := range map[string]Key{"f9": "F9", "ESC": Esc, "escape": Esc, "return": Enter, "PgDn": PageDown,
		" ": Space, "ctrl-d": "Ctrl-D", "alt-x": "Alt-x", "Alt-X": "Alt-X", "ctrl-m": Enter,
		" F9\n": "F9"} {
		if k, err := ParseKey(text); err != nil || k != want {
			t.Errorf("%q is read as %q, %v; want %q", text, k, err, want)
		}
	}
	for _, text := range []string{"", "F0", "F21", "uu", "Ctrl-C", "ctrl-z", "Alt-", "Alt-Esc", "Alt-F9", "\x1b", "\a",
		"ESC[\x1b", "Enter Enter"} {
		if k, err := ParseKey(text); err == nil {
			t.Errorf("%q is read as %q, which never arrives", text, k)
		}
	}
}

// Whatever the pieces in which a burst comes, its keys are those of the burst: none is lost, none invented.
func TestNoKeyIsLostOrInventedHoweverABurstIsCut(t *testing.T) {
	all := slices.Sorted(func(yield func(string) bool) {
		for text := range sent {
			if !yield(text) {
				return
			}
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		var burst strings.Builder
		var want []Key
		pasted := rapid.Bool().Draw(t, "in marks of a paste")
		if pasted {
			burst.WriteString("\x1b[200~")
		}
		for _, text := range rapid.SliceOf(rapid.SampledFrom(all)).Draw(t, "keys") {
			burst.WriteString(text)
			want = append(want, sent[text])
		}
		if pasted {
			burst.WriteString("\x1b[201~")
		}
		var d decoder
		var got []Key
		for rest := []byte(burst.String()); len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "piece")
			for _, p := range d.feed(rest[:n], time.Time{}) {
				got = append(got, p.Key)
			}
			rest = rest[n:]
		}
		if !slices.Equal(got, want) || len(d.held) > 0 {
			t.Fatalf("%q came as %q, held %q; want %q", burst.String(), got, d.held, want)
		}
	})
}

func TestWhatIsCutShortIsOneKey(t *testing.T) {
	for text, want := range map[string]Key{"\x1b": Esc, "\x1b[": "Alt-[", "\x1bO": "Alt-O", "\x1b[1;5": "ESC[1;5",
		"\xc2": "\ufffd", "\x1b\xc2": "\ufffd"} {
		var d decoder
		begun := time.Unix(100, 0)
		if early := d.feed([]byte(text), begun); len(early) > 0 {
			t.Errorf("%q: %q came before its rest was waited for", text, early)
		}
		wait := 500 * time.Millisecond
		if text == "\x1b" {
			wait = 50 * time.Millisecond
		}
		if d.patience() != wait {
			t.Errorf("%q: its rest is waited for %v, want %v", text, d.patience(), wait)
		}
		if got := d.expire(); len(got) != 1 || got[0] != (Press{want, begun}) || d.patience() != 0 {
			t.Errorf("%q came as %q, want %q at the time of its beginning", text, got, want)
		}
	}
}

func TestASequenceThatBreaksOffTakesNoOtherKeyWithIt(t *testing.T) {
	long := "\x1b[" + strings.Repeat("1", 40)
	for text, want := range map[string][]Key{
		"\x1b[1\r":     {"ESC[1", Enter},
		"\x1b[1\x1b[A": {"ESC[1", Up},
		"\x1b[\x7f":    {"Alt-[", Backspace},
		"\x1b[1µ":      {"ESC[1", "µ"},
		"\x1bO\r":      {"Alt-O", Enter},
		"\x1b\x1b[A":   {Esc, Up},
		"\x1b[[\r":     {"ESC[[", Enter},
		long:           append([]Key{"ESC[" + Key(strings.Repeat("1", 30))}, slices.Repeat([]Key{"1"}, 10)...),
	} {
		var d decoder
		var got []Key
		for i := range len(text) {
			for _, p := range d.feed([]byte{text[i]}, time.Time{}) {
				got = append(got, p.Key)
			}
		}
		if !slices.Equal(got, want) || len(d.held) > 0 {
			t.Errorf("%q came as %q, held %q; want %q", text, got, d.held, want)
		}
	}
}

func FuzzKeys(f *testing.F) {
	f.Add([]byte("u\x1b[1;5A\x1b[200~µ\x1b"), 3)
	f.Fuzz(func(t *testing.T, text []byte, cut int) {
		var whole, cutUp decoder
		cut = max(0, min(cut, len(text)))
		once := append(whole.feed(text, time.Time{}), whole.expire()...)
		twice := append(cutUp.feed(text[:cut], time.Time{}), cutUp.feed(text[cut:], time.Time{})...)
		twice = append(twice, cutUp.expire()...)
		if fmt.Sprint(once) != fmt.Sprint(twice) {
			t.Fatalf("%q is %q, and %q when it is cut at %d", text, once, twice, cut)
		}
	})
}
