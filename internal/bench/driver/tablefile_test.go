package driver_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"pgregory.net/rapid"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// oldGenerator is an invented generator with every quirk: one command a line, no error queue, no *CLS,
// CR LF behind messages and CR behind answers, decimal commas, megahertz, a period in place of a rate.
const oldGenerator = `provoke: commands 1
name: old generator
role: source
about: an invented generator from before the standards
counts_in: dBm
commands:
  frequency: "FR {MHz}"
  frequency?: "FR?"
  level: "AP {}"
  level?: "AP?"
  output on: "R1"
  output off: "R0"
  output?: "R?"
  am depth: "AD {}"
  am depth?: "AD?"
  am rate: "AT {ms}"
  am rate?: "AT?"
  am on: "A1"
  am off: "A0"
  am?: "A?"
answers_in: {frequency?: MHz, am rate?: ms}
answers_yes: [RF ON, AM ON]
answers_no: [RF OFF, AM OFF]
quirks:
  terminator: CR
  message_terminator: CR LF
  delay: 1 ms
  one_command_a_line: true
  no_error_queue: true
  no_clear: true
  decimal: comma
`

func parsed(t *testing.T, text string) driver.Table {
	t.Helper()
	table, list := driver.ParseTable("table.yaml", []byte(text))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return table
}

// old plays the invented generator.
type old struct {
	mu       sync.Mutex
	f, p, am string
	period   string
	rf, mod  bool
	heard    []string
	bad      []string
}

func (o *old) dial(context.Context, string) (io.ReadWriteCloser, error) {
	here, there := net.Pipe()
	go func() {
		defer there.Close()
		r := bufio.NewReader(there)
		for {
			m, err := r.ReadString('\n')
			if err != nil {
				return
			}
			if answer := o.hear(m); answer != "" {
				io.WriteString(there, answer+"\r")
			}
		}
	}()
	return here, nil
}

func (o *old) hear(m string) string {
	o.mu.Lock()
	defer o.mu.Unlock()
	line, ok := strings.CutSuffix(m, "\r\n")
	if !ok || strings.ContainsAny(line, ";.*") || strings.Contains(line, "SYST") {
		o.bad = append(o.bad, m)
		return ""
	}
	o.heard = append(o.heard, line)
	word, value, _ := strings.Cut(line, " ")
	state := func(on bool, name string) string {
		if on {
			return name + " ON"
		}
		return name + " OFF"
	}
	switch word {
	case "FR":
		o.f = value
	case "AP":
		o.p = value
	case "AD":
		o.am = value
	case "AT":
		o.period = value
	case "R1", "R0":
		o.rf = word == "R1"
	case "A1", "A0":
		o.mod = word == "A1"
	case "FR?":
		return o.f
	case "AP?":
		return o.p
	case "AD?":
		return o.am
	case "AT?":
		return o.period
	case "R?":
		return state(o.rf, "RF")
	case "A?":
		return state(o.mod, "AM")
	default:
		o.bad = append(o.bad, m)
	}
	return ""
}

func TestAnOldGeneratorIsSpokenToAsItsTableSays(t *testing.T) {
	o := &old{f: "10,0", p: "-80,0", am: "30", period: "1,0"}
	spec := signalGenerator()
	spec.Table, spec.Minimum = "old generator", rf.DBm(-100)
	s, err := driver.OpenSource(t.Context(), spec,
		driver.Options{Dial: o.dial, Tables: []driver.Table{parsed(t, oldGenerator)}})
	must(t, err)
	defer s.Close()
	on := guard.Setting{Frequency: 27.12 * rf.Megahertz, Level: rf.DBm(-20.5), Modulation: am80, Output: true}
	must(t, driver.ApplySetting(t.Context(), s, on))
	o.mu.Lock()
	heard, bad := strings.Join(o.heard, " | "), o.bad
	o.mu.Unlock()
	if len(bad) > 0 {
		t.Errorf("it was told what it does not understand: %q", bad)
	}
	for _, want := range []string{"FR 27,12", "AP -20,5", "AD 80", "AT 1", "A1", "R1"} {
		if !strings.Contains(" | "+heard+" | ", " | "+want+" | ") {
			t.Errorf("it was not told %q: %s", want, heard)
		}
	}
	state, err := s.State(t.Context())
	must(t, err)
	if state.Frequency != on.Frequency || !state.Output || state.Modulation.Kind != level.AM ||
		math.Abs(state.Modulation.Rate.Hz()-1000) > 1e-6 {
		t.Errorf("state %+v", state)
	}
	must(t, s.OutputOff(t.Context()))
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.rf {
		t.Error("it is still on")
	}
	pulse := guard.Setting{Frequency: on.Frequency, Level: on.Level,
		Modulation: level.Modulation{Kind: level.Pulse, Duty: 0.5, Rate: 200}}
	o.mu.Unlock()
	if err := driver.ApplySetting(t.Context(), s, pulse); err == nil || !strings.Contains(err.Error(),
		"no pulse modulation") {
		t.Errorf("pulses without a command for them: %v", err)
	}
	o.mu.Lock()
}

func TestWhatIsWrongWithATableIsToldWithItsPlace(t *testing.T) {
	for change, want := range map[string]string{
		`provoke: commands 1|provoke: commands 2`: `version "2"`,
		`role: source|role: sauce`:                `"sauce" is not one of`,
		`  output off: "R0"` + "\n|":              `no command for "output off"`,
		`  am off: "A0"` +
			"\n|": `no command for "am off", which belongs to the others`,
		`frequency: "FR {MHz}"|frequency: "FR"`:                        "must hold {} once",
		`frequency: "FR {MHz}"|frequency: "FR {furlong}"`:              `cannot be written in "furlong"`,
		`  am off: "A0"|  am of: "A0"`:                                 "did you mean \"am o",
		`level?: "AP?"|level?: "AP"`:                                   "must be a query exactly if",
		`answers_in: {frequency?: MHz|answers_in: {frequency?: miles`:  `not answered in "miles"`,
		`counts_in: dBm|counts_in: Vpp`:                                "must be asked for its load",
		`counts_in: dBm|reads: receiver`:                               "reads belongs to the role analyser",
		`terminator: CR` + "\n|terminator: NUL\n":                      `"NUL" is not one of`,
		`decimal: comma|decimals: comma`:                               `did you mean "decimal"?`,
		`name: old generator|name: interlock`:                          "the name of the built-in table",
		`about: an invented|start: ["FREQ?"]` + "\nabout: an invented": "must be neither a query",
	} {
		from, to, _ := strings.Cut(change, "|")
		if !strings.Contains(oldGenerator, from) {
			t.Fatalf("%q is not in the table", from)
		}
		_, list := driver.ParseTable("table.yaml", []byte(strings.Replace(oldGenerator, from, to, 1)))
		err := list.Err()
		if err == nil || !strings.Contains(err.Error(), want) || !strings.HasPrefix(err.Error(), "table.yaml:") {
			t.Errorf("%q: %v", change, err)
		}
	}
}

// A function generator that counts in volts and is never asked for its load must say which one it
// assumes, and the bench file must say the same.
func TestASourceInVoltsDoesNotRunUntilItsLoadIsKnown(t *testing.T) {
	const table = `provoke: commands 1
name: fixed load
role: source
counts_in: Vpp
assumes: high-Z
commands: {frequency: "FREQ {}", frequency?: "FREQ?", level: "VOLT {}", level?: "VOLT?", output on: "OUTP 1", output off: "OUTP 0", output?: "OUTP?", offset?: "VOLT:UNIT?"}
`
	own := parsed(t, table)
	b := simbench.New(simbench.Config{})
	defer b.Close()
	o := driver.Options{Tables: []driver.Table{own}, Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser,
		error) {
		return b.Dial(ctx, "source")
	}}
	spec := functionGenerator(catalog.Load50)
	spec.Table = "fixed load"
	if _, err := driver.OpenSource(t.Context(), spec, o); err == nil {
		t.Error("a source whose table assumes another load than the bench file opens")
	}
}

// atRest is a function generator whose direct voltage is not 0 V.
func TestADirectVoltageIsRefused(t *testing.T) {
	const table = `provoke: commands 1
name: with offset
role: source
counts_in: dBm
commands: {frequency: "FREQ {}", frequency?: "FREQ?", level: "POW {}", level?: "POW?", output on: "OUTP 1", output off: "OUTP 0", output?: "OUTP?", offset?: "AM:DEPT?"}
`
	b := simbench.New(simbench.Config{Generator: simbench.SignalGenerator})
	defer b.Close()
	spec := signalGenerator()
	spec.Table = "with offset"
	// AM:DEPT? answers 50 here and stands for an offset of 50 V.
	_, err := driver.OpenSource(t.Context(), spec,
		driver.Options{Tables: []driver.Table{parsed(t, table)},
			Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser, error) { return b.Dial(ctx, "source") }})
	if err == nil || !strings.Contains(err.Error(), "offset is 50 V") {
		t.Errorf("an offset: %v", err)
	}
}

// The model of a generator whose AM halves the carrier: what comes out is the amplitude that is set,
// less 20·log10(2) dB while AM is on.
func TestACarrierThatAMHalvesIsNeverLouderThanTheLouderSetting(t *testing.T) {
	var table driver.Table
	for _, b := range driver.BuiltIn() {
		if b.Name == "signal generator" {
			table = b
		}
	}
	table.AMHalves = true
	rapid.Check(t, func(r *rapid.T) {
		draw := func(name string) guard.Setting {
			s := guard.Setting{Frequency: 10e6, Level: rf.DBm(float64(rapid.IntRange(-60, 0).Draw(r, name))),
				Output: true, Modulation: level.Modulation{Kind: level.CW}}
			if rapid.Bool().Draw(r, name+" am") {
				s.Modulation = level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000}
			}
			return s
		}
		from, to := draw("from"), draw("to")
		am := from.Modulation.Kind == level.AM
		amplitude := from.Level.In()
		if am {
			amplitude += 20 * math.Log10(2)
		}
		limit := math.Max(from.Level.In(), to.Level.In()) + 1e-3
		carrier := func() float64 {
			if am {
				return amplitude - 20*math.Log10(2)
			}
			return amplitude
		}
		for _, unit := range driver.OrderedBy(table, from, to) {
			if n, ok := strings.CutPrefix(unit, "POW "); ok {
				amplitude, _ = strconv.ParseFloat(n, 64)
			}
			switch unit {
			case "AM:STAT 1":
				am = true
			case "AM:STAT 0":
				am = false
			}
			if carrier() > limit {
				r.Fatalf("%s from %+v to %+v gives %.2f dBm", unit, from, to, carrier())
			}
		}
		if math.Abs(carrier()-to.Level.In()) > 0.01 {
			r.Fatalf("ends at %.3f dBm, want %v", carrier(), to.Level)
		}
	})
}

// peakSearch is the simulated analyser used with a span and a marker.
const peakSearch = `provoke: commands 1
name: searching analyser
role: analyser
reads: peak search
start: ["FORM REAL,32"]
commands:
  identify?: "*IDN?"
  frequency: "FREQ:CENT {kHz} KHZ"
  span: "FREQ:SPAN {}"
  bandwidth: "BAND {}"
  reference level: "DISP:TRAC:Y:RLEV {dBm}"
  attenuation: "INP:ATT {}"
  single sweep: "INIT:CONT OFF"
  sweep: "INIT:IMM;*OPC?"
  peak search: "CALC:MARK:MAX"
  read?: "CALC:MARK:Y?"
  marker frequency?: "CALC:MARK:X?"
  overload?: "STAT:QUES:POW:COND?"
`

func TestAnAnalyserThatSearchesThePeakReadsTheCarrier(t *testing.T) {
	b := simbench.New(simbench.Config{Generator: simbench.SignalGenerator})
	defer b.Close()
	hand, err := b.Dial(t.Context(), "source")
	must(t, err)
	defer hand.Close()
	io.WriteString(hand, "FREQ 10E6;POW -40;OUTP 1\n")
	read := func(table string, own ...driver.Table) rf.Power {
		spec := theAnalyser()
		spec.Table = table
		a, err := driver.OpenAnalyser(t.Context(),
			spec, driver.Options{Tables: own, Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser,
				error) {
				return b.Dial(ctx, "analyser")
			}})
		must(t, err)
		defer a.Close()
		must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: 10 * rf.Megahertz, Bandwidth: 10 * rf.Kilohertz,
			ReferenceLevel: rf.DBm(-30)}))
		p, err := a.Read(t.Context())
		must(t, err)
		return p
	}
	amp, err := b.Dial(t.Context(), "amplifier")
	must(t, err)
	defer amp.Close()
	io.WriteString(amp, "OUTP 1\n")
	time.Sleep(50 * time.Millisecond)
	own := parsed(t, peakSearch)
	zero, peak := read("analyser"), read("searching analyser", own)
	d, _ := zero.Minus(peak)
	if !peak.Exact() || math.Abs(d.DB()) > 1 {
		t.Errorf("zero span reads %v, peak search %v", zero, peak)
	}
}

// standIn is an instrument of a few answers.
func standIn(answers map[string]string) func(context.Context, string) (io.ReadWriteCloser, error) {
	return func(context.Context, string) (io.ReadWriteCloser, error) {
		here, there := net.Pipe()
		go func() {
			defer there.Close()
			for lines := bufio.NewScanner(there); lines.Scan(); {
				var out []string
				for _, u := range strings.Split(lines.Text(), ";") {
					if a, ok := answers[strings.TrimPrefix(u, ":")]; ok {
						out = append(out, a)
					}
				}
				if len(out) > 0 {
					fmt.Fprintln(there, strings.Join(out, ";"))
				}
			}
		}()
		return here, nil
	}
}

// 0.2236 V r.m.s. into 50 Ω is 1 mW: √(0.001 W · 50 Ω).
func TestAVoltmeterIsALevelMonitor(t *testing.T) {
	const table = `provoke: commands 1
name: voltmeter
role: analyser
reads: broadband
reads_in: V
commands: {read?: "MEAS?", reference level: "RANG {V}"}
quirks: {no_overload_status: true}
`
	own := parsed(t, table)
	spec := theAnalyser()
	spec.Table, spec.Floor, spec.MixerLimit = "voltmeter", rf.DBm(-60), rf.DBm(20)
	answers := map[string]string{"SYST:ERR?": `0,"No error"`, "MEAS?": "0.2236068"}
	a, err := driver.OpenAnalyser(t.Context(), spec,
		driver.Options{Tables: []driver.Table{own}, Dial: standIn(answers)})
	must(t, err)
	defer a.Close()
	read := func(reference float64) rf.Power {
		must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: rf.Megahertz, Bandwidth: rf.Kilohertz,
			ReferenceLevel: rf.DBm(reference)}))
		p, err := a.Read(t.Context())
		must(t, err)
		return p
	}
	if p := read(10); !p.Exact() || math.Abs(p.In()) > 1e-3 {
		t.Errorf("0.2236 V reads %v", p)
	}
	if p := read(-20); p.Bound() != rf.AtLeast {
		t.Errorf("a reading above the range is %v, not a bound", p)
	}
	if _, err := a.Trace(t.Context()); err == nil {
		t.Error("a voltmeter has a trace")
	}
}

func TestAPeakBesideTheCentreIsOnlyABound(t *testing.T) {
	own := parsed(t, peakSearch)
	spec := theAnalyser()
	spec.Table = "searching analyser"
	answers := map[string]string{"*IDN?": "x", "SYST:ERR?": `0,"No error"`, "*OPC?": "1", "CALC:MARK:Y?": "-40",
		"CALC:MARK:X?": "1.2E7", "STAT:QUES:POW:COND?": "0"}
	a, err := driver.OpenAnalyser(t.Context(), spec,
		driver.Options{Tables: []driver.Table{own}, Dial: standIn(answers)})
	must(t, err)
	defer a.Close()
	must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: 10 * rf.Megahertz, Bandwidth: 10 * rf.Kilohertz,
		ReferenceLevel: rf.DBm(-30)}))
	if p, err := a.Read(t.Context()); err != nil || p.Bound() != rf.AtMost {
		t.Errorf("a peak 2 MHz away reads %v, %v", p, err)
	}
}

// tryBench is the simulated bench's own file with the simulated instruments behind it.
func tryBench(t *testing.T) (*catalog.Bench, driver.Options) {
	t.Helper()
	sim := simbench.New(simbench.Config{})
	t.Cleanup(func() { sim.Close() })
	b, list := catalog.Parse("bench.yaml", sim.BenchFile(), func(string) ([]byte, error) { return nil, os.ErrNotExist })
	must(t, list.Err())
	return b, driver.Options{Dial: func(ctx context.Context, a string) (io.ReadWriteCloser,
		error) {
		return sim.Dial(ctx, a)
	}}
}

func TestTryProvesEveryTableWithRFOffAndItsTranscriptIsTheTest(t *testing.T) {
	b, o := tryBench(t)
	for _, role := range []string{"source", "amplifier", "analyser", "power meter", "meter", "interlock", "SA1"} {
		t.Run(role, func(t *testing.T) {
			trial, err := driver.Try(t.Context(), b, role, o, nil)
			must(t, err)
			for _, x := range trial.Tried {
				if x.Err != nil {
					t.Errorf("%s: %v", x.What, x.Err)
				}
			}
			text := trial.Transcript.String()
			for _, forbidden := range []string{"OUTP 1"} {
				if strings.Contains(text, forbidden) {
					t.Errorf("it raises RF:\n%s", text)
				}
			}
			again, err := driver.ParseTranscript(text)
			must(t, err)
			if _, err := driver.Try(t.Context(), b, role, driver.Options{}, again); err != nil {
				t.Errorf("played again: %v", err)
			}
			if err := again.Differs(); err != nil {
				t.Errorf("played again: %v", err)
			}
		})
	}
	if _, err := driver.Try(t.Context(), b, "toaster", o, nil); err == nil || !strings.Contains(err.Error(),
		"source (GEN1)") {
		t.Errorf("a role that is not there: %v", err)
	}
}

func TestATableThatWasChangedDiffersFromItsTranscript(t *testing.T) {
	b, o := tryBench(t)
	trial, err := driver.Try(t.Context(), b, "interlock", o, nil)
	must(t, err)
	changed := strings.Replace(trial.Transcript.String(), "INP:STAT?", "INP:STATE?", 1)
	against, err := driver.ParseTranscript(changed)
	must(t, err)
	driver.Try(t.Context(), b, "interlock", driver.Options{}, against)
	if err := against.Differs(); err == nil || !strings.Contains(err.Error(), "INP:STATE?") {
		t.Errorf("a changed command: %v", err)
	}
}

func TestATableOfOnesOwnIsNamedFromTheBenchFile(t *testing.T) {
	dir := t.TempDir()
	must(t, os.WriteFile(filepath.Join(dir, "own.yaml"),
		[]byte(strings.Replace(peakSearch, "searching analyser", "own", 1)), 0o644))
	sim := simbench.New(simbench.Config{})
	defer sim.Close()
	file := strings.Replace(string(sim.BenchFile()), "  table: analyser", "  table: own", 1) + "\ntables: [own.yaml]\n"
	b, list := catalog.Parse("bench.yaml", []byte(file),
		func(name string) ([]byte, error) { return os.ReadFile(filepath.Join(dir, name)) })
	must(t, list.Err())
	if len(b.Tables) != 1 || b.Files["own.yaml"] == nil {
		t.Errorf("tables %v, files %d", b.Tables, len(b.Files))
	}
	trial, err := driver.Try(t.Context(), b, "analyser",
		driver.Options{Dial: func(ctx context.Context, a string) (io.ReadWriteCloser,
			error) {
			return sim.Dial(ctx, a)
		}}, nil)
	must(t, err)
	if trial.Failed() > 0 || trial.Table.Name != "own" {
		t.Errorf("%+v", trial.Tried)
	}
}
