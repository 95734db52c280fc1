package document

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Date is a day, written 2026-03-01. The zero value is absent.
type Date struct{ time.Time }

// UnmarshalText reads a date as year-month-day.
func (d *Date) UnmarshalText(text []byte) error {
	t, err := time.Parse("2006-01-02", strings.TrimSpace(string(text)))
	if err != nil {
		return hinted{fmt.Sprintf("%q is not a date", text), "write the date as year-month-day, for example 2026-03-01"}
	}
	d.Time = t
	return nil
}

// Count is a number of things: whole, not negative, without a unit.
type Count int

// UnmarshalText reads a whole number up to a million.
func (c *Count) UnmarshalText(text []byte) error {
	n, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil || n < 0 || n > 1_000_000 {
		return hinted{fmt.Sprintf("%q is not a whole number from 0 to 1000000", text),
			"a count has no unit, sign or decimals"}
	}
	*c = Count(n)
	return nil
}

// hinted is an error of UnmarshalText that brings its own hint.
type hinted struct{ what, hint string }

func (h hinted) Error() string { return h.what }
func (h hinted) Hint() string  { return h.hint }

// OneOf returns nil when text is one of the words, else an error that lists them and names the
// nearest; for the UnmarshalText of a closed set.
func OneOf(text string, words ...string) error {
	for _, w := range words {
		if w == text {
			return nil
		}
	}
	h := hinted{what: fmt.Sprintf("%q is not one of: %s", text, strings.Join(words, ", "))}
	if near := Nearest(text, words); near != "" {
		h.hint = fmt.Sprintf("did you mean %q?", near)
	}
	return h
}

// Nearest returns the word that was probably meant, or "" when none is near. Case, spaces, hyphens
// and underscores do not count.
func Nearest(text string, words []string) string {
	best, bestDistance := "", 1+max(1, min(3, len(text)/3))
	a := plain(text)
	for _, w := range words {
		if d := distance(a, plain(w)); d < bestDistance {
			best, bestDistance = w, d
		}
	}
	return best
}

func plain(s string) string {
	return strings.NewReplacer("_", "", "-", "", " ", "").Replace(strings.ToLower(s))
}

// distance is the number of insertions, deletions, replacements and swaps of neighbours that lead
// from a to b (optimal string alignment).
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	if len(s) > 64 || len(t) > 64 {
		return 64
	}
	var before []int
	row := make([]int, len(t)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(s); i++ {
		next := make([]int, len(t)+1)
		next[0] = i
		for j := 1; j <= len(t); j++ {
			cost := 1
			if s[i-1] == t[j-1] {
				cost = 0
			}
			next[j] = min(row[j]+1, next[j-1]+1, row[j-1]+cost)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				next[j] = min(next[j], before[j-2]+1)
			}
		}
		before, row = row, next
	}
	return row[len(t)]
}
