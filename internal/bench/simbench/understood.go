package simbench

import (
	"fmt"
	"strings"
)

// Understood lists the commands of the instruments, from the tables by which they read them.
func Understood() string {
	var s strings.Builder
	for _, name := range Names {
		seen := map[string]bool{}
		for _, g := range []Generator{FunctionGenerator, SignalGenerator} {
			b := New(Config{Generator: g})
			for _, c := range b.Commands(name) {
				if !seen[c] {
					if len(seen) == 0 {
						fmt.Fprintf(&s, "\n%s:", name)
					}
					seen[c] = true
					s.WriteString(" " + c)
				}
			}
			b.Close()
		}
		if len(seen) > 0 {
			s.WriteString("\n")
		}
	}
	return s.String()
}
