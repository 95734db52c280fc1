package selftest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
)

// Kinds are the faults of a conversation that the tests try at every message.
var Kinds = []simbench.FaultKind{simbench.FaultAbsent, simbench.FaultDeaf, simbench.FaultSilent, simbench.FaultLate,
	simbench.FaultActsNoAnswer, simbench.FaultActsLate, simbench.FaultError, simbench.FaultGarbage,
	simbench.FaultCloses,
	simbench.FaultReboots, simbench.FaultOverrange}

// Further are faults of a conversation that the tests try at every message in their long version only.
var Further = []simbench.FaultKind{simbench.FaultHalf, simbench.FaultTorn, simbench.FaultTwice, simbench.FaultOverflow,
	simbench.FaultEmpty, simbench.FaultFirstOnly, simbench.FaultReversed, simbench.FaultErrorWithin,
	simbench.FaultUnplugged}

// All are Kinds and Further.
func All() []simbench.FaultKind { return slices.Concat(Kinds, Further) }

// Instruments are the faces of the bench that a run talks to.
var Instruments = []string{"source", "amplifier", "analyser", "powermeter", "interlock", "meter", "dut"}

// speed of the simulated bench under a fault: the fake clock of a test costs nothing, a real one
// must not make the product's own times shorter than what a machine jitters by.
const speed = 20

// Case is one run with faults, done in this process.
type Case struct {
	Faults []simbench.Fault
	// Long makes the run longer.
	Long bool
	// Wait is how long RF is watched after the run's end, in which whatever is on its way arrives.
	Wait time.Duration
}

// Outcome is what a case came to.
type Outcome struct {
	Verdict  event.Verdict // empty when the bench was not even opened
	Err      error
	Breaches []string // what must not happen; empty when all is well
	// OnAfter is how long RF was still on after the cause was recorded.
	OnAfter time.Duration
	Took    time.Duration
	// Messages counts the messages to each instrument; from the product, its lines.
	Messages map[string]int
	// Points are the thresholds found.
	Points []plan.Threshold
	Kinds  []string // of the journal's records, in order
}

// Do does the run and looks at the plant, the journal and the readings.
func (c Case) Do(ctx context.Context) Outcome {
	l := &lane{sim: simbench.New(simbench.Config{Seed: seed, Speed: speed, KeepHistory: true}), lines: map[string]int{},
		journal: &memory{}}
	defer l.sim.Close()
	for _, f := range c.Faults {
		if err := l.sim.Inject(f.Instrument, f); err != nil {
			return Outcome{Err: err, Breaches: []string{err.Error()}}
		}
	}
	more := 0
	if c.Long {
		more = 2
	}
	l.began = time.Now()
	o := l.run(ctx, more)
	o.Took = time.Since(l.began)
	l.checkPlant(c, &o)
	l.checkJournal(&o)
	o.Messages, o.Kinds = l.lines, l.journal.kinds()
	return o
}

// lane is a simulated bench with everything above it.
type lane struct {
	sim     *simbench.Bench
	journal *memory
	began   time.Time

	mu    sync.Mutex
	lines map[string]int
}

// bench is the bench file of every case, read once.
var bench = sync.OnceValues(func() (*catalog.Bench, error) {
	sim := simbench.New(simbench.Config{Seed: seed, Speed: speed})
	defer sim.Close()
	b, list := catalog.Parse("bench.yaml", sim.BenchFile(),
		func(string) ([]byte, error) { return nil, errors.New("no files") })
	return b, list.Err()
})

func (l *lane) run(ctx context.Context, more int) Outcome {
	return l.perform(ctx, planText(usual, "20 ms", "1 s", more), func(*engine.Config) {})
}

// perform does a run of a plan text; change has the last word on it.
func (l *lane) perform(ctx context.Context, text string, change func(*engine.Config)) (o Outcome) {
	b, err := bench()
	if err != nil {
		return Outcome{Err: err, Breaches: []string{err.Error()}}
	}
	c := chain.New(b)
	p, list := plan.Parse("plan.yaml", []byte(text), nil)
	if err := list.Err(); err != nil {
		return Outcome{Err: err, Breaches: []string{err.Error()}}
	}
	points, err := plan.Points(p, c, nil)
	if err != nil {
		return Outcome{Err: err, Breaches: []string{err.Error()}}
	}
	program, err := plan.NewProgram(p, points)
	if err != nil {
		return Outcome{Err: err, Breaches: []string{err.Error()}}
	}
	rig, err := driver.OpenBench(ctx, b, driver.Options{Dial: l.dial, Timeout: 500 * time.Millisecond})
	if err != nil {
		return Outcome{Err: err}
	}
	defer rig.Close()
	monitors, err := l.monitors(b, rig)
	if err != nil {
		return Outcome{Err: err, Breaches: []string{err.Error()}}
	}
	l.journal.Append(time.Now(), event.Opened{Version: event.Version, RunKind: p.Kind, Mode: p.Mode,
		Fixture:    string(p.Fixture),
		Modulation: p.Modulation, Resolution: p.Search.Resolution, Range: p.Search.Range, Points: len(p.Grid)})
	config := engine.Config{Plan: p, Chain: c, Rig: rig, Monitors: monitors, Journal: l.journal, Run: 1, Points: points,
		Program: program}
	change(&config)
	res, err := engine.Run(ctx, config)
	return Outcome{Verdict: res.Verdict, Err: err, Points: program.Thresholds()}
}

func (l *lane) monitors(b *catalog.Bench, rig *driver.Rig) ([]dut.Monitor, error) {
	var out []dut.Monitor
	for _, m := range b.Monitors {
		o := dut.Options{Dial: l.dial}
		if m.Kind == catalog.MonitorMeter {
			o.Meter = rig.Meters[m.ID]
		}
		made, err := dut.New(m, o)
		if err != nil {
			return nil, err
		}
		out = append(out, made)
	}
	return out, nil
}

// checkPlant looks at what RF there really was.
func (l *lane) checkPlant(c Case, o *Outcome) {
	breach := func(format string, args ...any) { o.Breaches = append(o.Breaches, fmt.Sprintf(format, args...)) }
	off := func(when string) {
		if l.sim.State().On && o.Verdict != event.RFNotKnownOff {
			breach("RF is on %s, which ended %q (%v)", when, o.Verdict, o.Err)
		}
	}
	for _, a := range l.sim.Abuses() {
		breach("a rating was exceeded: %v", a)
	}
	off("after the run")
	time.Sleep(c.Wait)
	off("some time after the run")
	if h := aboveLevel(l.sim); h > 0.5 {
		breach("the product saw %.2f dB more than the plan asks for", h)
	}
	mayDoubt := func(f simbench.Fault) bool {
		return f.Instrument == "source" || f.Instrument == "amplifier" || f.Instrument == "analyser" &&
			f.Kind == simbench.FaultOverrange
	}
	if o.Verdict == event.RFNotKnownOff && !slices.ContainsFunc(c.Faults, mayDoubt) {
		breach("RF in doubt although neither source nor amplifier failed, nor a meter said overload: %v", o.Err)
	}
	if o.Took > 2*time.Minute {
		breach("the run took %v", o.Took)
	}
	if o.Verdict == "" && o.Err == nil {
		breach("no run and no error")
	}
}

// aboveLevel is how far the highest current on the product's cable was above the level of the plan, in dB:
// 3 V e.m.f. in a loop of 300 Ω.
func aboveLevel(sim *simbench.Bench) float64 {
	return 20 * math.Log10(sim.HighestCurrent().CableCarrier/0.01)
}

// checkJournal looks at whether the journal is whole, says the cause first, and holds no reading that
// was not true.
func (l *lane) checkJournal(o *Outcome) {
	records := l.journal.records
	if len(records) == 0 || o.Verdict == "" {
		return
	}
	breach := func(format string, args ...any) {
		o.Breaches = append(o.Breaches, fmt.Sprintf(format, args...)+fmt.Sprintf(": %v", l.journal.kinds()))
	}
	last, ok := records[len(records)-1].Event.(event.Closed)
	if !ok || last.Verdict != o.Verdict || last.Count != int64(len(records)-1) {
		breach("the journal's end is not the run's, %q", o.Verdict)
	}
	var run result.Run
	var cause time.Time
	safed, told := false, false
	for _, r := range records {
		run.Apply(r)
		switch e := r.Event.(type) {
		case event.Stopping, event.Tripped:
			if safed {
				breach("the cause is recorded after the silencing")
			}
			if cause.IsZero() {
				cause = r.At
			}
		case event.Safed:
			safed = true
			told = e.Cause != "" && e.How != ""
			if e.Quiet == (o.Verdict == event.RFNotKnownOff) {
				breach("safed says quiet %v, the verdict is %q", e.Quiet, o.Verdict)
			}
		case event.StepClosed:
			if d := l.offBy(e); d > 0.5 {
				breach("step %d recorded %v, %.2f dB from anything that was on the cable", e.Step.Number, e.Current, d)
			}
		}
	}
	if !safed {
		breach("nothing says what was read back at the end")
	}
	if run.Verdict != o.Verdict {
		breach("the fold of the journal says %q", run.Verdict)
	}
	switch o.Verdict {
	case event.Done, event.DoneUpset, event.Incomplete:
	case event.RFNotKnownOff:
		if cause.IsZero() && !told { // the plan was done, and it was the silencing that failed
			breach("ended %q, and nothing says why", o.Verdict)
		}
	default:
		if cause.IsZero() {
			breach("ended %q without a recorded cause", o.Verdict)
		} else {
			o.OnAfter = l.onAfter(cause.Sub(l.began))
		}
	}
}

// onAfter returns how long after a moment the generator's output was still on.
func (l *lane) onAfter(moment time.Duration) time.Duration {
	var last time.Duration
	on := false
	for _, s := range l.sim.History() {
		if on && !s.On {
			last = time.Duration(float64(s.At) / speed)
		}
		on = s.On
	}
	return max(0, last-moment)
}

// offBy is how far the current that a step recorded is from anything that was on the cable at that
// frequency, in dB. A late reply that was taken for the answer to another question is far off.
func (l *lane) offBy(e event.StepClosed) float64 {
	if !e.Current.Exact() {
		return 0
	}
	nearest := math.Inf(1)
	for _, s := range l.sim.History() {
		if s.On && math.Abs(s.Frequency-e.Step.Point.Frequency.Hz()) < 2 {
			nearest = min(nearest, math.Abs(20*math.Log10(s.Carrier/1e-6)-e.Current.In()))
		}
	}
	return nearest
}

// dial connects to a face and counts what is said.
func (l *lane) dial(ctx context.Context, address string) (io.ReadWriteCloser, error) {
	c, err := l.sim.Dial(ctx, address)
	if err != nil {
		return nil, err
	}
	for _, name := range Instruments {
		if l.sim.Address(name) == address {
			return &counted{c, l, name}, nil
		}
	}
	return c, nil
}

type counted struct {
	io.ReadWriteCloser
	lane *lane
	name string
}

func (c *counted) Read(b []byte) (int, error) {
	n, err := c.ReadWriteCloser.Read(b)
	if c.name == "dut" {
		c.count(b[:n])
	}
	return n, err
}

func (c *counted) Write(b []byte) (int, error) {
	if c.name != "dut" {
		c.count(b)
	}
	return c.ReadWriteCloser.Write(b)
}

func (c *counted) count(b []byte) {
	c.lane.mu.Lock()
	defer c.lane.mu.Unlock()
	c.lane.lines[c.name] += bytes.Count(b, []byte("\n"))
}

// memory is a journal in memory.
type memory struct {
	mu      sync.Mutex
	records []event.Record
	closed  bool
}

// Append keeps events after a trip through their form on disk.
func (m *memory) Append(at time.Time, events ...event.Event) ([]event.Record, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.append(at, events)
}

func (m *memory) append(at time.Time, events []event.Event) ([]event.Record, error) {
	var out []event.Record
	for _, e := range events {
		if m.closed {
			return nil, fmt.Errorf("%s after the closing record", e.Kind())
		}
		kind, body, err := event.Marshal(e)
		if err != nil {
			return nil, err
		}
		back, err := event.Unmarshal(kind, body)
		if err != nil {
			return nil, fmt.Errorf("%s does not read back: %w", kind, err)
		}
		r := event.Record{Run: 1, Seq: int64(len(m.records) + 1), At: at, Event: back}
		m.records = append(m.records, r)
		out = append(out, r)
	}
	return out, nil
}

// Close appends the closing record.
func (m *memory) Close(at time.Time, v event.Verdict, why string) (event.Record, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	r, err := m.append(at, []event.Event{event.Closed{Verdict: v, Why: why, Count: int64(len(m.records))}})
	m.closed = true
	if err != nil {
		return event.Record{}, err
	}
	return r[0], nil
}

func (m *memory) kinds() []string {
	var out []string
	for _, r := range m.records {
		out = append(out, r.Event.Kind())
	}
	return out
}

// Draw draws a fault at one of the messages that an undisturbed run has.
func Draw(r *rand.Rand, messages map[string]int) simbench.Fault {
	i, all := Instruments[r.IntN(len(Instruments))], All()
	return simbench.Fault{Instrument: i, Kind: all[r.IntN(len(all))], After: r.IntN(messages[i]), Times: r.IntN(3)}
}
