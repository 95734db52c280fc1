package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/selftest"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestMain lets this test binary be provoke itself, so that tests start the real program as processes.
func TestMain(m *testing.M) {
	testscript.Main(ownClaims{m}, map[string]func(){"provoke": main})
}

// ownClaims are tests with a folder of claims of their own: a watcher that other tests left still claims the ports of
// a simulated bench that is gone, and the system gives those ports to the next one.
type ownClaims struct{ *testing.M }

func (m ownClaims) Run() int {
	dir, err := os.MkdirTemp("", "provoke-claims")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	defer endWatchers(dir)
	os.Setenv("PROVOKE_CLAIMS", dir)
	return m.M.Run()
}

// endWatchers ends the watchers that still claim something in a folder. To one whose bench is gone the next bench with
// its ports and its serial number would be its own, and it would switch that off.
func endWatchers(folder string) {
	files, _ := filepath.Glob(filepath.Join(folder, "*-who"))
	for _, name := range files {
		var h claim.Holder
		if data, err := os.ReadFile(name); err == nil && json.Unmarshal(data, &h) == nil && h.Role == claim.Watches {
			h.Process.Kill()
		}
	}
}

// TestScripts runs the program as a person runs it, against the simulated bench in another process.
// Beside testscript's own commands the scripts know
//
//	simulate ARGS…             starts `provoke simulate`, writes bench.yaml; a new one ends the one before
//	hand WORDS…                does something at the simulated bench, e.g. hand INT OPEN
//	rf on|off                  waits, at most 10 s, until the simulated generator's output is so
//	exits CODE provoke ARGS…   runs a command to its end and checks its exit code
//	start provoke ARGS…        starts a command
//	signal INT|KILL|STOP|CONT  sends it a signal
//	until TEXT                 waits until it has printed a text
//	closes N JOB               waits until the job holds so many closed steps
//	ended CODE                 waits for the end of the command and checks its exit code
//	signalwatcher SIGNAL JOB   sends a signal to the watcher of the run that writes a job
//	samefindings JOB JOB       compares what the newest runs of two jobs found
//	flip FILE OLD NEW          changes bytes in a file
//	cut FILE N                 leaves the first N bytes of a file
//
// When a script ends nothing on the bench may have been driven over a rating.
func TestScripts(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"simulate": onBench((*scriptBench).simulate), "hand": onBench((*scriptBench).hand),
			"rf":    onBench((*scriptBench).rf),
			"start": onBench((*scriptBench).start), "signal": onBench((*scriptBench).signal),
			"until": onBench((*scriptBench).until),
			"ended": onBench((*scriptBench).ended), "closes": onBench((*scriptBench).closes),
			"signalwatcher": signalWatcher, "samefindings": sameFindings, "exits": exits, "flip": flip, "cut": cut,
		},
		Setup: func(e *testscript.Env) error {
			b := &scriptBench{t: t, claims: filepath.Join(e.WorkDir, ".claims")}
			e.Values["bench"] = b
			e.Setenv("PROVOKE_CLAIMS", b.claims)
			e.Defer(b.end)
			return nil
		},
	})
}

func onBench(f func(*scriptBench, *testscript.TestScript, []string)) func(*testscript.TestScript, bool, []string) {
	return func(ts *testscript.TestScript, neg bool, args []string) {
		f(ts.Value("bench").(*scriptBench), ts, args)
	}
}

// scriptBench is a simulated bench in another process, and the one command that was started.
type scriptBench struct {
	t       *testing.T
	claims  string // the folder of its runs' claims
	process *exec.Cmd
	address map[string]string // host:port of each face
	started *startedCommand
}

var addressLine = regexp.MustCompile(`^\s+(\w+)\s+TCPIP::([\d.]+)::(\d+)::SOCKET`)

// startProvoke makes a command that is this program in a process of its own.
func startProvoke(args ...string) *exec.Cmd {
	c := exec.Command(os.Args[0])
	c.Args = append([]string{"provoke"}, args...)
	return c
}

// typed runs the program in a folder, as a person does who types there, to its end or until the context ends.
func typed(ctx context.Context, dir, stdin string, args ...string) (code int, said string) {
	c := exec.CommandContext(ctx, os.Args[0])
	c.Args = append([]string{"provoke"}, args...)
	c.Dir, c.Stdin = dir, strings.NewReader(stdin)
	out, err := c.CombinedOutput()
	return exitCode(err), string(out)
}

func (b *scriptBench) simulate(ts *testscript.TestScript, args []string) {
	b.stop()
	if err := b.begin(ts.MkAbs("bench.yaml"), args...); err != nil {
		ts.Fatalf("simulate: %v", err)
	}
}

// begin starts the simulated bench and waits until it listens.
func (b *scriptBench) begin(benchFile string, args ...string) error {
	c := startProvoke(append([]string{"simulate", "--bench-out", benchFile}, args...)...)
	errs, err := c.StderrPipe()
	if err != nil {
		return err
	}
	if err := c.Start(); err != nil {
		return err
	}
	b.process, b.address = c, map[string]string{}
	lines := bufio.NewScanner(errs)
	var said []string
	for lines.Scan() {
		said = append(said, lines.Text())
		if m := addressLine.FindStringSubmatch(lines.Text()); m != nil {
			b.address[m[1]] = net.JoinHostPort(m[2], m[3])
			if m[1] == "dut" { // the last
				go io.Copy(io.Discard, errs)
				return nil
			}
		}
	}
	c.Wait()
	b.process = nil
	return fmt.Errorf("it ended: %s", strings.Join(said, "\n"))
}

// ask sends one message to a face and returns its answer, "" for a message that asks nothing.
func (b *scriptBench) ask(face, message string) (string, error) {
	c, err := net.DialTimeout("tcp", b.address[face], 5*time.Second)
	if err != nil {
		return "", err
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(5 * time.Second))
	if _, err := fmt.Fprintf(c, "%s;:SYST:ERR?\n", message); err != nil {
		return "", err
	}
	line, err := bufio.NewReader(c).ReadString('\n')
	if err != nil {
		return "", err
	}
	answer := strings.TrimSpace(line)
	i := strings.LastIndex(answer, ";")
	if e := answer[i+1:]; !strings.HasPrefix(e, "0,") && !strings.HasPrefix(e, "+0,") {
		return "", fmt.Errorf("%s answers %s to %q", face, e, message)
	}
	return answer[:max(i, 0)], nil
}

func (b *scriptBench) hand(ts *testscript.TestScript, args []string) {
	if _, err := b.ask("hand", strings.Join(args, " ")); err != nil {
		ts.Fatalf("hand: %v", err)
	}
}

func (b *scriptBench) rf(ts *testscript.TestScript, args []string) {
	want := map[string]string{"on": "1", "off": "0"}[args[0]]
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(2 * time.Millisecond) {
		is, err := b.ask("hand", "RF?")
		ts.Check(err)
		if is == want {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("RF is not %s", args[0])
		}
	}
}

// stop ends the simulated bench, after a look at whether anything was abused.
func (b *scriptBench) stop() {
	if b.process == nil {
		return
	}
	if abuse, err := b.ask("hand", "ABUS?"); err != nil || abuse != "0" {
		b.t.Errorf("the bench was abused: %s %v", abuse, err)
	}
	b.process.Process.Kill()
	b.process.Wait()
	b.process = nil
}

func (b *scriptBench) end() {
	if b.started != nil {
		b.started.cmd.Process.Kill()
		b.started.cmd.Wait()
	}
	b.stop()
	endWatchers(b.claims)
}

// startedCommand is a provoke that is running.
type startedCommand struct {
	cmd  *exec.Cmd
	out  *syncBuffer
	done chan error
}

func (b *scriptBench) start(ts *testscript.TestScript, args []string) {
	c := startProvoke(args[1:]...)
	c.Dir, c.Env = ts.MkAbs("."), append(os.Environ(), "PROVOKE_CLAIMS="+b.claims)
	s := &startedCommand{cmd: c, out: &syncBuffer{}, done: make(chan error, 1)}
	c.Stdout, c.Stderr = s.out, s.out
	ts.Check(c.Start())
	go func() { s.done <- c.Wait() }()
	b.started = s
}

func (b *scriptBench) until(ts *testscript.TestScript, args []string) {
	for end := time.Now().Add(20 * time.Second); !strings.Contains(b.started.out.String(),
		args[0]); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			ts.Fatalf("it did not print %q but\n%s", args[0], b.started.out)
		}
	}
}

func (b *scriptBench) ended(ts *testscript.TestScript, args []string) {
	s := b.started
	select {
	case err := <-s.done:
		b.started = nil
		io.WriteString(ts.Stderr(), s.out.String())
		if got := exitCode(err); strconv.Itoa(got) != args[0] {
			ts.Fatalf("it ended with %d, want %s:\n%s", got, args[0], s.out)
		}
	case <-time.After(60 * time.Second):
		ts.Fatalf("it did not end:\n%s", s.out)
	}
}

// closes waits until a job holds so many closed steps.
func (b *scriptBench) closes(ts *testscript.TestScript, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if n, err := countClosed(ts.MkAbs(args[1])); err == nil && n >= want {
			return
		}
		if time.Now().After(end) {
			ts.Fatalf("%s does not come to %d closed steps:\n%s", args[1], want, b.started.out)
		}
	}
}

func exitCode(err error) int {
	var e *exec.ExitError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &e):
		return e.ExitCode()
	}
	return -2
}

func exits(ts *testscript.TestScript, neg bool, args []string) {
	err := ts.Exec(args[1], args[2:]...)
	if got := exitCode(err); strconv.Itoa(got) != args[0] {
		ts.Fatalf("it ended with %d, want %s", got, args[0])
	}
}

func sameFindings(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(selftest.SameFindings(ts.MkAbs(args[0]), ts.MkAbs(args[1])))
}

func flip(ts *testscript.TestScript, neg bool, args []string) {
	file := ts.MkAbs(args[0])
	data, err := os.ReadFile(file)
	ts.Check(err)
	if len(args[1]) != len(args[2]) || !bytes.Contains(data, []byte(args[1])) {
		ts.Fatalf("%s does not hold %q, or the new text is of another length", args[0], args[1])
	}
	ts.Check(os.WriteFile(file, bytes.ReplaceAll(data, []byte(args[1]), []byte(args[2])), 0o644))
}

func cut(ts *testscript.TestScript, neg bool, args []string) {
	n, err := strconv.ParseInt(args[1], 10, 64)
	ts.Check(err)
	ts.Check(os.Truncate(filepath.Clean(ts.MkAbs(args[0])), n))
}

// syncBuffer gathers what a process prints while others read it.
type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *syncBuffer) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// countClosed counts the closed steps of the newest run of a job that another process may write.
func countClosed(file string) (int, error) {
	job, err := store.OpenReadOnly(file)
	if err != nil {
		return 0, err
	}
	defer job.Close()
	n, err := job.Newest()
	if err != nil {
		return 0, err
	}
	r, err := result.All(job.Records(n, 1))
	return len(r.Steps), err
}
