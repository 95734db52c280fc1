package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/model/sweep"
	"provoke/internal/units/rf"
)

// Swept is what a run of a source that sweeps by itself found.
type Swept struct {
	Result
	Passes []sweep.Observed
	Bands  []sweep.Band
}

// Sync brings the times at which a sync line came; nil where no line marks the beginning of a pass.
type Sync <-chan time.Time

// RunSweep lets a source sweep by itself, pass after pass, and watches the DUT and the clock meanwhile:
//
//	quiet the bench, watch the DUT without RF, arm with a named hardware off
//	for every pass:
//	    the operator sets the sweep up, with the output off
//	    the guard clears the level at the worst frequency of the whole span
//	    the operator switches the output on; the carrier waits at the start, where its current is read
//	    the operator starts the sweep; its beginning is marked
//	    watch until its end; each upset is a time, and by the clock a frequency
//	    RF off, by hand
//	put the passes together into bands with limits of error
//
// The run ends as any other; Program and Points of the configuration are not used.
func RunSweep(ctx context.Context, cfg Config, s *plan.FreeSweep, sync Sync) (Swept, error) {
	cfg.Plan, cfg.FreeRunning = s.Plan, true
	ctx, r, done := begin(ctx, cfg)
	defer done()
	f := &freeSweep{run: r, spec: s, sync: sync}
	err := r.survive(func() error { return f.work(ctx) })
	out := Swept{Passes: f.observed}
	if len(f.observed) > 0 {
		out.Bands = sweep.Bands(f.observed, s.LatencyMost)
		if jerr := r.journal(f.bands(out.Bands)); err == nil {
			err = jerr
		}
	}
	out.Result, err = r.end(ctx, err)
	return out, err
}

// freeSweep is a run of a source that sweeps by itself.
type freeSweep struct {
	*run
	spec     *plan.FreeSweep
	sync     Sync
	observed []sweep.Observed
}

func (f *freeSweep) work(ctx context.Context) error {
	if !f.byHand() || f.cfg.Desk == nil {
		return fmt.Errorf("arm: %w: a source that sweeps by itself is set by hand: the bench file says by_hand and "+
			"hardware_off for it", guard.ErrRefused)
	}
	if f.spec.Marked == plan.ByZeroSpan && f.cfg.Rig.Analyser == nil {
		return errors.New("the zero-span edge needs an analyser")
	}
	err := f.ready(ctx)
	if f.stepping = true; err != nil {
		return err
	}
	for i := 0; i < len(f.spec.Passes); {
		f.status.Done, f.status.Known = i, len(f.spec.Passes)
		if err := f.pause(ctx); err != nil {
			return err
		}
		err := f.pass(ctx, i+1, f.spec.Passes[i])
		if errors.Is(err, errHeld) {
			continue // the pass is done again once the hold ends
		}
		if err != nil {
			return err
		}
		i++
	}
	return nil
}

// pass does one pass from setting it up to RF off.
func (f *freeSweep) pass(ctx context.Context, number int, s sweep.Sweep) error {
	if err := f.setUp(ctx, number, s); err != nil {
		return err
	}
	setting := guard.Setting{Frequency: s.From, To: s.To, Level: f.roundDown(f.spec.Plan.Drive),
		Modulation: f.spec.Plan.Modulation, Output: true}
	setting.Level = setting.Level.Add(setting.Modulation.CarrierOverLevel())
	if err := f.operateAgain(ctx); err != nil {
		return err
	}
	c, err := f.guard.ClearSpan(ctx, setting)
	if err != nil {
		return err
	}
	f.switched(true)
	f.at = setting
	f.tell("the operator sets the source")
	if err := f.cfg.Rig.Source.Apply(ctx, c); err != nil {
		return f.instrument(fmt.Sprintf("set the source to sweep from %v to %v", s.From, s.To), err)
	}
	f.guard.Confirmed()
	if err := f.lookAtStart(ctx, setting); err != nil {
		return err
	}
	began, marked, err := f.mark(ctx, s)
	if err != nil {
		return err
	}
	upsets, looks, err := f.follow(ctx, s, began)
	if err != nil {
		return err
	}
	f.observed = append(f.observed, sweep.Observed{Sweep: s, Within: f.spec.Within, Upsets: upsets})
	f.exposures++
	f.upsets += len(upsets)
	f.status.Last = fmt.Sprintf("pass %d, %v to %v: %d upsets", number, s.From, s.To, len(upsets))
	if err := f.journal(f.record(number, s, marked, upsets, looks)); err != nil {
		return err
	}
	if err := f.off(ctx); err != nil {
		return err
	}
	return f.wellAgain(ctx)
}

// setUp has the operator set the sweep up with the output off.
func (f *freeSweep) setUp(ctx context.Context, number int, s sweep.Sweep) error {
	f.tell("the operator sets the sweep up")
	how := "steady"
	if s.Steps > 1 {
		how = fmt.Sprintf("in %d steps", s.Steps)
	}
	p := driver.Prompt{Instrument: "source " + f.bench.Source.ID,
		Title: fmt.Sprintf("SET UP SWEEP %d OF %d, OUTPUT OFF", number, len(f.spec.Passes)), Wants: "done",
		Lines: []string{"output OFF", fmt.Sprintf("start %v, stop %v", s.From, s.To),
			fmt.Sprintf("%s, %s, %v", s.Law, how, rf.Duration(s.Time)),
			"one sweep, not started: it waits at its start", "level to the lowest"}}
	answer, err := f.cfg.Desk.Ask(ctx, p)
	switch {
	case err != nil:
		return fmt.Errorf("set the sweep up: %w", err)
	case answer == "no":
		return fmt.Errorf("set the sweep up: %w", driver.ErrDeclined)
	}
	return nil
}

// lookAtStart reads the meters while the carrier waits at the start of its sweep, where they answer by
// themselves: the only place of a pass whose frequency is known to them.
func (f *freeSweep) lookAtStart(ctx context.Context, set guard.Setting) error {
	if f.cfg.Rig.Analyser == nil || f.bench.Analyser.ByHand {
		return nil
	}
	f.tell("reading the current before the sweep starts")
	mod := f.spec.Plan.Modulation
	drive, crest := set.Level.Sub(mod.CarrierOverLevel()), chain.CrestOfLevel(mod)
	p, err := f.predict(set.Frequency, drive)
	if err != nil {
		return err
	}
	if err := f.setUpAnalyser(set.Frequency, p, crest.OverCarrier); err != nil {
		return err
	}
	// Some sources put nothing out while they wait: only too much is judged, as with modulation on.
	m := guard.Measurement{Frequency: set.Frequency, Drive: drive, Crest: crest.OverCarrier, Mean: crest.Mean,
		Modulated: true}
	if err := f.readMeters(ctx, &m); err != nil {
		return err
	}
	f.status.Current, f.status.CurrentAt, f.status.Modulation = m.Current, time.Now(), set.Modulation
	return f.guard.Measured(m)
}

// mark finds out when the pass begins.
func (f *freeSweep) mark(ctx context.Context, s sweep.Sweep) (began time.Time, how string, err error) {
	f.tell("the operator starts the sweep")
	start := driver.Prompt{Instrument: "source " + f.bench.Source.ID, Title: "START THE SWEEP",
		Lines: []string{"start the sweep now"}}
	switch f.spec.Marked {
	case plan.ByLine:
		return f.byLine(ctx, start)
	case plan.ByZeroSpan:
		return f.byEdge(ctx, start, s)
	}
	start.Wants = "Enter, at the very moment the sweep starts"
	if _, err := f.cfg.Desk.Ask(ctx, start); err != nil {
		return began, "", fmt.Errorf("start the sweep: %w", err)
	}
	return time.Now(), string(plan.ByKey), nil
}

// untilMarked shows a prompt while something else marks the beginning. The prompt goes away with it.
func (f *freeSweep) untilMarked(ctx context.Context, p driver.Prompt,
	look func(context.Context) (time.Time, error)) (time.Time, error) {
	p.Wants = "nothing: provoke notices it"
	shown, away := context.WithCancel(ctx)
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		f.cfg.Desk.Ask(shown, p)
	}()
	defer func() { away(); <-gone }()
	within := f.cfg.PersonWithin
	if within <= 0 {
		within = DefaultPersonWithin
	}
	ctx, cancel := context.WithTimeoutCause(ctx, within, fmt.Errorf("start the sweep: %w within %v", ErrNobody, within))
	defer cancel()
	return look(ctx)
}

func (f *freeSweep) byLine(ctx context.Context, start driver.Prompt) (time.Time, string, error) {
	for { // what came before counts for nothing
		select {
		case <-f.sync:
			continue
		default:
		}
		break
	}
	began, err := f.untilMarked(ctx, start, func(ctx context.Context) (time.Time, error) {
		feed := time.NewTicker(50 * time.Millisecond)
		defer feed.Stop()
		for {
			select {
			case at, ok := <-f.sync:
				if !ok {
					return at, errors.New("the connection of the sync line is lost")
				}
				return at, nil
			case <-ctx.Done():
				return time.Time{}, context.Cause(ctx)
			case <-feed.C:
				if err := f.whileWaiting(ctx, false); err != nil {
					return time.Time{}, err
				}
			}
		}
	})
	return began, string(plan.ByLine), err
}

// Where the zero-span edge is looked for, as a share of the pass, and how much a reading must rise.
const (
	edgeAt            = 0.1
	edgeRise  rf.Gain = 15
	edgeApart         = 4 // bandwidths between the start, where the carrier waits, and the place
)

// byEdge listens in zero span a little behind the start, in the widest bandwidth that does not hear the
// carrier wait there, and counts back from the moment the carrier passes.
func (f *freeSweep) byEdge(ctx context.Context, start driver.Prompt, s sweep.Sweep) (time.Time, string, error) {
	at, _ := s.At(time.Duration(edgeAt * float64(s.Time)))
	setup := driver.AnalyserSetup{Frequency: at}
	for _, b := range f.bench.Analyser.Bandwidths {
		if edgeApart*b <= max(at-s.From, s.From-at) {
			setup.Bandwidth = max(setup.Bandwidth, b)
		}
	}
	if err := f.cfg.Rig.Analyser.Setup(ctx, setup); err != nil {
		return time.Time{}, "", f.instrument("set the analyser to zero span", err)
	}
	quiet, err := f.cfg.Rig.Analyser.Read(ctx)
	if err != nil {
		return time.Time{}, "", f.instrument("read the analyser", err)
	}
	quiet = quiet.WithBound(rf.Exactly)
	seen, err := f.untilMarked(ctx, start, func(ctx context.Context) (time.Time, error) {
		for {
			if err := f.whileWaiting(ctx, false); err != nil {
				return time.Time{}, err
			}
			reading, err := f.cfg.Rig.Analyser.Read(ctx)
			if err != nil {
				return time.Time{}, f.instrument("read the analyser", err)
			}
			if reading.WithBound(rf.Exactly).Above(quiet.Add(edgeRise)) {
				return time.Now(), nil
			}
			if err := f.sleep(ctx, 5*time.Millisecond); err != nil {
				return time.Time{}, err
			}
		}
	})
	passed, _ := s.When(at)
	return seen.Add(-passed), string(plan.ByZeroSpan), err
}

// resetAfter is how long an upset may last in a pass before the DUT is reset, so that the rest of the
// pass is not lost to one that latched.
const resetAfter = 3 * time.Second

// follow watches the DUT until the pass has ended and its latency has passed.
func (f *freeSweep) follow(ctx context.Context, s sweep.Sweep, began time.Time) ([]sweep.Seen, int, error) {
	f.tell("sweeping")
	t := &tracker{began: began}
	end := began.Add(s.Time)
	var asked time.Time
	for time.Now().Before(end) {
		now, _ := s.At(time.Since(began))
		f.status.Frequency = now
		if err := f.sleep(ctx, min(50*time.Millisecond, time.Until(end))); err != nil {
			return nil, 0, err
		}
		if err := f.stopAsked(); err != nil {
			return nil, 0, err
		}
		if f.hold.Load() {
			return nil, 0, f.holdInDwell(ctx)
		}
		if why, ok := f.watch.blind(); ok {
			return nil, 0, f.awaitSight(ctx, why)
		}
		t.take(f.watch.since(t.seen))
		if bad := t.badSince(); !bad.IsZero() && time.Since(bad) > resetAfter && time.Since(asked) > resetAfter {
			asked = time.Now()
			if err := f.resetDUT(ctx); err == nil {
				t.wasReset(asked)
			} else if !errors.Is(err, dut.ErrNoReset) {
				return nil, 0, fmt.Errorf("reset the DUT: %w", err)
			}
		}
		if time.Since(began).Truncate(time.Second) != time.Since(began.Add(50*time.Millisecond)).Truncate(time.Second) {
			f.tell("sweeping")
		}
	}
	t.take(f.watch.since(t.seen))
	return t.upsets, t.looks, nil
}

// wellAgain waits for the DUT between passes, resets it where it does not come back, and waits for a
// person where nothing can.
func (f *freeSweep) wellAgain(ctx context.Context) error {
	f.tell("waiting for the product to be well")
	var c event.StepClosed
	c.Step.Point.Frequency = f.at.To
	return f.recover(ctx, time.Now(), &c)
}

// record is the pass as it is journalled.
func (f *freeSweep) record(number int, s sweep.Sweep, marked string, upsets []sweep.Seen, looks int) event.SweepPass {
	e := event.SweepPass{Pass: number, Law: string(s.Law), From: s.From, To: s.To, Time: rf.Duration(s.Time),
		Drive:  f.at.Level,
		Marked: marked, Within: rf.Duration(f.spec.Within), Readings: looks}
	for _, u := range upsets {
		at, _ := s.At(u.Onset.To)
		x := event.SweepUpset{Monitor: u.Monitor, After: rf.Duration(u.Onset.To.Round(time.Millisecond)), Apparent: at}
		if u.Recovery.Known() {
			x.Recovered, _ = s.At(u.Recovery.To)
		}
		if u.Reset.Known() {
			x.Reset = rf.Duration(max(u.Reset.From.Round(time.Millisecond), time.Millisecond))
			x.Well, _ = s.At(u.Reset.To)
		}
		e.Upsets = append(e.Upsets, x)
	}
	return e
}

// bands is what the passes say together, as it is journalled.
func (f *freeSweep) bands(found []sweep.Band) event.SweepBands {
	var e event.SweepBands
	for i, b := range found {
		if i == 0 || b.Latency > e.Latency.Std() {
			e.Latency, e.Within = rf.Duration(b.Latency),
				rf.Duration(max(b.LatencyMost-b.Latency, b.Latency-b.LatencyLeast))
		}
		e.Bands = append(e.Bands, event.SweepBand{Low: b.Low, High: b.High, Within: b.Within(), Rests: b.Rests})
		for _, n := range b.Notes {
			e.Notes = append(e.Notes, fmt.Sprintf("%v: %s", b.Low, n))
		}
		for _, s := range f.spec.Passes {
			if d := s.Dwell(b.Low, b.High); b.High > b.Low && d < b.Latency {
				e.Notes = append(e.Notes, fmt.Sprintf(
					"%v: a pass of %v stays %v in the band, less than the latency: a slower one may find it wider or "+
						"lower", b.Low, rf.Duration(s.Time), rf.Duration(d.Round(time.Millisecond))))
				break
			}
		}
	}
	return e
}

// tracker turns judged looks into upsets of a pass.
type tracker struct {
	began   time.Time
	seen    time.Time // of the newest look taken
	looks   int
	upsets  []sweep.Seen
	good    map[string]time.Time // last good look by monitor
	lastBad map[string]time.Time // last bad look of an upset that lasts
	open    map[string]int       // index of the upset that lasts, by monitor
	since   time.Time            // when the oldest upset that lasts began
	reset   map[string]time.Time // when the last reset of an upset that lasts was asked for, by monitor
}

// take takes looks in the order they came.
func (t *tracker) take(looks []judged) {
	if t.open == nil {
		t.good, t.lastBad, t.open, t.reset = map[string]time.Time{}, map[string]time.Time{}, map[string]int{},
			map[string]time.Time{}
	}
	for _, x := range looks {
		t.seen = x.At
		t.looks++
		if x.At.Before(t.began) {
			if !x.bad {
				t.good[x.Monitor] = x.At
			}
			continue
		}
		i, lasts := t.open[x.Monitor]
		switch {
		case x.bad && !lasts:
			t.open[x.Monitor] = len(t.upsets)
			t.upsets = append(t.upsets, sweep.Seen{Onset: t.look(t.good[x.Monitor], x.At), Monitor: x.Monitor})
			t.lastBad[x.Monitor] = x.At
			t.oldest()
		case x.bad:
			t.lastBad[x.Monitor] = x.At
		case lasts:
			// A reset says nothing about where it would have been well by itself.
			if asked, was := t.reset[x.Monitor]; was {
				t.upsets[i].Reset = t.look(asked, x.At)
			} else {
				t.upsets[i].Recovery = t.look(t.lastBad[x.Monitor], x.At)
			}
			delete(t.open, x.Monitor)
			delete(t.reset, x.Monitor)
			t.good[x.Monitor] = x.At
			t.oldest()
		default:
			t.good[x.Monitor] = x.At
		}
	}
}

// look is the time between the last look before a change and the first after it.
func (t *tracker) look(before, after time.Time) sweep.Look {
	from := before.Sub(t.began)
	if before.IsZero() || from < 0 {
		from = 0
	}
	return sweep.Look{From: from, To: max(after.Sub(t.began), 1)}
}

func (t *tracker) oldest() {
	t.since = time.Time{}
	for _, i := range t.open {
		at := t.began.Add(t.upsets[i].Onset.To)
		if t.since.IsZero() || at.Before(t.since) {
			t.since = at
		}
	}
}

// badSince is when the oldest upset that lasts began; zero for none.
func (t *tracker) badSince() time.Time { return t.since }

// wasReset notes that a reset was asked for while upsets lasted.
func (t *tracker) wasReset(asked time.Time) {
	for m := range t.open {
		t.reset[m] = asked
	}
}

// since returns the looks that came after a time, in their order. The operator's key has no recovery:
// its press is one look that is bad and one that is good.
func (w *watch) since(t time.Time) []judged {
	w.mu.Lock()
	defer w.mu.Unlock()
	var out []judged
	for _, s := range w.samples {
		if !s.At.After(t) {
			continue
		}
		out = append(out, s)
		if j := w.judges[s.Monitor]; s.bad && (j == nil || j.Monitor.Kind == catalog.MonitorOperator) {
			good := s
			good.bad, good.why = false, ""
			out = append(out, good)
		}
	}
	return out
}
