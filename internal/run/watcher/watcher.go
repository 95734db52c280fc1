package watcher

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Config says what is watched and by what.
type Config struct {
	Program string   // the executable; empty means this one
	Args    []string // of the watcher, the program's name included; empty means "provoke watch"
	Bench   *catalog.Bench
	Job     string // beside which the report goes
	// Identified is each instrument's answer to *IDN?, by its id; nil where nobody asked.
	Identified map[string]string
	// Claim of the bench, which the watcher inherits; nil for none.
	Claim *claim.Claim
}

// Watcher is the run's end of the pipe. Its methods may be called from several goroutines.
type Watcher struct {
	state State
	cmd   *exec.Cmd
	gone  chan struct{}
	ended chan struct{} // the watcher's process has ended
	stop  chan struct{}
	beats sync.WaitGroup
	errs  tailBuffer
	slept time.Duration       // at the start
	due   atomic.Pointer[due] // the engine's next sign of life; nil for none due
	pipe  io.WriteCloser      // of the goroutine that writes
	queue chan string         // what it is to write; nobody waits for room in it
	claim *claim.Claim        // of the bench; nil for none
	// outside: the watcher is not in this process's control group.
	outside bool

	mu     sync.Mutex
	last   time.Time // of the last sign of life that was sent
	heard  time.Time // when the watcher was last heard of; zero before it was first
	at     rf.Frequency
	told   rf.Frequency
	why    error         // it does not watch any more
	hung   time.Duration // for so long the engine had been silent when it was over; 0 for another reason
	closed bool
}

// due is when a sign of life of the engine is due, and since when there was none.
type due struct{ since, at time.Time }

// Start starts a watcher in a process of its own and waits until it has reached for the bench. Signs
// of life are sent from then on until Release.
func Start(ctx context.Context, c Config) (*Watcher, error) {
	w, err := start(ctx, c)
	if err != nil {
		return nil, fmt.Errorf("start the watcher, without which RF is not switched on: %w", err)
	}
	return w, nil
}

func start(ctx context.Context, c Config) (*Watcher, error) {
	if c.Program == "" {
		program, err := os.Executable()
		if err != nil {
			return nil, err
		}
		c.Program = program
	}
	if len(c.Args) == 0 {
		c.Args = []string{"provoke", "watch"}
	}
	w := &Watcher{cmd: exec.Command(c.Program), gone: make(chan struct{}), ended: make(chan struct{}),
		stop:  make(chan struct{}),
		queue: make(chan string, 64), claim: c.Claim, slept: Slept(), last: time.Now()}
	w.cmd.Args = c.Args
	w.outside = outside(w.cmd)
	w.cmd.Stderr = &w.errs
	apart(w.cmd)
	started := func() error { return nil }
	if c.Claim != nil {
		started = c.Claim.Inherit(w.cmd)
	}
	pipe, err := w.cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	said, err := w.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := w.cmd.Start(); err != nil {
		return nil, err
	}
	w.pipe = pipe
	states := make(chan State, 1)
	go w.listen(bufio.NewReader(said), states)
	go w.write()
	err = started()
	if err == nil {
		err = w.greet(ctx, c, states)
	}
	if err != nil {
		w.cmd.Process.Kill()
		<-w.ended
		close(w.stop)
		return nil, err
	}
	w.beats.Go(w.beat)
	return w, nil
}

// greet sends the Hello and waits for the answer.
func (w *Watcher) greet(ctx context.Context, c Config, states <-chan State) error {
	h := Hello{Bench: c.Bench.File, Bytes: c.Bench.Bytes, Files: c.Bench.Files, Job: c.Job, Limit: rf.Duration(Limit),
		Identified: c.Identified, Run: claim.ThisProcess()}
	if c.Claim != nil {
		h.Keys, h.Holder = c.Claim.Keys(), c.Claim.Holder()
	}
	hello, err := json.Marshal(h)
	if err != nil {
		return err
	}
	w.put(string(hello))
	timer := time.NewTimer(verifyWithin)
	defer timer.Stop()
	life := time.NewTicker(Beat)
	defer life.Stop()
	for {
		select {
		case st, open := <-states:
			switch {
			case !open:
				return fmt.Errorf("it ended%s", w.errs.text())
			case st.Error != "":
				return errors.New(st.Error)
			}
			w.state = st
			return nil
		case <-life.C:
			w.put(".")
		case <-timer.C:
			return fmt.Errorf("it did not answer within %v", rf.Duration(verifyWithin))
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// listen hears what the watcher says, to its end.
func (w *Watcher) listen(said *bufio.Reader, states chan<- State) {
	first := true
	for {
		line, err := readLine(said, 1<<20)
		if err != nil {
			break
		}
		var st State
		if json.Unmarshal([]byte(line), &st) != nil {
			break
		}
		w.mu.Lock()
		w.heard = time.Now()
		w.mu.Unlock()
		switch {
		case first && !st.Alive:
			first = false
			states <- st
		case st.Acted != "":
			w.over(fmt.Errorf("the watcher has silenced the bench: %s", st.Acted))
		case st.Leaving:
			w.over(errors.New("the watcher was told to end (SIGTERM)"))
		}
	}
	err := w.cmd.Wait()
	close(states)
	close(w.ended)
	why := "the watcher has gone"
	if err != nil {
		why += fmt.Sprintf(" (%v)", err)
	}
	w.over(errors.New(why + w.errs.text()))
}

// over notes why there is no watcher any more; the first reason stays.
func (w *Watcher) over(why error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.overLocked(why)
}

func (w *Watcher) overLocked(why error) {
	if w.why == nil && !w.closed {
		w.why = why
		close(w.gone)
	}
}

// State returns what the watcher reached.
func (w *Watcher) State() State { return w.state }

// Outside reports that the watcher is in a control group of its own, so that what ends this process's group
// leaves it.
func (w *Watcher) Outside() bool { return w.outside }

// Gone is closed when there is no watcher any more, or when it has acted. Check says why.
func (w *Watcher) Gone() <-chan struct{} { return w.gone }

// Check returns nil while the watcher watches and this process has not stood still so long that the
// watcher may be about to act.
func (w *Watcher) Check() error {
	var wanted error
	if w.claim != nil {
		wanted = w.claim.Check()
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if wanted != nil {
		w.overLocked(wanted)
	}
	w.lookAtClocks()
	return w.why
}

// lookAtClocks finds out whether this process stood still.
func (w *Watcher) lookAtClocks() {
	if w.why != nil || w.closed {
		return
	}
	if slept := Slept() - w.slept; slept > Asleep {
		w.overLocked(fmt.Errorf("unattended RF, %v: the machine slept", rf.Duration(slept.Round(100*time.Millisecond))))
	} else if gap := time.Since(w.last); gap > Standstill {
		w.overLocked(fmt.Errorf("this process stood still for %v, on a machine that was busy or suspended, and the "+
			"watcher takes over", rf.Duration(gap.Round(10*time.Millisecond))))
	} else if silent := time.Since(w.heard); !w.heard.IsZero() && silent > Unanswered {
		w.overLocked(fmt.Errorf("no sign of life from the watcher for %v",
			rf.Duration(silent.Round(10*time.Millisecond))))
	} else if d := w.due.Load(); d != nil && time.Now().After(d.at) {
		w.hung = time.Since(d.since)
		w.overLocked(fmt.Errorf("no sign of life from the engine for %v, and the watcher takes over",
			rf.Duration(w.hung.Round(10*time.Millisecond))))
	}
}

// Alive is a sign of life of the engine. The next one is due within a time; 0 says that none is.
func (w *Watcher) Alive(within time.Duration) {
	if within == 0 {
		w.due.Store(nil)
		return
	}
	now := time.Now()
	w.due.Store(&due{now, now.Add(within)})
}

// At tells the watcher where RF is, with the next sign of life.
func (w *Watcher) At(f rf.Frequency) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.at = f
}

// Run tells the watcher the number of the run.
func (w *Watcher) Run(n int) { w.say(fmt.Sprintf("run %d", n)) }

// looks is how often between two signs of life it is looked at whether somebody asked for the bench.
const looks = 4

func (w *Watcher) beat() {
	ticker := time.NewTicker(Beat / looks)
	defer ticker.Stop()
	for n := 1; ; n++ {
		select {
		case <-ticker.C:
			if w.Check() != nil {
				w.tellHung()
				return // the watcher shall act
			}
			if n%looks != 0 {
				continue
			}
			w.mu.Lock()
			line := "."
			if w.at != w.told {
				w.told = w.at
				line = fmt.Sprintf("f %d", int64(w.at.Hz()))
			}
			w.mu.Unlock()
			w.say(line)
		case <-w.stop:
			return
		}
	}
}

// tellHung tells the watcher that the engine hangs, so that it does not wait for signs of life first.
func (w *Watcher) tellHung() {
	w.mu.Lock()
	hung := w.hung
	w.mu.Unlock()
	if hung > 0 {
		w.put(fmt.Sprintf("hung %d", hung.Milliseconds()))
	}
}

// say passes a line on while the watcher watches.
func (w *Watcher) say(line string) {
	w.mu.Lock()
	quiet := w.why != nil || w.closed
	w.mu.Unlock()
	if !quiet && !w.put(line) {
		w.over(errors.New("the watcher takes no signs of life any more"))
	}
}

// put hands a line to the goroutine that writes; false when there is no room.
func (w *Watcher) put(line string) bool {
	select {
	case w.queue <- line + "\n":
		return true
	default:
		return false
	}
}

// write is the only place that writes to the pipe, which may block for good when the watcher hangs: nobody
// waits for it, and nothing is locked meanwhile.
func (w *Watcher) write() {
	defer w.pipe.Close()
	for {
		var line string
		select {
		case line = <-w.queue:
		case <-w.stop:
			select {
			case line = <-w.queue: // what was said before the end
			default:
				return
			}
		}
		if _, err := io.WriteString(w.pipe, line); err != nil {
			w.over(fmt.Errorf("the watcher does not listen any more: %w", err))
			return
		}
		w.mu.Lock()
		w.lookAtClocks() // a line that waited while the process stood still is no sign that it did not
		w.last = time.Now()
		w.mu.Unlock()
	}
}

// Alone tells the watcher that the run holds the only connection of an instrument, which is found out when
// the watcher's own connection has thrown the run's out.
func (w *Watcher) Alone(id string) {
	w.say("alone " + id)
	w.state.remove(id)
}

// Abandon ends the signs of life without the word that all is well: the run has ended and RF is not known
// to be off. The watcher silences the bench then, and goes on trying after this process has ended.
func (w *Watcher) Abandon() { w.finish() }

// finish ends what this process says; false when that was done before.
func (w *Watcher) finish(words ...string) bool {
	w.mu.Lock()
	if w.closed {
		w.mu.Unlock()
		return false
	}
	w.closed = true
	w.mu.Unlock()
	for _, line := range words {
		w.put(line)
	}
	close(w.stop)
	w.beats.Wait()
	return true
}

// Hang ends the signs of life and keeps the pipe, as a process that hangs does: a rehearsal of what the
// watcher does then.
func (w *Watcher) Hang() {
	w.mu.Lock()
	w.overLocked(errors.New("the signs of life were ended on purpose"))
	w.mu.Unlock()
}

// Release lets the watcher go: the run has ended and has silenced the bench itself. It waits for the
// watcher's end, a short time.
func (w *Watcher) Release() error {
	if !w.finish("done") {
		return nil
	}
	select {
	case <-w.ended:
	case <-time.After(3 * time.Second):
		w.cmd.Process.Kill()
		<-w.ended
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.why
}

// tailBuffer keeps the end of what a process says.
type tailBuffer struct {
	mu sync.Mutex
	b  []byte
}

// Write keeps the last part.
func (t *tailBuffer) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = append(t.b, p...)
	if n := len(t.b); n > 4096 {
		t.b = append([]byte(nil), t.b[n-4096:]...)
	}
	return len(p), nil
}

// text is what was said as the end of an error's text.
func (t *tailBuffer) text() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	if s := strings.TrimSpace(string(t.b)); s != "" {
		return ": " + s
	}
	return ""
}
