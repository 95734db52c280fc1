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

	"provoke/internal/catalog"
	"provoke/internal/rf"
)

// Config says what is watched and by what.
type Config struct {
	Program string   // the executable; empty means this one
	Args    []string // of the watcher, the program's name included; empty means "provoke watch"
	Bench   *catalog.Bench
	Job     string // beside which the report goes
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

	mu     sync.Mutex
	pipe   io.WriteCloser
	last   time.Time // of the last sign of life that was sent
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
	w := &Watcher{cmd: exec.Command(c.Program), gone: make(chan struct{}), ended: make(chan struct{}), stop: make(chan struct{}), slept: Slept()}
	w.cmd.Args = c.Args
	w.cmd.Stderr = &w.errs
	apart(w.cmd)
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
	if err := w.greet(ctx, c, states); err != nil {
		pipe.Close()
		w.cmd.Process.Kill()
		<-w.ended
		return nil, err
	}
	w.beats.Go(w.beat)
	return w, nil
}

// greet sends the Hello and waits for the answer.
func (w *Watcher) greet(ctx context.Context, c Config, states <-chan State) error {
	hello, err := json.Marshal(Hello{Bench: c.Bench.File, Bytes: c.Bench.Bytes, Files: c.Bench.Files, Job: c.Job, Limit: rf.Duration(Limit)})
	if err != nil {
		return err
	}
	if _, err := w.pipe.Write(append(hello, '\n')); err != nil {
		return fmt.Errorf("%w%s", err, w.errs.text())
	}
	w.last = time.Now()
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
			w.pipe.Write([]byte(".\n"))
			w.last = time.Now()
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
		if first {
			first = false
			states <- st
			continue
		}
		if st.Acted != "" {
			w.over(fmt.Errorf("the watcher has silenced the bench: %s", st.Acted))
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

// Gone is closed when there is no watcher any more, or when it has acted. Check says why.
func (w *Watcher) Gone() <-chan struct{} { return w.gone }

// Check returns nil while the watcher watches and this process has not stood still so long that the
// watcher may be about to act.
func (w *Watcher) Check() error {
	w.mu.Lock()
	defer w.mu.Unlock()
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
		w.overLocked(fmt.Errorf("this process stood still for %v, and the watcher takes over", rf.Duration(gap.Round(10*time.Millisecond))))
	} else if d := w.due.Load(); d != nil && time.Now().After(d.at) {
		w.hung = time.Since(d.since)
		w.overLocked(fmt.Errorf("no sign of life from the engine for %v, and the watcher takes over", rf.Duration(w.hung.Round(10*time.Millisecond))))
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

func (w *Watcher) beat() {
	ticker := time.NewTicker(Beat)
	defer ticker.Stop()
	for {
		select {
		case <-ticker.C:
			if w.Check() != nil {
				w.tellHung()
				return // the watcher shall act
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
	defer w.mu.Unlock()
	if w.hung > 0 && !w.closed {
		fmt.Fprintf(w.pipe, "hung %d\n", w.hung.Milliseconds())
	}
}

func (w *Watcher) say(line string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.why != nil || w.closed {
		return
	}
	if _, err := io.WriteString(w.pipe, line+"\n"); err != nil {
		w.overLocked(fmt.Errorf("the watcher does not listen any more: %w", err))
		return
	}
	w.last = time.Now()
}

// Abandon ends the signs of life without the word that all is well: the run has ended and RF is not known
// to be off. The watcher silences the bench then, and goes on trying after this process has ended.
func (w *Watcher) Abandon() {
	w.mu.Lock()
	if w.closed {
		w.mu.Unlock()
		return
	}
	w.closed = true
	close(w.stop)
	w.pipe.Close()
	w.mu.Unlock()
	w.beats.Wait()
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
	w.mu.Lock()
	if w.closed {
		w.mu.Unlock()
		return nil
	}
	w.closed = true
	close(w.stop)
	_, err := io.WriteString(w.pipe, "done\n")
	w.pipe.Close()
	w.mu.Unlock()
	w.beats.Wait()
	select {
	case <-w.ended:
	case <-time.After(3 * time.Second):
		w.cmd.Process.Kill()
		<-w.ended
	}
	if w.why != nil {
		return w.why
	}
	return err
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
