package driver_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/scpi"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// answering returns options for an instrument that gives one answer to every message whose last query
// it knows.
func answering(table map[string]string) driver.Options {
	return driver.Options{Dial: func(context.Context, string) (io.ReadWriteCloser, error) {
		here, there := net.Pipe()
		go func() {
			defer there.Close()
			r := bufio.NewReader(there)
			for {
				m, err := r.ReadString('\n')
				if err != nil {
					return
				}
				for key, a := range table {
					if strings.HasSuffix(strings.TrimSpace(m), key) {
						io.WriteString(there, a+"\n")
					}
				}
			}
		}()
		return here, nil
	}}
}

func TestWhatAnAnalysersReadingMeans(t *testing.T) {
	// The analyser of the test has a floor of -130 dBm at 1 kHz and a mixer limit of -10 dBm. At a
	// resolution bandwidth of 10 kHz the floor is 10·log10(10) = 10 dB higher.
	for _, c := range []struct {
		level, condition string
		want             string
		err              error
	}{
		{"-5.0E+01", "0", "-50.0 dBm", nil},
		{"-1.09E+02", "0", "-109.0 dBm", nil},
		{"-1.11E+02", "0", "at most -111.0 dBm", nil},
		{"-1.25E+02", "0", "at most -120.0 dBm", nil},
		{"-5.0E+01", "1", "at least -50.0 dBm", nil},
		{"-9.9E+00", "0", "at least -9.9 dBm", nil},
		{"9.9E37", "0", "at least -10.0 dBm", nil},
		{"9.9E37", "3", "at least -10.0 dBm", nil},
		{"-9.9E37", "0", "at most -120.0 dBm", nil},
		{"9.91E37", "0", "", scpi.ErrInvalid},
		{"NAN", "0", "", scpi.ErrInvalid},
		{"-50 dBm", "0", "", scpi.ErrGarbage},
		{"-50", "x", "", scpi.ErrGarbage},
		{"-50", "-1", "", scpi.ErrGarbage},
	} {
		o := answering(map[string]string{"*IDN?": "an analyser",
			"COND?;:SYST:ERR?": c.level + ";" + c.condition + `;0,"No error"`})
		a, err := driver.OpenAnalyser(t.Context(), theAnalyser(), o)
		must(t, err)
		must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: rf.Megahertz, Bandwidth: 10 * rf.Kilohertz,
			ReferenceLevel: rf.DBm(-40)}))
		p, err := a.Read(t.Context())
		if !errors.Is(err, c.err) || (err == nil && p.String() != c.want) || (err != nil && !p.Absent()) {
			t.Errorf("%s, %s: %v, %v; want %s, %v", c.level, c.condition, p, err, c.want, c.err)
		}
		a.Close()
	}
}

func TestAnAnalyserThatWasNotSetUpGivesNoReading(t *testing.T) {
	b := newBench(t, simbench.Config{})
	o, _ := on(b, "analyser")
	a, err := driver.OpenAnalyser(t.Context(), theAnalyser(), o)
	must(t, err)
	defer a.Close()
	if _, err := a.Read(t.Context()); err == nil {
		t.Error("read before Setup")
	}
	for _, s := range []driver.AnalyserSetup{
		{Frequency: 2 * rf.Gigahertz, ReferenceLevel: rf.DBm(-30)}, {ReferenceLevel: rf.DBm(-30)},
	} {
		if err := a.Setup(t.Context(), s); err == nil {
			t.Errorf("accepted %+v", s)
		}
	}
	spec := theAnalyser()
	spec.MixerLimit = rf.Power{}
	if _, err := driver.OpenAnalyser(t.Context(), spec, o); err == nil ||
		!strings.Contains(err.Error(), "mixer limit") {
		t.Errorf("opened without a mixer limit: %v", err)
	}
}

func TestAnAnalyserTakesUpItsSettingsAgainAfterAReboot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, simbench.Config{})
		o, k := on(b, "analyser")
		a, err := driver.OpenAnalyser(t.Context(), theAnalyser(), o)
		must(t, err)
		defer a.Close()
		must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: rf.Megahertz, ReferenceLevel: rf.DBm(-40)}))
		_, err = a.Read(t.Context())
		must(t, err)
		must(t, b.Inject("analyser", simbench.Fault{Kind: simbench.FaultReboots}))
		if _, err := a.Read(t.Context()); !errors.Is(err, scpi.ErrClosed) {
			t.Fatalf("got %v", err)
		}
		k.sent()
		_, err = a.Read(t.Context())
		must(t, err)
		if m := k.sent(); len(m) != 2 || !strings.HasPrefix(m[1], "FREQ:SPAN 0;:INIT:CONT OFF") {
			t.Errorf("sent %q", m)
		}
	})
}

func TestATraceWithoutANumberAtAPointLeavesItAbsent(t *testing.T) {
	// -50 dBm, 9.91E37, 9.9E37, -1000 dBm as big-endian IEEE 754 singles.
	block := "#216\xc2\x48\x00\x00\x7e\x95\x1b\xee\x7e\x94\xf5\x90\xc4\x7a\x00\x00"
	for _, v := range []float32{9.91e37, 9.9e37} {
		block = strings.Replace(block, map[float32]string{9.91e37: "\x7e\x95\x1b\xee", 9.9e37: "\x7e\x94\xf5\x90"}[v],
			bigEndian(v), 1)
	}
	o := answering(map[string]string{"*IDN?": "x", "SYST:ERR?": `0,"No error"`, "TRAC? TRACE1": block})
	a, err := driver.OpenAnalyser(t.Context(), theAnalyser(), o)
	must(t, err)
	defer a.Close()
	must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: rf.Megahertz, ReferenceLevel: rf.DBm(-40)}))
	trace, err := a.Trace(t.Context())
	must(t, err)
	if got := fmt.Sprint(trace.Points); got != "[-50.0 dBm – at least -10.0 dBm at most -130.0 dBm]" {
		t.Error(got)
	}
}

func bigEndian(v float32) string {
	b := math.Float32bits(v)
	return string([]byte{byte(b >> 24), byte(b >> 16), byte(b >> 8), byte(b)})
}

func TestWhatAPowerMetersReadingMeans(t *testing.T) {
	for _, c := range []struct {
		answer, want string
		err          error
	}{
		{"-1.2E+01", "-12.0 dBm", nil}, {"-5.5E+01", "at most -55.0 dBm", nil}, {"-7E+01", "at most -60.0 dBm", nil},
		{"2.1E+01", "at least 21.0 dBm", nil}, {"9.9E37", "at least 20.0 dBm", nil}, {"-9.9E37", "at most -60.0 dBm",
			nil},
		{"9.91E37", "", scpi.ErrInvalid}, {"?", "", scpi.ErrGarbage},
	} {
		m, err := driver.OpenPowerMeter(t.Context(), thePowerMeter(),
			answering(map[string]string{"*IDN?": "x",
				"READ1?;:READ2?;:SYST:ERR?": c.answer + `;-3.0E+01;0,"No error"`}))
		must(t, err)
		p, _, err := m.Read(t.Context(), rf.Megahertz)
		if !errors.Is(err, c.err) || (err == nil && p.String() != c.want) {
			t.Errorf("%s: %v, %v", c.answer, p, err)
		}
		m.Close()
	}
}

func TestAMeterThatIsOverRangeGivesAnErrorAndNoNumber(t *testing.T) {
	for answer, want := range map[string]error{"9.9E37": scpi.ErrOverRange, "-9.9E37": scpi.ErrOverRange,
		"9.91E37": scpi.ErrInvalid, "hello": scpi.ErrGarbage} {
		m, err := driver.OpenMeter(t.Context(), catalog.Monitor{Identity: catalog.Identity{ID: "DMM1"},
			Connection: catalog.Connection{Address: address}, Query: "MEAS:VOLT?"},
			answering(map[string]string{"*IDN?": "x", "MEAS:VOLT?": answer}))
		must(t, err)
		if v, err := m.Read(t.Context()); !errors.Is(err, want) || v != 0 {
			t.Errorf("%s: %v, %v", answer, v, err)
		}
		m.Close()
	}
}

func TestAnInterlockIsClosedOnlyByAClearYes(t *testing.T) {
	for answer, want := range map[string]bool{"1": true, "0": false, "ON": true, "2": false, "": false, "9.9E37": false,
		"closed": false} {
		i, err := driver.OpenInterlock(t.Context(), catalog.Interlock{Identity: catalog.Identity{ID: "IL1"},
			Connection: catalog.Connection{Address: address}},
			answering(map[string]string{"*IDN?": "x", "INP:STAT?": answer}))
		must(t, err)
		closed, err := i.Closed(t.Context())
		if closed != want || (err != nil) == (answer == "1" || answer == "0" || answer == "ON") {
			t.Errorf("%q: %v, %v", answer, closed, err)
		}
		i.Close()
	}
}

func TestFaultsOfAMeterNeverLookLikeAReading(t *testing.T) {
	type reader func(t *testing.T, b *simbench.Bench) (read func() (string, error), face string, end func() error)
	readers := map[string]reader{
		"analyser": func(t *testing.T, b *simbench.Bench) (func() (string, error), string, func() error) {
			o, _ := on(b, "analyser")
			a, err := driver.OpenAnalyser(t.Context(), theAnalyser(), o)
			must(t, err)
			return func() (string, error) {
				must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: rf.Megahertz,
					ReferenceLevel: rf.DBm(-40)}))
				p, err := a.Read(t.Context())
				return p.Text(0), err
			}, "analyser", a.Close
		},
		"power meter": func(t *testing.T, b *simbench.Bench) (func() (string, error), string, func() error) {
			o, _ := on(b, "powermeter")
			m, err := driver.OpenPowerMeter(t.Context(), thePowerMeter(), o)
			must(t, err)
			return func() (string, error) {
				_, p, err := m.Read(t.Context(), rf.Megahertz)
				return p.Text(0), err
			}, "powermeter", m.Close
		},
		"interlock": func(t *testing.T, b *simbench.Bench) (func() (string, error), string, func() error) {
			o, _ := on(b, "interlock")
			i, err := driver.OpenInterlock(t.Context(), catalog.Interlock{Identity: catalog.Identity{ID: "IL1"},
				Connection: catalog.Connection{Address: address}}, o)
			must(t, err)
			return func() (string, error) {
				c, err := i.Closed(t.Context())
				return fmt.Sprint(c), err
			}, "interlock", i.Close
		},
	}
	for name, make := range readers {
		for _, f := range []simbench.FaultKind{simbench.FaultDeaf, simbench.FaultSilent, simbench.FaultLate,
			simbench.FaultGarbage, simbench.FaultCloses, simbench.FaultReboots} {
			t.Run(name+" "+string(f), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					b := newBench(t, simbench.Config{})
					read, face, end := make(t, b)
					defer end()
					want, err := read()
					must(t, err)
					must(t, b.Inject(face, simbench.Fault{Kind: f, Delay: 3 * time.Second}))
					if got, err := read(); !errors.Is(err, scpi.ErrPoisoned) || (got != "–" && got != "false") {
						t.Errorf("got %s, %v", got, err)
					}
					b.Clear(face)
					time.Sleep(5 * time.Second)
					got, err := read()
					must(t, err)
					if strings.Fields(got)[0] != strings.Fields(want)[0] {
						t.Errorf("after the fault %s, before it %s", got, want)
					}
				})
			})
		}
	}
}

// bench returns the catalog's view of a simulated bench.
func bench(b *simbench.Bench) *catalog.Bench {
	at := func(face string) catalog.Connection { return catalog.Connection{Address: b.Address(face)} }
	source := functionGenerator(catalog.Load50)
	source.Connection = at("source")
	analyser := theAnalyser()
	analyser.Connection = at("analyser")
	meter := thePowerMeter()
	meter.Connection = at("powermeter")
	return &catalog.Bench{
		Source:     source,
		Amplifier:  &catalog.Amplifier{Identity: catalog.Identity{ID: "AMP1"}, Connection: at("amplifier")},
		Analyser:   &analyser,
		PowerMeter: &meter,
		Interlock:  &catalog.Interlock{Identity: catalog.Identity{ID: "IL1"}, Connection: at("interlock")},
		Monitors: []catalog.Monitor{
			{Identity: catalog.Identity{ID: "DMM1"}, Kind: catalog.MonitorMeter, Connection: at("meter")},
			{Identity: catalog.Identity{ID: "KEY"}, Kind: catalog.MonitorOperator},
			{Identity: catalog.Identity{ID: "SCALE"}, Kind: catalog.MonitorText, Connection: at("dut")},
		},
	}
}

func TestABenchOpensOverRealSocketsAndDoesWhatItIsTold(t *testing.T) {
	b := newBench(t, simbench.Config{})
	must(t, b.Listen("127.0.0.1:0"))
	r, err := driver.OpenBench(t.Context(), bench(b), driver.Options{})
	must(t, err)
	defer r.Close()
	if len(r.Identified) != 6 || len(r.Meters) != 1 || !strings.Contains(r.Identified["GEN1"], "function generator") {
		t.Errorf("identified %v", r.Identified)
	}
	must(t, r.Source.OutputOff(t.Context()))
	must(t, driver.OperateNow(t.Context(), r.Amplifier))
	g := guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-30), Output: true}
	must(t, driver.ApplySetting(t.Context(), r.Source, g))
	must(t, r.Analyser.Setup(t.Context(), driver.AnalyserSetup{Frequency: g.Frequency, Bandwidth: rf.Kilohertz,
		ReferenceLevel: rf.DBm(-20)}))
	low, err := r.Analyser.Read(t.Context())
	must(t, err)
	g.Level = rf.DBm(-24)
	must(t, driver.ApplySetting(t.Context(), r.Source, g))
	high, err := r.Analyser.Read(t.Context())
	must(t, err)
	if d, bound := high.Minus(low); bound != rf.Exactly || math.Abs(d.DB()-6) > 0.1 {
		t.Errorf("6 dB more drive read %v then %v", low, high)
	}
	forward, _, err := r.PowerMeter.Read(t.Context(), g.Frequency)
	must(t, err)
	if st := b.State(); !forward.Known() || math.Abs(forward.In()-(st.Forward-30)) > 0.5 || !st.Operating {
		t.Errorf("forward %v, truth %.1f dBm behind 30 dB", forward, st.Forward)
	}
	w := driver.FloorWitness(r.Analyser, func() driver.AnalyserSetup {
		return driver.AnalyserSetup{Frequency: g.Frequency, Bandwidth: rf.Kilohertz, ReferenceLevel: rf.DBm(-40)}
	})
	if text, quiet, err := w.Quiet(t.Context()); err != nil || quiet {
		t.Errorf("with RF on: %s, %v, %v", text, quiet, err)
	}
	must(t, r.Source.OutputOff(t.Context()))
	must(t, r.Amplifier.Standby(t.Context()))
	if text, quiet, err := w.Quiet(t.Context()); err != nil || !quiet {
		t.Errorf("with RF off: %s, %v, %v", text, quiet, err)
	}
	if closed, err := r.Interlock.Closed(t.Context()); err != nil || !closed {
		t.Errorf("interlock %v, %v", closed, err)
	}
	b.SetInterlock(false)
	if closed, err := r.Interlock.Closed(t.Context()); err != nil || closed {
		t.Errorf("open interlock reads %v, %v", closed, err)
	}
	if a := b.Abuses(); len(a) != 0 {
		t.Errorf("abuse: %v", a)
	}
}

func TestBothGeneratorsDoTheSameOverRealSockets(t *testing.T) {
	for kind, spec := range map[simbench.Generator]catalog.Source{simbench.FunctionGenerator: functionGenerator(
		catalog.Load50), simbench.SignalGenerator: signalGenerator()} {
		b := newBench(t, simbench.Config{Generator: kind})
		must(t, b.Listen("127.0.0.1:0"))
		spec.Address = b.Address("source")
		s, err := driver.OpenSource(t.Context(), spec, driver.Options{})
		must(t, err)
		workSource(t, s)
		if b.State().On {
			t.Errorf("%s: the output is on", kind)
		}
	}
}

func TestABenchThatDoesNotOpenNamesEveryInstrumentThatFailed(t *testing.T) {
	b := newBench(t, simbench.Config{})
	must(t, b.Listen("127.0.0.1:0"))
	spec := bench(b)
	must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultAbsent}))
	must(t, b.Inject("meter", simbench.Fault{Kind: simbench.FaultCloses}))
	spec.Interlock.Address = "GPIB0::9::INSTR"
	spec.Amplifier.Table = "loud amplifier"
	r, err := driver.OpenBench(t.Context(), spec, driver.Options{})
	if r != nil || err == nil {
		t.Fatalf("got %v, %v", r, err)
	}
	for _, want := range []string{"source GEN1 at TCPIP::127.0.0.1::", "cannot connect", "meter DMM1",
		"closed the connection", "interlock IL1", "no adapter is named", `no command table "loud amplifier"`} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not say %q:\n%v", want, err)
		}
	}
	r, err = driver.OpenBench(t.Context(), spec, driver.Options{ForSilencing: true})
	if r == nil || err == nil || r.Source != nil || r.Analyser == nil {
		t.Fatalf("for silencing: %+v, %v", r, err)
	}
	r.Close()
}

func BenchmarkPointOverSockets(b *testing.B) {
	bench1 := simbench.New(simbench.Config{})
	defer bench1.Close()
	if err := bench1.Listen("127.0.0.1:0"); err != nil {
		b.Fatal(err)
	}
	r, err := driver.OpenBench(b.Context(), bench(bench1), driver.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer r.Close()
	g := guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-40), Output: true}
	apply := func(b *testing.B) {
		g.Level = rf.DBm(-40 - g.Level.In() - 40.5)
		if err := driver.ApplySetting(b.Context(), r.Source, g); err != nil {
			b.Fatal(err)
		}
	}
	read := func(b *testing.B) {
		if err := r.Analyser.Setup(b.Context(), driver.AnalyserSetup{Frequency: g.Frequency, Bandwidth: rf.Kilohertz,
			ReferenceLevel: rf.DBm(-20)}); err != nil {
			b.Fatal(err)
		}
		if _, err := r.Analyser.Read(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
	b.Run("set-and-confirm", func(b *testing.B) {
		for b.Loop() {
			apply(b)
		}
	})
	b.Run("reading", func(b *testing.B) {
		for b.Loop() {
			read(b)
		}
	})
	b.Run("frequency-level-reading", func(b *testing.B) {
		for b.Loop() {
			g.Frequency = 21*rf.Megahertz - g.Frequency
			apply(b)
			read(b)
		}
	})
}
