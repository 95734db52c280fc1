package watcher_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/run/watcher"
)

// TestMain lets this test binary be the watcher's process.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "watch" {
		if watcher.Serve(watcher.Deaf(context.Background()), os.Stdin, os.Stdout, time.Now) != nil {
			os.Exit(1)
		}
		os.Exit(0)
	}
	if len(os.Args) > 1 && os.Args[1] == "holder" { // a process that has connections and does nothing
		for _, address := range os.Args[2:] {
			c, err := net.Dial("tcp", "127.0.0.1:"+strings.Split(address, "::")[2])
			if err != nil {
				os.Exit(1)
			}
			defer c.Close()
			fmt.Fprintln(c, "*IDN?")
			c.Read(make([]byte, 100))
		}
		fmt.Println("on")
		time.Sleep(time.Minute)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// lit is a simulated bench on sockets whose generator is on and whose amplifier operates.
func lit(t *testing.T) (*simbench.Bench, *catalog.Bench) {
	t.Helper()
	sim := simbench.New(simbench.Config{Seed: 1, KeepHistory: true})
	t.Cleanup(func() { sim.Close() })
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	b, list := catalog.Parse("bench.yaml", sim.BenchFile(),
		func(string) ([]byte, error) { return nil, errors.New("no files") })
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	tell(t, sim, "amplifier", "OUTP 1;:OUTP?")
	tell(t, sim, "source", "FREQ 5E6;:VOLT 0.01;:OUTP 1;:OUTP?")
	if s := sim.State(); !s.On || !s.Operating {
		t.Fatalf("RF is not on: %+v", s)
	}
	for sim.Connected("amplifier")+sim.Connected("source") > 0 { // an instrument of one connection has room only then
		time.Sleep(time.Millisecond)
	}
	return sim, b
}

func offWithin(t *testing.T, on func() bool, most time.Duration) {
	t.Helper()
	for began := time.Now(); on(); time.Sleep(time.Millisecond) {
		if time.Since(began) > most {
			t.Fatalf("RF is on after %v", most)
		}
	}
}

func tell(t *testing.T, sim *simbench.Bench, face, message string) {
	t.Helper()
	c, err := sim.Dial(t.Context(), face)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintln(c, message)
	c.Read(make([]byte, 64))
}

func start(t *testing.T, b *catalog.Bench, job string) *watcher.Watcher {
	t.Helper()
	w, err := watcher.Start(t.Context(), watcher.Config{Bench: b, Job: job, Args: []string{"provoke", "watch"}})
	if err != nil {
		t.Fatal(err)
	}
	// A watcher that could not silence its bench goes on trying, and the bench of a test is gone after it.
	t.Cleanup(func() { w.Release(); w.Kill() })
	return w
}

func TestAWatcherReachesTheBenchOnConnectionsOfItsOwn(t *testing.T) {
	_, b := lit(t)
	w := start(t, b, "")
	if st := w.State(); !st.Independent() || strings.Join(st.Paths,
		", ") != "source GEN1, amplifier AMP1, analyser SA1" || len(st.Missing) > 0 {
		t.Errorf("%+v", st)
	}
	if err := w.Check(); err != nil {
		t.Error(err)
	}
}

func TestAWatcherThatIsReleasedLeavesTheBenchAlone(t *testing.T) {
	sim, b := lit(t)
	job := filepath.Join(t.TempDir(), "j.provoke")
	w := start(t, b, job)
	time.Sleep(300 * time.Millisecond)
	if err := w.Release(); err != nil {
		t.Fatal(err)
	}
	if !sim.State().On {
		t.Error("the watcher switched RF off although the run had said that it was done")
	}
	if left, err := watcher.Left(job); left != nil || err != nil {
		t.Errorf("%v %v", left, err)
	}
}

func TestOnlyAnAmplifierThatTakesASecondConnectionIsAPathToo(t *testing.T) {
	sim, b := lit(t)
	sim.Inject("source", simbench.Fault{Kind: simbench.FaultAbsent})
	w := start(t, b, "")
	if st := w.State(); st.Source || !st.Amplifier || !st.Independent() || len(st.Missing) != 1 {
		t.Errorf("%+v", st)
	}
	sim.Inject("amplifier", simbench.Fault{Kind: simbench.FaultAbsent})
	if st := start(t, b, "").State(); st.Independent() {
		t.Errorf("no path and yet independent: %+v", st)
	}
}

// pipe is the watcher's end in this process, fed by hand.
type pipe struct {
	in   *io.PipeWriter
	done chan error
}

func byHand(t *testing.T, b *catalog.Bench, job string) *pipe {
	t.Helper()
	inR, inW := io.Pipe()
	outR, outW := io.Pipe()
	p := &pipe{in: inW, done: make(chan error, 1)}
	go func() { p.done <- watcher.Serve(context.Background(), inR, outW, time.Now) }()
	hello, _ := json.Marshal(watcher.Hello{Bench: b.File, Bytes: b.Bytes, Job: job})
	p.in.Write(append(hello, '\n'))
	var st watcher.State
	if err := json.NewDecoder(outR).Decode(&st); err != nil || !st.Ready {
		t.Fatalf("%+v %v", st, err)
	}
	go io.Copy(io.Discard, outR)
	return p
}

func TestAPipeThatEndsSilencesTheBenchAtOnce(t *testing.T) {
	t.Parallel()
	sim, b := lit(t)
	job := filepath.Join(t.TempDir(), "j.provoke")
	p := byHand(t, b, job)
	io.WriteString(p.in, "f 5000000\nrun 3\n.\n")
	began := time.Now()
	p.in.Close()
	for sim.State().On {
		if time.Since(began) > 5*time.Second {
			t.Fatal("RF stays on")
		}
		time.Sleep(time.Millisecond)
	}
	t.Logf("figure: RF off %v after the pipe ended", time.Since(began).Round(time.Millisecond))
	if err := <-p.done; err != nil {
		t.Error(err)
	}
	left, err := watcher.Left(job)
	if err != nil || left == nil || !left.Done || !left.Quiet || left.Run != 3 || !strings.Contains(left.Cause,
		"ended without a word") || !strings.Contains(left.How, "at 5 MHz") {
		t.Errorf("%+v %v", left, err)
	}
}

func TestNoSignOfLifeSilencesTheBenchAndKeepsItSilent(t *testing.T) {
	t.Parallel()
	sim, b := lit(t)
	p := byHand(t, b, "")
	began := time.Now()
	for sim.State().On {
		if time.Since(began) > 5*time.Second {
			t.Fatal("RF stays on")
		}
		time.Sleep(time.Millisecond)
	}
	t.Logf("figure: RF off %v after the last sign of life (limit %v)", time.Since(began).Round(time.Millisecond),
		watcher.Limit)
	time.Sleep(4 * time.Second) // it lingers
	// What a stopped process had begun arrives after all.
	tell(t, sim, "source", "OUTP 1;:OUTP?")
	for began = time.Now(); sim.State().On; time.Sleep(time.Millisecond) {
		if time.Since(began) > 5*time.Second {
			t.Fatal("RF stays on")
		}
	}
	io.WriteString(p.in, "done\n")
	if err := <-p.done; err != nil {
		t.Error(err)
	}
}

func TestAProcessThatStoodStillRaisesNothing(t *testing.T) {
	_, b := lit(t)
	w := start(t, b, "")
	w.StandStill(2 * time.Second)
	if err := w.Check(); err == nil || !strings.Contains(err.Error(), "stood still for 2") {
		t.Errorf("%v", err)
	}
	<-w.Gone()
}

func TestAWatcherThatDiesIsNoticed(t *testing.T) {
	_, b := lit(t)
	w := start(t, b, "")
	w.Kill()
	select {
	case <-w.Gone():
	case <-time.After(5 * time.Second):
		t.Fatal("nobody noticed")
	}
	if err := w.Check(); err == nil || !strings.Contains(err.Error(), "the watcher") {
		t.Errorf("%v", err)
	}
}

func TestWithoutAWatcherThereIsAnError(t *testing.T) {
	_, b := lit(t)
	if _, err := watcher.Start(t.Context(), watcher.Config{Bench: b,
		Program: filepath.Join(t.TempDir(), "missing")}); err == nil || !strings.Contains(err.Error(),
		"without which RF is not switched on") {
		t.Errorf("%v", err)
	}
}

func TestAReportThatIsNoneIsRefused(t *testing.T) {
	job := filepath.Join(t.TempDir(), "j.provoke")
	os.WriteFile(watcher.File(job), []byte("hello"), 0o644)
	if _, err := watcher.Left(job); err == nil || !strings.Contains(err.Error(), "no report of a watcher") {
		t.Errorf("%v", err)
	}
}

// A bench that is gone is tried for as long as nobody else answers at its addresses: then it is left
// alone, since the RF of somebody else's bench is not this watcher's to switch off.
func TestAWatcherLeavesSomebodyElsesBenchAlone(t *testing.T) {
	sim, b := lit(t)
	job := filepath.Join(t.TempDir(), "j.provoke")
	p := byHand(t, b, job)
	port := func(face string) string {
		address := sim.Address(face)
		return strings.Split(address, "::")[2]
	}
	source, amplifier := port("source"), port("amplifier")
	sim.Close()
	p.in.Close() // the run's process is gone, too
	other := func(port, identity string) (said func() string) {
		l, err := net.Listen("tcp", "127.0.0.1:"+port)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		var mu sync.Mutex
		var all []string
		go func() {
			for {
				c, err := l.Accept()
				if err != nil {
					return
				}
				t.Cleanup(func() { c.Close() })
				go func() {
					for lines := bufio.NewScanner(c); lines.Scan(); {
						mu.Lock()
						all = append(all, lines.Text())
						mu.Unlock()
						if strings.Contains(lines.Text(), "*IDN?") {
							fmt.Fprintln(c, identity)
						}
					}
				}()
			}
		}()
		return func() string {
			mu.Lock()
			defer mu.Unlock()
			return strings.Join(all, " | ")
		}
	}
	said := other(source, "provoke simulated bench,function generator,S2,1")
	other(amplifier, "provoke simulated bench,amplifier,S2,1")
	select {
	case <-p.done:
	case <-time.After(30 * time.Second):
		t.Fatalf("the watcher goes on; it said %s", said())
	}
	left, err := watcher.Left(job)
	if err != nil || left == nil || !left.Done || left.Quiet ||
		!strings.Contains(left.How, "another instrument answers") || !strings.Contains(left.How, "S2") {
		t.Errorf("%+v %v", left, err)
	}
	if heard := strings.ReplaceAll(strings.ReplaceAll(said(), "*IDN?", ""), " | ", ""); heard != "" {
		t.Errorf("to somebody else's source it said %s", said())
	}
}
