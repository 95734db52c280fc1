package watcher

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/units/rf"
)

// longestHello bounds the first line: a bench file with its curves.
const longestHello = 256 << 20

// Serve watches a run through the pipe until the run says that it is done, or silences the bench. It
// returns once its work is over; the error is why it could not watch. now is the wall clock, which dates
// the report. When ctx ends, the run is told, and once it is over, or has had its time, the bench is silenced
// once more and the watching is over.
func Serve(ctx context.Context, in io.Reader, out io.Writer, now func() time.Time) error {
	told := ctx.Done()
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	s := &server{told: told, says: make(chan State, 16), lines: make(chan string), began: Slept(), now: now,
		saving: make(chan struct{}, 1)}
	words := json.NewEncoder(out)
	st, err := s.open(ctx, bufio.NewReaderSize(in, 64<<10))
	if err != nil {
		words.Encode(State{Error: err.Error()})
		return err
	}
	defer s.gear.close()
	if err := words.Encode(st); err != nil {
		return err
	}
	go func() { // whoever reads it may be stopped
		for st := range s.says {
			words.Encode(st)
		}
	}()
	defer close(s.says)
	return s.watch(ctx)
}

// say tells the run something, if it listens.
func (s *server) say(st State) {
	select {
	case s.says <- st:
	default:
	}
}

type server struct {
	told  <-chan struct{} // closed when the watcher is to end
	says  chan State      // what the run is to hear
	lines chan string     // closed when the pipe is
	hello Hello
	bench *catalog.Bench
	gear  *gear
	claim *claim.Claim
	guard *guard.Guard
	// patient is the guard of a watcher that has tried for a while.
	patient *guard.Guard
	at      atomic.Int64  // where RF is, in Hz
	began   time.Duration // for how long the machine had slept at the start
	now     func() time.Time
	report  Report
	saving  chan struct{} // holds one token while the report is being written
	over    bool          // the run has said that it is done
}

// open reads the Hello, reaches for the bench and says what was reached.
func (s *server) open(ctx context.Context, in *bufio.Reader) (State, error) {
	line, err := readLine(in, longestHello)
	if err != nil {
		return State{}, fmt.Errorf("watch: read what is to be watched: %w", err)
	}
	if err := json.Unmarshal([]byte(line), &s.hello); err != nil {
		return State{}, fmt.Errorf("watch: read what is to be watched: %w", err)
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
		return State{}, errors.New("watch: the bench file cannot be read")
	}
	s.bench = bench
	s.gear = gearOf(bench, s.hello.Identified)
	at := func() rf.Frequency { return rf.Frequency(s.at.Load()) }
	s.guard, s.patient = s.gear.guard(bench, at, 0, 0), s.gear.guard(bench, at, paced, pacedTurn)
	s.claim = claim.Inherited(s.hello.Keys, s.hello.Holder)
	st := s.reach(ctx)
	s.report.Watching, s.report.At, s.report.Process = true, s.now(), os.Getpid()
	if err := s.save(s.report); err != nil {
		st.Missing = append(st.Missing, "what the watcher does will not be told at the next start: "+err.Error())
	}
	go s.keepTouching(ctx)
	return st, nil
}

// reach dials what may be dialled beside the run and says what was reached. What cannot be is left alone
// until the run is over: the instrument may have taken its only connection.
func (s *server) reach(ctx context.Context) State {
	ctx, cancel := context.WithTimeout(ctx, verifyWithin-time.Second)
	defer cancel()
	members := s.gear.members()
	errs := make([]error, len(members))
	var all sync.WaitGroup
	for i, m := range members {
		if _, _, one := m.words(); !one {
			all.Go(func() { errs[i] = m.reach(ctx) })
		}
	}
	all.Wait()
	st := State{Ready: true}
	for i, m := range members {
		role, id, one := m.words()
		if one || errs[i] != nil {
			m.leave(true)
			if errs[i] != nil {
				st.Missing = append(st.Missing, strings.Split(errs[i].Error(), "\n")...)
			}
			if role != "source" || s.bench.Source.Present() {
				st.Alone = append(st.Alone, id)
			}
			continue
		}
		st.Paths = append(st.Paths, role+" "+id)
		st.Source, st.Amplifier = st.Source || role == "source", st.Amplifier || role == "amplifier"
	}
	return st
}

// alone returns the instruments whose only connection the run holds.
func (s *server) alone() (ids []string) {
	for _, m := range s.gear.members() {
		if _, id, _ := m.words(); m.isAlone() {
			ids = append(ids, id)
		}
	}
	return ids
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
	told := s.told
	var leave <-chan time.Time
	for {
		select {
		case line, open := <-s.lines:
			if over, err := s.heard(ctx, line, open); over {
				return err
			}
			timer.Reset(limit)
		case <-told:
			told = nil // the run trips, silences the bench and says that it is done
			s.say(State{Leaving: true})
			leave = time.After(runEndsWithin)
		case <-leave:
			return s.act(ctx, "the watcher was told to end (SIGTERM), and its run went on", false)
		case <-look.C:
			if slept := Slept() - s.began; slept > Asleep {
				return s.act(ctx, fmt.Sprintf("unattended RF, %v: the machine slept",
					rf.Duration(slept.Round(100*time.Millisecond))), false)
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
			return s.act(ctx, fmt.Sprintf("no sign of life from the run's process for %v", rf.Duration(limit)), true)
		}
	}
}

// heard does what a line from the run asks for, or its end; over says that the watching is.
func (s *server) heard(ctx context.Context, line string, open bool) (over bool, err error) {
	switch {
	case !open:
		return true, s.act(ctx, "the run's process ended without a word", false)
	case line == "done":
		return true, s.leave()
	}
	if hung := s.take(line); hung > 0 {
		return true, s.act(ctx, fmt.Sprintf("no sign of life from the run's engine for %v",
			rf.Duration(hung.Round(10*time.Millisecond))), true)
	}
	s.say(State{Alive: true})
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
	if word == "alone" {
		for _, m := range s.gear.members() {
			if _, id, _ := m.words(); id == rest {
				m.leave(true)
			}
		}
		return 0
	}
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
// process is gone: one that was only stopped may go on and send what it had begun. silent says that the run
// lives and gives no sign of it; where it holds an instrument's only connection it is killed.
func (s *server) act(ctx context.Context, cause string, silent bool) error {
	began := time.Now()
	if ids := s.alone(); silent && len(ids) > 0 {
		if err := s.hello.Run.Kill(); err != nil {
			cause += "; it holds the only connection of " + strings.Join(ids, ", ") + ", and " + err.Error()
		} else {
			cause += "; it was killed, because it held the only connection of " + strings.Join(ids, ", ")
		}
	}
	s.report.Watching, s.report.Cause, s.report.At = false, cause, s.now()
	for _, m := range s.gear.members() {
		m.take()
	}
	go s.gear.strike(ctx)
	go s.claim.Is(claim.Watches)
	s.say(State{Acted: cause})
	go s.save(s.report) // a slow disk does not keep anybody from switching off
	s.guard.Suspect()
	s.patient.Suspect()
	lines, g := s.lines, s.guard
	for end := time.Now().Add(keepsTrying); ; g = s.patient {
		ended := s.toldToEnd()
		rep := g.Silence(ctx, cause)
		s.report.take(rep)
		enough := rep.Quiet || ended || s.lowered(rep) || !time.Now().Before(end)
		over := !enough && (s.handedOver() || s.between(ctx, &lines))
		if s.over {
			return s.leave()
		}
		s.report.Took, s.report.Done = rf.Duration(time.Since(began)), enough || over
		err := s.save(s.report)
		if !s.report.Done {
			continue
		}
		var silent error
		if !over && !ended {
			silent = s.keepSilent(ctx, cause)
		}
		// nothing is urgent any more, and a busy disk takes its time
		for again := 0; err != nil && again < 20; again++ {
			err = s.save(s.report)
		}
		return errors.Join(err, silent)
	}
}

// lowered reports that of a bench whose source only a person can switch off all that is wired is off.
func (s *server) lowered(rep guard.Report) bool {
	return !s.bench.Source.Present() && (s.gear.amplifier == nil || slices.ContainsFunc(rep.Steps,
		func(x guard.Step) bool {
			return x.What == "amplifier read back" && x.Result == "done"
		}))
}

// isOff asks the instrument that ends RF whether it has.
func (s *server) isOff(ctx context.Context) bool {
	ctx, cancel := context.WithTimeout(ctx, s.gear.patience)
	defer cancel()
	if !s.bench.Source.Present() && s.gear.amplifier != nil {
		operating, err := s.gear.amplifier.Operating(ctx)
		return err == nil && !operating
	}
	state, err := s.gear.source.State(ctx)
	return err == nil && !state.Output
}

// standsBack is how long who asked for the bench may take with it.
const standsBack = 20 * time.Second

// handedOver looks whether somebody asked for the bench, who can lower RF as well and has a person at hand:
// then it lets go of every instrument and waits for what comes of that. It reports that the work is over.
func (s *server) handedOver() bool {
	r := s.claim.Wanted()
	if r == nil {
		return false
	}
	for _, m := range s.gear.members() {
		m.leave(true)
	}
	for end := time.Now().Add(standsBack); time.Now().Before(end) && !r.GaveUp &&
		r.By.Process.Lives(); time.Sleep(20 * time.Millisecond) {
		if r.Off {
			s.report.Quiet = true
			s.report.How = fmt.Sprintf("read back as off by process %d, which asked for the bench", r.By.Process.ID)
			return true
		}
		if now := s.claim.Wanted(); now != nil {
			r = now
		}
	}
	s.claim.Refuse()
	for _, m := range s.gear.members() {
		m.take()
	}
	return false
}

// runEndsWithin is how long a run has to silence the bench by itself when its watcher is told to end:
// guard's time to give up, and some for the journal.
const runEndsWithin = 8 * time.Second

// toldToEnd reports that the watcher is to end: after one pass more.
func (s *server) toldToEnd() bool {
	select {
	case <-s.told:
		return true
	default:
		return false
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
		case <-s.told:
			return false
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
	ctx, cancel := context.WithTimeout(ctx, s.gear.patience)
	defer cancel()
	var all []error
	ask := func(x interface {
		Identify(context.Context) (string, error)
	}, err error) {
		if err == nil {
			_, err = x.Identify(ctx)
		}
		all = append(all, err)
	}
	if s.bench.Source.Present() {
		x, err := s.gear.source.get(ctx)
		ask(x, err)
	}
	if s.gear.amplifier != nil {
		x, err := s.gear.amplifier.get(ctx)
		ask(x, err)
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
		case <-s.told:
			return nil
		case <-look.C:
			if s.handedOver() {
				return s.save(s.report)
			}
			if s.isOff(ctx) {
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
