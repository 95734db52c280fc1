package watcher

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"provoke/internal/catalog"
	"provoke/internal/driver"
	"provoke/internal/event"
	"provoke/internal/guard"
	"provoke/internal/rf"
	"provoke/internal/scpi"
)

// longestHello bounds the first line: a bench file with its curves.
const longestHello = 256 << 20

// Serve watches a run through the pipe until the run says that it is done, or silences the bench. It
// returns once its work is over; the error is why it could not watch. now is the wall clock, which dates
// the report.
func Serve(ctx context.Context, in io.Reader, out io.Writer, now func() time.Time) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s := &server{out: json.NewEncoder(out), lines: make(chan string), began: Slept(), now: now, saving: make(chan struct{}, 1)}
	err := s.open(ctx, bufio.NewReaderSize(in, 64<<10))
	if err != nil {
		s.out.Encode(State{Error: err.Error()})
		return err
	}
	defer s.rig.Close()
	return s.watch(ctx)
}

type server struct {
	out    *json.Encoder
	lines  chan string // closed when the pipe is
	hello  Hello
	bench  *catalog.Bench
	rig    *driver.Rig
	guard  *guard.Guard
	at     atomic.Int64  // where RF is, in Hz
	began  time.Duration // for how long the machine had slept at the start
	now    func() time.Time
	report Report
	saving chan struct{} // holds one token while the report is being written
	over   bool          // the run has said that it is done
}

// open reads the Hello, reaches for the bench and says what was reached.
func (s *server) open(ctx context.Context, in *bufio.Reader) error {
	line, err := readLine(in, longestHello)
	if err != nil {
		return fmt.Errorf("watch: read what is to be watched: %w", err)
	}
	if err := json.Unmarshal([]byte(line), &s.hello); err != nil {
		return fmt.Errorf("watch: read what is to be watched: %w", err)
	}
	go func() {
		defer close(s.lines)
		for {
			line, err := readLine(in, 1<<10)
			if err != nil {
				return
			}
			select {
			case s.lines <- line:
			case <-ctx.Done():
				return
			}
		}
	}()
	bench, _ := catalog.Parse(s.hello.Bench, s.hello.Bytes, func(name string) ([]byte, error) {
		if data, ok := s.hello.Files[name]; ok {
			return data, nil
		}
		return nil, fmt.Errorf("%s was not handed over", name)
	})
	if bench == nil {
		return errors.New("watch: the bench file cannot be read")
	}
	s.bench = bench
	opening, cancel := context.WithTimeout(ctx, verifyWithin-time.Second)
	defer cancel()
	var missing error
	s.rig, missing = driver.OpenBench(opening, onlyWhatSilences(bench), driver.Options{ForSilencing: true, Timeout: exchange})
	if s.rig == nil {
		return missing
	}
	s.guard = silencer(s.rig, missing, bench, func() rf.Frequency { return rf.Frequency(s.at.Load()) })
	s.report.Watching, s.report.At, s.report.Process = true, s.now(), os.Getpid()
	if err := s.save(s.report); err != nil {
		missing = errors.Join(missing, fmt.Errorf("what the watcher does will not be told at the next start: %w", err))
	}
	go s.keepTouching(ctx)
	return s.out.Encode(s.state(missing))
}

// onlyWhatSilences leaves out the instruments that silencing does not need.
func onlyWhatSilences(b *catalog.Bench) *catalog.Bench {
	few := *b
	few.PowerMeter, few.Interlock, few.Monitors = nil, nil, nil
	return &few
}

// state says what was reached.
func (s *server) state(missing error) State {
	st := State{Ready: true, Source: s.rig.Source != nil, Amplifier: s.rig.Amplifier != nil}
	if st.Source {
		st.Paths = append(st.Paths, "source "+s.bench.Source.ID)
	}
	if st.Amplifier {
		st.Paths = append(st.Paths, "amplifier "+s.bench.Amplifier.ID)
	}
	if s.rig.Analyser != nil {
		st.Paths = append(st.Paths, "analyser "+s.bench.Analyser.ID)
	}
	if missing != nil {
		st.Missing = strings.Split(missing.Error(), "\n")
	}
	return st
}

// watch waits for signs of life, and acts when there are none.
func (s *server) watch(ctx context.Context) error {
	limit := s.hello.Limit.Std()
	if limit <= 0 {
		limit = Limit
	}
	timer := time.NewTimer(limit)
	defer timer.Stop()
	look := time.NewTicker(limit / 6)
	defer look.Stop()
	for {
		select {
		case line, open := <-s.lines:
			if over, err := s.heard(ctx, line, open); over {
				return err
			}
			timer.Reset(limit)
		case <-look.C:
			if slept := Slept() - s.began; slept > Asleep {
				return s.act(ctx, fmt.Sprintf("unattended RF, %v: the machine slept", rf.Duration(slept.Round(100*time.Millisecond))))
			}
		case <-timer.C:
			select {
			case line, open := <-s.lines: // this process may have stood still itself
				if over, err := s.heard(ctx, line, open); over {
					return err
				}
				timer.Reset(limit)
				continue
			case <-time.After(20 * time.Millisecond):
			}
			return s.act(ctx, fmt.Sprintf("no sign of life from the run's process for %v", rf.Duration(limit)))
		}
	}
}

// heard does what a line from the run asks for, or its end; over says that the watching is.
func (s *server) heard(ctx context.Context, line string, open bool) (over bool, err error) {
	switch {
	case !open:
		return true, s.act(ctx, "the run's process ended without a word")
	case line == "done":
		return true, s.leave()
	}
	if hung := s.take(line); hung > 0 {
		return true, s.act(ctx, fmt.Sprintf("no sign of life from the run's engine for %v", rf.Duration(hung.Round(10*time.Millisecond))))
	}
	return false, nil
}

// leave takes the report away: the run has ended in order.
func (s *server) leave() error {
	if s.hello.Job == "" {
		return nil
	}
	return Remove(s.hello.Job)
}

// take notes what a line says besides that the run is alive. It returns for how long the engine has
// given no sign of life, where the line says so.
func (s *server) take(line string) (hung time.Duration) {
	word, rest, _ := strings.Cut(line, " ")
	n, err := strconv.ParseInt(rest, 10, 64)
	switch {
	case err != nil:
	case word == "hung":
		return time.Duration(n) * time.Millisecond
	case word == "f":
		s.at.Store(n)
	case word == "run":
		s.report.Run = int(n)
	}
	return 0
}

// act silences the bench, again and again until it is confirmed, and then keeps it silent until the run's
// process is gone: one that was only stopped may go on and send what it had begun.
func (s *server) act(ctx context.Context, cause string) error {
	s.report.Watching, s.report.Cause, s.report.At = false, cause, s.now()
	began := time.Now()
	go s.out.Encode(State{Acted: cause}) // whoever reads it may be stopped
	go s.save(s.report)                  // nor does a slow disk keep anybody from switching off
	s.guard.Suspect()
	lines := s.lines
	for end := time.Now().Add(keepsTrying); ; {
		rep := s.guard.Silence(ctx, cause)
		s.report.take(rep)
		enough := rep.Quiet || !time.Now().Before(end)
		over := !enough && s.between(ctx, &lines)
		if s.over {
			return s.leave()
		}
		s.report.Took, s.report.Done = rf.Duration(time.Since(began)), enough || over
		err := s.save(s.report)
		if !s.report.Done {
			continue
		}
		var silent error
		if !over {
			silent = s.keepSilent(ctx, cause)
		}
		for again := 0; err != nil && again < 20; again++ { // nothing is urgent any more, and a busy disk takes its time
			err = s.save(s.report)
		}
		return errors.Join(err, silent)
	}
}

// between is the pause before the bench is silenced again. It ends the work when the run says that it is
// done, or when somebody else answers at an instrument's address: that bench is not this watcher's.
func (s *server) between(ctx context.Context, lines *chan string) (over bool) {
	pause := time.NewTimer(time.Second)
	defer pause.Stop()
	for {
		select {
		case line, open := <-*lines:
			if !open {
				*lines = nil // the process is gone; the bench still is to be silenced
			}
			if line == "done" { // it has silenced the bench by itself
				s.over = true
				return true
			}
		case <-pause.C:
			if who := s.somebodyElse(ctx); who != "" {
				s.report.How += "; " + who + ": nothing is sent there any more"
				return true
			}
			return false
		}
	}
}

// somebodyElse says that other instruments answer at the addresses of all that RF could be ended through,
// as when a bench is gone and its addresses were given anew; empty while one may be this bench's.
func (s *server) somebodyElse(ctx context.Context) string {
	ctx, cancel := context.WithTimeout(ctx, exchange)
	defer cancel()
	var all []error
	if s.rig.Source != nil {
		_, err := s.rig.Source.Identify(ctx)
		all = append(all, err)
	}
	if s.rig.Amplifier != nil {
		_, err := s.rig.Amplifier.Identify(ctx)
		all = append(all, err)
	}
	for _, err := range all {
		if !errors.Is(err, scpi.ErrAnother) {
			return "" // one that is this bench's, or may be
		}
	}
	return event.Printable(errors.Join(all...).Error())
}

// keepTouching gives signs of life to whoever looks at the report.
func (s *server) keepTouching(ctx context.Context) {
	ticker := time.NewTicker(deadAfter / 6)
	defer ticker.Stop()
	for {
		select {
		case <-ticker.C:
			touch(s.hello.Job)
		case <-ctx.Done():
			return
		}
	}
}

// savedWithin is how long the watcher waits for its report to be on the disk. The disk may be what the
// run hangs on, and that must not keep the bench from being silenced.
const savedWithin = 250 * time.Millisecond

// save writes the report, and goes on without it when the disk hangs.
func (s *server) save(report Report) error {
	late := time.NewTimer(savedWithin)
	defer late.Stop()
	hangs := errors.New("watch: write the report: the disk does not answer")
	select {
	case s.saving <- struct{}{}:
	case <-late.C:
		return hangs
	}
	done := make(chan error, 1)
	go func() {
		done <- report.write(s.hello.Job)
		<-s.saving
	}()
	select {
	case err := <-done:
		return err
	case <-late.C:
		return hangs
	}
}

func (s *server) keepSilent(ctx context.Context, cause string) error {
	look := time.NewTicker(250 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case line, open := <-s.lines:
			if !open || line == "done" {
				return nil
			}
			s.take(line)
		case <-look.C:
			if s.rig.Source == nil {
				continue
			}
			asking, cancel := context.WithTimeout(ctx, exchange)
			state, err := s.rig.Source.State(asking)
			cancel()
			if err == nil && !state.Output {
				continue
			}
			s.report.take(s.guard.Silence(ctx, cause))
			s.save(s.report)
		}
	}
}

// readLine reads one line of bounded length without its end.
func readLine(in *bufio.Reader, most int) (string, error) {
	var line []byte
	for {
		part, err := in.ReadSlice('\n')
		line = append(line, part...)
		switch {
		case len(line) > most:
			return "", fmt.Errorf("a line of more than %d bytes", most)
		case err == nil:
			return strings.TrimRight(string(line), "\r\n"), nil
		case !errors.Is(err, bufio.ErrBufferFull):
			return "", err
		}
	}
}
