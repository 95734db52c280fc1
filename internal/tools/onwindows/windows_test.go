package onwindows

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"provoke/internal/bench/simbench"
	"provoke/internal/run/selftest"
)

// machine is a Windows of its own in a folder, with the program for it and the same program for this system.
type machine struct {
	wine, server string
	env          []string
	exe, native  string
	wrapper      string // a program of this system that runs exe
}

// newMachine builds the two programs and lets wine make its folder.
func newMachine(t *testing.T) *machine {
	if runtime.GOOS != "linux" || runtime.GOARCH != "amd64" {
		t.Skip("outside check skipped: wine for amd64 runs on linux/amd64 here")
	}
	find := func(name, besides string) string {
		for _, at := range []string{name, besides} {
			if path, err := exec.LookPath(at); err == nil {
				return path
			}
		}
		t.Skipf("outside check skipped: no %s (Debian: wine64, binutils-mingw-w64-x86-64)", name)
		return ""
	}
	dir := t.TempDir()
	m := &machine{wine: find("wine64", "/usr/lib/wine/wine64"),
		server: find("wineserver64", "/usr/lib/wine/wineserver64"),
		exe:    filepath.Join(dir, "provoke.exe"), native: filepath.Join(dir, "provoke")}
	prefix := filepath.Join(dir, "windows")
	m.env = append(os.Environ(), "WINEPREFIX="+prefix, "HOME="+dir, "WINEDEBUG=-all",
		"WINEDLLOVERRIDES=mscoree,mshtml,winemenubuilder.exe=", "LANG=C.UTF-8",
		"PROVOKE_CLAIMS="+filepath.Join(dir, "claims"))
	as, ld, dlltool := find("x86_64-w64-mingw32-as", ""), find("x86_64-w64-mingw32-ld", ""),
		find("x86_64-w64-mingw32-dlltool", "")
	do := func(env []string, name string, args ...string) {
		c := exec.Command(name, args...)
		c.Env = append(os.Environ(), env...)
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
		}
	}
	const program = "provoke/cmd/provoke"
	var all sync.WaitGroup
	all.Go(func() {
		do([]string{"CGO_ENABLED=0", "GOOS=windows", "GOARCH=amd64"}, "go", "build", "-trimpath", "-o", m.exe, program)
	})
	all.Go(func() {
		do([]string{"CGO_ENABLED=0"}, "go", "build", "-trimpath", "-o", m.native, program)
	})
	all.Go(func() {
		stub, library := filepath.Join(dir, "prng.o"), filepath.Join(dir, "libadvapi32.a")
		do(nil, as, "-o", stub, "testdata/prng.s")
		do(nil, dlltool, "-d", "testdata/advapi32.def", "-l", library)
		if nice := exec.Command("nice", "-n", "-10", m.server, "-p"); nice.Err == nil { // it keeps every clock there is
			nice.Env = m.env
			nice.Run() // refused to who is not root: then it waits like everybody
		}
		do(m.env, m.wine, "wineboot", "-i")
		do(nil, ld, "--shared", "-e", "DllMainCRTStartup", "-o",
			filepath.Join(prefix, "drive_c/windows/system32/bcryptprimitives.dll"), stub,
			"testdata/bcryptprimitives.def", library)
	})
	all.Wait()
	m.wrapper = m.wrap(t)
	t.Cleanup(func() {
		c := exec.Command(m.server, "-k", "-w")
		c.Env = m.env
		c.Run()
	})
	if t.Failed() {
		t.FailNow()
	}
	return m
}

// wrap writes a script that becomes the program for Windows.
func (m *machine) wrap(t *testing.T) string {
	wrapper := filepath.Join(t.TempDir(), "provoke")
	var script strings.Builder
	script.WriteString("#!/bin/sh\n")
	for _, e := range m.env[len(os.Environ()):] {
		fmt.Fprintf(&script, "export '%s'\n", e)
	}
	fmt.Fprintf(&script, "exec '%s' '%s' \"$@\"\n", m.wine, m.exe)
	if err := os.WriteFile(wrapper, []byte(script.String()), 0o755); err != nil {
		t.Fatal(err)
	}
	return wrapper
}

// windows is a command of the program for Windows, in a folder.
func (m *machine) windows(dir string, args ...string) *exec.Cmd {
	c := exec.Command(m.wine, append([]string{m.exe}, args...)...)
	c.Dir, c.Env, c.WaitDelay = dir, m.env, time.Second
	return c
}

// here is a command of the same program for this system.
func (m *machine) here(dir string, args ...string) *exec.Cmd {
	c := exec.Command(m.native, args...)
	c.Dir = dir
	return c
}

// output runs a command to its end, at most a minute and a half, and returns what it printed, with the slashes
// of this system, and its exit code. All of it has to be UTF-8.
func output(t *testing.T, c *exec.Cmd) (string, int) {
	t.Helper()
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	ended := time.AfterFunc(90*time.Second, func() { c.Process.Kill() })
	err := c.Wait()
	if !ended.Stop() {
		t.Fatalf("%v did not end:\n%s", c.Args, out.String())
	}
	var code *exec.ExitError
	if err != nil && !errors.As(err, &code) && !errors.Is(err, exec.ErrWaitDelay) {
		t.Fatal(err)
	}
	text := out.String()
	if !utf8.ValidString(text) {
		t.Errorf("%v prints what is not UTF-8: %q", c.Args, text)
	}
	return text, c.ProcessState.ExitCode()
}

// TestTheProgramForWindows runs it as its user does, and compares with this system what has to be the same.
func TestTheProgramForWindows(t *testing.T) {
	if testing.Short() {
		t.Skip("a minute and a half")
	}
	t.Parallel()
	began := time.Now()
	m := newMachine(t)
	made := time.Since(began)
	t.Run("demo", m.demo)
	t.Run("sleep clock", m.sleepClock)
	t.Run("with RF", func(t *testing.T) {
		t.Run("kills", m.kills)
		t.Run("a bench in use", m.inUse)
	})
	t.Logf("figure: the binary for Windows under wine: %v to build it and set wine up, %v in all",
		made.Round(time.Second), time.Since(began).Round(time.Second))
}

// demo does the whole job in a folder whose name has a space, umlauts and signs, then reads it on both systems.
func (m *machine) demo(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "Prüfplatz Ω 5 µA")
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	said, code := output(t, m.windows(dir, "demo"))
	for n := 0; n < 2 && code == 20 && strings.Contains(said, "this process stood still"); n++ {
		t.Log("the machine is too busy, and the guard noticed; once more")
		said, code = output(t, m.windows(dir, "demo"))
	}
	for _, want := range []string{"Fix shown", "nothing on the simulated bench was ever over a rating", "dBµA", "Ω"} {
		if code != 0 || !strings.Contains(said, want) {
			t.Fatalf("exit code %d, and it does not say %q:\n%s", code, want, said)
		}
	}
	for _, args := range [][]string{
		{"level", "3 Vemf"}, {"level", "140 dBuV"},
		{"bench", "bench.yaml"}, {"plan", "exposure.yaml", "--bench", "bench.yaml"},
		{"findings", "belt-weigher.provoke"}, {"findings", "belt-weigher.provoke", "--json"},
		{"compare", "belt-weigher.provoke", "2", "5"},
		{"journal", "belt-weigher.provoke", "--verify"},
		{"bench", "about.yaml"}, {"keys"}, {"touchstone"}, {}, {"version"},
	} {
		theirs, a := output(t, m.windows(dir, args...))
		ours, b := output(t, m.here(dir, args...))
		if strings.ReplaceAll(theirs, `\`, "/") != ours || a != b {
			t.Errorf("provoke %s prints on Windows (exit code %d)\n%s\nand here (%d)\n%s", strings.Join(args, " "), a,
				theirs, b, ours)
		}
	}
	m.reports(t, dir)
	m.page(t, dir)
}

// reports are the same bytes on both systems.
func (m *machine) reports(t *testing.T, dir string) {
	args := []string{"report", "belt-weigher.provoke", "--about", "about.yaml", "-o", "a.pdf", "-o", "a.html", "-o",
		"a.xlsx"}
	if out, code := output(t, m.windows(dir, args...)); code != 0 {
		t.Fatalf("exit code %d:\n%s", code, out)
	}
	args = strings.Fields(strings.ReplaceAll(strings.Join(args, " "), " a.", " b."))
	if out, code := output(t, m.here(dir, args...)); code != 0 {
		t.Fatalf("exit code %d:\n%s", code, out)
	}
	for _, kind := range []string{"pdf", "html", "xlsx"} {
		a, err1 := os.ReadFile(filepath.Join(dir, "a."+kind))
		b, err2 := os.ReadFile(filepath.Join(dir, "b."+kind))
		if err := errors.Join(err1, err2); err != nil {
			t.Error(err)
		} else if !bytes.Equal(a, b) {
			t.Errorf("the report as %s has %d bytes on Windows and %d here, and they differ", kind, len(a), len(b))
		}
	}
}

// page asks the served pages over HTTP.
func (m *machine) page(t *testing.T, dir string) {
	// The demo's folder is in use: what lies there is kept under other names, the job with its log.
	c := m.windows(dir, "demo", "--serve")
	out, err := c.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errs bytes.Buffer
	c.Stderr = &errs
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		c.Process.Kill()
		c.Wait()
	}()
	var said []byte
	address := regexp.MustCompile(`http://127\.0\.0\.1:\d+/\S+`)
	for b := make([]byte, 1000); !address.Match(said); {
		n, err := out.Read(b)
		if said = append(said, b[:n]...); err != nil {
			t.Fatalf("%v: %s%s", err, said, errs.String())
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	cookies, _ := cookiejar.New(nil)
	client := &http.Client{Jar: cookies}
	get := func(url string) string {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		if err != nil || answer.StatusCode != http.StatusOK {
			t.Errorf("%s: %s %v", url, answer.Status, err)
		}
		return string(body)
	}
	at := string(address.Find(said))
	base := regexp.MustCompile(`^http://[^/]+`).FindString(at)
	get(at) // lets this client in
	first := get(base + "/")
	if !strings.Contains(first, "belt-weigher") {
		t.Errorf("the first page does not name the job:\n%.2000s", first)
	}
	links := regexp.MustCompile(`href="(/[^"#]*)"`).FindAllStringSubmatch(first, -1)
	if len(links) < 5 {
		t.Errorf("the first page leads to %d places", len(links))
	}
	if out, code := output(t, m.here(dir, "journal", "belt-weigher.before-1.provoke", "--verify")); code != 0 {
		t.Errorf("the job that was moved: exit code %d\n%s", code, out)
	}
	for _, l := range links {
		if body := get(base + l[1]); body == "" {
			t.Errorf("%s is empty", l[1])
		}
	}
}

// inUse has a second run of one bench refused, in the same job and in another, and ends the first with provoke off.
func (m *machine) inUse(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	sim := simbench.New(simbench.Config{Seed: 1, Speed: 10, Steady: true, KeepHistory: true})
	if err := sim.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	defer sim.Close()
	const long = `provoke: plan 1
name: long
bench: bench.yaml
kind: exposure
mode: closed loop
fixture: cable
level: iec-61000-4-6/level-2
grid: [{from: 10 MHz, to: 20 MHz, step: 1 %}]
modulation: CW
dwell: 2 s
levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}
`
	for name, data := range map[string][]byte{"bench.yaml": sim.BenchFile(), "long.yaml": []byte(long)} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	run := func(job string) *exec.Cmd { return m.windows(dir, "run", "long.yaml", "--job", job, "--arm") }
	first := run("first job.provoke")
	var said bytes.Buffer
	first.Stdout, first.Stderr = &said, &said
	if err := first.Start(); err != nil {
		t.Fatal(err)
	}
	defer first.Process.Kill()
	for end := time.Now().Add(30 * time.Second); !sim.State().On; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			first.Process.Kill()
			first.Wait()
			t.Fatalf("RF does not come on:\n%s", said.String())
		}
	}
	for _, job := range []string{"first job.provoke", "second.provoke"} {
		if out, code := output(t, run(job)); code != 1 || !strings.Contains(out, "in use") {
			t.Errorf("a run into %s beside the first: exit code %d\n%s", job, code, out)
		}
	}
	if !sim.State().On {
		t.Error("the second run ended the first")
	}
	if out, code := output(t, m.windows(dir, "off", "bench.yaml")); code != 0 || !strings.Contains(out, "was tripped") {
		t.Errorf("off: exit code %d\n%s", code, out)
	}
	if sim.State().On || len(sim.Abuses()) > 0 {
		t.Errorf("RF is on: %v; over a rating: %v", sim.State().On, sim.Abuses())
	}
	var code *exec.ExitError
	if err := first.Wait(); !errors.As(err, &code) || code.ExitCode() != 20 {
		t.Errorf("the first run ended with %v:\n%s", err, said.String())
	}
	if out, code := output(t, m.here(dir, "journal", "first job.provoke", "--verify")); code != 0 {
		t.Errorf("the journal: exit code %d\n%s", code, out)
	}
}

// sleepClock runs the watcher's test of it that is for Windows.
func (m *machine) sleepClock(t *testing.T) {
	tests := filepath.Join(t.TempDir(), "slept.exe")
	build := exec.Command("go", "test", "-c", "-o", tests, "provoke/internal/run/watcher/slept")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=windows", "GOARCH=amd64")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	c := exec.Command(m.wine, tests, "-test.v", "-test.run", "TestTheSleepClock")
	c.Env, c.WaitDelay = m.env, time.Second
	if out, code := output(t, c); code != 0 || !strings.Contains(out, "--- PASS: TestTheSleepClock") {
		t.Errorf("exit code %d\n%s", code, out)
	}
}

// kills ends running programs at random instants, in this system's eyes: the simulated bench stands here, and its
// record says when RF went off.
func (m *machine) kills(t *testing.T) {
	t.Parallel()
	// Wine's server holds the connections of a killed program open, in about one kill of fifteen, where Windows closes
	// them; to an instrument that takes one connection nobody could then speak.
	k := selftest.Kills{Program: m.wrapper, Dir: t.TempDir(), Trials: 12, Lanes: 3, Seed: 1, Aim: true, Several: true}
	sum, err := k.Do(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range sum.Breaches {
		t.Error(b)
	}
	if sum.WithRF == 0 || sum.Acknowledged == 0 || sum.TakenUp == 0 {
		t.Errorf("%d of the trials had RF on, %d steps were acknowledged, %d runs taken up again: nothing was shown",
			sum.WithRF, sum.Acknowledged, sum.TakenUp)
	}
	t.Logf("figure: program for Windows: trials %v, in %d of them RF was on, %d runs taken up again; %d steps "+
		"acknowledged, %d lost; RF off at the latest %v after death (promised %v), %v after a stop (promised %v)",
		sum.Trials, sum.WithRF, sum.TakenUp, sum.Acknowledged, sum.Lost, sum.OffDeath, selftest.OffAfterDeath,
		sum.OffStop, selftest.OffAfterStop)
}
