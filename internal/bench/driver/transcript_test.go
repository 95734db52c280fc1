package driver_test

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var update = flag.Bool("update", false, "record the transcripts anew from the simulated bench")

// line is one line of a transcript: who speaks, and what.
type line struct {
	sent bool
	text string
}

func readTranscript(t *testing.T, name string) []line {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("testdata", name+".transcript"))
	if err != nil {
		t.Fatal(err)
	}
	var out []line
	for _, l := range strings.Split(string(b), "\n") {
		switch {
		case strings.HasPrefix(l, "> "):
			out = append(out, line{true, l[2:]})
		case strings.HasPrefix(l, "< \""):
			text, err := strconv.Unquote(l[2:])
			if err != nil {
				t.Fatalf("%s: %s: %v", name, l, err)
			}
			out = append(out, line{false, text})
		case strings.HasPrefix(l, "< "):
			out = append(out, line{false, l[2:]})
		}
	}
	return out
}

// script plays the instrument's part of a transcript and insists on the controller's.
type script struct {
	t     *testing.T
	lines []line
	at    int
	mu    sync.Mutex
}

func (s *script) dial(context.Context, string) (io.ReadWriteCloser, error) {
	here, there := net.Pipe()
	go func() {
		defer there.Close()
		r := bufio.NewReader(there)
		for {
			m, err := r.ReadString('\n')
			if err != nil {
				return
			}
			answers, ok := s.heard(strings.TrimSuffix(m, "\n"))
			if !ok {
				return
			}
			for _, a := range answers {
				io.WriteString(there, a+"\n")
			}
		}
	}()
	return here, nil
}

func (s *script) heard(m string) (answers []string, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.at >= len(s.lines) || !s.lines[s.at].sent || s.lines[s.at].text != m {
		want := "nothing more"
		if s.at < len(s.lines) {
			want = s.lines[s.at].text
		}
		s.t.Errorf("the transcript differs\nsent %s\nwant %s", m, want)
		return nil, false
	}
	s.at++
	for s.at < len(s.lines) && !s.lines[s.at].sent {
		answers = append(answers, s.lines[s.at].text)
		s.at++
	}
	return answers, true
}

// recorder writes down what goes over a connection.
type recorder struct {
	mu  sync.Mutex
	out strings.Builder
}

type recorded struct {
	io.ReadWriteCloser
	r *recorder
}

func (c recorded) Write(b []byte) (int, error) {
	c.r.note("> ", string(b))
	return c.ReadWriteCloser.Write(b)
}

func (c recorded) Read(b []byte) (int, error) {
	n, err := c.ReadWriteCloser.Read(b)
	if n > 0 {
		c.r.note("< ", string(b[:n]))
	}
	return n, err
}

func (r *recorder) note(mark, text string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	text = strings.TrimSuffix(text, "\n")
	if q := strconv.Quote(text); strings.Contains(q, `\x`) || strings.Contains(q, `\n`) || strings.Contains(q, `\u`) {
		text = q
	}
	fmt.Fprintln(&r.out, mark+text)
}

// options returns the options that replay a transcript, or record it from a face of a simulated
// bench when asked to.
func options(t *testing.T, name, face string, config simbench.Config) driver.Options {
	t.Helper()
	if !*update {
		s := &script{t: t, lines: readTranscript(t, name)}
		t.Cleanup(func() {
			if s.at != len(s.lines) && !t.Failed() {
				t.Errorf("%d lines of the transcript were not reached: %v", len(s.lines)-s.at, s.lines[s.at])
			}
		})
		return driver.Options{Dial: s.dial}
	}
	b := simbench.New(config)
	r := &recorder{}
	t.Cleanup(func() {
		b.Close()
		text := "# " + name + ": > is the controller, < the instrument\n" + r.out.String()
		if err := os.WriteFile(filepath.Join("testdata", name+".transcript"), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	})
	return driver.Options{Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser, error) {
		c, err := b.Dial(ctx, face)
		if err != nil {
			return nil, err
		}
		if face == "analyser" { // a short trace makes a short transcript
			io.WriteString(c, "SWE:POIN 11\n")
		}
		return recorded{c, r}, nil
	}}
}

const address = "TCPIP::127.0.0.1::5025::SOCKET"

func functionGenerator(load catalog.LoadSetting) catalog.Source {
	return catalog.Source{
		Identity: catalog.Identity{ID: "GEN1"}, Connection: catalog.Connection{Address: address, Table: "function generator"},
		Band: catalog.Band{Low: rf.Kilohertz, High: 120 * rf.Megahertz}, Minimum: rf.DBm(-56), Maximum: rf.DBm(23.97),
		Resolution: 0.01, CountsIn: catalog.CountsVpp, Load: load,
	}
}

func signalGenerator() catalog.Source {
	s := functionGenerator("")
	s.Table, s.CountsIn, s.Minimum = "signal generator", catalog.CountsDBm, rf.DBm(-100)
	return s
}

func theAnalyser() catalog.Analyser {
	return catalog.Analyser{
		Identity: catalog.Identity{ID: "SA1"}, Connection: catalog.Connection{Address: address, Table: "analyser"},
		Band: catalog.Band{Low: 9 * rf.Kilohertz, High: rf.Gigahertz}, MaximumInput: rf.DBm(20), MixerLimit: rf.DBm(-10),
		Bandwidths: []rf.Frequency{rf.Kilohertz, 10 * rf.Kilohertz}, Floor: rf.DBm(-130),
	}
}

func thePowerMeter() catalog.PowerMeter {
	return catalog.PowerMeter{Identity: catalog.Identity{ID: "PM1"}, Connection: catalog.Connection{Address: address, Table: "power meter"},
		MaximumInput: rf.DBm(20), Floor: rf.DBm(-60)}
}

var am80 = level.Modulation{Kind: level.AM, Depth: 0.8, Rate: rf.Kilohertz, Hold: level.CarrierHeld}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// workSource exercises every command of a source.
func workSource(t *testing.T, s driver.Source) {
	ctx := t.Context()
	defer s.Close()
	must(t, s.OutputOff(ctx))
	must(t, s.Minimum(ctx))
	if unread, err := s.(driver.Plainer).Plain(ctx); err != nil {
		t.Errorf("not read: %v, %v", unread, err)
	}
	on := guard.Setting{Frequency: 27.12 * rf.Megahertz, Level: rf.DBm(-20), Output: true}
	must(t, driver.ApplySetting(ctx, s, on))
	on.Level = rf.DBm(-15.1)
	must(t, driver.ApplySetting(ctx, s, on))
	on.Modulation, on.Level = am80, rf.DBm(-20.204)
	must(t, driver.ApplySetting(ctx, s, on))
	must(t, s.Lower(ctx, rf.DBm(-25)))
	must(t, s.Rest(ctx, rf.DBm(-30)))
	on.Level, on.Modulation = rf.DBm(-30), level.Modulation{Kind: level.Pulse, Duty: 0.5, Rate: 200}
	must(t, driver.ApplySetting(ctx, s, on))
	state, err := s.State(ctx)
	must(t, err)
	if state.Frequency != on.Frequency || !state.Output || state.Modulation != on.Modulation || !state.Settled {
		t.Errorf("state %+v", state)
	}
	if d, _ := state.Level.Minus(on.Level); d < -0.02 || d > 0.02 {
		t.Errorf("level reads back as %s", state.Level.Text(3))
	}
	must(t, s.OutputOff(ctx))
}

func TestTranscriptOfTheSignalGeneratorTable(t *testing.T) {
	s, err := driver.OpenSource(t.Context(), signalGenerator(), options(t, "signal-generator", "source", simbench.Config{Generator: simbench.SignalGenerator}))
	must(t, err)
	workSource(t, s)
}

func TestTranscriptOfTheFunctionGeneratorTable(t *testing.T) {
	s, err := driver.OpenSource(t.Context(), functionGenerator(catalog.Load50), options(t, "function-generator", "source", simbench.Config{}))
	must(t, err)
	workSource(t, s)
}

func TestTranscriptOfTheAmplifierTable(t *testing.T) {
	a, err := driver.OpenAmplifier(t.Context(), catalog.Amplifier{Identity: catalog.Identity{ID: "AMP1"}, Connection: catalog.Connection{Address: address}}, options(t, "amplifier", "amplifier", simbench.Config{}))
	must(t, err)
	defer a.Close()
	must(t, driver.OperateNow(t.Context(), a))
	if on, err := a.Operating(t.Context()); err != nil || !on {
		t.Errorf("operating %v, %v", on, err)
	}
	must(t, a.Standby(t.Context()))
	if on, err := a.Operating(t.Context()); err != nil || on {
		t.Errorf("operating %v, %v", on, err)
	}
}

func TestTranscriptOfTheAnalyserTable(t *testing.T) {
	a, err := driver.OpenAnalyser(t.Context(), theAnalyser(), options(t, "analyser", "analyser", simbench.Config{}))
	must(t, err)
	defer a.Close()
	for _, f := range []rf.Frequency{rf.Megahertz, rf.Megahertz, 2 * rf.Megahertz} {
		must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: f, Bandwidth: 10 * rf.Kilohertz, ReferenceLevel: rf.DBm(-33)}))
		p, err := a.Read(t.Context())
		must(t, err)
		if p.Bound() != rf.AtMost {
			t.Errorf("no RF on the bench reads %v", p)
		}
	}
	trace, err := a.Trace(t.Context())
	must(t, err)
	if len(trace.Points) != 11 {
		t.Fatalf("%d points", len(trace.Points))
	}
	for _, p := range trace.Points {
		if p.Bound() != rf.AtMost {
			t.Errorf("no RF on the bench shows %v", p)
		}
	}
}

func TestTranscriptOfThePowerMeterTable(t *testing.T) {
	m, err := driver.OpenPowerMeter(t.Context(), thePowerMeter(), options(t, "power-meter", "powermeter", simbench.Config{}))
	must(t, err)
	defer m.Close()
	for range 2 { // with the frequency, and with it known
		if f, r, err := m.Read(t.Context(), rf.Megahertz); err != nil || f.Bound() != rf.AtMost || r.Bound() != rf.AtMost {
			t.Errorf("no RF on the bench reads %v and %v, %v", f, r, err)
		}
	}
}

func TestTranscriptOfTheMeterTable(t *testing.T) {
	m, err := driver.OpenMeter(t.Context(), catalog.Monitor{Identity: catalog.Identity{ID: "DMM1"}, Connection: catalog.Connection{Address: address}}, options(t, "meter", "meter", simbench.Config{}))
	must(t, err)
	defer m.Close()
	if v, err := m.Read(t.Context()); err != nil || v == 0 {
		t.Errorf("reads %v, %v", v, err)
	}
	if id, err := m.Identify(t.Context()); err != nil || id == "" {
		t.Errorf("identifies as %q, %v", id, err)
	}
}

func TestTranscriptOfTheInterlockTable(t *testing.T) {
	i, err := driver.OpenInterlock(t.Context(), catalog.Interlock{Identity: catalog.Identity{ID: "IL1"}, Connection: catalog.Connection{Address: address}}, options(t, "interlock", "interlock", simbench.Config{}))
	must(t, err)
	defer i.Close()
	if closed, err := i.Closed(t.Context()); err != nil || !closed {
		t.Errorf("closed %v, %v", closed, err)
	}
}

func TestTranscriptOfTheSwitchTable(t *testing.T) {
	s, err := driver.OpenSwitch(t.Context(), catalog.PathSwitch{Identity: catalog.Identity{ID: "SW1"}, Connection: catalog.Connection{Address: address}}, options(t, "switch", "interlock", simbench.Config{}))
	must(t, err)
	defer s.Close()
	must(t, driver.SelectNow(t.Context(), s, "3"))
	if route, err := s.Selected(t.Context()); err != nil || route != "3" {
		t.Errorf("selected %q, %v", route, err)
	}
	if err := s.Select(t.Context(), guard.Cleared{}); !errors.Is(err, guard.ErrRefused) {
		t.Errorf("a path is chosen without a permission: %v", err)
	}
}

func TestTranscriptOfTheRelayTable(t *testing.T) {
	r, err := driver.OpenRelay(t.Context(), catalog.Relay{Identity: catalog.Identity{ID: "K1"}, Connection: catalog.Connection{Address: address}}, options(t, "relay", "interlock", simbench.Config{}))
	must(t, err)
	defer r.Close()
	must(t, r.Set(t.Context(), false))
	must(t, r.Set(t.Context(), true))
}

func TestTranscriptOfTheCaptureTable(t *testing.T) {
	c, err := driver.OpenCapture(t.Context(), catalog.Monitor{Identity: catalog.Identity{ID: "OUT"}, Connection: catalog.Connection{Address: address}}, options(t, "capture", "meter", simbench.Config{}))
	must(t, err)
	defer c.Close()
	for range 2 {
		v, err := c.Capture(t.Context(), 10, 20*time.Millisecond)
		must(t, err)
		// The belt weigher is invented: 12.34 kg at 0.2 V/kg over 1 V.
		if len(v) != 10 || v[9] < 3.46 || v[9] > 3.48 {
			t.Errorf("captured %v", v)
		}
	}
}

func TestEveryCommandOfEveryTableIsInItsTranscript(t *testing.T) {
	for _, table := range driver.BuiltIn() {
		must(t, table.Check())
		var sent []string
		for _, l := range readTranscript(t, strings.ReplaceAll(table.Name, " ", "-")) {
			if l.sent {
				for _, u := range strings.Split(l.text, ";") {
					sent = append(sent, strings.TrimPrefix(u, ":"))
				}
			}
		}
		for verb, command := range table.Commands {
			want := regexp.MustCompile("^" + strings.Replace(regexp.QuoteMeta(command), `\{\}`, `-?[0-9.]+`, 1) + "$")
			found := false
			for _, u := range sent {
				found = found || want.MatchString(u)
			}
			if !found {
				t.Errorf("%s: %q (%s) is not exercised", table.Name, verb, command)
			}
		}
	}
}

func TestABenchFileMayNameEveryBuiltInTable(t *testing.T) {
	roles := map[string]driver.Role{}
	for _, x := range driver.BuiltIn() {
		roles[x.Name] = x.Role
	}
	for name, role := range roles {
		if generic := catalog.BuiltInTable(name); roles[generic] != role {
			t.Errorf("the command table %q is for %s; to package catalog it is like %q", name, role, generic)
		}
	}
}

func TestATableThatLacksACommandIsRefused(t *testing.T) {
	optional := []driver.Verb{driver.Identify, driver.Complete, driver.AMInternal, driver.Attenuation, driver.TraceFormat, driver.OffsetAsk,
		driver.WaveformSine, driver.WaveformAsk, driver.SweepOff, driver.SweepAsk, driver.BurstOff, driver.BurstAsk, driver.FMOff, driver.FMAsk, driver.PMOff, driver.PMAsk,
		driver.AMSourceAsk, driver.PulseInternal, driver.PulseSourceAsk}
	for _, table := range driver.BuiltIn() {
		for verb, command := range table.Commands {
			if slices.Contains(optional, verb) || table.Role == driver.RolePowerMeter && verb == driver.Frequency {
				continue
			}
			broken := table
			broken.Commands = map[driver.Verb]string{}
			for v, c := range table.Commands {
				broken.Commands[v] = c
			}
			delete(broken.Commands, verb)
			if err := broken.Check(); err == nil || !strings.Contains(err.Error(), strconv.Quote(string(verb))) {
				t.Errorf("%s without %q: %v", table.Name, verb, err)
			}
			broken.Commands[verb] = command + " {}{}"
			broken.Commands["sing"] = "SING"
			if err := broken.Check(); err == nil || !strings.Contains(err.Error(), "sing") {
				t.Errorf("%s with a verb of no role: %v", table.Name, err)
			}
		}
	}
}
