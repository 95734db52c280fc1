package terminal

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Key is a key by its name. A character stands for itself ("u", "+", "µ"), the others have a name ("F9", "Ctrl-D",
// "Alt-x"). A key without one, as a foot switch may send it, is named by what it sends: "ESC[1;5A".
type Key string

// Keys that have a name, besides F1 to F20, Ctrl-A and so on, and Alt- before any key.
const (
	Enter     Key = "Enter"
	Esc       Key = "Esc"
	Space     Key = "Space"
	Backspace Key = "Backspace"
	Tab       Key = "Tab"
	Up        Key = "Up"
	Down      Key = "Down"
	Left      Key = "Left"
	Right     Key = "Right"
	PageUp    Key = "PageUp"
	PageDown  Key = "PageDown"
	Home      Key = "Home"
	End       Key = "End"
	Insert    Key = "Insert"
	Delete    Key = "Delete"
)

// Press is a key and when the terminal sent it. A key that is held arrives again and again (see Hold).
type Press struct {
	Key Key
	At  time.Time
}

// sequences are what terminals send after Esc for a key (ECMA-48 and what became usual beside it).
var sequences = func() map[string]Key {
	all := map[string]Key{"[1~": Home, "[7~": Home, "[2~": Insert, "[3~": Delete, "[4~": End, "[8~": End,
		"[5~": PageUp, "[6~": PageDown, "[Z": "Shift-Tab", "OM": Enter}
	for i, k := range []Key{Up, Down, Right, Left, End, Home} {
		for _, introducer := range "[O" {
			all[string(introducer)+string("ABCDFH"[i])] = k
		}
	}
	number := 10
	for f := 1; f <= 20; f++ {
		number++
		if f == 6 || f == 11 || f == 15 || f == 17 {
			number++ // 16, 22, 27 and 30 are no key
		}
		k := Key("F" + strconv.Itoa(f))
		all[fmt.Sprintf("[%d~", number)] = k
		if f <= 4 {
			all["O"+string("PQRS"[f-1])], all["["+string("PQRS"[f-1])] = k, k
		}
		if f <= 5 {
			all["[["+string("ABCDE"[f-1])] = k // the text console of Linux
		}
	}
	return all
}()

// controls are the keys that come as a control character.
var controls = func() map[byte]Key {
	all := map[byte]Key{0: "Ctrl-Space", 0x7f: Backspace, 0x1b: Esc}
	for b := byte(1); b < 0x20; b++ {
		if b != 0x1b {
			all[b] = Key("Ctrl-" + string(rune(b+0x40)))
		}
	}
	all['\b'], all['\t'], all['\r'], all['\n'] = Backspace, Tab, Enter, Enter
	return all
}()

// names are all names, written small, with what else they are called.
var names = func() map[string]Key {
	all := map[string]Key{"escape": Esc, "return": Enter, "pgup": PageUp, "pgdn": PageDown, "space": Space,
		"ctrl-h": Backspace, "ctrl-i": Tab, "ctrl-j": Enter, "ctrl-m": Enter, "ctrl-[": Esc}
	for _, k := range sequences {
		all[strings.ToLower(string(k))] = k
	}
	all["alt-space"] = "Alt-Space"
	for _, k := range controls {
		if name := strings.ToLower(string(k)); name != "ctrl-c" && name != "ctrl-z" { // these never arrive at anybody
			all[name], all["alt-"+name] = k, "Alt-"+k
		}
	}
	delete(all, "alt-esc") // comes as Esc twice
	return all
}()

// unnamed is the name of a key by what it sends.
var unnamed = regexp.MustCompile(`^ESC[\[O][ -~]{1,30}$`)

// String is the name that ParseKey reads.
func (k Key) String() string { return string(k) }

// Text is what the key writes into a line; "" for one that writes nothing.
func (k Key) Text() string {
	if k == Space {
		return " "
	}
	if r, n := utf8.DecodeRuneInString(string(k)); n == len(k) && unicode.IsPrint(r) {
		return string(k)
	}
	return ""
}

// ParseKey reads the name of a key, as Key.String gives it or in other capitals.
func ParseKey(text string) (Key, error) {
	if text == " " {
		return Space, nil
	}
	text = strings.TrimSpace(text)
	if k, ok := names[strings.ToLower(text)]; ok {
		return k, nil
	}
	if Key(text).Text() != "" || unnamed.MatchString(text) {
		return Key(text), nil
	}
	if len(text) > 4 && strings.EqualFold(text[:4], "Alt-") && Key(text[4:]).Text() != "" {
		return "Alt-" + Key(text[4:]), nil
	}
	return "", fmt.Errorf("%q is no key: write one character, Enter, Esc, Space, Backspace, Tab, Insert, Delete, Up, "+
		"Down, Left, Right, PageUp, PageDown, Home, End, F1 to F20, or Ctrl-A and the like (not Ctrl-C and Ctrl-Z, "+
		"which the program takes for itself)", text)
}

// How long the rest of a key is waited for. Esc alone is a key; what begins with more than that hardly ever is,
// and a slow line must not make three keys of one.
const (
	afterEsc   = 50 * time.Millisecond
	afterOther = 500 * time.Millisecond
)

// decoder makes keys of what a terminal sends, in whatever pieces it comes.
type decoder struct {
	held []byte    // the beginning of a key
	at   time.Time // when it came
}

// feed takes the next bytes and returns the keys that they complete.
func (d *decoder) feed(p []byte, at time.Time) (out []Press) {
	if len(d.held) == 0 {
		d.at = at
	}
	d.held = append(d.held, p...)
	for len(d.held) > 0 {
		key, n := firstKey(d.held)
		if n == 0 {
			break
		}
		if key != "" {
			out = append(out, Press{key, d.at})
		}
		d.held, d.at = d.held[n:], at
	}
	return out
}

// patience is how long the rest of what is held is waited for; 0 where nothing is held.
func (d *decoder) patience() time.Duration {
	switch {
	case len(d.held) == 0:
		return 0
	case len(d.held) == 1 && d.held[0] == 0x1b:
		return afterEsc
	}
	return afterOther
}

// expire returns what is held as a key: its rest never came.
func (d *decoder) expire() (out []Press) {
	key := Key("\ufffd") // a character that was cut
	switch {
	case len(d.held) == 0:
		return nil
	case len(d.held) == 1 && d.held[0] == 0x1b:
		key = Esc
	case d.held[0] == 0x1b && d.held[1] < utf8.RuneSelf:
		key = withoutName(d.held)
	}
	d.held = nil
	return []Press{{key, d.at}}
}

// firstKey returns the first key of a text and how many bytes it takes: none where the rest is still to come. The
// marks round pasted text are no key.
func firstKey(text []byte) (Key, int) {
	b := text[0]
	if b == 0x1b {
		return escaped(text)
	}
	if k, ok := controls[b]; ok {
		return k, 1
	}
	if b == ' ' {
		return Space, 1
	}
	if !utf8.FullRune(text) {
		return "", 0
	}
	r, n := utf8.DecodeRune(text)
	return Key(string(r)), n
}

// escaped is firstKey of a text that begins with Esc.
func escaped(text []byte) (Key, int) {
	switch {
	case len(text) == 1:
		return "", 0
	case text[1] == 0x1b:
		return Esc, 1
	case text[1] != '[' && text[1] != 'O':
		k, n := firstKey(text[1:])
		if n > 0 {
			return "Alt-" + k, n + 1
		}
		return "", 0
	}
	end := 2 // of a control sequence: parameters, then a letter
	for text[1] == '[' && end < len(text) && (text[end] >= ' ' && text[end] < '@' || end == 2 && text[end] == '[') {
		end++
	}
	switch {
	case end == len(text) && end < 32:
		return "", 0
	case end == len(text) || text[end] < '@' || text[end] > '~':
		return withoutName(text[:end]), end
	}
	sent := string(text[1 : end+1])
	if sent == "[200~" || sent == "[201~" {
		return "", end + 1
	}
	if k, ok := sequences[sent]; ok {
		return k, end + 1
	}
	return withoutName(text[:end+1]), end + 1
}

// withoutName is the key that sends what has no name here.
func withoutName(sent []byte) Key {
	if len(sent) == 2 {
		return "Alt-" + Key(sent[1:])
	}
	return "ESC" + Key(sent[1:])
}
