package guard_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/guard"
)

// circuit is an external one: it lets RF be for its time after each feed.
type circuit struct {
	mu    sync.Mutex
	fed   []time.Time
	fails error
}

func (c *circuit) Feed(context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fails == nil {
		c.fed = append(c.fed, time.Now())
	}
	return c.fails
}

func (c *circuit) Within() time.Duration { return time.Second }

func (c *circuit) last() (time.Duration, int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.fed) == 0 {
		return -1, 0
	}
	return time.Since(c.fed[len(c.fed)-1]), len(c.fed)
}

func TestTheHardwareDeadManIsFedOnlyWhileRFMayBeOn(t *testing.T) {
	for _, end := range []string{"trip", "silence", "disarm", "the engine hangs", "it cannot be fed"} {
		synctest.Test(t, func(t *testing.T) {
			c := &circuit{}
			g, _ := newGuard(func(cfg *guard.Config) { cfg.Hardware, cfg.DeadMan = c, 2*time.Second })
			time.Sleep(5 * time.Second)
			if _, n := c.last(); n != 0 {
				t.Errorf("%s: fed %d times before it was armed", end, n)
			}
			if err := g.Arm(); err != nil {
				t.Fatal(err)
			}
			for range 50 {
				g.Feed()
				time.Sleep(100 * time.Millisecond)
				if age, n := c.last(); age > 500*time.Millisecond || n == 0 {
					t.Fatalf("%s: not fed for %v although all is well", end, age)
				}
			}
			switch end {
			case "trip":
				g.Trip("a test", "test")
			case "silence":
				go func() { g.Silence(context.Background(), "a test"); g.Disarm() }()
			case "disarm":
				g.Disarm()
			case "the engine hangs":
				time.Sleep(2100 * time.Millisecond)
			case "it cannot be fed":
				c.mu.Lock()
				c.fails = errors.New("the cable is off")
				c.mu.Unlock()
				time.Sleep(time.Second)
				if !strings.Contains(g.Cause(), "the hardware dead-man cannot be fed: the cable is off") {
					t.Errorf("the cause is %q", g.Cause())
				}
			}
			_, before := c.last()
			time.Sleep(5 * time.Second)
			if _, after := c.last(); after > before+1 {
				t.Errorf("%s: fed %d times after that", end, after-before)
			}
			g.Disarm()
		})
	}
}

// Two feeds of four may fail; no permission is given when more have.
func TestTheHardwareDeadManMayMissTwoFeeds(t *testing.T) {
	for fails, trips := range map[time.Duration]bool{600 * time.Millisecond: false, 800 * time.Millisecond: true} {
		synctest.Test(t, func(t *testing.T) {
			c := &circuit{}
			g, _ := newGuard(func(cfg *guard.Config) { cfg.Hardware, cfg.DeadMan = c, time.Hour })
			if err := g.Arm(); err != nil {
				t.Fatal(err)
			}
			defer g.Disarm()
			time.Sleep(10 * time.Millisecond)
			c.mu.Lock()
			c.fails = errors.New("no answer")
			c.mu.Unlock()
			time.Sleep(fails)
			c.mu.Lock()
			c.fails = nil
			c.mu.Unlock()
			time.Sleep(50 * time.Millisecond)
			_, err := g.Clear(t.Context(), at(-40))
			if tripped := errors.Is(err, guard.ErrTripped); tripped != trips {
				t.Errorf("no feed for %v: %v", fails, err)
			}
		})
	}
}

// A permission is refused where the circuit is not fed now.
func TestNoPermissionWithoutTheHardwareDeadMan(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &circuit{}
		g, _ := newGuard(func(cfg *guard.Config) { cfg.Hardware, cfg.DeadMan = c, time.Hour })
		if err := g.Arm(); err != nil {
			t.Fatal(err)
		}
		defer g.Disarm()
		before := 0
		time.Sleep(10 * time.Millisecond)
		if _, before = c.last(); before != 1 {
			t.Errorf("fed %d times by arming", before)
		}
		if _, err := g.Clear(t.Context(), at(-40)); err != nil {
			t.Fatal(err)
		}
		if _, n := c.last(); n != before {
			t.Error("fed again although it was fed a moment ago")
		}
	})
}
