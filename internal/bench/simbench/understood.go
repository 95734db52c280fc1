package simbench

import (
	"fmt"
	"strings"
)

// Understood lists the commands of the instruments, from the tables by which they read them.
func Understood() string {
	var s strings.Builder
	benches := []*Bench{New(Config{Generator: FunctionGenerator}), New(Config{Generator: SignalGenerator})}
	for _, name := range Names {
		seen := map[string]bool{}
		for _, b := range benches {
			for _, c := range b.Commands(name) {
				if !seen[c] {
					if len(seen) == 0 {
						fmt.Fprintf(&s, "\n%s:", name)
					}
					seen[c] = true
					s.WriteString(" " + c)
				}
			}
		}
		if len(seen) > 0 {
			s.WriteString("\n")
		}
	}
	for _, b := range benches {
		b.Close()
	}
	return s.String()
}
