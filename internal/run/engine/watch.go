package engine

import (
	"context"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/units/rf"
)

// kept is how many samples a watch remembers: enough for the longest step, bounded for a long run.
const kept = 4096

// OperatorMonitor is what a mark of the operator's stands under among the looks at the DUT.
const OperatorMonitor = "operator"

// watch gathers the samples of all monitors and judges them. Samples come from the monitors'
// goroutines; everything else is called by the run.
type watch struct {
	monitors []dut.Monitor

	mu      sync.Mutex
	judges  map[string]*dut.Judge
	order   []string
	samples []judged
	last    map[string]judged
	started time.Time
	changed chan struct{}
	// asked is when silence was last looked for; listening is from when a monitor's silence counts.
	asked     time.Time
	listening map[string]time.Time
	running   bool
	// missed is what monitors could not see since their last look.
	missed map[string]missed
	// unseen is when a monitor was unable to see last, for a reason of its own.
	unseen time.Time
	// marked are the operator's marks that no step has counted yet.
	marked []judged
	tell   func(judged) // told every sample; nil for nobody
	// resetter brings the DUT back when no monitor can; nil for nothing.
	resetter Resetter
}

// judged is a sample with its own time, that is, less the monitor's latency.
type judged struct {
	dut.Sample
	own time.Time
	bad bool
	why string
}

// shows is the earliest time of which the sample may tell: an answer that came late, because instrument
// or computer were busy, tells of when it was asked for.
func (x judged) shows() time.Time {
	if !x.Asked.IsZero() && x.Asked.Before(x.own) {
		return x.Asked
	}
	return x.own
}

// missed is a time in which a monitor delivered no look at the product.
type missed struct {
	since time.Time
	why   string
	blind bool // all the time for a reason that is the monitor's own
}

func newWatch(monitors []dut.Monitor, specs []catalog.Monitor) *watch {
	w := &watch{monitors: monitors, judges: map[string]*dut.Judge{}, last: map[string]judged{},
		listening: map[string]time.Time{}, missed: map[string]missed{}, changed: make(chan struct{}, 1)}
	for _, m := range monitors {
		for _, s := range specs {
			if s.ID == m.ID() {
				w.judges[s.ID] = &dut.Judge{Monitor: s}
				w.order = append(w.order, s.ID)
			}
		}
	}
	return w
}

func (w *watch) start(ctx context.Context) error {
	w.started, w.running = time.Now(), true
	for _, m := range w.monitors {
		if err := m.Start(besideEngine(ctx), w.deliver); err != nil {
			return fmt.Errorf("start the DUT monitor %s: %w", m.ID(), err)
		}
	}
	return nil
}

func (w *watch) close() {
	for _, m := range w.monitors {
		m.Close()
	}
}

func (w *watch) deliver(s dut.Sample) {
	w.mu.Lock()
	j := w.judges[s.Monitor]
	if j == nil {
		w.mu.Unlock()
		return
	}
	x := judged{Sample: s, own: s.At.Add(-j.Latency())}
	if x.why, x.bad = j.Bad(s); !x.bad && s.Missed != "" {
		w.miss(s)
		w.mu.Unlock()
		x.why = "no look: " + s.Missed
		w.pass(x)
		return
	}
	delete(w.missed, s.Monitor)
	if len(w.samples) >= kept {
		w.samples = append(w.samples[:0], w.samples[kept/2:]...)
	}
	w.samples = append(w.samples, x)
	w.last[s.Monitor] = x
	w.mu.Unlock()
	w.pass(x)
}

// pass tells a sample on and wakes the run.
func (w *watch) pass(x judged) {
	if w.tell != nil {
		w.tell(x)
	}
	select {
	case w.changed <- struct{}{}:
	default:
	}
}

// miss remembers that a monitor could not see. The caller holds the lock.
func (w *watch) miss(s dut.Sample) {
	m, known := w.missed[s.Monitor]
	if !known || s.Blind && !m.blind {
		m = missed{since: s.At, blind: s.Blind}
	}
	m.why, m.blind = s.Missed, s.Blind
	w.missed[s.Monitor] = m
	if s.Blind {
		w.listening[s.Monitor], w.unseen = s.At, s.At
	}
}

// blindFor is how long a monitor may be unable to see, where it has no silence limit, until the run waits for it.
const blindFor = 2 * time.Second

// blind names a monitor that could not see for longer than its silence limit, for a reason of its own.
func (w *watch) blind() (why string, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, id := range w.order {
		limit := blindFor
		if s := w.judges[id].Silence(); s > 0 {
			limit = s
		}
		if m, is := w.missed[id]; is && m.blind && time.Since(m.since) > limit {
			return fmt.Sprintf("%s has not seen the product for %v: %s", id,
				rf.Duration(time.Since(m.since).Round(100*time.Millisecond)), m.why), true
		}
	}
	return "", false
}

// blindUntil is until when a monitor was unable to see; zero where each always saw.
func (w *watch) blindUntil() time.Time {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.unseen
}

// sees reports that no monitor is unable to see.
func (w *watch) sees() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, m := range w.missed {
		if m.blind {
			return false
		}
	}
	return true
}

// mark is the operator's "it upset now", at the time of the key; zero means now. It counts in the step that is
// going on, or else in the next one, whenever in either it was heard.
func (w *watch) mark(at time.Time, text string) {
	if text == "" {
		text = "the operator says it upset"
	}
	if at.IsZero() {
		at = time.Now()
	}
	x := judged{Sample: dut.Sample{At: at, Monitor: OperatorMonitor, Text: text, Error: true}, own: at, bad: true,
		why: text}
	for _, id := range w.order {
		if j := w.judges[id]; j.Monitor.Kind == catalog.MonitorOperator {
			x.Monitor = id
			x.own = at.Add(-j.Latency())
			x.why, _ = j.Bad(x.Sample)
			break
		}
	}
	w.mu.Lock()
	w.samples = append(w.samples, x)
	w.last[x.Monitor] = x
	w.marked = append(w.marked, x)
	w.mu.Unlock()
	w.pass(x)
}

// countedMarks says that a step which upset has counted what was marked until now.
func (w *watch) countedMarks() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.marked = nil
}

// lateMark returns what a mark says that no step has counted.
func (w *watch) lateMark() (text string, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.marked) == 0 {
		return "", false
	}
	return w.marked[0].Text, true
}

// baseline watches for at least d, and until every monitor that gives numbers has given five. It
// fails when the DUT is not well or says nothing.
func (w *watch) baseline(ctx context.Context, d time.Duration) error {
	for _, m := range w.monitors {
		if l, ok := m.(dut.Learner); ok {
			l.Learn()
		}
	}
	began := time.Now()
	for {
		short, err := w.tryBaseline(began)
		if err != nil {
			return fmt.Errorf("take the DUT's baseline: %w", err)
		}
		if short == "" && time.Since(began) >= d {
			return nil
		}
		if short != "" && time.Since(began) > d+30*time.Second {
			w.mu.Lock()
			why := w.because(short)
			w.mu.Unlock()
			return fmt.Errorf("take the DUT's baseline: %s gave too few readings in %v%s; check that the DUT is on "+
				"and the pattern fits its text", short, rf.Duration(time.Since(began).Round(time.Second)), why)
		}
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-w.changed:
		case <-time.After(5 * time.Millisecond):
		}
	}
}

// errShown is an error that the product shows before any RF: perhaps latched from an earlier run.
type errShown struct{ monitor, why, text string }

// Error says what to do.
func (e errShown) Error() string {
	return fmt.Sprintf("%s %s before any RF: bring the product back to normal (reset it), then run again; the line "+
		"read %q", e.monitor, e.why, e.text)
}

// tryBaseline sets the judges' baselines from the samples since a time; short names a monitor that
// has too few.
func (w *watch) tryBaseline(since time.Time) (short string, err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, id := range w.order {
		j := w.judges[id]
		if j.Monitor.Kind == catalog.MonitorOperator {
			continue
		}
		n, sum := 0, 0.0
		var values []float64
		for _, s := range w.samples {
			if s.Monitor != id || s.At.Before(since) {
				continue
			}
			n++
			if s.Error || s.Lost != "" {
				return "", errShown{id, s.why, s.Text}
			}
			if s.HasValue {
				sum += s.Value
				values = append(values, s.Value)
			}
		}
		if n < j.Monitor.BaselineSamples() {
			if short == "" {
				short = id
			}
			if d := time.Since(w.heard(id)); j.Silence() > 0 && d > j.Silence() {
				return "", fmt.Errorf("%s is %s%s before any RF", id, j.SilentFor(d), w.because(id))
			}
			continue
		}
		if len(values) == 0 {
			continue
		}
		j.Baseline, j.HasBaseline = sum/float64(len(values)), true
		for _, v := range values {
			if math.Abs(v-j.Baseline) > j.Monitor.Tolerance {
				return "",
					fmt.Errorf("%s wanders by more than its tolerance of ±%.4g %s before any RF (%.4g round %.4g): "+
						"widen the tolerance or quiet the DUT", id, j.Monitor.Tolerance, j.Monitor.Unit, v, j.Baseline)
			}
		}
	}
	// Judged anew: samples before the baseline had nothing to be compared with.
	for i := range w.samples {
		s := &w.samples[i]
		if j := w.judges[s.Monitor]; j != nil {
			s.why, s.bad = j.Bad(s.Sample)
		}
	}
	return short, nil
}

func (w *watch) latest(id string) time.Time {
	if s, ok := w.last[id]; ok {
		return s.At
	}
	return w.started
}

// heard is from when a monitor's silence counts.
func (w *watch) heard(id string) time.Time {
	return later(w.listening[id], w.latest(id))
}

// firstBad returns the first bad sample whose own time is at or after since. Silence beyond a
// monitor's limit counts as one.
func (w *watch) firstBad(since time.Time) (judged, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.marked) > 0 { // it counts once, whether it came as a step began or as the one before ended
		first := w.marked[0]
		w.marked = nil
		return first, true
	}
	for _, s := range w.samples {
		if s.bad && !s.own.Before(since) {
			return s, true
		}
	}
	return w.silent()
}

// silent names a monitor that has said nothing for longer than its limit.
//
// A silence is the product's only while somebody listened: when this process was stopped, or the
// computer slept, what was said then waits to be read. So a silence counts from when the watch was
// asked again after a gap of half the limit or more.
func (w *watch) silent() (judged, bool) {
	now := time.Now()
	gap := now.Sub(w.asked)
	w.asked = now
	for _, id := range w.order {
		j := w.judges[id]
		if j.Silence() == 0 || j.Monitor.Kind == catalog.MonitorOperator {
			continue
		}
		if gap > j.Silence()/2 {
			w.listening[id] = now
		}
		if d := now.Sub(w.heard(id)); d > j.Silence() {
			return judged{Sample: dut.Sample{At: now, Monitor: id}, own: now, bad: true,
				why: j.SilentFor(d) + w.because(id)}, true
		}
	}
	return judged{}, false
}

// because says why a monitor is silent where it said so. The caller holds the lock.
func (w *watch) because(id string) string {
	if m, ok := w.missed[id]; ok {
		return ": " + m.why
	}
	return ""
}

// looked reports that every monitor has a sample that tells of a time at or after since; a monitor of
// the operator's key needs none.
func (w *watch) looked(since time.Time) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, id := range w.order {
		if w.judges[id].Monitor.Kind == catalog.MonitorOperator {
			continue
		}
		if s, ok := w.last[id]; !ok || s.shows().Before(since) {
			return false
		}
	}
	return true
}

// lookFrom has the monitors that ask once a period ask as soon as they can tell of a time from end on, in place of when
// their period is over. What it returns takes that back.
func (w *watch) lookFrom(end time.Time) (done func()) {
	var timers []*time.Timer
	for _, m := range w.monitors {
		if l, ok := m.(dut.Looker); ok {
			late := w.judges[m.ID()].Monitor.Latency.Std()
			timers = append(timers, time.AfterFunc(time.Until(end.Add(late)), l.Look))
		}
	}
	return func() {
		for _, t := range timers {
			t.Stop()
		}
	}
}

// well reports that since the given time every monitor gave at least n samples, the last n of
// them good, and none is silent; first is the own time of the earliest of the good ones.
func (w *watch) well(since time.Time, n int) (first time.Time, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if _, silent := w.silent(); silent {
		return time.Time{}, false
	}
	for _, id := range w.order {
		if w.judges[id].Monitor.Kind == catalog.MonitorOperator {
			continue
		}
		good := 0
		var since1 time.Time
		for i := len(w.samples) - 1; i >= 0; i-- {
			s := w.samples[i]
			if s.Monitor != id {
				continue
			}
			if s.own.Before(since) || s.bad {
				break
			}
			good++
			since1 = s.own
		}
		if good < n {
			return time.Time{}, false
		}
		if since1.After(first) {
			first = since1
		}
	}
	return first, true
}

// period returns the longest mean time between samples of any monitor over its last few.
func (w *watch) period() time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	longest := time.Duration(0)
	for _, id := range w.order {
		var newest, oldest time.Time
		n := 0
		for i := len(w.samples) - 1; i >= 0 && n < 10; i-- {
			if s := w.samples[i]; s.Monitor == id {
				if n == 0 {
					newest = s.At
				}
				oldest = s.At
				n++
			}
		}
		if n > 1 {
			longest = max(longest, newest.Sub(oldest)/time.Duration(n-1))
		}
	}
	return longest
}

// latency returns the longest latency of any monitor.
func (w *watch) latency() time.Duration {
	longest := time.Duration(0)
	for _, j := range w.judges {
		longest = max(longest, j.Latency())
	}
	return longest
}

// readings returns the samples since a time as they are journalled, timed from the moment on, at most
// limit of them: where there are more they are thinned.
func (w *watch) readings(from, on time.Time, rfOn func(time.Time) bool, limit int) []event.Reading {
	w.mu.Lock()
	defer w.mu.Unlock()
	var in []judged
	for _, s := range w.samples {
		if !s.own.Before(from) {
			in = append(in, s)
		}
	}
	every := 1 + len(in)/limit
	var out []event.Reading
	for i, s := range in {
		if every > 1 && i%every != 0 && i != len(in)-1 {
			continue
		}
		text := s.Text
		if s.HasValue {
			text = ""
		}
		out = append(out, event.Reading{
			Monitor: s.Monitor, After: rf.Duration(s.own.Sub(on).Round(100 * time.Microsecond)),
			Text:  strings.TrimSpace(text),
			Value: s.Value, HasValue: s.HasValue, Bad: s.bad, Why: s.why, RFOn: rfOn(s.own),
		})
	}
	return out
}

// baselines returns what the judges compare with, for the journal.
func (w *watch) baselines() []event.Monitor {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []event.Monitor
	for _, id := range w.order {
		j := w.judges[id]
		out = append(out, event.Monitor{ID: id, Kind: string(j.Monitor.Kind), Unit: j.Monitor.Unit,
			Tolerance: j.Monitor.Tolerance,
			Latency:   j.Monitor.Latency, Baseline: j.Baseline, HasBaseline: j.HasBaseline})
	}
	return out
}

// reset sends the DUT its reset by every monitor that can.
func (w *watch) reset(ctx context.Context) error {
	err := error(dut.ErrNoReset)
	for _, m := range w.monitors {
		if e := m.Reset(ctx); e == nil {
			return nil
		} else if err == error(dut.ErrNoReset) {
			err = e
		}
	}
	if w.resetter != nil {
		return w.resetter.Reset(ctx)
	}
	return err
}
