package driver_test

import (
	"bufio"
	"context"
	"errors"
	"io"
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

// filtered is the simulated source, with something done to what it is told and what it answers.
func filtered(b *simbench.Bench, face string, heard, said func(string) string) driver.Options {
	return driver.Options{Dial: func(ctx context.Context, _ string) (io.ReadWriteCloser, error) {
		inside, err := b.Dial(ctx, face)
		if err != nil {
			return nil, err
		}
		here, there := net.Pipe()
		go func() {
			defer inside.Close()
			for r := bufio.NewScanner(there); r.Scan(); {
				io.WriteString(inside, heard(r.Text())+"\n")
			}
		}()
		go func() {
			defer there.Close()
			for r := bufio.NewScanner(inside); r.Scan(); {
				io.WriteString(there, said(r.Text())+"\n")
			}
		}()
		return here, nil
	}}
}

func asIs(m string) string { return m }

func TestAnOffThatTheSourceRefusesIsNeverOff(t *testing.T) {
	for _, c := range []struct {
		name        string
		heard, said func(string) string
	}{
		{"the command is refused and the output was off before",
			func(m string) string { return strings.Replace(m, "OUTP 0", "OUTPP 0", 1) }, asIs},
		{"the answer is empty", asIs, func(a string) string {
			if strings.HasSuffix(a, `0,"No error"`) || a == "0" {
				return ""
			}
			return a
		}},
		{"the answer is a semicolon", asIs, func(string) string { return ";" }},
		{"the answer is neither on nor off", asIs, func(string) string { return `2;0,"No error"` }},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := simbench.New(simbench.Config{})
			defer b.Close()
			now := false
			pick := func(f func(string) string) func(string) string {
				return func(m string) string {
					if now {
						return f(m)
					}
					return m
				}
			}
			o := filtered(b, "source", pick(c.heard), pick(c.said))
			s := openSource(t, functionGenerator(catalog.Load50), o)
			now = true
			ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
			defer cancel()
			if err := s.OutputOff(ctx); err == nil {
				t.Error("it is called off")
			}
		})
	}
	t.Run("the amplifier's answer is empty", func(t *testing.T) {
		b := simbench.New(simbench.Config{})
		defer b.Close()
		a, err := driver.OpenAmplifier(t.Context(), catalog.Amplifier{},
			filtered(b, "amplifier", asIs, func(m string) string {
				if strings.Contains(m, ",") && !strings.Contains(m, "error") {
					return m
				}
				return ""
			}))
		must(t, err)
		defer a.Close()
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		defer cancel()
		if err := a.Standby(ctx); err == nil {
			t.Error("an empty answer is called standby")
		}
	})
}

func TestSomebodyElsesOldErrorsAreNotBlamedOnOff(t *testing.T) {
	for _, kind := range []simbench.FaultKind{"", simbench.FaultOverflow} {
		b := simbench.New(simbench.Config{})
		defer b.Close()
		o, _ := on(b, "source")
		s := openSource(t, functionGenerator(catalog.Load50), o)
		must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30),
			Output: true}))
		hand, err := b.Dial(t.Context(), "source")
		must(t, err)
		defer hand.Close()
		io.WriteString(hand, "NONSENSE\nVOLT 1000\n*IDN?\n")
		if _, err := bufio.NewReader(hand).ReadString('\n'); err != nil {
			t.Fatal(err)
		}
		if kind != "" {
			must(t, b.Inject("source", simbench.Fault{Kind: kind}))
		}
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		defer cancel()
		if err := s.OutputOff(ctx); err != nil || b.State().On {
			t.Errorf("%s: %v, on: %v", kind, err, b.State().On)
		}
	}
}

func TestTryFailsForATableWhoseOffIsRefused(t *testing.T) {
	b, o := tryBench(t)
	table, err := tableNamed("function generator")
	must(t, err)
	table.Name = "own"
	table.Commands[driver.OutputOff] = "OUTPP 0"
	o.Tables = []driver.Table{table}
	b.Source.Table, o.Timeout = "own", 200*time.Millisecond
	trial, err := driver.Try(t.Context(), b, "source", o, nil)
	var refused *scpi.InstrumentError
	if trial.Failed() == 0 || !errors.As(err, &refused) || refused.Code != -113 {
		t.Errorf("%d failed, %v", trial.Failed(), err)
	}
}

// tableNamed is a copy of a built-in table.
func tableNamed(name string) (driver.Table, error) {
	for _, t := range driver.BuiltIn() {
		if t.Name == name {
			commands := map[driver.Verb]string{}
			for v, c := range t.Commands {
				commands[v] = c
			}
			t.Commands = commands
			return t, nil
		}
	}
	return driver.Table{}, errors.New("no such table")
}

func TestTryProvesOffOnlyIntoADummyLoadThatAPersonConfirms(t *testing.T) {
	for _, load := range []bool{false, true} {
		sim := simbench.New(simbench.Config{KeepHistory: true})
		defer sim.Close()
		b, list := catalog.Parse("bench.yaml", sim.BenchFile(),
			func(string) ([]byte, error) { return nil, errors.New("no files") })
		must(t, list.Err())
		trial, err := driver.Try(t.Context(), b,
			"source", driver.Options{DummyLoad: load, Dial: func(ctx context.Context, a string) (io.ReadWriteCloser,
				error) {
				return sim.Dial(ctx, a)
			}}, nil)
		must(t, err)
		text := ""
		for _, x := range trial.Tried {
			text += x.What + ": " + x.Came + "\n"
		}
		if trial.Failed() > 0 || load != strings.Contains(text, "off: it changes the output") ||
			load == strings.Contains(text, "not proved") {
			t.Errorf("with a dummy load %v:\n%s", load, text)
		}
		if state := sim.State(); state.On || state.Exposures > 0 != load {
			t.Errorf("with a dummy load %v: %+v", load, state)
		}
	}
	t.Run("an off that is refused once the output is on", func(t *testing.T) {
		b, _ := tryBench(t)
		sim := simbench.New(simbench.Config{})
		defer sim.Close()
		wasOn := false
		o := filtered(sim, "source", func(m string) string {
			if wasOn = wasOn || strings.HasPrefix(m, "OUTP 1"); wasOn {
				return strings.Replace(m, "OUTP 0", "OUTPP 0", 1)
			}
			return m
		}, asIs)
		o.DummyLoad, o.Timeout = true, 200*time.Millisecond
		if trial, _ := driver.Try(t.Context(), b, "source", o, nil); trial.Failed() == 0 {
			t.Error("it passed")
		}
	})
}

func TestTryMeasuresTheSlowestAnswerAgainstTheTimeForSilencing(t *testing.T) {
	for _, c := range []struct {
		takes, stated time.Duration
		ok            bool
	}{{0, 0, true}, {600 * time.Millisecond, 0, true}, {800 * time.Millisecond, 0, false},
		{1500 * time.Millisecond, 6 * time.Second, true}} {
		synctest.Test(t, func(t *testing.T) {
			b, o := tryBench(t)
			b.Amplifier.Timeout = rf.Duration(c.stated)
			sim := simbench.New(simbench.Config{})
			defer sim.Close()
			if c.takes > 0 {
				must(t, sim.Inject("amplifier", simbench.Fault{Kind: simbench.FaultLate, Delay: c.takes}))
			}
			o.Dial = func(ctx context.Context, a string) (io.ReadWriteCloser,
				error) {
				return sim.Dial(ctx, "amplifier")
			}
			trial, err := driver.Try(t.Context(), b, "amplifier", o, nil)
			must(t, err)
			if trial.Failed() == 0 != c.ok || trial.Slowest != c.takes {
				t.Errorf("%v with %v stated: slowest %v, %+v", c.takes, c.stated, trial.Slowest, trial.Tried)
			}
			for _, x := range trial.Tried {
				if x.Err != nil && !strings.Contains(x.Err.Error(), "waited for 1 s") {
					t.Errorf("%v", x.Err)
				}
			}
		})
	}
}

func TestTryDoesNotCallTheSlowestAnswerFastWhereOneDidNotCome(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, o := tryBench(t)
		sim := simbench.New(simbench.Config{})
		defer sim.Close()
		must(t, sim.Inject("amplifier", simbench.Fault{Kind: simbench.FaultSilent, After: 2}))
		o.Dial = func(ctx context.Context, a string) (io.ReadWriteCloser, error) { return sim.Dial(ctx, "amplifier") }
		trial, _ := driver.Try(t.Context(), b, "amplifier", o, nil)
		if x := trial.Tried[len(trial.Tried)-1]; trial.Failed() == 0 || x.What != "slowest answer" || !x.Left ||
			!strings.Contains(x.Came, "did not come in time") {
			t.Errorf("%+v", trial.Tried)
		}
	})
}
