package watcher_test

import (
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/run/watcher"
)

// of parses a simulated bench's file after a change.
func of(t *testing.T, sim *simbench.Bench, change func(string) string) *catalog.Bench {
	t.Helper()
	b, list := catalog.Parse("bench.yaml", []byte(change(string(sim.BenchFile()))),
		func(string) ([]byte, error) { return nil, errors.New("no files") })
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return b
}

// An instrument that takes one connection, in each of the three manners and declared or not, is the run's
// while that lives: the run's connections stay as they are. Once the run is dead, RF is off within a second.
func TestAnInstrumentThatTakesOneConnectionIsDialledOnceTheRunIsDead(t *testing.T) {
	t.Parallel()
	for _, manner := range []simbench.FaultKind{simbench.FaultSingle, simbench.FaultQueues, simbench.FaultThrowsOut} {
		for _, declared := range []bool{true, false} {
			name := string(manner)
			if declared {
				name += ", declared"
			}
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				sim, b := lit(t)
				if declared {
					b = of(t, sim, func(s string) string {
						return regexp.MustCompile(`(?m)^(  address: .*)$`).ReplaceAllString(s, "$1\n  connections: one")
					})
				}
				for _, face := range []string{"source", "amplifier"} {
					sim.Inject(face, simbench.Fault{Kind: manner})
				}
				rig, err := driver.OpenBench(t.Context(), b, driver.Options{})
				if err != nil {
					t.Fatal(err)
				}
				defer rig.Close()
				before := rig.Connections(t.Context())
				w := start(t, b, "")
				thrown := 0
				for id, n := range rig.Connections(t.Context()) {
					if n != before[id] {
						w.Alone(id)
						thrown++
					}
				}
				if st := w.State(); st.Independent() || len(st.Alone) < 2 {
					t.Errorf("%+v", st)
				}
				if want := manner == simbench.FaultThrowsOut && !declared; want != (thrown > 0) {
					t.Errorf("%d of the run's connections were thrown out", thrown)
				}
				again := rig.Connections(t.Context())
				time.Sleep(500 * time.Millisecond)
				for id, n := range rig.Connections(t.Context()) {
					if n != again[id] {
						t.Errorf("%s: the run was thrown out while it lived", id)
					}
				}
				if err := w.Check(); err != nil || !sim.State().On {
					t.Fatalf("RF on %v: %v", sim.State().On, err)
				}
				w.Abandon() // as the death of the process does
				rig.Close()
				began := time.Now()
				offWithin(t, func() bool { return sim.State().On }, time.Second)
				t.Logf("figure: RF off %v after the run's end", time.Since(began).Round(time.Millisecond))
			})
		}
	}
}

// The place of a dead client is kept for a while: the watcher goes on dialling until it is free.
func TestAWatcherDialsUntilTheDeadClientsPlaceIsFree(t *testing.T) {
	t.Parallel()
	const kept = 2500 * time.Millisecond
	sim, b := lit(t)
	for _, face := range []string{"source", "amplifier"} {
		sim.Inject(face, simbench.Fault{Kind: simbench.FaultSingle})
	}
	rig, err := driver.OpenBench(t.Context(), b, driver.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, face := range []string{"source", "amplifier"} {
		sim.Inject(face, simbench.Fault{Kind: simbench.FaultKeepsPlace, Delay: kept})
	}
	w := start(t, b, "")
	w.Abandon()
	rig.Close()
	began := time.Now()
	offWithin(t, func() bool { return sim.State().On }, kept+time.Second)
	t.Logf("figure: RF off %v after the run's end, its place was kept for %v",
		time.Since(began).Round(time.Millisecond), kept)
}

// A run that gives no sign of life and holds the only connections is killed; another process under its number
// is not.
func TestARunThatStandsStillWithTheOnlyConnectionIsKilled(t *testing.T) {
	t.Parallel()
	for what, same := range map[string]bool{"the run": true, "another process under its number": false} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			standsStill(t, same)
		})
	}
}

func standsStill(t *testing.T, same bool) {
	sim, b := lit(t)
	for _, face := range []string{"source", "amplifier"} {
		sim.Inject(face, simbench.Fault{Kind: simbench.FaultSingle})
	}
	c := exec.Command(os.Args[0], "holder", sim.Address("source"), sim.Address("amplifier"))
	said, _ := c.StdoutPipe()
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	io.ReadFull(said, make([]byte, 3))
	go func() { ended <- c.Wait() }()
	job := filepath.Join(t.TempDir(), "j.provoke")
	p := claim.Process{ID: c.Process.Pid, Started: "another time"}
	if same {
		p = claim.ProcessOf(c.Process.Pid)
	}
	inR, inW := io.Pipe()
	outR, outW := io.Pipe()
	done := make(chan error, 1)
	go func() { done <- watcher.Serve(t.Context(), inR, outW, time.Now) }()
	hello, _ := json.Marshal(watcher.Hello{Bench: b.File, Bytes: b.Bytes, Job: job, Run: p})
	began := time.Now()
	go inW.Write(append(hello, '\n'))
	go io.Copy(io.Discard, outR)
	if same {
		offWithin(t, func() bool { return sim.State().On }, watcher.Limit+time.Second)
		t.Logf("figure: RF off %v after the last sign of life of a run that holds the only connections",
			time.Since(began).Round(time.Millisecond))
		<-ended
	} else {
		select {
		case <-ended:
			t.Error("a process was killed that is not the run")
		case <-time.After(watcher.Limit + time.Second):
		}
		c.Process.Kill()
		<-ended
		offWithin(t, func() bool { return sim.State().On }, 3*time.Second)
	}
	inW.Close()
	<-done
	left, err := watcher.Left(job)
	want := map[bool]string{true: "it was killed, because it held the only connection of GEN1, AMP1",
		false: "is not killed: it is another one"}[same]
	if err != nil || left == nil || !strings.Contains(left.Cause, want) {
		t.Errorf("%+v, %v", left, err)
	}
}

// Nobody reads the pipe of a watcher that stands still: nothing that the run says to it may hold the run up.
func TestAWatcherThatStandsStillIsNoticedAndHoldsNothingUp(t *testing.T) {
	_, b := lit(t)
	w := start(t, b, "")
	if err := w.Stall(); err != nil {
		t.Skip(err)
	}
	began := time.Now()
	for n := range 200_000 { // more than a pipe holds
		w.Run(n)
	}
	if took := time.Since(began); took > 900*time.Millisecond {
		t.Errorf("the run was held up for %v by a full pipe", took)
	}
	select {
	case <-w.Gone():
	case <-time.After(watcher.Unanswered + time.Second):
		t.Fatal("nobody noticed")
	}
	t.Logf("figure: a watcher that stands still and a full pipe are noticed after %v: %v",
		time.Since(began).Round(time.Millisecond), w.Check())
	began = time.Now()
	w.Release()
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("its end took %v", took)
	}
}

// Of a bench whose source is set by hand the watcher lowers what is wired, and ends.
func TestOfABenchSetByHandTheAmplifierGoesToStandby(t *testing.T) {
	t.Parallel()
	sim, _ := lit(t)
	b := of(t, sim, func(s string) string {
		return regexp.MustCompile(`(?m)^(source:\n(?:  .*\n)*?)  address: .*\n  table: .*\n`).ReplaceAllString(s,
			"${1}  by_hand: true\n  hardware_off: switch S1\n")
	})
	job := filepath.Join(t.TempDir(), "j.provoke")
	p := byHand(t, b, job)
	p.in.Close()
	offWithin(t, func() bool { return sim.State().Operating }, time.Second)
	select {
	case <-p.done:
	case <-time.After(20 * time.Second):
		t.Fatal("it does not end")
	}
	left, err := watcher.Left(job)
	if err != nil || left == nil || !left.Done || left.Quiet ||
		!strings.Contains(left.How, "switches the source off by switch S1") {
		t.Errorf("%+v, %v", left, err)
	}
}
