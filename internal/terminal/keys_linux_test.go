package terminal_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"provoke/internal/terminal"
)

// pair is a pseudo terminal: what is typed into keyboard is read from line, and what is written to line is seen.
type pair struct {
	t              *testing.T
	keyboard, line *os.File
	mu             sync.Mutex
	shown          bytes.Buffer
}

func pseudoTerminal(t *testing.T) *pair {
	t.Helper()
	keyboard, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Skip("no pseudo terminals here:", err)
	}
	t.Cleanup(func() { keyboard.Close() })
	fd := int(keyboard.Fd())
	number, err := unix.IoctlGetInt(fd, unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(fd, unix.TIOCSPTLCK, 0)
	}
	if err == nil {
		err = unix.IoctlSetWinsize(fd, unix.TIOCSWINSZ, &unix.Winsize{Row: 24, Col: 80})
	}
	if err != nil {
		t.Fatal(err)
	}
	line, err := os.OpenFile(fmt.Sprintf("/dev/pts/%d", number), os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { line.Close() })
	p := &pair{t: t, keyboard: keyboard, line: line}
	go func() {
		space := make([]byte, 4096)
		for {
			n, err := keyboard.Read(space)
			p.mu.Lock()
			p.shown.Write(space[:n])
			p.mu.Unlock()
			if err != nil {
				return
			}
		}
	}()
	return p
}

// world is one that is typed into and seen at the terminal.
func (p *pair) world() *terminal.World {
	return &terminal.World{Ctx: p.t.Context(), Stdin: p.line, Terminal: true,
		Stdout: &terminal.Writer{To: terminal.Screen{File: p.line}},
		Stderr: &terminal.Writer{To: terminal.Screen{File: p.line}}}
}

func (p *pair) modes() unix.Termios {
	p.t.Helper()
	m, err := unix.IoctlGetTermios(int(p.keyboard.Fd()), unix.TCGETS)
	if err != nil {
		p.t.Fatal(err)
	}
	return *m
}

func (p *pair) types(pieces ...string) {
	p.t.Helper()
	for i, piece := range pieces {
		if i > 0 {
			time.Sleep(5 * time.Millisecond)
		}
		if _, err := p.keyboard.WriteString(piece); err != nil {
			p.t.Fatal(err)
		}
	}
}

func (p *pair) seen() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.shown.String()
}

// sees waits until something is seen.
func (p *pair) sees(text string) {
	p.t.Helper()
	p.waits(fmt.Sprintf("%q is seen", text), func() bool { return strings.Contains(p.seen(), text) })
}

// shows waits until this, and nothing else, stands on the terminal.
func (p *pair) shows(want string) {
	p.t.Helper()
	var g *glass
	p.waits(fmt.Sprintf("%q stands there", want), func() bool {
		g = &glass{columns: 80, height: 24}
		io.WriteString(g, p.seen())
		return g.seen() == want && g.wrong == nil
	})
}

func (p *pair) waits(what string, done func() bool) {
	p.t.Helper()
	for end := time.Now().Add(20 * time.Second); !done(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			p.t.Fatalf("waited in vain until %s; seen:\n%q", what, p.seen())
		}
	}
}

func keysOf(t *testing.T, w *terminal.World) *terminal.Keys {
	t.Helper()
	keys, ok := w.Keys()
	if !ok {
		t.Fatal("a terminal delivers no keys")
	}
	t.Cleanup(keys.Close)
	return keys
}

// next are the next keys, so many.
func next(t *testing.T, keys *terminal.Keys, n int) (out []terminal.Key) {
	t.Helper()
	for len(out) < n {
		select {
		case p, ok := <-keys.Pressed():
			if !ok || time.Since(p.At) > 10*time.Second || p.At.After(time.Now()) {
				t.Fatalf("after %q came %v, %v", out, p, ok)
			}
			out = append(out, p.Key)
		case <-time.After(10 * time.Second):
			t.Fatalf("after %q no more came", out)
		}
	}
	return out
}

func silent(t *testing.T, keys *terminal.Keys) {
	t.Helper()
	select {
	case p := <-keys.Pressed():
		t.Errorf("key %q was never typed", p.Key)
	case <-time.After(100 * time.Millisecond):
	}
}

func TestKeysArriveOneByOneWithoutEcho(t *testing.T) {
	p := pseudoTerminal(t)
	was := p.modes()
	was.Cc[unix.VMIN], was.Cc[unix.VTIME] = 0, 3 // as somebody left them
	if err := unix.IoctlSetTermios(int(p.line.Fd()), unix.TCSETS, &was); err != nil {
		t.Fatal(err)
	}
	keys := keysOf(t, p.world())
	if m := p.modes(); m.Cc[unix.VMIN] != 1 || m.Cc[unix.VTIME] != 0 || m.Lflag&(unix.ICANON|unix.ECHO) != 0 ||
		m.Lflag&unix.ISIG == 0 || m.Oflag&unix.OPOST == 0 {
		t.Errorf("modes %+v", m)
	}
	p.types("u", "\x1b", "[", "A", "\x1b[1", "5~", "\xc2", "\xb5")
	if got := next(t, keys, 4); !slices.Equal(got, []terminal.Key{"u", terminal.Up, "F5", "µ"}) {
		t.Errorf("came as %q", got)
	}
	begun := time.Now()
	p.types("\x1b")
	if got := next(t, keys, 1); got[0] != terminal.Esc {
		t.Errorf("Esc alone came as %q", got)
	} else if wait := time.Since(begun); wait < 50*time.Millisecond || wait > 5*time.Second {
		t.Errorf("Esc alone came after %v", wait)
	}
	burst := strings.Repeat("abc\x1b[6~µ \r", 100) // 1100 bytes at once
	p.types(burst)
	want := []terminal.Key{"a", "b", "c", terminal.PageDown, "µ", terminal.Space, terminal.Enter}
	for range 100 {
		if got := next(t, keys, 7); !slices.Equal(got, want) {
			t.Fatalf("the burst came as %q, want %q", got, want)
		}
	}
	silent(t, keys)
	if p.seen() != "" {
		t.Errorf("what was typed is seen: %q", p.seen())
	}
	keys.Close()
	keys.Close()
	if m := p.modes(); m != was {
		t.Errorf("modes afterwards %+v, before %+v", m, was)
	}
	if _, ok := <-keys.Pressed(); ok {
		t.Error("a key came after the end")
	}
}

func TestLinesPrintedWhileKeysAreTakenBeginInTheFirstColumn(t *testing.T) {
	p := pseudoTerminal(t)
	w := p.world()
	keysOf(t, w)
	fmt.Fprint(w.Stderr, "one\ntwo\n")
	fmt.Fprintln(p.line, "a library that knows no world")
	p.sees("one\r\ntwo\r\na library that knows no world\r\n")
}

func TestLinesAndKeysFollowEachOther(t *testing.T) {
	p := pseudoTerminal(t)
	w := p.world()
	short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if line, ok := w.Line(short); ok { // leaves a read behind
		t.Fatal(line)
	}
	keys := keysOf(t, w)
	p.types("k")
	if got := next(t, keys, 1); got[0] != "k" {
		t.Errorf("key %q", got)
	}
	asked := make(chan string)
	go func() {
		line, _ := w.Line(t.Context())
		asked <- line
	}()
	p.types("x", "y", "z")
	if got := next(t, keys, 3); !slices.Equal(got, []terminal.Key{"x", "y", "z"}) {
		t.Errorf("keys %q", got)
	}
	keys.Close()
	p.types("a line\n")
	select {
	case line := <-asked:
		if line != "a line" {
			t.Errorf("line %q", line)
		}
	case <-time.After(10 * time.Second):
		t.Error("the line never came")
	}
	p.sees("a line\r\n") // with echo again
}

func TestALineThatIsTypedEndsThePromptAboveABlock(t *testing.T) {
	t.Setenv("TERM", "xterm")
	p := pseudoTerminal(t)
	w := p.world()
	b := terminal.NewBlock(w, 0)
	b.Show("31.5 mA", "RF off")
	fmt.Fprint(w.Stderr, "clear? ")
	p.types("yes\n")
	if line, ok := w.Line(t.Context()); line != "yes" || !ok {
		t.Errorf("line %q, %v", line, ok)
	}
	time.Sleep(300 * time.Millisecond)
	p.shows("clear? yes\n31.5 mA\nRF off")
	b.Close()
	p.shows("clear? yes")
}

func TestWithoutATerminalThereAreNoKeysAndLinesAreTaken(t *testing.T) {
	r, wr, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	io.WriteString(wr, "first\nsecond")
	wr.Close()
	for name, in := range map[string]io.Reader{"a pipe": r, "no file": strings.NewReader("first\nsecond")} {
		w := &terminal.World{Ctx: t.Context(), Stdin: in, Stderr: io.Discard}
		if _, ok := w.Keys(); ok {
			t.Errorf("%s delivers keys", name)
		}
		for _, want := range []string{"first", "second"} {
			if line, ok := w.Line(t.Context()); line != want || !ok {
				t.Errorf("%s: line %q, %v", name, line, ok)
			}
		}
		if line, ok := w.Line(t.Context()); ok {
			t.Errorf("%s: line %q after the end", name, line)
		}
	}
}

func TestALineIsTakenAmongKeys(t *testing.T) {
	p := pseudoTerminal(t)
	w := p.world()
	keys := keysOf(t, w)
	type answer struct {
		text string
		ok   bool
	}
	ask := func(ctx context.Context) chan answer {
		out := make(chan answer, 1)
		go func() {
			text, ok := keys.ReadLine(ctx, "what was changed? ")
			out <- answer{text, ok}
		}()
		return out
	}
	gives := func(got chan answer, want answer) {
		t.Helper()
		select {
		case a := <-got:
			if a != want {
				t.Errorf("answered %+v, want %+v", a, want)
			}
		case <-time.After(10 * time.Second):
			t.Fatalf("no answer; seen %q", p.seen())
		}
	}
	t.Setenv("TERM", "xterm")
	b := terminal.NewBlock(w, 0)
	b.Show("31.5 mA", "RF off")
	got := ask(t.Context())
	p.sees("what was changed? ")
	p.types("C3 10 nG\x7fF", "\x1b[A", " µ", "\ruq")
	gives(got, answer{"C3 10 nF µ", true})
	if after := next(t, keys, 2); !slices.Equal(after, []terminal.Key{"u", "q"}) {
		t.Errorf("after the line came %q", after)
	}
	p.shows("what was changed? C3 10 nF µ\n31.5 mA\nRF off")

	size := unix.Winsize{Row: 24, Col: 30}
	if err := unix.IoctlSetWinsize(int(p.keyboard.Fd()), unix.TIOCSWINSZ, &size); err != nil {
		t.Fatal(err)
	}
	got = ask(t.Context())
	p.types("nonsense, 0123456789")
	p.sees("\n…hanged? nonsense, 0123456789\x1b[J") // 29 columns at most, of the end
	p.types("\x1b", "w")                            // Esc waits 50 ms, the pieces come 20 ms apart
	time.Sleep(100 * time.Millisecond)
	p.types("\x1b")
	gives(got, answer{"", false})
	p.shows("what was changed? C3 10 nF µ\n31.5 mA\nRF off")

	ctx, cancel := context.WithCancel(t.Context())
	got = ask(ctx)
	p.types("half")
	p.sees("half")
	cancel()
	gives(got, answer{"", false})
	p.shows("what was changed? C3 10 nF µ\n31.5 mA\nRF off")
	p.types("z")
	if after := next(t, keys, 1); after[0] != "z" {
		t.Errorf("after the end came %q", after)
	}

	got = ask(t.Context())
	keys.Close()
	gives(got, answer{"", false})
	b.Close()
	p.shows("what was changed? C3 10 nF µ")
}

func TestALineAmongKeysNeedsNoBlockAndNoTerminalToPrintOn(t *testing.T) {
	t.Setenv("TERM", "xterm")
	for _, live := range []bool{true, false} {
		p := pseudoTerminal(t)
		w := p.world()
		w.Terminal = live
		keys := keysOf(t, w)
		p.types("\x7f10 nF\rq")
		if text, ok := keys.ReadLine(t.Context(), "changed? "); text != "10 nF" || !ok {
			t.Errorf("line %q, %v", text, ok)
		}
		if after := next(t, keys, 1); after[0] != "q" {
			t.Errorf("after the line came %q", after)
		}
		fmt.Fprintln(w.Stderr, "goes on")
		if live {
			p.shows("changed? 10 nF\ngoes on")
		} else {
			p.shows("changed?\nchanged? 10 nF\ngoes on")
		}
		keys.Close()
	}
}

func TestWhenTheTerminalIsGoneTheKeysEnd(t *testing.T) {
	p := pseudoTerminal(t)
	keys := keysOf(t, p.world())
	p.types("u\x1b")
	if got := next(t, keys, 1); got[0] != "u" {
		t.Errorf("key %q", got)
	}
	p.keyboard.Close()
	if text, ok := keys.ReadLine(t.Context(), "> "); ok {
		t.Errorf("line %q", text)
	}
	select {
	case _, open := <-keys.Pressed():
		if open {
			t.Error("keys go on")
		}
	case <-time.After(10 * time.Second):
		t.Error("the keys do not end")
	}
}

func TestABlockLeavesRoomOnALowTerminal(t *testing.T) {
	t.Setenv("TERM", "xterm")
	p := pseudoTerminal(t)
	size := unix.Winsize{Row: 5, Col: 80}
	if err := unix.IoctlSetWinsize(int(p.keyboard.Fd()), unix.TIOCSWINSZ, &size); err != nil {
		t.Fatal(err)
	}
	b := terminal.NewBlock(p.world(), 0)
	b.Show("1", "2", "3", "4", "5", "6")
	p.shows("1\n2\n3")
	b.Close()
}

func TestWhatCannotOverwriteGetsPlainLines(t *testing.T) {
	t.Setenv("TERM", "dumb")
	p := pseudoTerminal(t)
	b := terminal.NewBlock(p.world(), time.Hour)
	b.Show("31.5 mA", "RF off")
	b.Show("31.6 mA", "RF off")
	b.Close()
	p.sees("31.5 mA  RF off\r\n31.6 mA  RF off\r\n")
}

// TestMain runs the program that takes keys, in a process of its own, when it is asked to.
func TestMain(m *testing.M) {
	if os.Getenv("PROVOKE_TAKES_KEYS") != "" {
		os.Exit(takeKeys())
	}
	os.Exit(m.Run())
}

// takeKeys says what it gets: q ends, p panics, b shows a block. It reads nothing in the background.
func takeKeys() int {
	signal.Ignore(syscall.SIGTTIN)
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	w := &terminal.World{Ctx: context.Background(), Stdin: os.Stdin, Signals: signals, Terminal: true,
		Stdout: &terminal.Writer{To: terminal.Screen{File: os.Stdout}},
		Stderr: &terminal.Writer{To: terminal.Screen{File: os.Stderr}}}
	keys, ok := w.Keys()
	if !ok {
		fmt.Fprintln(w.Stderr, "no keys")
		return 3
	}
	defer keys.Close()
	b := terminal.NewBlock(w, 0)
	defer b.Close()
	fmt.Fprintln(w.Stdout, "ready")
	for {
		select {
		case p, ok := <-keys.Pressed():
			switch {
			case !ok || p.Key == "q":
				fmt.Fprintln(w.Stdout, "leaves")
				return 0
			case p.Key == "p":
				panic("on purpose")
			case p.Key == "b":
				b.Show("31.5 mA", "RF off")
			}
			fmt.Fprintf(w.Stdout, "key %v\n", p.Key)
		case s := <-signals:
			fmt.Fprintf(w.Stdout, "signal %v\n", s)
			return 4
		}
	}
}

// starts runs the program that takes keys at the terminal.
func (p *pair) starts(name string, args ...string) *exec.Cmd {
	p.t.Helper()
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), "PROVOKE_TAKES_KEYS=yes", "PS1=$ ", "ENV=", "TERM=xterm")
	c.Stdin, c.Stdout, c.Stderr = p.line, p.line, p.line
	c.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
	if err := c.Start(); err != nil {
		p.t.Fatal(err)
	}
	p.t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	return c
}

func program(t *testing.T) string {
	name, err := filepath.Abs(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	return name
}

func TestTheTerminalIsGivenBackHoweverTheProgramEnds(t *testing.T) {
	for _, c := range []struct {
		name string
		end  func(*pair, *os.Process)
		says string
	}{
		{"a key", func(p *pair, _ *os.Process) { p.types("q") }, "leaves"},
		{"Ctrl-C", func(p *pair, _ *os.Process) { p.types("\x03") }, "signal interrupt"},
		{"SIGTERM", func(_ *pair, o *os.Process) { o.Signal(syscall.SIGTERM) }, "signal terminated"},
		{"a panic", func(p *pair, _ *os.Process) { p.types("p") }, "on purpose"},
		{"SIGHUP", func(_ *pair, o *os.Process) { o.Signal(syscall.SIGHUP) }, "ready"},
		{"SIGQUIT", func(_ *pair, o *os.Process) { o.Signal(syscall.SIGQUIT) }, "goroutine"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := pseudoTerminal(t)
			was := p.modes()
			cmd := p.starts(program(t))
			p.sees("ready\r\n")
			if m := p.modes(); m.Lflag&unix.ICANON != 0 {
				t.Fatal("it takes no keys")
			}
			p.types("k\x1c\x13") // Ctrl-\ would end it, Ctrl-S would stop what it prints
			p.sees("key k\r\nkey Ctrl-\\\r\nkey Ctrl-S\r\n")
			c.end(p, cmd.Process)
			err := cmd.Wait()
			var failed *exec.ExitError
			if c.name != "a key" && !errors.As(err, &failed) {
				t.Errorf("it ended with %v", err)
			}
			p.sees(c.says)
			if m := p.modes(); m != was {
				t.Errorf("modes afterwards %+v, before %+v", m, was)
			}
		})
	}
}

func TestAStoppedProgramGivesTheTerminalToTheShell(t *testing.T) {
	for _, shell := range [][]string{{"sh", "-i"}, {"bash", "--norc", "--noediting", "-i"}} {
		t.Run(shell[0], func(t *testing.T) {
			if _, err := exec.LookPath(shell[0]); err != nil {
				t.Skip(err)
			}
			p := pseudoTerminal(t)
			was := p.modes()
			p.starts(shell[0], shell[1:]...)
			p.types("'" + program(t) + "'\n")
			p.sees("ready\r\n")
			p.types("b", "a")
			p.sees("key a\r\n")
			p.waits("the block stands there", func() bool { return strings.HasSuffix(p.seen(), "RF off\x1b[J") })
			keysTaken := func() bool { return p.modes().Lflag&unix.ICANON == 0 }
			p.types("\x1a")
			p.sees("Stopped")
			if m := p.modes(); m.Lflag != was.Lflag || m.Iflag != was.Iflag {
				t.Errorf("modes while it is stopped %+v, before %+v", m, was)
			}
			before, _, _ := strings.Cut(p.seen(), "Stopped")
			if !strings.Contains(before, "RF off\x1b[J\r\x1b[1A\x1b[J") {
				t.Errorf("the shell writes over the block: %q", before)
			}
			p.types("echo shell $((1+1))\n")
			p.sees("shell 2")
			p.types("fg\n")
			p.waits("it takes keys again", keysTaken)
			p.waits("the block stands there", func() bool { return strings.HasSuffix(p.seen(), "RF off\x1b[J") })
			p.types("c")
			p.sees("key c")

			p.types("\x1a")
			p.waits("it gives the terminal back", func() bool { return !keysTaken() })
			p.types("bg\necho shell $((2+2))\n")
			p.sees("shell 4")
			time.Sleep(600 * time.Millisecond) // it looks four times a second
			if m := p.modes(); m.Lflag != was.Lflag {
				t.Errorf("in the background it changed the modes to %+v", m)
			}
			p.types("fg\n")
			p.waits("it takes keys again", keysTaken)
			p.types("d")
			p.sees("key d")
			if strings.Contains(p.seen(), "Ctrl-Z") {
				t.Error("the key that stops it was handed on")
			}
			p.types("q")
			p.waits("the shell is back", func() bool {
				_, after, _ := strings.Cut(p.seen(), "leaves\r\n")
				return strings.HasSuffix(after, "$ ") // what is typed before that is the program's
			})
			p.types("echo shell $((3+3))\n")
			p.sees("shell 6")
			if m := p.modes(); m != was {
				t.Errorf("modes afterwards %+v, before %+v", m, was)
			}
		})
	}
}

func TestKeysAreTakenWhenTheOutputIsPiped(t *testing.T) {
	p := pseudoTerminal(t)
	was := p.modes()
	c := p.starts("/bin/sh", "-c", "'"+program(t)+"' 2>&1 | cat")
	p.sees("ready\r\n")
	p.types("kq")
	c.Wait()
	p.sees("key k\r\nleaves\r\n")
	if m := p.modes(); m != was {
		t.Errorf("modes afterwards %+v, before %+v", m, was)
	}
}
