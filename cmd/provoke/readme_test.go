package main

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"provoke/internal/faces/demo"
)

// What README.md shows of the demo is taken from a run of it:
//
//	go test ./cmd/provoke -run TheDemoDoes -update-readme
var updateReadme = flag.Bool("update-readme", false, "rewrite what README.md shows of the demo")

var progressLine = demo.ProgressLine

// shows marks a block of README.md: what was typed, from its beginning, and how many lines of the answer follow.
var shows = regexp.MustCompile(`(?m)^<!-- shows ([^:]+): (\d+) -->\n\n((?:    .*\n|\n    .*\n)+)`)

// readmeOf puts into the marked blocks of README.md what a demo printed with --verbose.
func readmeOf(readme, demo string) (string, error) {
	var wrong error
	at := 0
	out := shows.ReplaceAllStringFunc(readme, func(block string) string {
		m := shows.FindStringSubmatch(block)
		i := strings.Index(demo[at:], "\n$ provoke "+m[1])
		if i < 0 {
			wrong = fmt.Errorf("README.md shows %q, which the demo does not type (from where the block before it "+
				"ended)", m[1])
			return block
		}
		at += i + 1
		text, _, _ := strings.Cut(demo[at:], "\n$ provoke ")
		lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
		n, _ := strconv.Atoi(m[2])
		var b strings.Builder
		fmt.Fprintf(&b, "<!-- shows %s: %s -->\n\n    $ provoke %s\n", m[1], m[2], m[1])
		for _, l := range lines[1:] {
			if strings.TrimSpace(l) == "" || progressLine.MatchString(l) || strings.Contains(l, "warning: ") ||
				strings.HasPrefix(l, "\thint") {
				continue
			}
			if n--; n < 0 {
				b.WriteString("    …\n")
				break
			}
			b.WriteString("    " + strings.ReplaceAll(l, "\t", "    ") + "\n")
		}
		return b.String()
	})
	return out, wrong
}

// checkReadme holds README.md to what the demo printed, but for figures; with -update-readme it is rewritten.
func checkReadme(t *testing.T, demo string) {
	t.Helper()
	const file = "../../README.md"
	old, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	fresh, err := readmeOf(string(old), demo)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(shows.FindAllString(fresh, -1)); n < 5 {
		t.Errorf("README.md has %d marked blocks", n)
	}
	if *updateReadme {
		if err := os.WriteFile(file, []byte(fresh), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	words := func(s string) string { // without figures, units' prefixes, bounds and the width of columns
		s = regexp.MustCompile(`[0-9a-f]{10,}`).ReplaceAllString(s, "#")
		s = regexp.MustCompile(`-?\d+(\.\d+)?`).ReplaceAllString(s, "#")
		return strings.Join(strings.Fields(s), " ")
	}
	if a, b := words(string(old)), words(fresh); a != b {
		i := 0
		for i < min(len(a), len(b)) && a[i] == b[i] {
			i++
		}
		t.Errorf("README.md shows\n…%s\nand the demo prints\n…%s\nrewrite it: go test ./cmd/provoke -run TheDemoDoes "+
			"-update-readme", a[max(0, i-80):min(len(a), i+80)], b[max(0, i-80):min(len(b), i+80)])
	}
}
