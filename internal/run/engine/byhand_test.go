package engine_test

import (
	"bufio"
	"context"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// hands is a person at the simulated bench: does what a prompt says at the fronts of the instruments,
// and answers.
type hands struct {
	t    *testing.T
	sim  *simbench.Bench
	desk *engine.Desk
	// mind changes an answer, or keeps the person from acting with ok false; nil acts on everything.
	mind func(p engine.Prompt) (answer string, mine bool)

	mu    sync.Mutex
	asked []engine.Prompt
	stop  chan struct{}
	done  chan struct{}
}

// byHand makes a bench whose source, and others, are set by hand, and the person for it.
func byHand(t *testing.T, l *lab, pieces ...string) *hands {
	l.desk = engine.NewDesk()
	l.edit = func(file string) string {
		for _, p := range pieces {
			re := regexp.MustCompile(`(?m)^(` + p + `:\n(?:  .*\n)*?)  address: .*\n  table: .*\n`)
			file = re.ReplaceAllString(file, "${1}  by_hand: true\n")
			if p == "source" {
				file = strings.Replace(file, "source:\n", "source:\n  hardware_off: switch S1 of the socket strip\n", 1)
			}
		}
		return file
	}
	l.reload()
	h := &hands{t: t, sim: l.sim, desk: l.desk, stop: make(chan struct{}), done: make(chan struct{})}
	go h.work()
	return h
}

// leave ends the person's work.
func (h *hands) leave() {
	close(h.stop)
	<-h.done
}

func (h *hands) work() {
	defer close(h.done)
	for {
		select {
		case <-h.stop:
			return
		case <-time.After(20 * time.Millisecond):
		}
		p, ok := h.desk.Pending()
		if !ok {
			continue
		}
		h.mu.Lock()
		h.asked = append(h.asked, p)
		h.mu.Unlock()
		answer, mine := "", false
		if h.mind != nil {
			answer, mine = h.mind(p)
		}
		if !mine {
			answer = h.act(p)
		}
		if answer != "never" {
			h.desk.Reply(p.Number, answer)
		}
	}
}

func (h *hands) prompts() []engine.Prompt {
	h.mu.Lock()
	defer h.mu.Unlock()
	return append([]engine.Prompt(nil), h.asked...)
}

// front speaks to a simulated instrument as its keys do.
func (h *hands) front(instrument, message string, answered bool) string {
	c, err := h.sim.Dial(context.Background(), instrument)
	if err != nil {
		return ""
	}
	defer c.Close()
	fmt.Fprintf(c, "%s\n", message)
	if !answered {
		fmt.Fprint(c, "*OPC?\n")
	}
	s := bufio.NewScanner(c)
	s.Scan()
	return s.Text()
}

var number = regexp.MustCompile(`[-+−]?[0-9.]+`)

func (h *hands) act(p engine.Prompt) string {
	switch {
	case p.Title == "SWITCH RF OFF NOW":
		h.front("source", "OUTP 0", false)
		return "off"
	case p.Title == "PROVOKE CANNOT SWITCH THIS OFF":
		return "switch S1 of the socket strip"
	case strings.HasPrefix(p.Instrument, "source"):
		for _, l := range p.Lines {
			h.front("source", h.keys(l), false)
		}
		return "done"
	case p.Title == "READ THE ANALYSER":
		f, _ := rf.ParseFrequency(strings.TrimSuffix(strings.TrimPrefix(p.Lines[0], "centre "),
			", zero span or peak search"))
		x, _ := strconv.ParseFloat(h.front("analyser",
			fmt.Sprintf("FREQ:SPAN 0;:INIT:CONT OFF;:INP:ATT 0;:FREQ:CENT %.0f;:BAND 1000;:DISP:TRAC:Y:RLEV "+
				"0;:READ:POW?", f.Hz()), true), 64)
		return fmt.Sprintf("%.2f dBm", x)
	}
	return "done"
}

// keys turns a line of a prompt into what the simulated generator's front does.
func (h *hands) keys(line string) string {
	word, rest, _ := strings.Cut(line, " ")
	x, _ := strconv.ParseFloat(strings.Replace(number.FindString(rest), "−", "-", 1), 64)
	switch {
	case word == "frequency":
		f, _ := rf.ParseFrequency(rest)
		return fmt.Sprintf("FREQ %.3f", f.Hz())
	case word == "level":
		unit := 1.0
		if strings.Contains(rest, "mVpp") {
			unit = 1e-3
		}
		return fmt.Sprintf("VOLT:UNIT VPP;:VOLT %.6g", x*unit)
	case strings.HasPrefix(line, "modulation AM"):
		return "AM:SOUR INT;:AM:DEPT 80;:AM:INT:FREQ 1000;:AM:STAT 1"
	case word == "modulation":
		return "AM:STAT 0;:PULM:STAT 0"
	case line == "output ON":
		return "OUTP 1"
	case line == "lower the level", word == "nothing":
	}
	return "*CLS"
}

func (l *lab) has(kind string) (out []event.Event) {
	for _, r := range l.journal.records {
		if r.Event.Kind() == kind {
			out = append(out, r.Event)
		}
	}
	return out
}

func TestASourceThatIsSetByHandFindsWhatAWiredOneFinds(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		text := strings.Replace(planText(around(l.sim, 0, "4 %")), "mode: closed loop",
			"mode: constant drive\ndrive: -18 dBm\nsearch: {onset: false, recovery: false}", 1)
		wired := l.do(text)
		if wired.err != nil {
			t.Fatal(wired.err)
		}
		h := byHand(t, l, "source")
		defer h.leave()
		var words string
		l.progress = func(s engine.Status) { words = s.CannotSwitchOff }
		o := l.do(text)
		l.mustBeOff(o)
		if o.err != nil || o.Verdict != wired.Verdict || o.Upsets != wired.Upsets {
			t.Errorf("by hand %q with %d upsets (%v), wired %q with %d", o.Verdict, o.Upsets, o.err, wired.Verdict,
				wired.Upsets)
		}
		for i, s := range o.run.Steps {
			if w := wired.run.Steps[i]; s.Outcome.Upset != w.Outcome.Upset ||
				s.Step.Point.Frequency != w.Step.Point.Frequency {
				t.Errorf("at %v upset %v by hand, %v wired", s.Step.Point.Frequency, s.Outcome.Upset, w.Outcome.Upset)
			}
		}
		if len(l.has("hardware-off")) != 1 || len(l.has("by-hand")) < len(o.run.Steps) {
			t.Errorf("journalled %s", l.journal.kinds())
		}
		if !strings.Contains(words, "provoke cannot switch this off: use switch S1") {
			t.Errorf("the status says %q", words)
		}
		if !strings.Contains(o.Safing.How, "operator") {
			t.Errorf("RF is off %q", o.Safing.How)
		}
		for _, p := range h.prompts() {
			if p.Title == "SET THE SOURCE" && strings.Index(strings.Join(p.Lines, "|"),
				"output ON") < strings.Index(strings.Join(p.Lines, "|"), "level") &&
				strings.Contains(strings.Join(p.Lines, "|"), "output ON") {
				t.Errorf("the output comes on before the level is set: %v", p.Lines)
			}
		}
	})
}

func TestAnAnalyserThatIsReadByEyeLevelsTheLoop(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "analyser")
		defer h.leave()
		first := true
		h.mind = func(p engine.Prompt) (string, bool) {
			if p.Title == "READ THE ANALYSER" && first && h.sim.State().On {
				first = false
				return "27.4 dBm", true // the sign was forgotten
			}
			return "", false
		}
		o := l.do(planText("{list: [12 MHz]}"))
		l.mustBeOff(o)
		if o.err != nil || o.Verdict != event.Done {
			t.Fatalf("%q: %v", o.Verdict, o.err)
		}
		step := o.run.Steps[0]
		if d, _ := step.Current.Minus(step.Step.Point.Target); math.Abs(d.DB()) > 0.5 {
			t.Errorf("levelled to %v, wanted %v", step.Current, step.Step.Point.Target)
		}
		doubted := false
		for _, e := range l.has("by-hand") {
			doubted = doubted || strings.Contains(e.(event.ByHand).Doubted, "above the most that the budget expects")
		}
		if !doubted {
			t.Error("a reading 50 dB above the budget was taken without a doubt")
		}
	})
}

// nothingElse leaves no remote amplifier either, and nothing that measures.
func nothingElse(l *lab, h *hands) {
	byHand := l.edit
	l.edit = func(s string) string {
		s = byHand(s)
		s = regexp.MustCompile(`(?m)^(amplifier:\n(?:  .*\n)*?)  address: .*\n  table: .*\n`).ReplaceAllString(s,
			"${1}")
		return regexp.MustCompile(`(?m)^(analyser:\n(?:  .*\n)*?)  address: .*\n  table: .*\n`).ReplaceAllString(s,
			"${1}")
	}
	l.reload()
	l.sim.Dial(context.Background(), "amplifier")
	h.front("amplifier", "OUTP 1", false)
}

func TestNobodyWhoSwitchesOffMeansThatRFIsNotKnownToBeOff(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		nothingElse(l, h)
		set := 0
		h.mind = func(p engine.Prompt) (string, bool) {
			if p.Title == "SET THE SOURCE" {
				set++
			}
			return "never", set > 0 && p.Urgent // the person leaves once RF is on
		}
		l.change = func(c *engine.Config) { c.PersonWithin = 3 * time.Second }
		o := l.do(strings.Replace(planText("{list: [12 MHz]}"), "mode: closed loop",
			"mode: constant drive\ndrive: -18 dBm", 1))
		if o.Verdict != event.RFNotKnownOff || !l.sim.State().On {
			t.Errorf("%q, RF on: %v (%v)", o.Verdict, l.sim.State().On, o.err)
		}
		h.front("source", "OUTP 0", false)
	})
}

// A person who takes his time to switch off is waited for like any other: nothing hangs.
func TestAPersonWhoTakesTimeToSwitchOffIsNoHang(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		nothingElse(l, h)
		h.mind = func(p engine.Prompt) (string, bool) {
			if p.Urgent && l.sim.State().On {
				time.Sleep(20 * time.Second)
			}
			return "", false
		}
		o := l.do(strings.Replace(planText("{list: [12 MHz]}"), "mode: closed loop",
			"mode: constant drive\ndrive: -38 dBm\nsearch: {onset: false, recovery: false}", 1))
		l.mustBeOff(o)
		if o.err != nil || o.Verdict != event.Done || o.Safing.Took < 15*time.Second {
			t.Errorf("%q after a silencing of %v (%v)", o.Verdict, o.Safing.Took, o.err)
		}
	})
}

// The switch that ends RF of a source set by hand may be one of the interlock's loop. Using it when provoke
// asks for RF to go off is no trip.
func TestAHardwareOffInTheInterlocksLoopIsNoTrip(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		nothingElse(l, h)
		h.mind = func(p engine.Prompt) (string, bool) {
			if p.Urgent && l.sim.State().On {
				l.sim.SetInterlock(false)
				time.Sleep(3 * time.Second) // and it takes a while until the answer is typed
			}
			return "", false
		}
		o := l.do(strings.Replace(planText("{list: [12 MHz]}"), "mode: closed loop",
			"mode: constant drive\ndrive: -38 dBm\nsearch: {onset: false, recovery: false}", 1))
		l.mustBeOff(o)
		if o.err != nil || o.Verdict != event.Done {
			t.Errorf("%q (%v)", o.Verdict, o.err)
		}
	})
}

func TestAMeterAtTheFloorIsGoodEnoughWhereThePersonDoesNotAnswer(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		set := 0
		h.mind = func(p engine.Prompt) (string, bool) {
			if p.Title == "SET THE SOURCE" {
				set++
			}
			if set > 0 && p.Urgent {
				h.front("source", "OUTP 0", false) // switched off, and not confirmed
				return "never", true
			}
			return "", false
		}
		l.change = func(c *engine.Config) { c.PersonWithin = 3 * time.Second }
		o := l.do(strings.Replace(planText("{list: [12 MHz]}"), "mode: closed loop",
			"mode: constant drive\ndrive: -18 dBm", 1))
		l.mustBeOff(o)
		if o.Verdict == event.RFNotKnownOff || !strings.Contains(o.Safing.How, "measured at the floor") {
			t.Errorf("%q, %s (%v)", o.Verdict, o.Safing.How, o.err)
		}
	})
}

func TestASourceByHandIsNotArmedUntilItsHardwareOffIsConfirmed(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		h := byHand(t, l, "source")
		defer h.leave()
		h.mind = func(p engine.Prompt) (string, bool) { return "no", p.Title == "PROVOKE CANNOT SWITCH THIS OFF" }
		o := l.do(strings.Replace(planText("{list: [12 MHz]}"), "mode: closed loop",
			"mode: constant drive\ndrive: -18 dBm", 1))
		l.mustBeOff(o)
		if o.err == nil || !strings.Contains(o.err.Error(), "did not confirm the hardware off") ||
			len(l.sim.History()) > 1 && l.sim.State().Exposures > 0 {
			t.Errorf("%q: %v", o.Verdict, o.err)
		}
	})
	if _, list := catalog.Parse("b.yaml", []byte(
		"provoke: bench 1\nname: x\nsource: {id: G, by_hand: true, kind: signal generator, band: 1 MHz to 2 MHz, "+
			"minimum: -100 dBm, maximum: 0 dBm, resolution: 0.1 dB, counts_in: dBm}\nclamp: {id: C1, insertion_loss: "+
			"{flat: 6 dB, band: 1 MHz to 2 MHz}}\ncable: {id: W1}\ndut: {id: DUT1}\n"), nil); list.Err() == nil ||
		!strings.Contains(list.Err().Error(), "hardware_off") {
		t.Errorf("a source by hand without a hardware off: %v", list.Err())
	}
}

func TestAPowerCycleByRelayBringsALatchedProductBack(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		l.edit = func(s string) string {
			s = strings.Replace(s, "    reset: RESET\n", "", 1)
			return s + "power_relay: {id: K1, address: \"" + l.sim.Address("interlock") +
				"\", off_for: 2 s, starts_in: 5 s, cycles: 50}\n"
		}
		l.reload()
		l.watching = nil
		l.change = func(c *engine.Config) {
			c.Reset = &dut.PowerCycle{Relay: *l.bench.PowerRelay, Output: c.Rig.PowerRelay}
			for i, m := range c.Monitors {
				c.Monitors[i] = noReset{m}
			}
		}
		o := l.do(planText(around(l.sim, 1, "5 %")))
		l.mustBeOff(o)
		if o.err != nil || o.Upsets == 0 || l.sim.Starts() == 0 {
			t.Errorf("%q: %d upsets, the product was power-cycled %d times (%v)", o.Verdict, o.Upsets, l.sim.Starts(),
				o.err)
		}
		latched := false
		for _, s := range o.run.Steps {
			latched = latched || s.Outcome.Latched
		}
		if !latched {
			t.Error("no upset latched")
		}
	})
}

// noReset is a monitor that cannot reset.
type noReset struct{ dut.Monitor }

func (noReset) Reset(context.Context) error { return dut.ErrNoReset }

var _ driver.Person = (*engine.Desk)(nil)

// A prompt of a monitor that a person reads is no sign of life of the engine: one that hangs while the
// person is asked is silenced all the same.
func TestAPromptOfAMonitorKeepsNoHangingEngineAlive(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		l.desk = engine.NewDesk()
		until := make(chan struct{})
		var hung, off time.Time
		l.change = func(c *engine.Config) {
			c.Watcher = nil
			c.Monitors = append(c.Monitors, &asking{desk: l.desk})
			c.Rig.Source = &overSource{Source: c.Rig.Source, applied: func(guard.SourceState) {
				if hung.IsZero() {
					hung = time.Now()
					go func() {
						for l.sim.State().On && time.Since(hung) < time.Minute {
							time.Sleep(10 * time.Millisecond)
						}
						off = time.Now()
						close(until)
					}()
					<-until
				}
			}}
		}
		o := l.do(planText("{list: [12 MHz]}"))
		if took := off.Sub(hung); o.Verdict != event.TrippedEnd || took > 5*time.Second {
			t.Errorf("%q: RF was on for %v after the engine hung (%v)", o.Verdict, took, o.err)
		}
	})
}

// asking is a monitor that asks a person all the time, from a goroutine of its own.
type asking struct {
	desk *engine.Desk
	stop context.CancelFunc
	done chan struct{}
}

func (a *asking) ID() string { return "EYE" }
func (a *asking) Start(ctx context.Context, _ func(dut.Sample)) error {
	ctx, a.stop = context.WithCancel(ctx)
	a.done = make(chan struct{})
	go func() {
		defer close(a.done)
		for ctx.Err() == nil {
			a.desk.Ask(ctx, driver.Prompt{Instrument: "meter EYE", Title: "READ THE METER", Wants: "kg"})
		}
	}()
	return nil
}
func (a *asking) Reset(context.Context) error { return dut.ErrNoReset }
func (a *asking) Close() error {
	if a.stop != nil {
		a.stop()
		<-a.done
	}
	return nil
}

func TestAnOutputThatIsWrongOnlyAtThePeaksOfTheModulationIsAnUpset(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		l.edit = func(s string) string {
			i := strings.Index(s, "  - id: DMM1\n")
			j := strings.Index(s, "interlock:")
			return s[:i] + "  - {id: OUT, kind: analogue, address: \"" + l.sim.Address("meter") +
				"\", capture: 5 ms, samples: 500, tolerance: 10 mV, peak_tolerance: 30 mV, every: 10 ms, silence: 1 " +
				"s}\n" + s[j:]
		}
		l.reload()
		l.sim.RidingBand()
		l.watching = func(rig *driver.Rig) []dut.Monitor {
			var out []dut.Monitor
			for _, m := range l.bench.Monitors {
				if m.Kind == catalog.MonitorAnalogue {
					x, err := dut.New(m, dut.Options{Capture: rig.Captures[m.ID]})
					if err != nil {
						t.Fatal(err)
					}
					out = append(out, x)
				} else {
					out = append(out, &lineMonitor{spec: m, dial: l.dial})
				}
			}
			return out
		}
		o := l.do(planText("{list: [9 MHz]}", "search: {onset: false, recovery: false}"))
		l.mustBeOff(o)
		if o.err != nil || o.Upsets != 1 {
			t.Fatalf("%q with %d upsets: %v", o.Verdict, o.Upsets, o.err)
		}
		s := o.run.Steps[0]
		if !strings.Contains(s.Note, "OUT reads") || !strings.Contains(s.Note, "on average, and") ||
			!strings.Contains(s.Note, "at its peaks") {
			t.Errorf("the upset is told as %q", s.Note)
		}
	})
}

func TestARouteIsChosenBeforeAnythingIsArmed(t *testing.T) {
	inLab(t, simbench.Config{Seed: 3}, func(t *testing.T, l *lab) {
		l.edit = func(s string) string {
			return s + "switch: {id: SW1, address: \"" + l.sim.Address("interlock") + "\", route: \"3\"}\n"
		}
		l.reload()
		o := l.do(planText("{list: [12 MHz]}"))
		l.mustBeOff(o)
		c, err := l.sim.Dial(t.Context(), "interlock")
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		fmt.Fprint(c, "ROUT:CLOS?\n")
		s := bufio.NewScanner(c)
		s.Scan()
		if o.err != nil || s.Text() != "3" {
			t.Errorf("route %q: %v", s.Text(), o.err)
		}
		// A route that the matrix does not have stops the run before RF.
		l.edit = func(s string) string {
			return s + "switch: {id: SW1, address: \"" + l.sim.Address("interlock") + "\", route: \"9\"}\n"
		}
		l.reload()
		before := l.sim.State().Exposures
		if o := l.do(planText("{list: [12 MHz]}")); o.err == nil || l.sim.State().Exposures != before {
			t.Errorf("a route that is not there: %v", o.err)
		}
	})
}
