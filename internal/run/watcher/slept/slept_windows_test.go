package slept

import (
	"sync"
	"testing"
	"time"
)

// TestTheSleepClockIsReadOnAStackThatMoves reads it where a goroutine's stack is about to be moved; a reading that goes
// to where the stack was shows the whole time since the start as sleep.
func TestTheSleepClockIsReadOnAStackThatMoves(t *testing.T) {
	first := Clock()
	var wg sync.WaitGroup
	for depth := range 4000 {
		wg.Go(func() {
			if now := deep(depth % 200); now-first > time.Second || first-now > time.Second {
				t.Errorf("at depth %d the machine has slept %v, before %v", depth%200, now, first)
			}
		})
	}
	wg.Wait()
}

//go:noinline
func deep(n int) time.Duration {
	var room [32]byte
	room[n%32] = 1
	if n == 0 {
		return Clock()
	}
	return deep(n-1) + time.Duration(room[(n+1)%32])
}
