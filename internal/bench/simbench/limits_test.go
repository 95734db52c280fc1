package simbench

import (
	"fmt"
	"testing"
	"time"
)

// TestASourceHoldsItsLimitByItself: SCPI-1999 SOURce:VOLTage:LIMit; a level above it is -222.
func TestASourceHoldsItsLimitByItself(t *testing.T) {
	for _, c := range []struct {
		generator             Generator
		limit, below, above   string
		answer, again, header string
	}{
		{FunctionGenerator, "VOLT:LIM 0.1", "VOLT 0.1", "VOLT 0.11", "1.0", "1.0", "VOLT"},
		{SignalGenerator, "POW:LIM -20", "POW -20", "POW -19.9", "-2.0", "-2.0", "POW"},
	} {
		b := New(Config{Generator: c.generator})
		defer b.Close()
		ask := asking(t, b, "source")
		if got := ask(fmt.Sprintf("%s;:%s:LIM:STAT 1;:%s;:%s?;:SYST:ERR?", c.limit, c.header, c.below,
			c.header)); !sameStart(got, c.answer) {
			t.Errorf("%s: %s", c.below, got)
		}
		if got := ask(c.above + ";:SYST:ERR?"); !sameStart(got, "-222") {
			t.Errorf("%s: %s", c.above, got)
		}
		if got := ask(c.header + "?"); !sameStart(got, c.again) {
			t.Errorf("the level is %s", got)
		}
	}
}

func sameStart(got, want string) bool { return len(got) >= len(want) && got[:len(want)] == want }

// asking returns a function that sends a message and returns its answer.
func asking(t *testing.T, b *Bench, face string) func(string) string {
	t.Helper()
	c, err := b.Dial(t.Context(), face)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return func(message string) string {
		fmt.Fprintln(c, message)
		buf := make([]byte, 256)
		n, _ := c.Read(buf)
		return string(buf[:n])
	}
}

// TestAnOutputGoesOffWhenTheLastConnectionIsLost: only where it was told so.
func TestAnOutputGoesOffWhenTheLastConnectionIsLost(t *testing.T) {
	for _, protected := range []bool{false, true} {
		b := New(Config{})
		defer b.Close()
		c, err := b.Dial(t.Context(), "source")
		if err != nil {
			t.Fatal(err)
		}
		other := asking(t, b, "source")
		fmt.Fprintf(c, "OUTP:PROT:LINK %d;:OUTP 1;:OUTP?\n", map[bool]int{true: 1}[protected])
		c.Read(make([]byte, 16))
		c.Close()
		if got := other("OUTP?"); got != "1\n" {
			t.Errorf("with another connection there the output is %q", got)
		}
		b.mu.Lock()
		for x := range b.faces["source"].conns {
			x.Close()
		}
		b.mu.Unlock()
		for end := time.Now().Add(5 * time.Second); b.State().On == protected && time.Now().Before(end); {
			time.Sleep(time.Millisecond)
		}
		if b.State().On == protected {
			t.Errorf("protected %v: the output is on: %v", protected, b.State().On)
		}
	}
}
