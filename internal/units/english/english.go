// Package english makes the small pieces of sentences that every face needs.
package english

import (
	"fmt"
	"unicode"
	"unicode/utf8"
)

// Count is a number with the noun for one or for many: "1 run", "3 runs".
func Count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// FirstUpper begins a sentence.
func FirstUpper(s string) string {
	if s == "" {
		return s
	}
	first, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(first)) + s[n:]
}
