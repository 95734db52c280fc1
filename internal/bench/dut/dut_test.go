package dut

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"go.uber.org/goleak"

	"provoke/internal/bench/scpi"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// TestMain lets the test binary stand for the command of a monitor.
func TestMain(m *testing.M) {
	switch os.Getenv("DUT_TEST_COMMAND") {
	case "well":
		fmt.Println("\nall is well")
		os.Exit(0)
	case "upset":
		fmt.Println("link lost")
		os.Exit(3)
	case "hangs":
		time.Sleep(time.Minute)
	case "chatters":
		for range 10000 {
			fmt.Println(strings.Repeat("x", 1000))
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// log gathers samples.
type log struct {
	mu      sync.Mutex
	samples []Sample
	came    chan struct{}
}

func newLog() *log { return &log{came: make(chan struct{}, 1)} }

func (l *log) take(s Sample) {
	l.mu.Lock()
	l.samples = append(l.samples, s)
	l.mu.Unlock()
	select {
	case l.came <- struct{}{}:
	default:
	}
}

func (l *log) all() []Sample {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]Sample(nil), l.samples...)
}

// wait waits for n samples.
func (l *log) wait(t *testing.T, n int) []Sample {
	t.Helper()
	limit := time.After(10 * time.Second)
	for len(l.all()) < n {
		select {
		case <-l.came:
		case <-limit:
			t.Fatalf("%d samples in 10 s, want %d", len(l.all()), n)
		}
	}
	return l.all()
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func start(t *testing.T, spec catalog.Monitor, o Options) (Monitor, *log) {
	t.Helper()
	m, err := New(spec, o)
	must(t, err)
	l := newLog()
	must(t, m.Start(t.Context(), l.take))
	t.Cleanup(func() { m.Close() })
	return m, l
}

// wire is the far end of a text connection.
type wire struct {
	mu    sync.Mutex
	ends  []net.Conn
	dials int
	fail  error
}

func (w *wire) dial(context.Context, string) (io.ReadWriteCloser, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.dials++
	if w.fail != nil {
		return nil, w.fail
	}
	here, there := net.Pipe()
	w.ends = append(w.ends, there)
	return here, nil
}

// far returns the newest far end.
func (w *wire) far() net.Conn {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.ends[len(w.ends)-1]
}

func weigher() catalog.Monitor {
	return catalog.Monitor{
		Identity: catalog.Identity{ID: "SCALE"}, Kind: catalog.MonitorText,
		Connection: catalog.Connection{Address: "TCPIP::127.0.0.1::4001::SOCKET"},
		Pattern:    `([-+0-9.,]+)\s*kg`, Unit: "kg", Tolerance: 0.05, ErrorPattern: `^ERR`, Reset: "RESET",
	}
}

func TestATextLineIsAReading(t *testing.T) {
	for _, c := range []struct {
		line  string
		value float64
		has   bool
		bad   bool
		none  bool
		lost  string
	}{
		{line: "  12.34 kg", value: 12.34, has: true},
		{line: "12,34 kg", value: 12.34, has: true},
		{line: "-0,05kg", value: -0.05, has: true},
		{line: "+1.5 kg stable", value: 1.5, has: true},
		{line: "ERR 07", bad: true},
		{line: "1.234,5 kg", lost: `"1.234,5" stands where the number should be`},
		{line: "-- kg", lost: `"--" stands where the number should be`},
		{line: "belt 3", none: true},
		{line: "\x00\xff7~ k", none: true},
	} {
		synctest.Test(t, func(t *testing.T) {
			w := &wire{}
			_, l := start(t, weigher(), Options{Dial: w.dial})
			io.WriteString(w.far(), c.line+"\r\n")
			synctest.Wait()
			got := l.all()
			if c.none {
				if len(got) != 0 {
					t.Errorf("%q gave %+v", c.line, got)
				}
				return
			}
			if len(got) != 1 {
				t.Fatalf("%q gave %d samples", c.line, len(got))
			}
			s := got[0]
			if s.Value != c.value || s.HasValue != c.has || s.Error != c.bad || s.Lost != c.lost ||
				s.Monitor != "SCALE" || s.At.IsZero() {
				t.Errorf("%q gave %+v", c.line, s)
			}
		})
	}
}

func TestALineIsTimedByItsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{}
		_, l := start(t, weigher(), Options{Dial: w.dial})
		began := time.Now()
		io.WriteString(w.far(), "12.")
		time.Sleep(30 * time.Millisecond)
		io.WriteString(w.far(), "34 kg\r")
		time.Sleep(50 * time.Millisecond)
		io.WriteString(w.far(), "\n12.35 kg\n12.36 kg\n")
		synctest.Wait()
		got := l.all()
		if len(got) != 3 || got[0].At.Sub(began) != 30*time.Millisecond ||
			got[1].At.Sub(began) != 80*time.Millisecond || got[2].Value != 12.36 {
			t.Errorf("%+v", got)
		}
	})
}

func TestALostConnectionIsToldAndMadeAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{}
		_, l := start(t, weigher(), Options{Dial: w.dial})
		w.mu.Lock()
		w.fail = errors.New("connection refused")
		w.mu.Unlock()
		w.far().Close()
		time.Sleep(900 * time.Millisecond)
		synctest.Wait()
		got := l.all()
		if len(got) != 4 || !strings.Contains(got[0].Lost, "closed the connection") ||
			got[1].Lost != "connection refused" {
			t.Fatalf("%+v", got)
		}
		w.mu.Lock()
		w.fail = nil
		w.mu.Unlock()
		time.Sleep(time.Second)
		io.WriteString(w.far(), "12.34 kg\n")
		synctest.Wait()
		if got = l.all(); got[len(got)-1].Value != 12.34 {
			t.Errorf("%+v", got)
		}
	})
}

func TestAMonitorThatCannotConnectSaysSoAtTheStart(t *testing.T) {
	w := &wire{fail: errors.New("connection refused")}
	m, err := New(weigher(), Options{Dial: w.dial})
	must(t, err)
	defer m.Close()
	if err := m.Start(t.Context(), newLog().take); err == nil ||
		!strings.Contains(err.Error(), "monitor SCALE: connect to TCPIP::127.0.0.1::4001::SOCKET") {
		t.Errorf("got %v", err)
	}
}

func TestNoSampleComesAfterClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{}
		m, l := start(t, weigher(), Options{Dial: w.dial})
		io.WriteString(w.far(), "12.34 kg\n")
		synctest.Wait()
		must(t, m.Close())
		must(t, m.Close())
		time.Sleep(time.Minute)
		if n := len(l.all()); n != 1 || w.dials != 1 {
			t.Errorf("%d samples, %d dials", n, w.dials)
		}
		if err := m.Start(t.Context(), l.take); err == nil {
			t.Error("started after Close")
		}
	})
}

func TestADUTThatSendsWithoutLineEndsFillsNoMemory(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{}
		_, l := start(t, weigher(), Options{Dial: w.dial})
		far := w.far()
		for range 200 {
			io.WriteString(far, strings.Repeat("12.34 kg ", 1000))
		}
		io.WriteString(far, "\n12.34 kg\n")
		synctest.Wait()
		if got := l.all(); len(got) != 1 || got[0].Value != 12.34 {
			t.Errorf("%d samples", len(got))
		}
	})
	var n lines
	n.add(make([]byte, 10*longestLine), func(string, bool) { t.Error("a line without an end") })
	if len(n.part) > longestLine {
		t.Errorf("%d bytes kept", len(n.part))
	}
}

func TestResetSendsTheLineOfTheBenchFile(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{}
		m, _ := start(t, weigher(), Options{Dial: w.dial})
		heard := make(chan string, 1)
		go func() {
			b := make([]byte, 100)
			n, _ := w.far().Read(b)
			heard <- string(b[:n])
		}()
		must(t, m.Reset(t.Context()))
		if got := <-heard; got != "RESET\r\n" {
			t.Errorf("sent %q", got)
		}
	})
	for _, kind := range []catalog.MonitorKind{catalog.MonitorText, catalog.MonitorOperator, catalog.MonitorCommand} {
		spec := weigher()
		spec.Kind, spec.Reset, spec.Command = kind, "", []string{"x"}
		m, err := New(spec, Options{})
		must(t, err)
		if err := m.Reset(t.Context()); !errors.Is(err, ErrNoReset) {
			t.Errorf("%s: %v", kind, err)
		}
	}
}

func TestAResetThatNobodyReadsEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := &wire{}
		m, _ := start(t, weigher(), Options{Dial: w.dial})
		began := time.Now()
		if err := m.Reset(t.Context()); err == nil || time.Since(began) != resetLimit {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
	})
}

type fakeMeter struct {
	read func(ctx context.Context, n int) (float64, error)
	n    int
}

func (f *fakeMeter) Read(ctx context.Context) (float64, error) { f.n++; return f.read(ctx, f.n) }

func TestAMeterIsReadOnceAPeriod(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fakeMeter{read: func(_ context.Context, n int) (float64, error) {
			switch n {
			case 3:
				return 0, &scpi.OverRange{}
			case 4:
				time.Sleep(250 * time.Millisecond) // a slow reading is not made up for
			}
			return float64(n), nil
		}}
		began := time.Now()
		_, l := start(t, catalog.Monitor{Identity: catalog.Identity{ID: "DMM1"}, Kind: catalog.MonitorMeter,
			Every: rf.Duration(100 * time.Millisecond)}, Options{Meter: f})
		time.Sleep(590 * time.Millisecond)
		synctest.Wait()
		var got []string
		for _, s := range l.all() {
			got = append(got, fmt.Sprint(s.At.Sub(began).Milliseconds(), ":", s.Value, s.HasValue, s.Lost != ""))
		}
		// The first reading is Start's own, to see that the meter is there.
		want := "0:2 true false|100:0 false true|450:4 true false|450:5 true false|500:6 true false"
		if s := strings.Join(got, "|"); s != want {
			t.Errorf("got  %s\nwant %s", s, want)
		}
	})
}

func TestAMeterThatIsNotThereFailsAtTheStart(t *testing.T) {
	gone := &scpi.LinkError{Instrument: "meter DMM1", Doing: "dialling", Err: scpi.ErrNotConnected}
	m, err := New(catalog.Monitor{Identity: catalog.Identity{ID: "DMM1"}, Kind: catalog.MonitorMeter},
		Options{Meter: &fakeMeter{read: func(context.Context, int) (float64, error) { return 0, gone }}})
	must(t, err)
	if err := m.Start(t.Context(), newLog().take); !errors.Is(err, scpi.ErrNotConnected) {
		t.Errorf("got %v", err)
	}
	m.Close()
	if _, err := New(catalog.Monitor{Kind: catalog.MonitorMeter}, Options{}); err == nil {
		t.Error("a meter without a meter was made")
	}
}

func TestACommandSpeaksByItsExitStatus(t *testing.T) {
	self, err := os.Executable()
	must(t, err)
	for _, c := range []struct {
		does string
		want Sample
	}{
		{"well", Sample{Text: "all is well"}},
		{"upset", Sample{Text: "exit status 3 link lost", Error: true}},
		{"hangs", Sample{Lost: self + " has not ended after 50 ms"}},
		{"chatters", Sample{Text: strings.Repeat("x", longestText)}},
	} {
		t.Setenv("DUT_TEST_COMMAND", c.does)
		spec := catalog.Monitor{Identity: catalog.Identity{ID: "PING"}, Kind: catalog.MonitorCommand,
			Command: []string{self}, Every: rf.Duration(10 * time.Millisecond)}
		if c.does == "hangs" {
			spec.Timeout = rf.Duration(50 * time.Millisecond)
		}
		m, l := start(t, spec, Options{})
		got := l.wait(t, 2)[0]
		must(t, m.Close())
		got.At, got.Asked, got.Monitor = time.Time{}, time.Time{}, ""
		c.want.Lost = clean(c.want.Lost)
		if got != c.want {
			t.Errorf("%s: %+v, want %+v", c.does, got, c.want)
		}
	}
}

func TestCloseEndsACommandThatRuns(t *testing.T) {
	self, err := os.Executable()
	must(t, err)
	t.Setenv("DUT_TEST_COMMAND", "hangs")
	m, l := start(t, catalog.Monitor{Identity: catalog.Identity{ID: "PING"}, Kind: catalog.MonitorCommand,
		Command: []string{self}}, Options{})
	time.Sleep(20 * time.Millisecond)
	must(t, m.Close())
	if got := l.all(); len(got) != 0 {
		t.Errorf("a command that was ended from outside gave %+v", got)
	}
}

func TestACommandThatIsNotThereFailsAtTheStart(t *testing.T) {
	m, err := New(catalog.Monitor{Identity: catalog.Identity{ID: "PING"}, Kind: catalog.MonitorCommand,
		Command: []string{"no-such-program-here"}}, Options{})
	must(t, err)
	if err := m.Start(t.Context(), newLog().take); err == nil || !strings.Contains(err.Error(), "monitor PING") {
		t.Errorf("got %v", err)
	}
}

func TestTheOperatorsKeyIsAnUpset(t *testing.T) {
	m, err := New(catalog.Monitor{Identity: catalog.Identity{ID: "KEY"}, Kind: catalog.MonitorOperator}, Options{})
	must(t, err)
	key := m.(*Operator)
	key.Press("too early")
	l := newLog()
	must(t, m.Start(t.Context(), l.take))
	key.Press("display froze")
	must(t, m.Close())
	key.Press("too late")
	got := l.all()
	if len(got) != 1 || !got[0].Error || got[0].Text != "display froze" {
		t.Errorf("%+v", got)
	}
	if why, bad := (Judge{}).Bad(got[0]); !bad || why != "reports display froze" {
		t.Errorf("judged %q, %v", why, bad)
	}
}

func TestJudging(t *testing.T) {
	j := Judge{Monitor: weigher(), Baseline: 12.34, HasBaseline: true}
	for _, c := range []struct {
		s    Sample
		why  string
		bad  bool
		name string
	}{
		{Sample{Value: 12.34, HasValue: true}, "", false, "at the baseline"},
		{Sample{Value: 12.39, HasValue: true}, "", false, "just inside"},
		{Sample{Value: 12.29, HasValue: true}, "", false, "just inside below"},
		{Sample{Value: 12.40, HasValue: true}, "reads 12.400 kg, +0.060 kg from the baseline, tolerance ±0.050 kg",
			true, "outside"},
		{Sample{Value: 12.28, HasValue: true}, "reads 12.280 kg, -0.060 kg from the baseline, tolerance ±0.050 kg",
			true, "outside below"},
		{Sample{Text: "ERR 07", Error: true}, "reports ERR 07", true, "an error line"},
		{Sample{Lost: "the DUT closed the connection"}, "cannot be read: the DUT closed the connection", true, "lost"},
		{Sample{Text: "ready"}, "", false, "a line without a number"},
	} {
		// 12.39 − 12.34 is not exactly 0.05 in binary; the test allows the last digit.
		c.s.Value -= 1e-12 * (c.s.Value - 12.34)
		if why, bad := j.Bad(c.s); bad != c.bad || why != c.why {
			t.Errorf("%s: %q, %v", c.name, why, bad)
		}
	}
	if _, bad := (Judge{Monitor: weigher()}).Bad(Sample{Value: 99, HasValue: true}); bad {
		t.Error("judged without a baseline")
	}
}

func TestASerialPortIsWatchedThroughAPairOfPseudoTerminals(t *testing.T) {
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
	must(t, run.Start())
	defer func() { run.Process.Kill(); run.Wait() }()
	for i := 0; ; i++ {
		if _, err := os.Stat(far); err == nil {
			break
		}
		if i > 200 {
			t.Fatal("socat made no pseudo-terminals in 2 s")
		}
		time.Sleep(10 * time.Millisecond)
	}
	spec := weigher()
	spec.Address, spec.SerialLine = "ASRL"+near+"::INSTR", "9600 8N1"
	m, l := start(t, spec, Options{})
	dut, err := os.OpenFile(far, os.O_RDWR, 0)
	must(t, err)
	defer dut.Close()
	time.Sleep(2 * 100 * time.Millisecond) // several reads that return nothing
	io.WriteString(dut, " 12,34 kg\r\nERR 07\r\n")
	got := l.wait(t, 2)
	if got[0].Value != 12.34 || !got[1].Error {
		t.Errorf("%+v", got)
	}
	must(t, m.Reset(t.Context()))
	b := make([]byte, 16)
	n, err := dut.Read(b)
	if err != nil || string(b[:n]) != "RESET\r\n" {
		t.Errorf("the DUT heard %q, %v", b[:n], err)
	}
	must(t, m.Close())
}

func FuzzLine(f *testing.F) {
	for _, s := range []string{"12.34 kg\r\n", "ERR\n", "\xff\x00 7~ k\r\n", "1e999 kg\n", "12,3.4 kg\n",
		strings.Repeat("1", 5000) + " kg\n"} {
		f.Add([]byte(s), uint8(3))
	}
	f.Fuzz(func(t *testing.T, data []byte, cut uint8) {
		m, err := newText(weigher(), Options{Dial: func(context.Context, string) (io.ReadWriteCloser,
			error) {
			return nil, io.EOF
		}})
		must(t, err)
		x := m.(*text)
		var whole, cutUp []Sample
		collect := func(into *[]Sample) {
			x.deliver = func(s Sample) { s.At = time.Time{}; *into = append(*into, s) }
		}
		see := func(line string, complete bool) { x.see(time.Now(), line, complete) }
		collect(&whole)
		var a, b lines
		a.add(data, see)
		collect(&cutUp)
		n := min(int(cut), len(data))
		b.add(data[:n], see)
		b.add(data[n:], see)
		if fmt.Sprint(whole) != fmt.Sprint(cutUp) {
			t.Errorf("lines depend on how they arrive: %+v and %+v", whole, cutUp)
		}
		for _, s := range whole {
			if !utf8.ValidString(s.Text) || utf8.RuneCountInString(s.Text) > longestText || s.Value != s.Value {
				t.Errorf("%+v", s)
			}
		}
	})
}
