package main

import (
	"fmt"
	"io"
	"regexp"
	"strings"

	"provoke/internal/units/english"
)

// abridged shortens what a command prints so that the whole of it can be read in a minute or two: of the lines of
// progress the last, of a long passage the beginning. Where something is left out it says how much.
type abridged struct {
	to            io.Writer
	rest          string   // of a line that has not ended
	block         []string // of a passage, which blank lines end
	went          string   // the last line of progress
	told          map[string]bool
	printed, left int // lines
}

// mostOfPassage is how many lines of a passage are printed, mostOfCommand of everything, before the rest is counted.
const mostOfPassage, mostOfCommand = 6, 10

var progressLine = regexp.MustCompile(`^run \d+: \d+ of \d+ frequencies, `)

// Write takes lines.
func (a *abridged) Write(p []byte) (int, error) {
	text := a.rest + string(p)
	for {
		line, rest, ok := strings.Cut(text, "\n")
		if !ok {
			a.rest = line
			return len(p), nil
		}
		text = rest
		switch {
		case a.again(line):
			continue
		case progressLine.MatchString(line):
			a.went = line
			continue
		case a.went != "":
			a.block = append(a.block, a.went)
			a.went = ""
		}
		if strings.TrimSpace(line) == "" {
			if err := a.flush(); err != nil {
				return 0, err
			}
			continue
		}
		a.block = append(a.block, line)
	}
}

// again reports a warning, or its hint, that an earlier command printed.
func (a *abridged) again(line string) bool {
	if !strings.Contains(line, ": warning: ") && !strings.HasPrefix(strings.TrimSpace(line), "hint: ") {
		return false
	}
	_, what, _ := strings.Cut(line, ": ")
	what = anyFigure.ReplaceAllString(what, "#")
	was := a.told[what]
	a.told[what] = true
	return was
}

// flush ends a passage.
func (a *abridged) flush() error {
	block := a.block
	a.block = nil
	if len(block) == 0 {
		return nil
	}
	tail := 0
	if strings.HasPrefix(block[len(block)-1], "see: ") {
		tail = min(3, len(block)) // how a run ended
	}
	room := min(mostOfPassage, mostOfCommand-a.printed)
	if room < 3 && tail == 0 && len(block) > max(room, 0) { // the heading of a table says nothing alone
		a.left += len(block)
		return nil
	}
	if more := len(block) - tail - max(room, 0); more > 1 {
		a.left += more
		block = append(block[:max(room, 0):max(room, 0)], block[len(block)-tail:]...)
	}
	a.printed += len(block)
	_, err := fmt.Fprintln(a.to, strings.Join(block, "\n"))
	return err
}

// close prints what has not ended.
func (a *abridged) close() error {
	if a.rest != "" || a.went != "" {
		a.block = append(a.block, strings.TrimSpace(a.went+a.rest))
		a.rest, a.went = "", ""
	}
	err := a.flush()
	if err == nil && a.left > 0 {
		_, err = fmt.Fprintf(a.to, "… and %s\n", english.Count(a.left, "line", "lines"))
	}
	return err
}
