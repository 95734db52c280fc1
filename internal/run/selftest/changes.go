package selftest

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/model/level"
	"provoke/internal/run/engine"
)

// usual is the modulation of the runs in which conversations go wrong.
const usual = "AM 80 % 1 kHz carrier held"

// changedDwell is the dwell of a run in which something is changed.
const changedDwell = time.Second

// OverRatingFor is how long a rating may be exceeded after somebody changed something behind the program's
// back: two readings in a dwell, or the time between two looks while the run waits, and the way off.
const OverRatingFor = time.Second

// offWindow is how far in dB the current on the cable may lie off what a step recorded: what the engine
// allows in a dwell.
const offWindow = 3.0

// Change is something changed behind the program's back, at a moment of a run.
type Change struct {
	Manner     string        // as for simulate --fault, without after and delay
	Phase      string        // of the run, as the engine tells it
	After      time.Duration // from the beginning of that phase
	Modulation string
	PowerMeter bool
}

// Manners, Phases and Modulations span the campaign of changes.
var (
	Manners = []string{
		"touched@source:set=level+12", "touched@source:set=level+4", "touched@source:set=level-20",
		"touched@source:set=level-4",
		"touched@source:set=level+12:for=300ms", "touched@source:set=level-20:for=300ms", "touched@source:set=level+40",
		"touched@source:set=frequency", "touched@source:set=on", "touched@source:set=off",
		"touched@source:set=off:for=300ms",
		"touched@source:set=am", "touched@source:set=cw", "touched@source:set=depth", "touched@source:set=pulse",
		"touched@amplifier:set=standby", "touched@amplifier:set=standby:for=300ms", "touched@amplifier:set=gain+10",
		"touched@amplifier:set=gain-10",
		"folds-back@amplifier:set=-10", "drifts@amplifier:set=-10", "drifts@amplifier:set=+10", "untrue@source:set=+12",
		"untrue@source:set=-12",
		"quantised@source", "touched@analyser:set=centre", "touched@analyser:set=reference-20",
		"touched@analyser:set=continuous",
	}
	Phases = []string{"first light", "levelling", "modulating", "exposing",
		"upset: waiting for the product to recover"}
	Modulations = []string{"CW", usual, "AM 80 % 1 kHz peak held", "pulse 217 Hz 12.5 % carrier held"}
	moments     = []time.Duration{0, 20 * time.Millisecond, 450 * time.Millisecond, 900 * time.Millisecond}
)

// Changes lists the whole campaign.
func Changes() []Change {
	var out []Change
	for _, manner := range Manners {
		for _, phase := range Phases {
			for _, modulation := range Modulations {
				if phase == "modulating" && modulation == "CW" {
					continue
				}
				for _, after := range moments {
					for _, meter := range []bool{true, false} {
						out = append(out, Change{manner, phase, after, modulation, meter})
					}
				}
			}
		}
	}
	return out
}

// ChangeOutcome is what a change came to.
type ChangeOutcome struct {
	Verdict  event.Verdict
	Err      error
	Happened bool // the run came to the phase
	Breaches []string
	// Off is the longest that the cable was off the current of a step that counts, Allowed for how long it
	// might be. Over is the longest that a rating was exceeded.
	Off, Allowed, Over time.Duration
	// Seen is how long after the change the run had its cause recorded; 0 where it went on.
	Seen time.Duration
}

// Do does the run and looks at the plant.
func (c Change) Do(ctx context.Context) (o ChangeOutcome) {
	breach := func(format string, args ...any) { o.Breaches = append(o.Breaches, fmt.Sprintf(format, args...)) }
	l := &lane{sim: simbench.New(simbench.Config{Seed: seed, KeepHistory: true}), lines: map[string]int{},
		journal: &memory{}}
	defer l.sim.Close()
	f, err := simbench.ParseFault(c.Manner)
	if err != nil {
		breach("%v", err)
		return o
	}
	f.Delay = c.After
	l.began = time.Now()
	var dwells []time.Duration // when each began, since the start
	var changed time.Time
	res := l.perform(ctx, planText(c.Modulation, changedDwell.String(), "1 s", 1), func(config *engine.Config) {
		if !c.PowerMeter {
			config.Rig.PowerMeter = nil
		}
		phase := ""
		config.Progress = func(s engine.Status) {
			if s.Phase == "exposing" && phase != s.Phase {
				dwells = append(dwells, time.Since(l.began))
			}
			phase = s.Phase
			if phase == c.Phase && !o.Happened && (s.Done > 0 || phase == "first light") {
				o.Happened, changed = true, time.Now().Add(c.After)
				if err := l.sim.Inject(f.Instrument, f); err != nil {
					breach("%v", err)
				}
			}
		}
	})
	o.Verdict, o.Err = res.Verdict, res.Err
	if l.sim.State().On && o.Verdict != event.RFNotKnownOff {
		breach("RF is on after the run, which ended %q", o.Verdict)
	}
	for _, a := range l.sim.Abuses() {
		o.Over = max(o.Over, a.Lasted)
		if a.Lasted > OverRatingFor {
			breach("a rating was exceeded for %v: %v", a.Lasted, a)
		}
	}
	c.checkSteps(l, dwells, changed, &o, breach)
	return o
}

// checkSteps holds every step that counts as well against the record of the plant.
func (c Change) checkSteps(l *lane, dwells []time.Duration, changed time.Time, o *ChangeOutcome,
	breach func(string, ...any)) {
	mod, err := level.ParseModulation(c.Modulation)
	if err != nil {
		breach("%v", err)
		return
	}
	o.Allowed = changedDwell / 10
	history := l.sim.History()
	n := 0
	for _, r := range l.journal.records {
		switch e := r.Event.(type) {
		case event.Armed:
			o.Allowed = max(o.Allowed, 2*e.ReadEvery.Std())
		case event.Tripped:
			if !changed.IsZero() && o.Seen == 0 {
				o.Seen = max(0, r.At.Sub(changed))
			}
		case event.StepClosed:
			if e.Outcome.Skipped {
				continue // nothing dwelt
			}
			if n >= len(dwells) {
				breach("step %d closed without a dwell", e.Step.Number)
				return
			}
			began := dwells[n]
			n++
			if e.Outcome.Upset || e.Outcome.NotReached || !e.Current.Exact() {
				continue
			}
			want := e.Current.Add(mod.CarrierOverLevel()).In()
			off := longestOff(history, began, began+e.OnFor.Std(), e.Step.Point.Frequency.Hz(), want, mod)
			if o.Off = max(o.Off, off); off > o.Allowed {
				breach("step %d at %v counts as well with %v, and the cable was off that for %v of the dwell",
					e.Step.Number, e.Step.Point.Frequency, e.Current, off)
			}
		}
	}
}

// longestOff is the longest time within a span in which the carrier on the cable was not what it had to be, in
// dBµA at a frequency in Hz, with its modulation.
func longestOff(history []simbench.Sample, from, to time.Duration, hz, want float64,
	mod level.Modulation) (longest time.Duration) {
	var since time.Duration = -1
	for i, s := range history {
		end := to
		if i+1 < len(history) {
			end = min(to, history[i+1].At)
		}
		begin := max(from, s.At)
		if end <= begin {
			continue
		}
		modulated := math.Abs(s.Modulation.AMDepth-float64(mod.Depth)) < 0.01 &&
			math.Abs(s.Modulation.PulseDuty-float64(mod.Duty)) < 0.01
		good := s.On && modulated && math.Abs(s.Frequency-hz) < 2 &&
			math.Abs(20*math.Log10(s.Carrier/1e-6)-want) <= offWindow
		if good {
			since = -1
			continue
		}
		if since < 0 {
			since = begin
		}
		longest = max(longest, end-since)
	}
	return longest
}

// ChangesResult sums changes up.
type ChangesResult struct {
	Cases, Happened int
	Verdicts        map[event.Verdict]int
	Off, Over, Seen time.Duration
	Longest         string // the change of Off
	Breaches        []string
}

// Add takes an outcome in.
func (s *ChangesResult) Add(c Change, o ChangeOutcome) {
	if s.Verdicts == nil {
		s.Verdicts = map[event.Verdict]int{}
	}
	s.Cases++
	if o.Happened {
		s.Happened++
	}
	s.Verdicts[o.Verdict.Kind()]++
	if o.Off > s.Off {
		s.Off, s.Longest = o.Off, fmt.Sprintf("%+v", c)
	}
	s.Over, s.Seen = max(s.Over, o.Over), max(s.Seen, o.Seen)
	for _, b := range o.Breaches {
		s.Breaches = append(s.Breaches, fmt.Sprintf("%+v: %s", c, b))
	}
}

// TryChanges does changes in real time, several at a time since they mostly wait.
func TryChanges(ctx context.Context, changes []Change, tell func(done int)) (out ChangesResult, err error) {
	const lanes = 16
	var mu sync.Mutex
	var wg sync.WaitGroup
	for lane := range lanes {
		wg.Go(func() {
			for i := lane; i < len(changes) && ctx.Err() == nil; i += lanes {
				o := changes[i].Do(ctx)
				mu.Lock()
				out.Add(changes[i], o)
				tell(out.Cases)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return out, ctx.Err()
}

// DrawChanges draws so many of the campaign.
func DrawChanges(n int, seed uint64) []Change {
	all := Changes()
	r := rand.New(rand.NewPCG(seed, 2))
	r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all[:min(n, len(all))]
}
