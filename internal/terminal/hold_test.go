package terminal_test

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"provoke/internal/terminal"
)

// repeats are the times in ms of a key that is held down and repeats.
func repeats(from, first, every, until int) (at []int) {
	at = []int{from}
	for t := from + first; t <= until; t += every {
		at = append(at, t)
	}
	return at
}

func TestAKeyIsHeldWhenItRepeatsForASecond(t *testing.T) {
	type stroke struct {
		key terminal.Key
		at  []int
	}
	for _, c := range []struct {
		name    string
		strokes []stroke
		held    []int // when a hold is told, in ms
	}{
		{"a slow terminal", []stroke{{"Space", repeats(0, 660, 50, 1400)}}, []int{1010}},
		{"a quick terminal", []stroke{{"Space", repeats(0, 250, 15, 1400)}}, []int{1000}},
		{"released after 0.95 s", []stroke{{"Space", repeats(0, 500, 30, 950)}}, nil},
		{"told once while it goes on", []stroke{{"Space", repeats(0, 500, 50, 5000)}}, []int{1000}},
		{"held twice", []stroke{{"Space", repeats(0, 500, 50, 1500)}, {"Space", repeats(3000, 500, 50, 4500)}},
			[]int{1000, 4000}},
		{"a paste of forty letters", []stroke{{"u", repeats(0, 0, 1, 40)}}, nil},
		{"two pastes a second apart", []stroke{{"u", repeats(0, 0, 1, 20)}, {"u", repeats(1000, 0, 1, 20)}}, nil},
		{"two slow taps", []stroke{{"u", []int{0, 1100}}}, nil},
		{"taps every 0.6 s", []stroke{{"u", []int{0, 600, 1200, 1800, 2400, 3000}}}, nil},
		{"taps every 0.3 s", []stroke{{"u", []int{0, 300, 600, 900, 1200, 1500}}}, nil},
		{"a tap, then the same key held", []stroke{{"u", []int{0}}, {"u", repeats(150, 500, 50, 2000)}}, []int{1150}},
		{"another key between", []stroke{{"u", repeats(0, 500, 50, 800)}, {"h", []int{820}},
			{"u", repeats(850, 50, 50, 1800)}}, nil},
		{"another key held", []stroke{{"u", repeats(0, 500, 50, 900)}, {"h", repeats(920, 500, 50, 2000)}},
			[]int{1920}},
		{"the line stops for 0.3 s", []stroke{{"u", repeats(0, 500, 50, 800)}, {"u", repeats(1100, 50, 50, 1750)}},
			nil},
		{"the clock is set back", []stroke{{"u", repeats(5000, 500, 50, 5900)}, {"u", []int{100, 6100}}}, nil},
	} {
		var h terminal.Hold
		var held []int
		for _, s := range c.strokes {
			for _, at := range s.at {
				if h.Press(terminal.Press{Key: s.key, At: time.UnixMilli(int64(at))}) {
					held = append(held, at)
				}
			}
		}
		if len(held) != len(c.held) {
			t.Errorf("%s: held at %d ms, want %d", c.name, held, c.held)
			continue
		}
		for i := range held {
			if held[i] != c.held[i] {
				t.Errorf("%s: held at %d ms, want %d", c.name, held, c.held)
			}
		}
	}
}

// The rule as it is worded, tried on every press that may have begun the hold.
func TestNothingElseIsTakenForAHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		type stroke struct {
			key terminal.Key
			at  int
		}
		var strokes []stroke
		var h terminal.Hold
		at, told := 0, -1
		for range rapid.IntRange(1, 60).Draw(t, "presses") {
			at += rapid.OneOf(rapid.IntRange(0, 60), rapid.SampledFrom([]int{199, 200, 201, 500, 699, 700, 701, 1000})).
				Draw(t, "gap")
			key := terminal.Key("u")
			if rapid.IntRange(0, 30).Draw(t, "other key") == 0 {
				key = "h"
			}
			strokes = append(strokes, stroke{key, at})
			last := len(strokes) - 1
			held, since := false, -1
			for first := last - 1; first >= 0; first-- { // does a hold reach from first to last?
				ok := at-strokes[first].at >= 1000
				for i := first; i <= last; i++ {
					ok = ok && strokes[i].key == key
					if i > first {
						gap := strokes[i].at - strokes[i-1].at
						ok = ok && (gap <= 200 || i == first+1 && gap <= 700)
					}
				}
				if ok {
					held, since = true, first
				}
			}
			got := h.Press(terminal.Press{Key: key, At: time.UnixMilli(int64(at))})
			if want := held && since != told; got != want {
				t.Fatalf("after %v: held %v, want %v", strokes, got, want)
			}
			if held {
				told = since
			}
		}
	})
}
