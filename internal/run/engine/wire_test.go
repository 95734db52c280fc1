package engine_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// said is one message on the wire: to whom, what, in which phase of the run, and when it was under way.
type said struct {
	to, text, phase string
	from, until     time.Time
}

// what names a message by what it does, without its numbers.
func (s said) what() string {
	var told, asked []string
	for u := range strings.SplitSeq(s.text, ";") {
		header, _, _ := strings.Cut(strings.TrimPrefix(u, ":"), " ")
		if strings.HasSuffix(header, "?") {
			asked = append(asked, header)
		} else {
			told = append(told, header)
		}
	}
	return fmt.Sprintf("%-11s %-10s %s", s.phase, s.to, strings.Join(append(told, asked...), " "))
}

// wiretap notes every message to the simulated instruments, each of which takes a time.
type wiretap struct {
	takes time.Duration
	phase atomic.Value
	mu    sync.Mutex
	said  []said
}

// tapped is one connection that is listened to.
type tapped struct {
	io.ReadWriteCloser
	tap   *wiretap
	to    string
	asked chan int
}

func (t *wiretap) dial(l *lab) func(context.Context, string) (io.ReadWriteCloser, error) {
	return func(ctx context.Context, address string) (io.ReadWriteCloser, error) {
		c, err := l.sim.Dial(ctx, address)
		if err != nil {
			return nil, err
		}
		for _, name := range simbench.Names {
			if l.sim.Address(name) == address {
				return &tapped{c, t, name, make(chan int, 64)}, nil
			}
		}
		return c, nil
	}
}

// Write has the instrument take its time before it hears the message.
func (c *tapped) Write(p []byte) (int, error) {
	phase, _ := c.tap.phase.Load().(string)
	began := time.Now()
	time.Sleep(c.tap.takes)
	c.tap.mu.Lock()
	c.tap.said = append(c.tap.said, said{c.to, strings.TrimSpace(string(p)), phase, began, time.Now()})
	if bytes.ContainsRune(p, '?') {
		c.asked <- len(c.tap.said) - 1
	}
	c.tap.mu.Unlock()
	return c.ReadWriteCloser.Write(p)
}

// Read ends the message that it brings the answer of.
func (c *tapped) Read(p []byte) (int, error) {
	n, err := c.ReadWriteCloser.Read(p)
	if bytes.ContainsRune(p[:n], '\n') {
		select {
		case i := <-c.asked:
			c.tap.mu.Lock()
			c.tap.said[i].until = time.Now()
			c.tap.mu.Unlock()
		default:
		}
	}
	return n, err
}

// inSequence is how many of the messages had to wait for one another: the most of which no two were under way
// at the same time.
func inSequence(messages []said) (n int) {
	messages = slices.Clone(messages)
	slices.SortFunc(messages, func(a, b said) int { return a.until.Compare(b.until) })
	var free time.Time
	for _, m := range messages {
		if !m.from.Before(free) {
			n, free = n+1, m.until
		}
	}
	return n
}

// wirePlan is a sweep without upsets in which every point is new.
const wirePlan = `provoke: plan 1
bench: bench.yaml
kind: exposure
mode: closed loop
level: 1 mA
grid:
  - {from: 1 MHz, to: 1.115 MHz, step: 1 %}
modulation: AM 80 % 1 kHz carrier held
dwell: 50 ms
settle: 0 s
dead_man: 5 s
levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}
`

// onTheWire runs a sweep with instruments that take their time, and returns what was said for each point
// after the first.
func onTheWire(l *lab, takes time.Duration, tables []driver.Table) (points [][]said) {
	l.bench.Monitors = []catalog.Monitor{{Identity: catalog.Identity{ID: "KEY"}, Kind: catalog.MonitorOperator}}
	tap := &wiretap{takes: takes}
	l.connect, l.slow, l.tables = tap.dial(l), true, tables
	var ends []int
	done := 0
	l.progress = func(s engine.Status) {
		tap.phase.Store(s.Phase)
		if s.Done != done {
			done = s.Done
			tap.mu.Lock()
			ends = append(ends, len(tap.said))
			tap.mu.Unlock()
		}
	}
	if o := l.do(wirePlan); o.err != nil || o.Verdict != event.Done {
		l.t.Fatalf("the sweep: %s, %q, %v", o.Verdict, o.Why, o.err)
	}
	tap.mu.Lock()
	defer tap.mu.Unlock()
	for i := 1; i < len(ends); i++ {
		points = append(points, tap.said[ends[i-1]:ends[i]])
	}
	return points
}

// beyondTheWatch leaves out what safety's watch asks: the interlock, whether source and amplifier are as they were
// left, and whatever is read while RF dwells. What a source answers after it was told something is its read-back.
func beyondTheWatch(messages []said) (out []said) {
	told := map[string]bool{}
	for _, m := range messages {
		asksOnly := !slices.ContainsFunc(strings.Split(m.text, ";"), func(u string) bool {
			return !strings.Contains(u, "?")
		})
		told[m.to+m.phase] = told[m.to+m.phase] || !asksOnly
		switch {
		case m.to == "interlock", m.phase == "exposing" && m.to != "source", !told[m.to+m.phase] && m.to == "amplifier",
			!told[m.to+m.phase] && m.to == "source":
		default:
			out = append(out, m)
		}
	}
	return out
}

// forTheRise parts what goes beyond the watch: what the closed loop could not do without (it comes up, is read, set to
// the level, read, modulated and left), and what is there only so that nothing gets louder than was meant: every stop
// between the first reading and the level with what is read there, and forward power where the meter is asked alone.
func forTheRise(messages []said) (loop, rise []said) {
	messages = beyondTheWatch(messages)
	var set, read []said
	for _, m := range messages {
		switch {
		case m.to == "source" && strings.Contains(m.text, "VOLT "):
			set = append(set, m)
		case m.to == "analyser":
			read = append(read, m)
		}
	}
	for _, m := range messages {
		beside := slices.ContainsFunc(read, func(r said) bool {
			return r.from.Before(m.until) && m.from.Before(r.until)
		})
		if stop := len(set) > 4 && !m.from.Before(set[1].from) && m.from.Before(set[len(set)-3].from); stop ||
			m.to == "powermeter" && !beside {
			rise = append(rise, m)
		} else {
			loop = append(loop, m)
		}
	}
	return loop, rise
}

// oneByOne are the built-in tables for instruments that take one setting in a message.
func oneByOne(joined bool) []driver.Table {
	tables := driver.BuiltIn()
	for i := range tables {
		tables[i].OneCommandALine, tables[i].JoinedQuestions = true, joined
	}
	return tables
}

// between returns the messages to an instrument that were begun and answered in a time.
func between(messages []said, to string, from, until time.Time) (out []said) {
	for _, m := range messages {
		if m.to == to && !m.from.Before(from) && !m.until.After(until) {
			out = append(out, m)
		}
	}
	return out
}

// What is asked of different instruments goes at the same time; what a rise rests on is still asked before it.
func TestAPointAsksAtTheSameTimeWhatDoesNotDependOnItsOrder(t *testing.T) {
	for _, c := range []struct {
		name       string
		tables     []driver.Table
		loop, rise int // at most so many messages in sequence, beside safety's watch
	}{{"whole messages", nil, 6, 3}, {"joined questions", oneByOne(true), 17, 6}} {
		inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
			points := onTheWire(l, 10*time.Millisecond, c.tables)
			if len(points) < 10 {
				t.Fatalf("%s: %d points", c.name, len(points))
			}
			for i, messages := range points {
				loop, rise := forTheRise(messages)
				if l, r := inSequence(loop), inSequence(rise); l > c.loop || r > c.rise || r == 0 {
					t.Errorf("%s, point %d: %d messages in sequence, and %d for the rise", c.name, i, l, r)
				}
				if c.tables == nil {
					restsOnReadings(t, i, messages)
				}
			}
		})
	}
}

// restsOnReadings looks at a point that is brought up in three settings, modulated and left.
func restsOnReadings(t *testing.T, point int, messages []said) {
	t.Helper()
	var set []said
	for _, m := range messages {
		if m.to == "source" && strings.Contains(m.text, "VOLT ") {
			set = append(set, m)
		}
	}
	if len(set) != 5 {
		t.Fatalf("point %d: %d settings of the source", point, len(set))
	}
	for i := 1; i < 4; i++ { // the second and third level, and the modulation
		was, now := set[i-1], set[i]
		for to, want := range map[string]int{"analyser": 1, "amplifier": 1, "interlock": 1,
			"powermeter": []int{0, 2, 0, 1}[i]} {
			if n := len(between(messages, to, was.until, now.from)); n < want {
				t.Errorf("point %d: %d answers of the %s between setting %d and the next, want %d", point, n, to, i,
					want)
			}
		}
	}
	if between(messages, "source", set[3].until, set[4].from) == nil ||
		between(messages, "analyser", set[3].until, set[4].from) == nil ||
		between(messages, "powermeter", set[3].until, set[4].from) == nil {
		t.Errorf("point %d: the dwell was not watched", point)
	}
	for _, m := range set {
		if !strings.Contains(m.text, "OUTP?") || !strings.HasSuffix(m.text, "SYST:ERR?") {
			t.Errorf("point %d: not read back: %q", point, m.text)
		}
	}
}

// lagging is a power meter that shows the level before for a while after the source was told another.
type lagging struct {
	driver.PowerMeter
	tap              *wiretap
	forward, reverse rf.Power
}

func (m *lagging) Read(ctx context.Context, f rf.Frequency) (forward, reverse rf.Power, err error) {
	m.tap.mu.Lock()
	lags := false
	for _, s := range m.tap.said {
		lags = lags || s.to == "source" && strings.Contains(s.text, "VOLT ") && time.Since(s.until) < 8*time.Millisecond
	}
	m.tap.mu.Unlock()
	forward, reverse, err = m.PowerMeter.Read(ctx, f)
	if lags && m.forward.Known() {
		return m.forward, m.reverse, err
	}
	m.forward, m.reverse = forward, reverse
	return forward, reverse, err
}

// A reading of the power meter that was made beside the analyser's may still show a level that is gone.
func TestForwardPowerIsNotThatOfALevelThatIsGone(t *testing.T) {
	inLab(t, simbench.Config{Seed: 1}, func(t *testing.T, l *lab) {
		tap := &wiretap{takes: 10 * time.Millisecond}
		l.connect, l.slow = tap.dial(l), true
		l.change = func(c *engine.Config) { c.Rig.PowerMeter = &lagging{PowerMeter: c.Rig.PowerMeter, tap: tap} }
		low, high := bandOf(l.sim, 0)
		f := rf.Frequency(math.Round(math.Sqrt(low * high)))
		o := l.do(strings.Replace(planText(fmt.Sprintf("list: [%.0f Hz]", f.Hz())), "settle: 1 ms", "settle: 0 s", 1))
		read := 0
		for _, s := range o.run.Steps {
			if s.ForwardPredicted || !s.Forward.Exact() {
				continue
			}
			read++
			p, err := l.chain.Predict(f, s.Drive, chain.CrestOf(level.Modulation{}), catalog.OnCable)
			if d, _ := s.Forward.Minus(p.Forward); err != nil || math.Abs(d.DB()) > 0.5 {
				t.Errorf("a drive of %v gives %v by the meter and %v by the budget, %v", s.Drive, s.Forward, p.Forward,
					err)
			}
		}
		if o.err != nil || read < 5 {
			t.Errorf("%d steps with a reading, %v", read, o.err)
		}
	})
}

// BenchmarkMessagesPerPoint counts what goes over the wire for each point of a sweep with instruments that take
// 10 ms for a message: in all, and one after the other those of the loop, those that only guard the rise, both, and all
// with what safety's watch asks. It logs
// each message and how often a point has it.
func BenchmarkMessagesPerPoint(b *testing.B) {
	for _, c := range []struct {
		name   string
		tables []driver.Table
	}{{"whole messages", nil}, {"one command a line", oneByOne(false)}, {"joined questions", oneByOne(true)}} {
		b.Run(c.name, func(b *testing.B) {
			var points [][]said
			for b.Loop() {
				l := bareLab(b, simbench.Config{Seed: 1, Speed: 200})
				l.reload()
				points = append(points, onTheWire(l, 10*time.Millisecond, c.tables)...)
			}
			report(b, points)
		})
	}
}

func report(b *testing.B, points [][]said) {
	var all, watch, sequence, with, inLoop, inRise float64
	often := map[string]int{}
	for _, messages := range points {
		rest := beyondTheWatch(messages)
		loop, rise := forTheRise(messages)
		inLoop, inRise = inLoop+float64(inSequence(loop)), inRise+float64(inSequence(rise))
		all, watch = all+float64(len(messages)), watch+float64(len(messages)-len(rest))
		sequence, with = sequence+float64(inSequence(rest)), with+float64(inSequence(messages))
		for _, m := range messages {
			often[m.what()]++
		}
	}
	n := float64(len(points))
	b.ReportMetric(all/n, "messages/point")
	b.ReportMetric(watch/n, "watch/point")
	b.ReportMetric(sequence/n, "in-sequence/point")
	b.ReportMetric(with/n, "in-sequence-with-watch/point")
	b.ReportMetric(inLoop/n, "loop/point")
	b.ReportMetric(inRise/n, "rise/point")
	for _, what := range slices.Sorted(maps.Keys(often)) {
		b.Logf("%5.2f %s", float64(often[what])/n, what)
	}
}
