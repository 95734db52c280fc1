package engine_test

import (
	"bufio"
	"context"
	"io"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
)

// byHandAt tells a simulated instrument something, as its last user did.
func (l *lab) byHandAt(face string, messages ...string) {
	l.t.Helper()
	c, err := l.sim.Dial(l.t.Context(), face)
	if err != nil {
		l.t.Fatal(err)
	}
	defer c.Close()
	for _, m := range append(messages, "SYST:ERR?") {
		io.WriteString(c, m+"\n")
	}
	if answer, err := bufio.NewReader(c).ReadString('\n'); err != nil || !strings.HasPrefix(answer, "0,") {
		l.t.Fatalf("%q: %s %v", messages, answer, err)
	}
}

// notes are the texts of the journal's notes.
func (m *memory) notes() string {
	var out []string
	for _, r := range m.records {
		if n, ok := r.Event.(event.Note); ok {
			out = append(out, n.Text)
		}
	}
	return strings.Join(out, "\n")
}

// alwaysOn is a bench whose amplifier this program cannot reach, and which operates.
func (l *lab) alwaysOn() {
	l.byHandAt("amplifier", "OUTP 1")
	l.edit = func(file string) string {
		i := strings.Index(file, "amplifier:\n")
		before, after, _ := strings.Cut(file[i:], "  address: ")
		_, after, _ = strings.Cut(after, "  table: amplifier\n")
		return file[:i] + before + after
	}
	l.reload()
}

func TestArmingProvesThatOffTakesRFAway(t *testing.T) {
	t.Run("by measurement", func(t *testing.T) {
		inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
			l.alwaysOn()
			if o := l.do(jigPlan); o.err != nil || !strings.Contains(l.journal.notes(),
				"measured: the analyser reads") {
				t.Errorf("%v; notes %q", o.err, l.journal.notes())
			}
		})
	})
	t.Run("by the instrument's word", func(t *testing.T) {
		inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
			if o := l.do(jigPlan); o.err != nil || !strings.Contains(l.journal.notes(),
				"off by the instrument's word only") {
				t.Errorf("%v; notes %q", o.err, l.journal.notes())
			}
		})
	})
	t.Run("a relay that sticks", func(t *testing.T) {
		inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
			l.alwaysOn()
			if err := l.sim.Inject("source", simbench.Fault{Kind: simbench.FaultSticky}); err != nil {
				t.Fatal(err)
			}
			o := l.do(jigPlan)
			if o.err == nil || !strings.Contains(o.err.Error(),
				"the source says that its output is off, and the analyser reads") {
				t.Errorf("%s: %v", o.Verdict, o.err)
			}
			if o.Verdict != event.RFNotKnownOff || strings.Contains(l.journal.kinds(), "intent") {
				t.Errorf("%s after %s", o.Verdict, l.journal.kinds())
			}
		})
	})
	t.Run("an off that is refused once the output is on", func(t *testing.T) {
		inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
			var on atomic.Bool
			l.connect = l.hearing(func(address, m string) string {
				on.Store(on.Load() || address == l.bench.Source.Address && strings.HasPrefix(m, "OUTP 1"))
				if on.Load() && address == l.bench.Source.Address {
					return strings.Replace(m, "OUTP 0", "OUTPP 0", 1)
				}
				return m
			})
			o := l.do(jigPlan)
			if o.err == nil || !strings.Contains(o.err.Error(),
				"prove at the lowest level that the source's off works") {
				t.Errorf("%s: %v", o.Verdict, o.err)
			}
			if o.Verdict != event.RFNotKnownOff || strings.Contains(l.journal.kinds(), "intent") ||
				l.sim.State().Operating {
				t.Errorf("%s after %s, amplifier operating: %v", o.Verdict, l.journal.kinds(), l.sim.State().Operating)
			}
		})
	})
}

// hearing changes what an instrument hears.
func (l *lab) hearing(change func(address, message string) string) func(context.Context, string) (io.ReadWriteCloser,
	error) {
	return func(ctx context.Context, address string) (io.ReadWriteCloser, error) {
		inside, err := l.sim.Dial(ctx, address)
		if err != nil {
			return nil, err
		}
		here, there := net.Pipe()
		go func() {
			defer inside.Close()
			for r := bufio.NewScanner(there); r.Scan(); {
				io.WriteString(inside, change(address, r.Text())+"\n")
			}
		}()
		go func() {
			defer there.Close()
			io.Copy(there, inside)
		}()
		return here, nil
	}
}

func TestARunOnASourceThatWasLeftSweepingGivesACarrier(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
		l.byHandAt("source", "SWE:STAT 1", "BURS:STAT 1", "FM:STAT 1", "FUNC SQU", "AM:SOUR EXT")
		if o := l.do(jigPlan); o.err != nil || o.Verdict != event.Done {
			t.Errorf("%s: %v", o.Verdict, o.err)
		}
		for _, s := range l.sim.History() {
			if s.On && (s.Modulation != simbench.Modulation{}) {
				t.Errorf("%+v is no carrier", s)
			}
		}
	})
}

func TestWhatASourceCannotBeAskedIsSaidAtArming(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50, Generator: simbench.SignalGenerator},
		func(t *testing.T, l *lab) {
			if o := l.do(jigPlan); o.err != nil {
				t.Fatal(o.err)
			}
			for _, r := range l.journal.records {
				if a, ok := r.Event.(event.Armed); ok && !strings.Contains(strings.Join(a.Limits, "\n"),
					"not read at source GEN1, and so not known to be off: waveform, burst, direct voltage") {
					t.Errorf("%q", a.Limits)
				}
			}
		})
}

// A source that takes its time is waited for, also while it is silenced; what it takes counts only where
// the bench file or its table says so.
func TestASlowSourceIsUsedAndSilencedWithinTheTimeThatIsStated(t *testing.T) {
	for _, c := range []struct {
		takes time.Duration
		edit  string
		ok    bool
	}{{600 * time.Millisecond, "", true}, {1500 * time.Millisecond, "  timeout: 6 s\n", true},
		{3 * time.Second, "  timeout: 6 s\n", true}, {1500 * time.Millisecond, "", false}} {
		t.Run(c.takes.String()+c.edit, func(t *testing.T) {
			inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
				l.slow = true
				l.edit = func(file string) string {
					return strings.Replace(file, "  counts_in: Vpp\n", "  counts_in: Vpp\n"+c.edit, 1)
				}
				l.reload()
				if err := l.sim.Inject("source", simbench.Fault{Kind: simbench.FaultLate, Delay: c.takes}); err != nil {
					t.Fatal(err)
				}
				text := strings.Replace(jigPlan, "{from: 1 MHz, to: 60 MHz, step: 30 %}",
					"{from: 1 MHz, to: 2 MHz, step: 50 %}", 1)
				if strings.Contains(c.edit, "6 s") {
					text += "dead_man: 6 s\n"
				}
				o := l.do(text)
				if (o.err == nil && o.Verdict == event.Done) != c.ok {
					t.Errorf("%s: %v", o.Verdict, o.err)
				}
				if l.sim.State().On {
					t.Error("RF is on")
				}
				if c.ok {
					t.Logf("figure: a source that takes %v: silenced in %v", c.takes, o.Safing.Took)
				}
			})
		})
	}
}

// The amplifier does not wait for a source that does not answer.
func TestTheAmplifierGoesToStandbyWhileASlowSourceIsWaitedFor(t *testing.T) {
	inLab(t, simbench.Config{Seed: 2, Fixture: simbench.Jig50}, func(t *testing.T, l *lab) {
		l.slow = true
		l.edit = func(file string) string {
			return strings.Replace(file, "  counts_in: Vpp\n", "  counts_in: Vpp\n  timeout: 6 s\n", 1)
		}
		l.reload()
		var stopped atomic.Pointer[time.Time]
		l.progress = func(s engine.Status) {
			if s.RFOn && s.Done > 2 && stopped.Load() == nil {
				l.sim.Inject("source", simbench.Fault{Kind: simbench.FaultDeaf})
				stopped.Store(new(time.Now()))
				l.operator <- engine.Command{Want: engine.Abort}
			}
		}
		var standby time.Duration
		done := make(chan struct{})
		go func() {
			defer close(done)
			for at := stopped.Load(); at == nil || l.sim.State().Operating; at = stopped.Load() {
				time.Sleep(10 * time.Millisecond)
				if at != nil && time.Since(*at) > time.Minute {
					return
				}
			}
			standby = time.Since(*stopped.Load())
		}()
		o := l.do(jigPlan + "dead_man: 6 s\n")
		<-done
		if standby == 0 || standby > 1500*time.Millisecond || o.Verdict != event.RFNotKnownOff {
			t.Errorf("in standby after %v, %s", standby, o.Verdict)
		}
		t.Logf("figure: standby %v after the source fell silent", standby)
	})
}
