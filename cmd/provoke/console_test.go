package main

import (
	"bufio"
	"fmt"
	"io"
	"math"
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

	"provoke/internal/bench/driver"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// console is an instrument made for a person at a terminal, on TCP: it echoes each character, answers in
// lines and ends with a prompt.
type console struct {
	hear    func(line string) []string
	noEcho  bool
	banner  string
	prompt  string
	slow    time.Duration            // before an answer, and as much in ten steps of the echo
	before  func(line string) string // printed before the echo
	inside  func(line string) string // printed between the lines of an answer
	behind  func(line string) string // printed behind the prompt
	swallow func(line string) bool   // neither answered nor prompted

	mu    sync.Mutex
	heard []string
}

// serve returns the console's address on the loopback interface.
func (c *console) serve(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	go func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			go c.attend(conn)
		}
	}()
	return fmt.Sprintf("TCPIP::127.0.0.1::%d::SOCKET", l.Addr().(*net.TCPAddr).Port)
}

// serial serves the console behind a pair of pseudo-terminals: a serial port has no connections, and what
// comes late comes on the next one.
func (c *console) serial(t *testing.T) string {
	t.Helper()
	socat, err := exec.LookPath("socat")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("socat is missing")
		}
		t.Skip("outside check skipped: socat is not installed")
	}
	dir := t.TempDir()
	near, far := filepath.Join(dir, "near"), filepath.Join(dir, "far")
	run := exec.Command(socat, "pty,raw,echo=0,link="+near, "pty,raw,echo=0,link="+far)
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { run.Process.Kill(); run.Wait() })
	for i := 0; ; i++ {
		if _, err := os.Stat(far); err == nil {
			break
		}
		if i > 200 {
			t.Fatal("socat made no pseudo-terminals in 2 s")
		}
		time.Sleep(10 * time.Millisecond)
	}
	f, err := os.OpenFile(far, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	go c.attend(f)
	return "ASRL" + near + "::INSTR"
}

func say(text func(string) string, line string) string {
	if text == nil {
		return ""
	}
	return text(line)
}

func (c *console) attend(conn io.ReadWriteCloser) {
	defer conn.Close()
	send := func(text string) { io.WriteString(conn, text) }
	send(c.banner + c.prompt)
	for r := bufio.NewReader(conn); ; {
		line, err := r.ReadString('\r')
		if err != nil {
			return
		}
		line = strings.Trim(line, "\r\n")
		send(say(c.before, line))
		if !c.noEcho {
			for _, ch := range line {
				send(string(ch))
				time.Sleep(c.slow / 10)
			}
			send("\r\n")
		}
		time.Sleep(c.slow)
		c.mu.Lock()
		c.heard = append(c.heard, line)
		answers := c.hear(line)
		c.mu.Unlock()
		if c.swallow != nil && c.swallow(line) {
			continue
		}
		for _, a := range answers {
			send(a + "\r\n" + say(c.inside, line))
		}
		send(c.prompt)
		send(say(c.behind, line))
	}
}

// handheld is the console of a small analyser in front of the simulated one, which has the physics.
func handheld(t *testing.T, sim *simbench.Bench) *console {
	t.Helper()
	conn, err := sim.Dial(t.Context(), "analyser")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	r := bufio.NewReader(conn)
	tell := func(m string) { fmt.Fprintln(conn, m) }
	ask := func(m string) string {
		fmt.Fprintln(conn, m)
		line, _ := r.ReadString('\n')
		return strings.TrimSpace(line)
	}
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Errorf("the console heard %q for a number", text)
		}
		return x
	}
	hundredths := func(text string) string { return strconv.Itoa(int(math.Round(100 * number(text)))) }
	tell("FORM ASC;:INIT:CONT OFF;:FREQ:SPAN 100000;:INP:ATT 0")
	centre := 1e9
	return &console{prompt: "ch> ", banner: "\r\nready\r\n", hear: func(line string) []string {
		word, rest, _ := strings.Cut(line, " ")
		switch {
		case word == "info":
			return []string{"handheld analyser, revision 2"}
		case word == "center":
			centre = number(rest)
			tell("FREQ:CENT " + rest)
		case word == "rbw":
			tell("BAND " + strconv.FormatFloat(1e3*number(rest), 'f', -1, 64))
		case word == "ref":
			tell("DISP:TRAC:Y:RLEV " + rest)
		case line == "span narrow", line == "attenuate 0":
		case line == "scan":
			ask("INIT;*OPC?")
		case line == "marker 1 peak":
			tell("CALC:MARK:MAX")
		case line == "marker 1":
			return []string{fmt.Sprintf("1 100 %.0f %s", number(ask("CALC:MARK:X?")), hundredths(ask("CALC:MARK:Y?")))}
		case line == "data":
			out := strings.Split(ask("TRAC? TRACE1"), ",")
			for i, x := range out {
				out[i] = hundredths(x)
			}
			return out
		case line == "left":
			return []string{fmt.Sprintf("%.0f", (centre-50e3)/1e3)}
		case line == "right":
			return []string{fmt.Sprintf("%.0f", (centre+50e3)/1e3)}
		default:
			return []string{"what? " + word}
		}
		return nil
	}}
}

// consoleTable is the one in docs/instruments.md.
func consoleTable(t *testing.T) string {
	t.Helper()
	doc, err := os.ReadFile("../../docs/instruments.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text, found := strings.Cut(string(doc), "```yaml\nprovoke: commands 1\nname: handheld analyser\n")
	if !found {
		t.Fatal("docs/instruments.md has no table of a console")
	}
	text, _, _ = strings.Cut(text, "```")
	return "provoke: commands 1\nname: handheld analyser\n" + text
}

// onConsole writes a bench whose analyser is a console.
func onConsole(t *testing.T, b *workbench, c *console, change ...string) {
	t.Helper()
	b.write("handheld.yaml", strings.NewReplacer(change...).Replace(consoleTable(t)))
	bench := string(b.sim.BenchFile())
	bench = strings.Replace(bench, b.sim.Address("analyser"), c.serve(t), 1)
	bench = strings.Replace(bench, "table: analyser", "table: handheld analyser", 1)
	b.write("bench.yaml", bench+"\ntables: [handheld.yaml]\n")
}

func TestTryProvesATableOnAConsole(t *testing.T) {
	for name, manner := range map[string]func(*console){
		"as it is": func(*console) {},
		"slow":     func(c *console) { c.slow = 40 * time.Millisecond },
		"noise before the echo": func(c *console) {
			c.before = func(string) string { return "battery 81 %\r\nch> " }
		},
		"noise behind the prompt": func(c *console) {
			c.behind = func(string) string { return "\r\nclock 12:04\r\nch> " }
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := newWorkbench(t, simbench.Config{Seed: 1})
			c := handheld(t, b.sim)
			manner(c)
			onConsole(t, b, c)
			code, out, errs := b.do("try", "bench.yaml", "analyser", "-o", b.path("t.transcript"))
			if code != terminal.ExitDone || !strings.Contains(out, "201 points") ||
				!strings.Contains(out, "from 9.95 MHz to 10.05 MHz") {
				t.Fatalf("exit %d\n%s\n%s", code, out, errs)
			}
			if strings.Contains(out, "u000") || strings.ContainsAny(out, "\r\x1b") {
				t.Errorf("control characters:\n%q", out)
			}
			if code, out, errs := b.do("try", "bench.yaml", "analyser", "--against",
				b.path("t.transcript")); code != terminal.ExitDone {
				t.Errorf("played again: exit %d\n%s\n%s", code, out, errs)
			}
		})
	}
}

// Whatever the console prints, and however late, a level is the true one or there is none.
func TestAConsoleNeverReadsAnotherLevelThanTheTrueOne(t *testing.T) {
	t.Parallel()
	t.Run("TCP", func(t *testing.T) { readOnConsole(t, (*console).serve) })
	t.Run("serial port", func(t *testing.T) { readOnConsole(t, (*console).serial) })
}

func readOnConsole(t *testing.T, address func(*console, *testing.T) string) {
	table, list := driver.ParseTable("handheld.yaml", []byte(consoleTable(t)))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	sim := simbench.New(simbench.Config{Seed: 1, Generator: simbench.SignalGenerator})
	defer sim.Close()
	for _, face := range [][2]string{{"source", "FREQ 10E6;POW -40;OUTP 1\n"}, {"amplifier", "OUTP 1\n"}} {
		conn, err := sim.Dial(t.Context(), face[0])
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		io.WriteString(conn, face[1])
	}
	time.Sleep(50 * time.Millisecond)
	c := handheld(t, sim)
	n := 0
	every := func(k int, text string) func(string) string {
		return func(string) string {
			if n++; n%k == 0 {
				return text
			}
			return ""
		}
	}
	c.before, c.inside, c.behind = every(5, "1 100 10000000 -100\r\n"), every(7, "1 100 10000000 -200\r\n"),
		every(6, "\r\n1 100 10000000 -300\r\nch> ")
	late, lost, hear := 0, 0, c.hear
	c.hear = func(line string) []string { // an old level comes after the time limit
		if line == "marker 1" {
			if late++; late%12 == 0 {
				time.Sleep(200 * time.Millisecond)
				return []string{"1 100 10000000 -400"}
			}
		}
		return hear(line)
	}
	c.swallow = func(line string) bool {
		if line == "marker 1" {
			lost++
		}
		return line == "marker 1" && lost%9 == 0
	}
	spec := catalog.Analyser{Identity: catalog.Identity{ID: "SA1"},
		Connection: catalog.Connection{Address: address(c, t), Table: "handheld analyser", SerialLine: "9600 8N1"},
		Band:       catalog.Band{Low: 9 * rf.Kilohertz, High: rf.Gigahertz}, MaximumInput: rf.DBm(20),
		MixerLimit: rf.DBm(-10),
		Bandwidths: []rf.Frequency{rf.Kilohertz, 10 * rf.Kilohertz}, Floor: rf.DBm(-100)}
	a, err := driver.OpenAnalyser(t.Context(), spec,
		driver.Options{Tables: []driver.Table{table}, Timeout: 150 * time.Millisecond})
	for range 20 {
		if err == nil {
			break
		}
		a, err = driver.OpenAnalyser(t.Context(),
			spec, driver.Options{Tables: []driver.Table{table}, Timeout: 150 * time.Millisecond})
	}
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	if err := a.Setup(t.Context(), driver.AnalyserSetup{Frequency: 10 * rf.Megahertz, Bandwidth: 10 * rf.Kilohertz,
		ReferenceLevel: rf.DBm(-20)}); err != nil {
		t.Fatal(err)
	}
	var first rf.Power
	read, refused := 0, 0
	for range 50 {
		p, err := a.Read(t.Context())
		if err != nil {
			refused++
			continue
		}
		if read++; !first.Known() {
			first = p
		}
		if !p.Exact() || math.Abs(p.In()-first.In()) > 0.5 || p.In() > -20 {
			t.Errorf("reads %v after %v", p, first)
		}
	}
	t.Logf("%d readings of %v, %d refused", read, first, refused)
	if read < 15 || refused < 8 {
		t.Errorf("%d readings, %d refused: the test shows nothing", read, refused)
	}
}

// Each of these is a table that does not fit the console, and the words name the key.
func TestTryNamesTheKeyThatDoesNotFitAConsole(t *testing.T) {
	for name, c := range map[string]struct {
		change []string
		manner func(*console)
		want   string
	}{
		"no echo":            {nil, func(c *console) { c.noEcho = true }, "quirks.echo"},
		"another prompt":     {[]string{`prompt: "ch> "`, `prompt: "# "`}, nil, "quirks.prompt"},
		"unknown command":    {[]string{`"attenuate 0"`, `"pad 0"`}, nil, `"what? pad"`},
		"no such pattern":    {[]string{`'^1 \d+ \d+ (\S+)$'`, `'^level (\S+)$'`}, nil, "answer_patterns.read?"},
		"unscaled":           {[]string{"reads_in: 0.01 dBm", "reads_in: dBm"}, nil, "reads_in"},
		"*CLS is not known":  {[]string{"  no_clear: true\n", ""}, nil, "quirks.no_clear"},
		"kHz taken for Hz":   {[]string{"answers_in: {trace start?: kHz, trace stop?: kHz}\n", ""}, nil, "answers_in"},
		"mark not left out":  {[]string{"  questions_without_mark: true\n", ""}, nil, "quirks.questions_without_mark"},
		"a block from lines": {[]string{"  trace_as: list\n", ""}, nil, "trace_as: list"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newWorkbench(t, simbench.Config{Seed: 1})
			con := handheld(t, b.sim)
			if c.manner != nil {
				c.manner(con)
			}
			onConsole(t, b, con, append(c.change, "timeout: 3 s", "timeout: 400 ms")...)
			code, out, errs := b.do("try", "bench.yaml", "analyser")
			if code == terminal.ExitDone || !strings.Contains(unwrapped(out+errs), c.want) {
				t.Errorf("exit %d, %q is not in\n%s\n%s", code, c.want, out, errs)
			}
		})
	}
}

var blanks = regexp.MustCompile(`\s+`)

func unwrapped(text string) string { return blanks.ReplaceAllString(text, " ") }

const consoleSource = `provoke: commands 1
name: console source
role: source
counts_in: dBm
commands: {frequency: "freq {kHz}", frequency?: "freq", level: "level {0.1}", level?: "level", output on: "rf on", output off: "rf off", output?: "rf"}
answers_in: {frequency?: kHz, level?: 0.1}
quirks: {echo: true, prompt: "> ", questions_without_mark: true, message_terminator: CR, no_error_queue: true, no_clear: true}
`

// RF off is what the console reads back as off, on a new connection where the old one hangs.
func TestRFOffOnAConsoleIsReadBack(t *testing.T) {
	for name, change := range map[string][2]string{"echo and prompt": {}, "echo alone": {`prompt: "> ", `, ""},
		"prompt alone": {"echo: true, ", ""}} {
		t.Run(name, func(t *testing.T) { offOnAConsole(t, strings.Replace(consoleSource, change[0], change[1], 1)) })
	}
}

func offOnAConsole(t *testing.T, text string) {
	table, list := driver.ParseTable("source.yaml", []byte(text))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	open := func(manner func(*console)) (driver.Source, func() string) {
		state := map[string]string{"freq": "10000", "level": "-800", "rf": "on"}
		c := &console{prompt: table.Prompt, noEcho: !table.Echo, hear: func(line string) []string {
			word, value, set := strings.Cut(line, " ")
			switch {
			case state[word] == "":
				return []string{"unknown"}
			case !set:
				return []string{state[word]}
			}
			state[word] = value
			return nil
		}}
		spec := catalog.Source{Identity: catalog.Identity{ID: "G1"}, Connection: catalog.Connection{Address: c.serve(t),
			Table: "console source"},
			CountsIn: catalog.CountsDBm, Band: catalog.Band{Low: 9 * rf.Kilohertz, High: 100 * rf.Megahertz},
			Minimum: rf.DBm(-80), Maximum: rf.DBm(0), Resolution: 0.1}
		s, err := driver.OpenSource(t.Context(),
			spec, driver.Options{Tables: []driver.Table{table}, Timeout: 300 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { s.Close() })
		c.mu.Lock()
		manner(c)
		c.mu.Unlock()
		return s, func() string { c.mu.Lock(); defer c.mu.Unlock(); return state["rf"] }
	}
	s, rfIs := open(func(*console) {})
	if err := s.OutputOff(t.Context()); err != nil || rfIs() != "off" {
		t.Errorf("off: %v, RF is %s", err, rfIs())
	}
	if state, err := s.State(t.Context()); err != nil || state.Frequency != 10*rf.Megahertz || state.Level.In() != -80 {
		t.Errorf("%+v, %v", state, err)
	}
	hung := 0
	s, rfIs = open(func(c *console) {
		c.swallow = func(line string) bool { hung++; return hung == 1 }
	})
	if err := s.OutputOff(t.Context()); err != nil || rfIs() != "off" {
		t.Errorf("off after it hung once: %v, RF is %s", err, rfIs())
	}
	s, _ = open(func(c *console) {
		hear := c.hear
		c.hear = func(line string) []string {
			if line == "rf off" {
				return []string{"locked"}
			}
			return hear(line)
		}
	})
	if err := s.OutputOff(t.Context()); err == nil || table.Prompt != "" && !strings.Contains(err.Error(), `"locked"`) {
		t.Errorf("off that is refused: %v", err)
	}
	s, _ = open(func(c *console) {
		hear := c.hear
		c.hear = func(line string) []string {
			if line == "rf off" {
				return nil
			}
			return hear(line)
		}
	})
	if err := s.OutputOff(t.Context()); err == nil || !strings.Contains(err.Error(), "reads back as on") {
		t.Errorf("off that does nothing: %v", err)
	}
}
