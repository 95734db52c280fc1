package plan

import (
	"bytes"
	"strings"
)

// Change is a key of a plan file at its outermost level with a new value; an empty value takes the
// key out.
type Change struct{ Key, Value string }

// Rewrite returns the text of a plan file with outermost keys replaced, taken out, or added at its
// end. All else stays as it is, comments too. A study makes its plan this way, so that the file it
// runs can be read, kept and run again.
func Rewrite(data []byte, changes ...Change) []byte {
	lines := strings.SplitAfter(string(bytes.TrimRight(data, "\n"))+"\n", "\n")
	for _, c := range changes {
		lines = rewriteKey(lines, c)
	}
	return []byte(strings.Join(lines, ""))
}

func rewriteKey(lines []string, c Change) []string {
	at, end := -1, len(lines)
	for i, l := range lines {
		switch {
		case at < 0 && outermost(l) == c.Key:
			at = i
		case at >= 0 && outermost(l) != "":
			end = i
		}
		if end < len(lines) {
			break
		}
	}
	text := []string{c.Key + ": " + c.Value + "\n"}
	if c.Value == "" {
		text = nil
	}
	if at < 0 {
		return append(lines, text...)
	}
	// Blank lines and comments before the next key belong to that.
	for end > at+1 && (strings.TrimSpace(lines[end-1]) == "" || strings.HasPrefix(lines[end-1], "#")) {
		end--
	}
	return append(append(append([]string(nil), lines[:at]...), text...), lines[end:]...)
}

// outermost returns the key that begins at the first column of a line, or "".
func outermost(line string) string {
	if line == "" || strings.ContainsRune(" \t#-\r\n", rune(line[0])) {
		return ""
	}
	key, _, ok := strings.Cut(line, ":")
	if !ok {
		return ""
	}
	return strings.Trim(key, `"'`)
}
