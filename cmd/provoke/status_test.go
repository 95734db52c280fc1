package main

import (
	"bytes"
	"strings"
	"testing"

	"provoke/internal/run/engine"
)

// What was measured of the interlock at arming is told once, above the line that is overwritten.
func TestTheInterlocksReactionIsToldOnceAtArming(t *testing.T) {
	const words = "interlock asked every 150 ms while RF is on, answers in 20 ms"
	for _, terminal := range []bool{false, true} {
		var out bytes.Buffer
		l := &statusLine{w: ofColumns{&out, 120}, terminal: terminal, label: "run 1"}
		l.show(engine.Status{Phase: "arming"})
		for range 3 {
			l.show(engine.Status{Phase: "first light", Interlock: words})
		}
		if n := strings.Count(out.String(), words+"\n"); n != 1 {
			t.Errorf("terminal %v: told %d times: %q", terminal, n, out.String())
		}
	}
}
