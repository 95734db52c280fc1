package watcher_test

import (
	"context"
	"io"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/model/chain"
	"provoke/internal/run/watcher"
)

// sleepy is a machine whose sleep a test decides.
func sleepy(t *testing.T) *atomic.Int64 {
	t.Helper()
	slept := &atomic.Int64{}
	slept.Store(int64(3 * time.Hour)) // before the run
	t.Cleanup(watcher.SetSleepClock(func() time.Duration { return time.Duration(slept.Load()) }))
	return slept
}

// The run's own process wakes with the machine, as the watcher's does, and whichever is first acts.
func TestTheRunsProcessSwitchesOffWhenTheMachineHasSlept(t *testing.T) {
	slept := sleepy(t)
	sim, b := lit(t)
	w := start(t, b, "")
	rig, err := driver.OpenBench(t.Context(), b, driver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer rig.Close()
	tripped := make(chan string, 1)
	g := guard.New(guard.Config{Chain: chain.New(b), Source: rig.Source, Amplifier: rig.Amplifier, Watcher: w,
		DeadMan: time.Minute,
		Tripped: func(cause, by string) { tripped <- cause + " (" + by + ")" }})
	if err := g.Arm(); err != nil {
		t.Fatal(err)
	}
	defer g.Disarm()
	time.Sleep(300 * time.Millisecond)
	if w.Check() != nil || !sim.State().On {
		t.Fatalf("sleep of before the run counts: %v", w.Check())
	}
	slept.Add(int64(500 * time.Millisecond)) // shorter than what counts
	time.Sleep(300 * time.Millisecond)
	if w.Check() != nil || !sim.State().On {
		t.Fatalf("half a second of sleep counts: %v", w.Check())
	}
	woke := time.Now()
	slept.Add(int64(42 * time.Second))
	offWithin(t, func() bool { return sim.State().On }, 5*time.Second)
	off := time.Since(woke)
	t.Logf("figure: RF off by the run's own process %v after the machine woke", off.Round(time.Millisecond))
	if off > time.Second {
		t.Errorf("RF went off %v after the machine woke", off)
	}
	if cause := <-tripped; cause != "unattended RF, 42.5 s: the machine slept (watcher)" {
		t.Errorf("journalled as %q", cause)
	}
}

func TestTheWatcherSwitchesOffWhenTheMachineHasSlept(t *testing.T) {
	slept := sleepy(t)
	sim, b := lit(t)
	job := filepath.Join(t.TempDir(), "j.provoke")
	p := byHand(t, b, job)
	beating, stop := context.WithCancel(t.Context())
	defer stop()
	go func() { // the run's process does not notice
		for beating.Err() == nil {
			io.WriteString(p.in, ".\n")
			time.Sleep(50 * time.Millisecond)
		}
		p.in.Close()
	}()
	time.Sleep(500 * time.Millisecond)
	if !sim.State().On {
		t.Fatal("the watcher acted before the machine slept")
	}
	woke := time.Now()
	slept.Add(int64(42 * time.Second))
	offWithin(t, func() bool { return sim.State().On }, 5*time.Second)
	t.Logf("figure: RF off by the watcher %v after the machine woke", time.Since(woke).Round(time.Millisecond))
	stop()
	if err := <-p.done; err != nil {
		t.Error(err)
	}
	left, err := watcher.Left(job)
	if err != nil || left == nil || !strings.Contains(left.Cause, "unattended RF, 42 s") {
		t.Errorf("%+v %v", left, err)
	}
}
