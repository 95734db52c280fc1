package engine_test

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/catalog"
	"provoke/internal/chain"
	"provoke/internal/driver"
	"provoke/internal/dut"
	"provoke/internal/event"
	"provoke/internal/simbench"
)

var long = flag.Bool("long", false, "the long version of the fault tests: a longer run, more pairs")

// faultPlan is a short run with everything in it: first light, a point at which the product is well,
// one at which it upsets, with a threshold search, recovery and modulation.
const faultPlan = `provoke: plan 1
name: fault at every step
bench: bench.yaml
kind: exposure
mode: closed loop
level: iec-61000-4-6/level-2
grid:
  - list: [%s]
modulation: AM 80 %% 1 kHz carrier held
dwell: 20 ms
settle: 1 ms
recover_within: 200 ms
levelling: {above_budget: 20 dB, forward_ceiling: 20 dB}
search: {resolution: 2 dB, range: 8 dB, approach: 6 dB, confirm: 0}
dead_man: 1 s
`

// faultKinds are the faults of a conversation.
var faultKinds = []simbench.FaultKind{simbench.FaultAbsent, simbench.FaultDeaf, simbench.FaultSilent, simbench.FaultLate,
	simbench.FaultActsNoAnswer, simbench.FaultActsLate, simbench.FaultError, simbench.FaultGarbage, simbench.FaultCloses,
	simbench.FaultReboots, simbench.FaultOverrange}

// faulted are the faces of the bench that a run talks to.
var faulted = []string{"source", "amplifier", "analyser", "powermeter", "interlock", "meter", "dut"}

// faultLab is a lab whose conversation is counted.
type faultLab struct {
	*lab
	mu    sync.Mutex
	lines map[string]int // messages to each instrument; from the product, its lines
}

// benchOfFaults is the bench file of every case, read once.
var benchOfFaults = sync.OnceValue(func() *catalog.Bench {
	sim := simbench.New(simbench.Config{Seed: faultSeed, Speed: 20})
	defer sim.Close()
	b, _ := catalog.Parse("bench.yaml", sim.BenchFile(), func(string) ([]byte, error) { return nil, errors.New("no files") })
	return b
})

// faultSeed is the seed of the bench of every case.
const faultSeed = 1

func newFaultLab(t testing.TB) *faultLab {
	l := &faultLab{lab: bareLab(t, simbench.Config{Seed: faultSeed, Speed: 20, KeepHistory: true}), lines: map[string]int{}}
	l.bench = benchOfFaults()
	l.chain = chain.New(l.bench)
	l.lab.connect = l.dialCounted
	l.watching = func(rig *driver.Rig) []dut.Monitor {
		var out []dut.Monitor
		for _, m := range l.bench.Monitors {
			o := dut.Options{Dial: l.dialCounted}
			if m.Kind == catalog.MonitorMeter {
				o.Meter = rig.Meters[m.ID]
			}
			made, err := dut.New(m, o)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, made)
		}
		return out
	}
	return l
}

func (l *faultLab) dialCounted(ctx context.Context, address string) (io.ReadWriteCloser, error) {
	c, err := l.sim.Dial(ctx, address)
	if err != nil {
		return nil, err
	}
	for _, name := range faulted {
		if l.sim.Address(name) == address {
			return &counted{c, l, name}, nil
		}
	}
	return c, nil
}

type counted struct {
	io.ReadWriteCloser
	lab  *faultLab
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
	c.lab.mu.Lock()
	c.lab.lines[c.name] += bytes.Count(b, []byte("\n"))
	c.lab.mu.Unlock()
}

// faultTally sums up what the cases came to.
type faultTally struct {
	mu       sync.Mutex
	cases    int
	verdicts map[event.Verdict]int
	unopened int
	slowest  time.Duration // from the recorded cause to RF off
	slowCase string
}

// faultCase does the run with faults and checks the plant, the journal and the readings.
func faultCase(t *testing.T, tally *faultTally, text string, faults ...simbench.Fault) {
	t.Helper()
	name := fmt.Sprintf("%+v", faults)
	synctest.Test(t, func(t *testing.T) {
		l := newFaultLab(t)
		defer l.sim.Close()
		for _, f := range faults {
			if err := l.sim.Inject(f.Instrument, f); err != nil {
				t.Fatal(err)
			}
		}
		began := time.Now()
		o := l.do(text)
		ended := time.Now()
		l.checkPlant(t, name, o, ended.Sub(began), faults)
		tally.add(name, o, l.checkJournal(t, name, o, began))
	})
}

// checkPlant looks at what RF there really was.
func (l *faultLab) checkPlant(t *testing.T, name string, o outcome, took time.Duration, faults []simbench.Fault) {
	t.Helper()
	if a := l.sim.Abuses(); len(a) > 0 {
		t.Errorf("%s: a rating was exceeded: %v", name, a)
	}
	if h := 20 * math.Log10(l.sim.HighestCurrent().CableCarrier/0.01); h > 0.5 {
		t.Errorf("%s: the product saw %.2f dB more than the plan asks for", name, h)
	}
	if o.Verdict == event.RFNotKnownOff && !slices.ContainsFunc(faults, func(f simbench.Fault) bool {
		return f.Instrument == "source" || f.Instrument == "amplifier" || f.Instrument == "analyser" && f.Kind == simbench.FaultOverrange
	}) {
		t.Errorf("%s: RF in doubt although neither source nor amplifier failed, nor a meter that says overload: %v", name, o.err)
	}
	unopened := len(l.journal.records) == 0
	if l.sim.State().On && o.Verdict != event.RFNotKnownOff {
		t.Errorf("%s: RF is on after the run ended %q (%v)", name, o.Verdict, o.err)
	}
	// Whatever is still on its way arrives within this time.
	time.Sleep(20 * time.Second)
	if l.sim.State().On && o.Verdict != event.RFNotKnownOff {
		t.Errorf("%s: RF came on after the run ended %q (%v)", name, o.Verdict, o.err)
	}
	if unopened && o.err == nil {
		t.Errorf("%s: no journal and no error", name)
	}
	if took > 2*time.Minute {
		t.Errorf("%s: the run took %v", name, took)
	}
}

// checkJournal returns how long RF stayed on after the cause was recorded.
func (l *faultLab) checkJournal(t *testing.T, name string, o outcome, began time.Time) time.Duration {
	t.Helper()
	records := l.journal.records
	if len(records) == 0 || o.Verdict == "" {
		return 0
	}
	closed, ok := records[len(records)-1].Event.(event.Closed)
	if !ok || closed.Verdict != o.Verdict || closed.Count != int64(len(records)-1) {
		t.Errorf("%s: the journal ends with %+v, the run with %q", name, records[len(records)-1].Event, o.Verdict)
	}
	var cause time.Time
	safed := false
	for i, r := range records {
		switch e := r.Event.(type) {
		case event.Stopping, event.Tripped:
			if safed {
				t.Errorf("%s: the cause is recorded after the silencing: %s", name, l.journal.kinds())
			}
			if cause.IsZero() {
				cause = r.At
			}
		case event.Safed:
			safed = true
			if e.Quiet == (o.Verdict == event.RFNotKnownOff) {
				t.Errorf("%s: safed says quiet %v, the verdict is %q", name, e.Quiet, o.Verdict)
			}
		case event.StepClosed:
			l.checkReading(t, name, e)
		case event.Closed:
			if i != len(records)-1 {
				t.Errorf("%s: records after the closing one", name)
			}
		}
	}
	if !safed {
		t.Errorf("%s: no safed: %s", name, l.journal.kinds())
	}
	abnormal := o.Verdict != event.Done && o.Verdict != event.DoneUpset && o.Verdict != event.Incomplete
	if abnormal && cause.IsZero() && !(o.Verdict == event.RFNotKnownOff && o.run.Outcomes() != nil) {
		t.Errorf("%s: ended %q without a recorded cause: %s", name, o.Verdict, l.journal.kinds())
	}
	if cause.IsZero() || o.Verdict == event.RFNotKnownOff {
		return 0
	}
	return l.onAfter(cause.Sub(began))
}

// onAfter returns how long after a moment the generator's output was still on, by the plant's history.
func (l *faultLab) onAfter(moment time.Duration) time.Duration {
	var last time.Duration
	on := false
	for _, s := range l.sim.History() {
		at := time.Duration(float64(s.At) / 20)
		if on && !s.On {
			last = at
		}
		on = s.On
	}
	return max(0, last-moment)
}

// checkReading: what a step recorded as the current was on the cable at that frequency. A late
// reply that was taken for the answer to another question would not have been.
func (l *faultLab) checkReading(t *testing.T, name string, e event.StepClosed) {
	t.Helper()
	if !e.Current.Exact() {
		return
	}
	nearest := math.Inf(1)
	for _, s := range l.sim.History() {
		if s.On && math.Abs(s.Frequency-e.Step.Point.Frequency.Hz()) < 2 {
			nearest = min(nearest, math.Abs(20*math.Log10(s.Carrier/1e-6)-e.Current.In()))
		}
	}
	if nearest > 0.5 {
		t.Errorf("%s: step %d recorded %v at %v, %.2f dB from anything that was on the cable there", name, e.Step.Number, e.Current, e.Step.Point.Frequency, nearest)
	}
}

func (f *faultTally) add(name string, o outcome, on time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.cases++
	if o.Verdict == "" {
		f.unopened++
	} else {
		f.verdicts[o.Verdict]++
	}
	if on > f.slowest {
		f.slowest, f.slowCase = on, name
	}
}

func (f *faultTally) print(t *testing.T, what string) {
	t.Logf("figure: %s: %d cases; refused to open %d, verdicts %v; RF off at the latest %v after the recorded cause (%s)", what, f.cases, f.unopened, f.verdicts, f.slowest, f.slowCase)
}

// faultText is the plan of the fault tests.
func faultText(sim *simbench.Bench) string {
	low, high := bandOf(sim, 0)
	list := fmt.Sprintf("%.0f Hz, %.0f Hz", low*0.8, math.Sqrt(low*high))
	if *long {
		list += fmt.Sprintf(", %.0f Hz, 30 MHz", high*1.02)
	}
	return fmt.Sprintf(faultPlan, list)
}

// undisturbed counts the messages to each instrument in a run without a fault.
func undisturbed(t *testing.T) (text string, messages map[string]int) {
	synctest.Test(t, func(t *testing.T) {
		l := newFaultLab(t)
		defer l.sim.Close()
		text = faultText(l.sim)
		began := time.Now()
		o := l.do(text)
		if o.err != nil || o.Verdict != event.DoneUpset {
			t.Fatalf("undisturbed: %s %s %v", o.Verdict, o.Why, o.err)
		}
		found := false
		for _, th := range o.run.Thresholds() {
			found = found || th.Onset.Exact()
		}
		if !found {
			t.Fatal("undisturbed: no onset was found")
		}
		messages = l.lines
		t.Logf("figure: the undisturbed run takes %v, %d steps, messages %v", time.Since(began), len(o.run.Steps), messages)
	})
	return text, messages
}

// TestAFaultAtEveryMessageOfARun does one short run for every message to every instrument and every
// kind of fault that begins with that message, for good and for that message alone.
func TestAFaultAtEveryMessageOfARun(t *testing.T) {
	benchOfFaults()
	text, messages := undisturbed(t)
	tally := &faultTally{verdicts: map[event.Verdict]int{}}
	t.Run("each", func(t *testing.T) {
		for _, instrument := range faulted {
			for _, kind := range faultKinds {
				for _, times := range []int{0, 1} {
					if times == 1 && (kind == simbench.FaultAbsent || kind == simbench.FaultReboots) {
						continue // they happen once anyway, or for good
					}
					t.Run(fmt.Sprintf("%s@%s/%d", kind, instrument, times), func(t *testing.T) {
						t.Parallel()
						step := 1
						if !*long {
							step = map[string]int{"dut": 7, "meter": 4}[instrument] // every line is like the one before
							step = max(step, 1)
						}
						for n := 0; n < messages[instrument]; n += step {
							faultCase(t, tally, text, simbench.Fault{Kind: kind, Instrument: instrument, After: n, Times: times})
							if t.Failed() {
								return
							}
						}
					})
				}
			}
		}
	})
	tally.print(t, "a fault at every message")
}

// TestPairsOfFaults samples two faults that come together, with a seed.
func TestPairsOfFaults(t *testing.T) {
	benchOfFaults()
	text, messages := undisturbed(t)
	tally := &faultTally{verdicts: map[event.Verdict]int{}}
	n := 150
	if *long {
		n = 5000
	}
	const seed = 6
	r := rand.New(rand.NewPCG(seed, 0))
	draw := func() simbench.Fault {
		i := faulted[r.IntN(len(faulted))]
		return simbench.Fault{Instrument: i, Kind: faultKinds[r.IntN(len(faultKinds))], After: r.IntN(messages[i]), Times: r.IntN(3)}
	}
	pairs := make([][]simbench.Fault, n)
	for i := range pairs {
		pairs[i] = []simbench.Fault{draw(), draw()}
	}
	t.Run("each", func(t *testing.T) {
		const lanes = 4
		for lane := range lanes {
			t.Run(fmt.Sprint(lane), func(t *testing.T) {
				t.Parallel()
				for i := lane; i < n && !t.Failed(); i += lanes {
					faultCase(t, tally, text, pairs[i]...)
				}
			})
		}
	})
	tally.print(t, fmt.Sprintf("pairs of faults, seed %d", seed))
}
