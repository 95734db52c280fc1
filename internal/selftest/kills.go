package selftest

import (
	"bytes"
	"context"
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

	"provoke/internal/plan"
	"provoke/internal/result"
	"provoke/internal/rf"
	"provoke/internal/simbench"
	"provoke/internal/store"
	"provoke/internal/watcher"
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
)

// Kills are trials of a running program on simulated benches.
type Kills struct {
	Program string // this program's executable
	Dir     string // where jobs are put
	Trials  int
	Lanes   int // how many at a time; 0 means 4
	Seed    uint64
	Tell    func(done int)

	whole    findings
	duration time.Duration
}

// KillsResult sums the trials up.
type KillsResult struct {
	Trials       map[End]int
	Acknowledged int // steps that the program had said were closed before its end
	Lost         int // of them, those that the job does not hold
	WithRF       int // trials in which RF was on at the end
	OffDeath     time.Duration
	OffStop      time.Duration
	Breaches     []string
}

// Do does an undisturbed run and then the trials.
func (k *Kills) Do(ctx context.Context) (KillsResult, error) {
	if err := k.undisturbed(ctx); err != nil {
		return KillsResult{}, fmt.Errorf("self-test: a run that nobody disturbs: %w", err)
	}
	lanes := k.Lanes
	if lanes == 0 {
		lanes = 4
	}
	sum := KillsResult{Trials: map[End]int{}}
	var mu sync.Mutex
	var wg sync.WaitGroup
	done := 0
	for lane := range lanes {
		wg.Go(func() {
			r := rand.New(rand.NewPCG(k.Seed, uint64(lane)))
			for n := lane; n < k.Trials && ctx.Err() == nil; n += lanes {
				t := trial{k: k, n: n, end: Ends()[n/lanes%len(Ends())], at: time.Duration(r.Float64() * 1.05 * float64(k.duration)), r: r}
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
	s.Acknowledged += t.acknowledged
	s.Lost += t.lost
	if t.hadRF {
		s.WithRF++
	}
	switch t.end {
	case Stopped:
		s.OffStop = max(s.OffStop, t.off)
	default:
		s.OffDeath = max(s.OffDeath, t.off)
	}
	for _, b := range t.breaches {
		s.Breaches = append(s.Breaches, fmt.Sprintf("trial %d, %s after %v: %s", t.n, t.end, t.at.Round(time.Millisecond), b))
	}
}

// killSpeed of the simulated bench: its product's times must be long against what a busy machine jitters by.
const killSpeed = 50

// place is a simulated bench on sockets with a folder of files.
type place struct {
	sim *simbench.Bench
	dir string
}

func (k *Kills) place(name string) (*place, error) {
	p := &place{sim: simbench.New(simbench.Config{Seed: seed, Speed: killSpeed, KeepHistory: true}), dir: filepath.Join(k.Dir, name)}
	err := p.sim.Listen("127.0.0.1:0")
	if err == nil {
		err = os.MkdirAll(p.dir, 0o755)
	}
	if err == nil {
		err = os.WriteFile(p.file("bench.yaml"), p.sim.BenchFile(), 0o644)
	}
	if err == nil {
		dwell := rf.Duration(p.sim.LeastDwell().Round(time.Millisecond) + 10*time.Millisecond)
		err = os.WriteFile(p.file("plan.yaml"), []byte(planText(dwell.String(), "3 s", 2)), 0o644)
	}
	if err != nil {
		p.sim.Close()
	}
	return p, err
}

func (p *place) file(name string) string { return filepath.Join(p.dir, name) }

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
	x.cmd.Args = append([]string{"provoke", "run", p.file("plan.yaml"), "--job", p.file(job), "--arm"}, more...)
	x.cmd.Stdout, x.cmd.Stderr = x.said, x.said
	if err := x.cmd.Start(); err != nil {
		return nil, err
	}
	go func() { x.done <- x.cmd.Wait() }()
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

func (k *Kills) undisturbed(ctx context.Context) error {
	p, err := k.place("undisturbed")
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
	k.whole, err = findingsOf(p.file("j.provoke"))
	if err == nil && !slices.ContainsFunc(k.whole, func(f found) bool { return f.upset }) {
		err = errors.New("nothing was found")
	}
	return err
}

// trial is one run that comes to an early end, and is taken up again.
type trial struct {
	k   *Kills
	n   int
	end End
	at  time.Duration // of the end, after the start
	r   *rand.Rand

	acknowledged, lost int
	hadRF              bool
	off                time.Duration
	breaches           []string
}

func (t *trial) breach(format string, args ...any) {
	t.breaches = append(t.breaches, fmt.Sprintf(format, args...))
}

func (t *trial) do(ctx context.Context) {
	p, err := t.k.place(fmt.Sprintf("trial%d", t.n))
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
	for _, a := range p.sim.Abuses() {
		t.breach("a rating was exceeded: %v", a)
	}
	t.look(p, job, x)
	if len(t.breaches) == 0 {
		os.RemoveAll(p.dir)
	}
}

// kill ends the program; the watcher ends RF.
func (t *trial) kill(p *place, x *process) {
	t.acknowledged = x.said.steps()
	t.hadRF = p.sim.State().On
	at := time.Now()
	x.cmd.Process.Kill()
	<-x.done
	t.awaitOff(p, at, OffAfterDeath)
}

// awaitOff measures when RF went off for good.
func (t *trial) awaitOff(p *place, since time.Time, within time.Duration) {
	for p.sim.State().On && time.Since(since) < 10*time.Second {
		time.Sleep(time.Millisecond)
	}
	off := time.Since(since)
	if t.hadRF {
		t.off = max(t.off, off)
		if off > within {
			t.breach("RF was on for %v after that; %v is promised", off.Round(time.Millisecond), within)
		}
	}
	left, err := watcher.Await(p.file("j.provoke"), 15*time.Second)
	switch {
	case err != nil:
		t.breach("%v", err)
	case left != nil && (!left.Done || !left.Quiet):
		t.breach("the watcher says: %v", left)
	case left == nil && t.hadRF:
		t.breach("RF was on, and the watcher left no word")
	}
	if p.sim.State().On {
		t.breach("RF is on again")
	}
}

// stop stops the program, lets it go on later, and sees to it that it raises nothing then.
func (t *trial) stop(p *place, x *process) {
	t.acknowledged = x.said.steps()
	t.hadRF = p.sim.State().On
	at := time.Now()
	if err := stopSignal(x.cmd.Process.Pid); err != nil {
		<-x.done // it had ended already
		return
	}
	t.awaitOff(p, at, OffAfterStop)
	contSignal(x.cmd.Process.Pid)
	for end := time.Now().Add(500 * time.Millisecond); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if t.hadRF && p.sim.State().On {
			t.breach("RF came on again after the program went on")
			break
		}
	}
	if _, err := x.wait(30 * time.Second); err != nil {
		t.breach("%v", err)
	}
}

// cut takes the job as it lies on the disk at an instant, with the beginning of a write that never
// ended, and goes on with that.
func (t *trial) cut(p *place, x *process) string {
	t.acknowledged = x.said.steps()
	t.hadRF = p.sim.State().On
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
	torn := make([]byte, r.IntN(6000))
	for i := range torn {
		torn[i] = byte(r.Uint32())
	}
	if len(wal) > 4128 { // the head of a frame that looks like the one before
		copy(torn, wal[len(wal)-4120:][:min(24, len(torn))])
	}
	return os.WriteFile(to+"-wal", append(wal, torn...), 0o644)
}

// look opens the job, counts what it lost, takes the run up again and compares the findings.
func (t *trial) look(p *place, job string, x *process) {
	file := p.file(job)
	if _, err := os.Stat(file); errors.Is(err, os.ErrNotExist) && t.acknowledged == 0 {
		return // it had not come to a job yet
	}
	steps, state, err := closedIn(file)
	switch {
	case (errors.Is(err, store.ErrNoRun) || errors.Is(err, store.ErrNotAJob)) && t.acknowledged == 0:
		return // nor to a run, or the file was just being made
	case err != nil:
		t.breach("the job does not open: %v\n%s", err, x.said)
		return
	}
	if t.lost = max(0, t.acknowledged-steps); t.lost > 0 {
		t.breach("%d steps were acknowledged, the job holds %d", t.acknowledged, steps)
	}
	if state == "" || strings.Contains(state, "tripped") || strings.Contains(state, "failed") {
		again, err := t.k.start(p, job, "--resume")
		if err != nil {
			t.breach("%v", err)
			return
		}
		if code, err := again.wait(time.Minute); err != nil || code != 0 {
			t.breach("taken up again it ended with %d, %v:\n%s", code, err, again.said)
			return
		}
	}
	now, err := findingsOf(file)
	if err != nil {
		t.breach("%v", err)
		return
	}
	if !slices.Equal(now, t.k.whole) {
		t.breach("taken up again it found %+v, undisturbed %+v\n%s", now, t.k.whole, upsetsOf(file))
	}
	if left, err := watcher.Left(file); left != nil || err != nil {
		t.breach("the watcher's report was not journalled: %v %v", left, err)
	}
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
			fmt.Fprintf(&out, "step %d attempt %d at %v %v %v: %s\n", s.Step.Number, s.Attempt, s.Step.Point.Frequency, s.Step.Offset, s.Current, s.Note)
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
