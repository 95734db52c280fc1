package selftest

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/watcher"
	"provoke/internal/units/rf"
)

// End is the way in which a running program comes to its end.
type End string

// The ends.
const (
	Killed   End = "killed"    // SIGKILL
	Stopped  End = "stopped"   // SIGSTOP, later SIGCONT
	PowerCut End = "power cut" // the job as it lies on the disk at an instant, with a torn last write
)

// Ends are those that this system knows.
func Ends() []End {
	if stopSignal == nil {
		return []End{Killed}
	}
	return []End{Killed, Stopped, PowerCut}
}

// Bounds within which RF must be off.
const (
	OffAfterDeath = time.Second
	OffAfterStop  = 2 * time.Second
	// OnAgainFor is how long RF may be on when a program that was stopped goes on, from a message that was
	// being sent when it was stopped.
	OnAgainFor = 500 * time.Millisecond
)

// Kills are trials of a running program on simulated benches.
type Kills struct {
	Program string // this program's executable
	Dir     string // where jobs are put
	Trials  int
	Lanes   int // how many at a time; 0 means 4
	Seed    uint64
	// Aim begins to count to the end of three trials in four when RF first comes on; a program that is slow to start
	// spends most of its time without RF.
	Aim bool
	// Several leaves out the benches that take one connection: not every system lets go of a killed program's.
	Several bool
	Tell    func(done int)

	whole    map[simbench.Generator]findings
	duration time.Duration // of an undisturbed run, from its start
	rf       time.Duration // of it, from where RF first came on
}

// Bench is what a trial's bench is like.
type Bench struct {
	Generator simbench.Generator // and with it the command table
	// Manner is how source and amplifier take a second connection; "" for several.
	Manner simbench.FaultKind
	// At are the instruments that have it.
	At []string
}

// Benches are those that the trials go round.
func Benches() []Bench {
	both := []string{"source", "amplifier"}
	out := []Bench{{}, {Manner: simbench.FaultSingle, At: both}, {Manner: simbench.FaultQueues, At: both},
		{Manner: simbench.FaultThrowsOut, At: both}, {Manner: simbench.FaultSingle, At: both[:1]}}
	n := len(out)
	for i, b := range out[:n] {
		out[i].Generator = simbench.FunctionGenerator
		b.Generator = simbench.SignalGenerator
		out = append(out, b)
	}
	return out
}

// String names it.
func (b Bench) String() string {
	if b.Manner == "" {
		return string(b.Generator) + ", several connections"
	}
	return fmt.Sprintf("%s, %s at %s", b.Generator, b.Manner, strings.Join(b.At, " and "))
}

// KillsResult sums the trials up.
type KillsResult struct {
	Trials       map[End]int
	OneClient    int // of them, those at a bench that takes one connection
	Acknowledged int // steps that the program had said were closed before its end
	Lost         int // of them, those that the job does not hold
	WithRF       int // trials in which RF was on at the end, or came on after it
	Early        int // trials whose end came before there was a run in the job
	TakenUp      int // trials whose run was taken up again
	// Starved counts the times that the machine kept such a run from running, so that its watcher ended it.
	Starved  int
	OffDeath time.Duration // from the end of the program to RF off, at the longest
	OffStop  time.Duration
	// Again counts the stopped programs with which RF came on again when they went on, AgainFor is for how
	// long at the most.
	Again    int
	AgainFor time.Duration
	Breaches []string
}

// Do does an undisturbed run and then the trials.
func (k *Kills) Do(ctx context.Context) (KillsResult, error) {
	k.whole = map[simbench.Generator]findings{}
	for _, g := range []simbench.Generator{simbench.FunctionGenerator, simbench.SignalGenerator} {
		if err := k.undisturbed(ctx, g); err != nil {
			return KillsResult{}, fmt.Errorf("self-test: a run that nobody disturbs: %w", err)
		}
	}
	lanes := k.Lanes
	if lanes == 0 {
		lanes = 4
	}
	sum := KillsResult{Trials: map[End]int{}}
	var mu sync.Mutex
	var wg sync.WaitGroup
	done := 0
	benches := slices.DeleteFunc(Benches(), func(b Bench) bool { return k.Several && b.Manner != "" })
	for lane := range lanes {
		wg.Go(func() {
			r := rand.New(rand.NewPCG(k.Seed, uint64(lane)))
			for n := lane; n < k.Trials && ctx.Err() == nil; n += lanes {
				t := trial{k: k, n: n, bench: benches[n%len(benches)], end: Ends()[n/lanes%len(Ends())],
					aimed: k.Aim && n%4 != 0, r: r}
				span := k.duration
				if t.aimed {
					span = k.rf
				}
				t.at = time.Duration(r.Float64() * 1.05 * float64(span))
				t.do(ctx)
				mu.Lock()
				sum.add(&t)
				done++
				if k.Tell != nil {
					k.Tell(done)
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return sum, ctx.Err()
}

func (s *KillsResult) add(t *trial) {
	s.Trials[t.end]++
	if t.bench.Manner != "" {
		s.OneClient++
	}
	s.Acknowledged += t.acknowledged
	s.Lost += t.lost
	s.Starved += t.starved
	s.AgainFor = max(s.AgainFor, t.again)
	for n, is := range map[*int]bool{&s.Again: t.again > 0, &s.WithRF: t.hadRF, &s.Early: t.early,
		&s.TakenUp: t.takenUp} {
		if is {
			*n++
		}
	}
	switch t.end {
	case Stopped:
		s.OffStop = max(s.OffStop, t.off)
	default:
		s.OffDeath = max(s.OffDeath, t.off)
	}
	for _, b := range t.breaches {
		s.Breaches = append(s.Breaches, fmt.Sprintf("trial %d (%v), %s after %v: %s", t.n, t.bench,
			t.end, t.at.Round(time.Millisecond), b))
	}
}

// killSpeed of the simulated bench: its product's times must be long against what a busy machine jitters by.
const killSpeed = 50

// place is a simulated bench on sockets with a folder of files.
type place struct {
	sim   *simbench.Bench
	began time.Time // at the bench's time 0, or just after
	dir   string
}

func (k *Kills) place(name string, b Bench) (*place, error) {
	p := &place{sim: simbench.New(simbench.Config{Seed: seed, Speed: killSpeed, Steady: true, KeepHistory: true,
		Serial: name, Generator: b.Generator}), began: time.Now(), dir: filepath.Join(k.Dir, name)}
	err := p.sim.Listen("127.0.0.1:0")
	for _, at := range b.At {
		err = errors.Join(err, p.sim.Inject(at, simbench.Fault{Kind: b.Manner}))
	}
	if err == nil {
		err = os.MkdirAll(p.dir, 0o755)
	}
	if err == nil {
		file := p.sim.BenchFile()
		if b.Manner != "" { // a source that switches itself off when its only connection is lost would show nothing
			file = bytes.ReplaceAll(file, []byte(" generator with limits"), []byte(" generator"))
		}
		err = os.WriteFile(p.file("bench.yaml"), file, 0o644)
	}
	if err == nil {
		dwell := rf.Duration(p.sim.LeastDwell().Round(time.Millisecond) + 10*time.Millisecond)
		err = os.WriteFile(p.file("plan.yaml"), []byte(planText(usual, dwell.String(), "3 s", 2)), 0o644)
	}
	if err != nil {
		p.sim.Close()
	}
	return p, err
}

func (p *place) file(name string) string { return filepath.Join(p.dir, name) }

// rfAfter reports that RF was on at a moment or came on after it, and how long after that moment it
// went off for the last time.
func (p *place) rfAfter(moment time.Time) (on bool, off time.Duration) {
	was := false
	for _, s := range p.sim.History() {
		at := p.began.Add(time.Duration(float64(s.At) / killSpeed)).Sub(moment)
		if was && at > 0 {
			on, off = true, at
		}
		was = s.On
	}
	if was {
		on, off = true, time.Since(moment)
	}
	return on, off
}

// firstRF is the bench's time at which RF first came on; 0 when it did not.
func (p *place) firstRF() time.Duration {
	for _, s := range p.sim.History() {
		if s.On {
			return s.At
		}
	}
	return 0
}

// process is a program that runs.
type process struct {
	cmd  *exec.Cmd
	said *said
	done chan error
}

// said gathers what a program prints and counts the steps that it says are closed.
type said struct {
	mu   sync.Mutex
	text bytes.Buffer
	at   []time.Time // of each step's line
}

// Write keeps everything.
func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for range bytes.Count(p, []byte(" frequencies, ")) {
		s.at = append(s.at, time.Now())
	}
	return s.text.Write(p)
}

func (s *said) steps() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.at)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

func (k *Kills) start(p *place, job string, more ...string) (*process, error) {
	x := &process{cmd: exec.Command(k.Program), said: &said{}, done: make(chan error, 1)}
	x.cmd.Args = append([]string{"provoke", "run", p.file("plan.yaml"), "--job", p.file(job), "--arm",
		"--accept-single-path"}, more...)
	x.cmd.Stdout, x.cmd.Stderr = x.said, x.said
	x.cmd.WaitDelay = 5 * time.Second // a watcher that never came to run has what was to be closed
	if err := x.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		err := x.cmd.Wait()
		if errors.Is(err, exec.ErrWaitDelay) {
			err = nil
		}
		x.done <- err
	}()
	return x, nil
}

// wait waits for a program's end and returns its exit code.
func (x *process) wait(most time.Duration) (int, error) {
	select {
	case err := <-x.done:
		var e *exec.ExitError
		if errors.As(err, &e) {
			return e.ExitCode(), nil
		}
		return 0, err
	case <-time.After(most):
		x.cmd.Process.Kill()
		<-x.done
		return 0, fmt.Errorf("it did not end within %v:\n%s", most, x.said)
	}
}

// findings is what a run found, as far as two runs of the same plan must agree.
type findings []found

type found struct {
	frequency rf.Frequency
	upset     bool
	onset     plan.Offset
}

// SameFindings returns an error when the newest runs of two jobs did not find the same, or when a job
// does not verify.
func SameFindings(a, b string) error {
	x, err := findingsOf(a)
	if err != nil {
		return err
	}
	y, err := findingsOf(b)
	if err != nil {
		return err
	}
	if !slices.Equal(x, y) {
		return fmt.Errorf("%s found %+v, %s %+v\n%s", a, x, b, y, upsetsOf(b))
	}
	return nil
}

// findingsOf replays the run of a job.
func findingsOf(job string) (findings, error) {
	j, err := store.OpenReadOnly(job)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	v, err := j.Verify()
	if err != nil {
		return nil, err
	}
	if !v.OK() || !v.Complete() {
		return nil, fmt.Errorf("the job does not verify: %+v", v)
	}
	newest, err := j.Newest() // a run whose journal was closed is gone on with as a new one
	if err != nil {
		return nil, err
	}
	r, err := result.All(j.Records(newest, 1))
	if err != nil {
		return nil, err
	}
	var out findings
	for _, th := range r.Thresholds() {
		f := found{frequency: th.Frequency, upset: th.Upset}
		if th.Upset {
			// The onset as an offset: the current differs by what the analyser scatters.
			f.onset = plan.Offset{Gain: lowestUpset(r, th.Frequency), Bound: th.Onset.Bound()}
		}
		out = append(out, f)
	}
	return out, nil
}

// lowestUpset is the lowest offset at which the product was upset at a frequency.
func lowestUpset(r result.Run, f rf.Frequency) rf.Gain {
	lowest := rf.Gain(0)
	for _, s := range r.Steps {
		if s.Step.Point.Frequency == f && s.Outcome.Upset {
			lowest = min(lowest, s.Step.Offset)
		}
	}
	return lowest
}

func (k *Kills) undisturbed(ctx context.Context, g simbench.Generator) error {
	p, err := k.place("undisturbed-"+strings.ReplaceAll(string(g), " ", "-"), Bench{Generator: g})
	if err != nil {
		return err
	}
	defer p.sim.Close()
	began := time.Now()
	x, err := k.start(p, "j.provoke")
	if err != nil {
		return err
	}
	code, err := x.wait(time.Minute)
	if err != nil || code != 0 {
		return fmt.Errorf("exit code %d, %w:\n%s", code, err, x.said)
	}
	k.duration = time.Since(began)
	k.rf = time.Since(p.began.Add(p.firstRF() / killSpeed))
	k.whole[g], err = findingsOf(p.file("j.provoke"))
	if err == nil && !slices.ContainsFunc(k.whole[g], func(f found) bool { return f.upset }) {
		err = errors.New("nothing was found")
	}
	return err
}

// trial is one run that comes to an early end, and is taken up again.
type trial struct {
	k     *Kills
	n     int
	bench Bench
	end   End
	at    time.Duration // of the end, after the start, or after RF first came on
	aimed bool          // it is the latter
	r     *rand.Rand

	acknowledged, lost    int
	starved               int
	hadRF, early, takenUp bool
	again                 time.Duration   // for how long RF was on again after the program went on
	left                  *watcher.Report // what the watcher did; nil when it did nothing
	off                   time.Duration
	breaches              []string
}

func (t *trial) breach(format string, args ...any) {
	t.breaches = append(t.breaches, fmt.Sprintf(format, args...))
}

func (t *trial) do(ctx context.Context) {
	p, err := t.k.place(fmt.Sprintf("trial%d", t.n), t.bench)
	if err != nil {
		t.breach("%v", err)
		return
	}
	defer p.sim.Close()
	x, err := t.k.start(p, "j.provoke")
	if err != nil {
		t.breach("%v", err)
		return
	}
	for begun := time.Now(); t.aimed && p.firstRF() == 0 && time.Since(begun) < 20*time.Second; {
		time.Sleep(time.Millisecond)
	}
	time.Sleep(t.at)
	job := "j.provoke"
	switch t.end {
	case Killed:
		t.kill(p, x)
	case Stopped:
		t.stop(p, x)
	case PowerCut:
		job = t.cut(p, x)
	}
	t.look(p, job, x)
	t.plant(p)
	if len(t.breaches) == 0 {
		os.RemoveAll(p.dir)
	}
}

// plant looks at what the bench went through until the run that was taken up again had ended.
func (t *trial) plant(p *place) {
	for _, a := range p.sim.Abuses() {
		t.breach("a rating was exceeded: %v", a)
	}
	if h := aboveLevel(p.sim); h > 0.5 {
		t.breach("the product saw %.2f dB more than the plan asks for", h)
	}
	if p.sim.State().On {
		t.breach("RF is on at the end")
	}
}

// kill ends the program; the watcher ends RF.
func (t *trial) kill(p *place, x *process) {
	at := time.Now()
	x.cmd.Process.Kill()
	<-x.done
	t.acknowledged = x.said.steps()
	t.awaitOff(p, at, OffAfterDeath)
}

// endsByItself is how long after the moment of a stop a run may have ended in order, on a machine that came to
// the signal late: its watcher, which acts after watcher.Limit only, then had nothing to say.
const endsByItself = 100 * time.Millisecond

// awaitOff waits until RF is off and the watcher has done its work, and measures when RF went off for good.
func (t *trial) awaitOff(p *place, since time.Time, within time.Duration) {
	for p.sim.State().On && time.Since(since) < 10*time.Second {
		time.Sleep(time.Millisecond)
	}
	left, err := watcher.Await(p.file("j.provoke"), 15*time.Second)
	t.left = left
	if t.hadRF, t.off = p.rfAfter(since); t.off > within {
		t.breach("RF was on for %v after that; %v is promised", t.off.Round(time.Millisecond), within)
	}
	switch {
	case err != nil:
		t.breach("%v", err)
	case left != nil && (!left.Done || !left.Quiet):
		t.breach("the watcher says: %v", left)
	case left == nil && t.hadRF && (t.end != Stopped || t.off > endsByItself):
		t.breach("RF was on, and the watcher left no word")
	}
	if p.sim.State().On {
		t.breach("RF is on still, or again")
	}
}

// stop stops the program, lets it go on later, and sees to it that it raises nothing then.
func (t *trial) stop(p *place, x *process) {
	at := time.Now()
	if err := stopSignal(x.cmd.Process.Pid); err != nil {
		<-x.done // it had ended already
		t.acknowledged = x.said.steps()
		return
	}
	t.awaitOff(p, at, OffAfterStop)
	on := time.Now()
	contSignal(x.cmd.Process.Pid)
	if _, err := x.wait(30 * time.Second); err != nil {
		t.breach("%v", err)
	}
	t.acknowledged = x.said.steps()
	// A message that was being sent at the very instant of the stop arrives when the program goes on; nothing
	// follows it, and RF is off again at once.
	if again, off := p.rfAfter(on); again && t.left != nil {
		t.again = off
		if off > OnAgainFor {
			t.breach("RF was on until %v after the program went on", off.Round(time.Millisecond))
		}
	}
}

// cut takes the job as it lies on the disk at an instant, with the beginning of a write that never
// ended, and goes on with that.
func (t *trial) cut(p *place, x *process) string {
	t.acknowledged = x.said.steps() // before the copy: what is said meanwhile need not be in it
	stopSignal(x.cmd.Process.Pid)
	err := image(p.file("j.provoke"), p.file("cut.provoke"), t.r)
	x.cmd.Process.Kill()
	<-x.done
	at := time.Now()
	t.awaitOff(p, at, OffAfterDeath)
	if errors.Is(err, os.ErrNotExist) {
		return "j.provoke" // it had not come to a job file yet
	}
	if err != nil {
		t.breach("%v", err)
	}
	return "cut.provoke"
}

// image copies a job and its -wal and tears the last write.
func image(from, to string, r *rand.Rand) error {
	data, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	if err := os.WriteFile(to, data, 0o644); err != nil {
		return err
	}
	wal, err := os.ReadFile(from + "-wal")
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return os.WriteFile(to+"-wal", append(wal, torn(wal, r)...), 0o644)
}

// torn is the beginning of one more frame of a write-ahead log: its head is that of the last frame, with
// the right salts, and what follows is not what its checksum says.
func torn(wal []byte, r *rand.Rand) []byte {
	const logHead, frameHead = 32, 24 // bytes, https://www.sqlite.org/fileformat2.html#the_write_ahead_log
	if len(wal) < logHead {
		return nil
	}
	frame := frameHead + int(binary.BigEndian.Uint32(wal[8:]))
	out := make([]byte, r.IntN(frame))
	for i := range out {
		out[i] = byte(r.Uint32())
	}
	if last := (len(wal) - logHead) / frame; last > 0 {
		copy(out, wal[logHead+(last-1)*frame:][:frameHead])
	}
	return out
}

// look opens the job, counts what it lost, takes the run up again and compares the findings.
func (t *trial) look(p *place, job string, x *process) {
	file := p.file(job)
	steps, state, err := closedIn(file)
	switch _, missing := os.Stat(file); {
	case errors.Is(missing, os.ErrNotExist) && t.acknowledged == 0 && !t.hadRF:
		t.early = true
		return // it had not come to a job yet
	case (errors.Is(err, store.ErrNoRun) || errors.Is(err, store.ErrNotAJob)) && t.acknowledged == 0 && !t.hadRF:
		t.early = true // nor to a run, or the file was just being made: it is taken up all the same
		state = ""
	case err != nil:
		t.breach("the job does not open: %v\n%s", err, x.said)
		return
	}
	if t.lost = max(0, t.acknowledged-steps); t.lost > 0 {
		t.breach("%d steps were acknowledged, the job holds %d", t.acknowledged, steps)
	}
	if state == "" || strings.Contains(state, "tripped") || strings.Contains(state, "failed") {
		t.takenUp = true
		if err := t.goOn(p, job); err != nil {
			t.breach("taken up again: %v", err)
			return
		}
	}
	now, err := findingsOf(file)
	if err != nil {
		t.breach("%v", err)
		return
	}
	if whole := t.k.whole[t.bench.Generator]; !slices.Equal(now, whole) {
		t.breach("taken up again it found %+v, undisturbed %+v\n%s", now, whole, upsetsOf(file))
	}
	if t.left != nil && t.takenUp && t.end != PowerCut { // the image has no word of the watcher beside it
		t.told(file)
	}
}

// goOn takes the run up again and waits for its end. On a machine that is too busy to let it run for a
// second its watcher ends it, as it should; then it is taken up once more, three times at most.
func (t *trial) goOn(p *place, job string) error {
	for {
		again, err := t.k.start(p, job, "--resume")
		if err != nil {
			return err
		}
		code, err := again.wait(time.Minute)
		if err != nil || code == 0 {
			return err
		}
		text := again.said.String()
		if t.starved == 3 || !strings.Contains(text, "and the watcher takes over") &&
			!strings.Contains(text, "the watcher has silenced the bench") {
			return fmt.Errorf("exit code %d:\n%s", code, text)
		}
		t.starved++
	}
}

// told checks that what the watcher did is in the journal, and no longer beside it.
func (t *trial) told(file string) {
	if t.left.Run == 0 && !t.hadRF {
		return // it was about no run: there was none yet
	}
	if left, err := watcher.Left(file); left != nil || err != nil {
		t.breach("the watcher's report lies beside the job still: %v %v", left, err)
	}
	j, err := store.OpenReadOnly(file)
	if err != nil {
		t.breach("%v", err)
		return
	}
	defer j.Close()
	n, _ := j.Newest()
	for ; n > 0; n-- {
		for r := range j.Records(n, 1) {
			switch e := r.Event.(type) {
			case event.Safed:
				if e.By == "watcher" && e.Quiet {
					return
				}
			case event.Note: // of a run that was closed meanwhile
				if e.Text == t.left.String() {
					return
				}
			}
		}
	}
	t.breach("no record tells what the watcher did")
}

// upsetsOf tells every upset of a job's newest run, for whoever looks into a breach.
func upsetsOf(file string) string {
	j, err := store.OpenReadOnly(file)
	if err != nil {
		return err.Error()
	}
	defer j.Close()
	n, _ := j.Newest()
	r, err := result.All(j.Records(n, 1))
	if err != nil {
		return err.Error()
	}
	var out strings.Builder
	for _, s := range r.Steps {
		if s.Outcome.Upset {
			fmt.Fprintf(&out, "step %d attempt %d at %v %v %v: %s\n", s.Step.Number, s.Attempt, s.Step.Point.Frequency,
				s.Step.Offset, s.Current, s.Note)
		}
	}
	return out.String()
}

// closedIn counts the closed steps of a job's first run and tells its verdict.
func closedIn(file string) (int, string, error) {
	j, err := store.Open(file)
	if err != nil {
		return 0, "", err
	}
	defer j.Close()
	v, err := j.Verify()
	if err == nil && !v.OK() {
		err = fmt.Errorf("it does not verify: %+v", v)
	}
	if err != nil {
		return 0, "", err
	}
	if _, err := j.Newest(); err != nil {
		return 0, "", err
	}
	r, err := result.All(j.Records(1, 1))
	return len(r.Steps), string(r.Verdict), err
}

var _ io.Writer = (*said)(nil)
