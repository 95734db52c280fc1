package web

import (
	"strings"
	"testing"

	"provoke/internal/files/document"
	"provoke/internal/job/plan"
)

// Whatever is typed into a row, the file stays YAML, the row reads what was typed, and the other lines stay.
func FuzzRow(f *testing.F) {
	f.Add(0, "1 MHz", "27,12 MHz", "1 %", false)
	f.Add(2, "", "#x", "iec-61000-4-6", false)
	f.Add(1, "", "", "1 MHz; '3", false)
	f.Add(3, "", "", "a: [", false)
	f.Add(4, "0", `"`, "-", false)
	f.Add(4, "", "", "1;2", true)
	f.Add(2, "", "", "", false)
	const base = "provoke: plan 1\ngrid:\n  - {from: 150 kHz, to: 79 MHz}   # coarse\n  - {list: [27.12 MHz]}\n" +
		"  - from: 1 MHz   # band\n    to: 2 MHz\n    step: 50 kHz\n  - {around: [13.56 MHz], span: 2 %}\ndwell: 1 s\n"
	before := strings.Split(base, "\n")
	f.Fuzz(func(t *testing.T, n int, from, to, other string, list bool) {
		for _, x := range []*string{&from, &to, &other} {
			*x = strings.TrimSpace(strings.ReplaceAll(normal(*x), "\n", " "))
		}
		rows, _ := rowsOf(document.LayoutOf(base))
		g := gridRow{N: len(rows), Kind: map[bool]string{true: "list", false: "ends"}[list]}
		if n &= 7; n < len(rows) {
			g = rows[n]
		}
		if g.Kind == "ends" {
			g.From, g.To, g.Step = from, to, other
		} else {
			g.Text = other
		}
		got, err := withRow(base, g)
		if err != nil {
			t.Fatal(err)
		}
		_, problems := plan.Parse("x", []byte(got), nil)
		for _, p := range problems {
			if strings.Contains(p.What, "YAML") {
				t.Fatalf("%v\n%s", p, got)
			}
		}
		for i, line := range before {
			if (i+1 < g.first || i+1 > g.last) && !strings.Contains(got, line) {
				t.Fatalf("%q is gone from\n%s", line, got)
			}
		}
		after, ok := rowsOf(document.LayoutOf(got))
		if !ok {
			t.Fatalf("the grid is no longer taken apart\n%s", got)
		}
		if r := g.N; !g.Blank() && g.Kind == "ends" && (after[r].From != from || after[r].To != to ||
			after[r].Step != other) {
			t.Fatalf("%q, %q, %q became %+v\n%s", from, to, other, after[r], got)
		}
	})
}
