package engine

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/model/sweep"
	"provoke/internal/units/rf"
)

// The parts of a run that need no bench are tested here one by one.

// mute is a monitor that says nothing by itself and cannot reset anything.
type mute string

func (m mute) ID() string                                    { return string(m) }
func (m mute) Start(context.Context, func(dut.Sample)) error { return nil }
func (m mute) Reset(context.Context) error                   { return dut.ErrNoReset }
func (m mute) Close() error                                  { return nil }

// watching is a watch of two monitors, A and B, that give numbers round 10 and must not differ by more than 1,
// and of the operator's key.
func watching() *watch {
	specs := []catalog.Monitor{
		{Identity: catalog.Identity{ID: "A"}, Kind: catalog.MonitorText, Tolerance: 1},
		{Identity: catalog.Identity{ID: "B"}, Kind: catalog.MonitorText, Tolerance: 1},
		{Identity: catalog.Identity{ID: "KEY"}, Kind: catalog.MonitorOperator},
	}
	w := newWatch([]dut.Monitor{mute("A"), mute("B"), mute("KEY")}, specs)
	for _, id := range []string{"A", "B"} {
		w.judges[id].Baseline, w.judges[id].HasBaseline = 10, true
	}
	return w
}

var noon = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// at is a time so many milliseconds after noon.
func at(ms int) time.Time { return noon.Add(time.Duration(ms) * time.Millisecond) }

func (w *watch) says(id string, ms int, value float64) {
	w.deliver(dut.Sample{At: at(ms), Monitor: id, Value: value, HasValue: true})
}

func TestABaselineWantsFiveReadingsOfEveryMonitorThatGivesNumbers(t *testing.T) {
	w := watching()
	for i := range 5 {
		if short, err := w.tryBaseline(noon); short == "" || err != nil {
			t.Errorf("complete after %d readings: %v", i, err)
		}
		w.says("A", i, 12)
		w.says("B", i, float64(6+i)/2) // 3, 3.5, 4, 4.5, 5: none further than 1 from their mean of 4
	}
	if short, err := w.tryBaseline(noon); short != "" || err != nil {
		t.Fatalf("after five readings of each: short of %q, %v", short, err)
	}
	if a, b := w.judges["A"].Baseline, w.judges["B"].Baseline; a != 12 || b != 4 {
		t.Errorf("baselines %v and %v, the means are 12 and 4", a, b)
	}
	for _, s := range w.samples {
		if s.bad {
			t.Errorf("a reading of the baseline itself is bad: %+v", s)
		}
	}
}

func TestWellNeedsTheNewestReadingsOfEveryMonitor(t *testing.T) {
	type said struct {
		id    string
		value float64
	}
	for _, c := range []struct {
		what  string
		said  []said // one millisecond after the other
		well  bool
		first int
	}{
		{"two good ones each", []said{{"A", 10}, {"B", 10}, {"A", 10}, {"B", 10}}, true, 1},
		{"the newest is bad", []said{{"A", 10}, {"B", 10}, {"A", 10}, {"B", 10}, {"B", 10}, {"B", 20}}, false, 0},
		{"a bad one before two good ones", []said{{"A", 20}, {"B", 10}, {"A", 10}, {"B", 10}, {"A", 10}}, true, 2},
		{"one good one only", []said{{"A", 10}, {"B", 10}, {"A", 10}}, false, 0},
		{"the other one is bad", []said{{"A", 10}, {"B", 20}, {"A", 10}, {"B", 20}}, false, 0},
	} {
		w := watching()
		for i, s := range c.said {
			w.says(s.id, i, s.value)
		}
		first, ok := w.well(noon, 2)
		if ok != c.well || ok && !first.Equal(at(c.first)) {
			t.Errorf("%s: well %t since %v", c.what, ok, first.Sub(noon))
		}
	}
	w := watching()
	for i := range 6 {
		w.says([]string{"A", "B"}[i%2], i, 10)
	}
	if _, ok := w.well(at(4), 2); ok {
		t.Error("well by readings of an earlier time")
	}
}

func TestThePeriodIsTheMeanTimeBetweenReadings(t *testing.T) {
	w := watching()
	if p := w.period(); p != 0 {
		t.Errorf("a period of %v before anything was said", p)
	}
	for i := range 3 {
		w.says("A", 100*i, 10)
		w.says("B", 40*i, 10)
	}
	if p := w.period(); p != 100*time.Millisecond { // 200 ms between three readings of the slower one
		t.Errorf("the slowest monitor reads every %v, want 100 ms", p)
	}
}

func TestAMarkIsToldOnceAndHasWords(t *testing.T) {
	w := watching()
	w.mark(at(5), "")
	if text, ok := w.lateMark(); !ok || text != "the operator says it upset" {
		t.Errorf("a key without words is told as %q, %t", text, ok)
	}
	bad, ok := w.firstBad(at(100))
	if !ok || bad.Monitor != "KEY" || !bad.bad || !strings.Contains(bad.why, "the operator says it upset") {
		t.Errorf("a mark of a moment ago is no upset of this step: %+v", bad)
	}
	if bad, ok := w.firstBad(at(100)); ok {
		t.Errorf("the same mark counts twice: %+v", bad)
	}
	w.mark(at(200), "smoke")
	w.countedMarks()
	if text, ok := w.lateMark(); ok {
		t.Errorf("a mark that a step counted is told as late: %q", text)
	}
}

func TestReadingsAreJournalledAllOrThinned(t *testing.T) {
	w := watching()
	for i := range 10 {
		w.says("A", 10*i, 10+float64(i%2)*5)
	}
	lit := func(x time.Time) bool { return x.After(at(49)) }
	all := w.readings(at(20), at(50), lit, 16)
	if len(all) != 8 { // 20, 30 … 90 ms
		t.Fatalf("%d readings of 8", len(all))
	}
	for i, r := range all {
		ms := 20 + 10*i
		if r.Monitor != "A" || r.After.Std() != time.Duration(ms-50)*time.Millisecond || r.RFOn != (ms >= 50) ||
			r.Bad != (ms/10%2 == 1) || r.Value != 10+float64(ms/10%2)*5 {
			t.Errorf("the reading at %d ms is journalled as %+v", ms, r)
		}
	}
	for i := range 200 {
		w.says("A", 100+i, 10)
	}
	if few := w.readings(noon, noon, lit, 16); len(few) > 17 || few[len(few)-1].After.Std() != 299*time.Millisecond {
		t.Errorf("%d readings of 210, the last at %v; 16 and the newest are asked for", len(few), few[len(few)-1].After)
	}
}

func TestAWatchOfALongRunIsBounded(t *testing.T) {
	w := watching()
	for i := range 2*kept + 3 {
		w.says("A", i, 10)
	}
	if len(w.samples) > kept || len(w.samples) < kept/4 {
		t.Errorf("%d samples are remembered, at most %d are to be", len(w.samples), kept)
	}
	if newest := w.samples[len(w.samples)-1]; !newest.At.Equal(at(2*kept + 2)) {
		t.Errorf("the newest sample is of %v", newest.At.Sub(noon))
	}
}

func TestOnlyNewLooksAreTakenAndAKeyHasNoRecovery(t *testing.T) {
	w := watching()
	w.says("A", 1, 10)
	w.says("A", 2, 20)
	w.mark(at(3), "smoke")
	w.says("B", 4, 20)
	var got []string
	for _, x := range w.since(at(1)) {
		got = append(got, fmt.Sprintf("%s@%d:%t", x.Monitor, x.At.Sub(noon).Milliseconds(), x.bad))
	}
	if s := strings.Join(got, " "); s != "A@2:true KEY@3:true KEY@3:false B@4:true" {
		t.Errorf("looks after 1 ms: %s", s)
	}
}

// looked is a look at the product for a tracker.
func looked(id string, ms int, bad bool) judged {
	return judged{Sample: dut.Sample{At: at(ms), Monitor: id}, own: at(ms), bad: bad}
}

func TestATrackerTellsOnsetAndRecoveryByTheLooksRoundThem(t *testing.T) {
	tr := &tracker{began: noon}
	tr.take([]judged{
		looked("A", -20, false), looked("B", -10, false), // before the pass
		looked("B", 0, true), // at its very beginning
		looked("A", 10, false), looked("A", 20, true), looked("B", 30, true), looked("A", 30, true),
	})
	if s := tr.badSince(); !s.Equal(noon.Add(1)) {
		t.Errorf("the oldest upset that lasts began %v after the pass", s.Sub(noon))
	}
	tr.take([]judged{looked("B", 40, false), looked("A", 50, true)})
	if s := tr.badSince(); !s.Equal(at(20)) {
		t.Errorf("B is well again, and the oldest upset is of %v, want 20 ms", s.Sub(noon))
	}
	tr.take([]judged{looked("A", 60, false)})
	if s := tr.badSince(); !s.IsZero() {
		t.Errorf("both are well, and one is said to be upset since %v", s.Sub(noon))
	}
	tr.take([]judged{looked("A", 70, false), looked("A", 90, true), looked("A", 95, false)})
	ms := func(from, to int) sweep.Look {
		return sweep.Look{From: time.Duration(from) * time.Millisecond, To: time.Duration(to) * time.Millisecond}
	}
	want := []sweep.Seen{
		// What came before the pass is no time of it; and the earliest time that there is, is a nanosecond.
		{Monitor: "B", Onset: sweep.Look{From: 0, To: 1}, Recovery: ms(30, 40)},
		{Monitor: "A", Onset: ms(10, 20), Recovery: ms(50, 60)},
		{Monitor: "A", Onset: ms(70, 90), Recovery: ms(90, 95)},
	}
	if len(tr.upsets) != len(want) {
		t.Fatalf("%d upsets, want %d: %+v", len(tr.upsets), len(want), tr.upsets)
	}
	for i, u := range tr.upsets {
		if u != want[i] {
			t.Errorf("upset %d: %+v, want %+v", i+1, u, want[i])
		}
	}
	if tr.looks != 13 || !tr.seen.Equal(at(95)) {
		t.Errorf("%d looks, the newest of %v", tr.looks, tr.seen.Sub(noon))
	}
}

func TestATrackerTellsAResetFromARecovery(t *testing.T) {
	tr := &tracker{began: noon}
	tr.take([]judged{looked("A", 5, false), looked("A", 10, true)})
	tr.wasReset(at(15))
	tr.take([]judged{looked("A", 20, false), looked("A", 30, true), looked("A", 40, false)})
	if u := tr.upsets[0]; u.Recovery.Known() || u.Reset != (sweep.Look{From: 15e6, To: 20e6}) {
		t.Errorf("an upset that was reset at 15 ms and seen well at 20 ms: %+v", u)
	}
	// The good look after the reset is the last one before the next onset.
	if u := tr.upsets[1]; u.Onset != (sweep.Look{From: 20e6, To: 30e6}) || u.Reset.Known() || !u.Recovery.Known() {
		t.Errorf("the upset after it: %+v", u)
	}
}

func TestTheClockNoticesASetClockAndNotTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var c clock
		wall := noon
		if step := c.look(wall, 0); step != 0 {
			t.Errorf("the first look: set by %v", step)
		}
		for _, x := range []struct {
			passes, wall, sleeps, step time.Duration
		}{
			{10 * time.Second, 10 * time.Second, 0, 0},
			{10 * time.Second, 10*time.Second + 900*time.Millisecond, 0, 0}, // less than a second is no step
			{10 * time.Second, 3610 * time.Second, 0, time.Hour},
			{10 * time.Second, -50 * time.Second, 0, -time.Minute},
			{time.Second, 61 * time.Second, time.Minute, 0}, // it slept, and the steady clock stood still
			{61 * time.Second, 61 * time.Second, time.Minute, 0},
		} {
			time.Sleep(x.passes)
			wall = wall.Add(x.wall)
			slept := c.slept + x.sleeps
			if step := c.look(wall, slept); step != x.step {
				t.Errorf("%+v: set by %v", x, step)
			}
		}
	})
}

func TestADeskTellsPromptsApart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := NewDesk()
		waiting := func() int {
			d.mu.Lock()
			defer d.mu.Unlock()
			return len(d.waiting)
		}
		answers := make(chan string, 5)
		ask := func(ctx context.Context, p driver.Prompt) {
			go func() {
				answer, err := d.Ask(ctx, p)
				answers <- fmt.Sprintf("%s: %s %v", p.Title, answer, err)
			}()
			synctest.Wait()
		}
		soon, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		off := driver.Prompt{Instrument: "source", Title: "OFF", Urgent: true}
		ask(soon, driver.Prompt{Instrument: "source", Title: "FIRST"})
		ask(t.Context(), driver.Prompt{Instrument: "source", Title: "SECOND"})
		ask(soon, off)
		ask(t.Context(), driver.Prompt{Instrument: "source", Title: "UNPLUG", Urgent: true})
		if n := waiting(); n != 4 {
			t.Fatalf("%d prompts wait, four were asked", n)
		}
		<-answers // the first one's and the urgent one's time is up; the urgent one stays
		<-answers
		if n := waiting(); n != 3 {
			t.Fatalf("%d prompts wait, want the second and the two urgent ones", n)
		}
		off.Doubt = "it reads on"
		ask(t.Context(), off) // asked again: the same prompt goes on
		shown, ok := d.Pending()
		if n := waiting(); n != 3 || !ok || shown.Title != "OFF" || shown.Doubt != "it reads on" || shown.Number != 3 {
			t.Fatalf("%d prompts wait, shown is %+v", n, shown)
		}
		if err := d.Reply(1, "done"); !errors.Is(err, ErrNoPrompt) {
			t.Errorf("an answer to a prompt that is not shown: %v", err)
		}
		if err := d.Reply(3, " off "); err != nil {
			t.Error(err)
		}
		if got := <-answers; got != "OFF: off <nil>" {
			t.Errorf("answered %q", got)
		}
		synctest.Wait()
		if err := d.Reply(0, "pulled"); err != nil { // 0 is the one that is shown
			t.Error(err)
		}
		if got := <-answers; got != "UNPLUG: pulled <nil>" {
			t.Errorf("answered %q", got)
		}
		// Nobody answers the last one: it gives up two minutes after it was asked, a second ago.
		began := time.Now()
		if got := <-answers; got != "SECOND:  nobody answered within 2m0s" {
			t.Errorf("%q", got)
		}
		if took := time.Since(began); took != 2*time.Minute-time.Second {
			t.Errorf("waited for %v and a second, want two minutes", took)
		}
		if _, ok := d.Pending(); ok {
			t.Error("a prompt is shown that nobody waits for")
		}
	})
}

// bare is a run without a bench: source from -100 to 0 dBm in steps of 0.1 dB.
func bare() *run {
	return &run{
		cfg: Config{Plan: &plan.Plan{Mode: plan.ClosedLoop, Levelling: plan.Levelling{Window: 0.3},
			FirstLightAllowed: 4}, Rig: &driver.Rig{}},
		bench: &catalog.Bench{Source: catalog.Source{Identity: catalog.Identity{ID: "GEN1"},
			Kind: catalog.SignalGenerator, Minimum: rf.DBm(-100), Maximum: rf.DBm(0),
			Resolution: 0.1, CountsIn: catalog.CountsDBm}},
		seen: map[rf.Frequency][]pair{}, upsetAt: map[rf.Frequency]rf.Current{}, looked: map[rf.Frequency]look{},
		writing: make(chan struct{}, 1), wake: make(chan struct{}, 1), now: time.Now,
	}
}

const f1 = rf.Megahertz

// near reports decibels that agree to a thousandth.
func nearly[U rf.Unit](a, b rf.Level[U]) bool {
	return a.Known() && b.Known() && math.Abs(a.In()-b.In()) < 1e-3
}

func TestALevelIsToldFromTheNearestReading(t *testing.T) {
	r := bare()
	if _, _, known := r.nearest(f1, rf.DBuA(60)); known || r.expectedAt(f1, rf.DBm(-30)).Known() ||
		r.currentAt(f1, rf.DBm(-30)).Known() {
		t.Error("something is known of a frequency where nothing was read")
	}
	// The chain compresses: 10 dB more drive gave 9 dB more current.
	r.seen[f1] = []pair{{rf.DBm(-50), rf.DBuA(51)}, {rf.DBm(-40), rf.DBuA(60)}, {rf.DBm(-30), rf.DBuA(67)}}
	for _, c := range []struct{ target, drive, gap float64 }{{59, -40, -1}, {61, -40, 1}, {70, -30, 3}, {40, -50, -11},
		{55, -50, 4}} {
		drive, gap, known := r.nearest(f1, rf.DBuA(c.target))
		if !known || drive != rf.DBm(c.drive) || math.Abs(gap.DB()-c.gap) > 1e-9 {
			t.Errorf("the reading nearest to %v dBµA: drive %v, %v below", c.target, drive, gap)
		}
		if d, ok := r.driveFor(f1, rf.DBuA(c.target)); !ok || !nearly(d, rf.DBm(c.drive+c.gap)) {
			t.Errorf("the drive for %v dBµA: %v, want %v dBm", c.target, d, c.drive+c.gap)
		}
	}
	for _, c := range []struct{ drive, most, gives float64 }{
		{-40, 60, 60},
		{-39, 61, 61},
		{-32, 68, 65}, // at most 8 dB above what -40 dBm gave; by the nearest 2 dB below what -30 dBm gave
		{-20, 77, 77},
		{-52, math.NaN(), 49}, // nothing was read at a lower drive
	} {
		if most := r.expectedAt(f1, rf.DBm(c.drive)); math.IsNaN(c.most) != most.Absent() || !math.IsNaN(c.most) &&
			!nearly(most, rf.DBuA(c.most)) {
			t.Errorf("at %v dBm at most %v is expected, want %v", c.drive, most, c.most)
		}
		if gives := r.currentAt(f1, rf.DBm(c.drive)); !nearly(gives, rf.DBuA(c.gives)) {
			t.Errorf("%v dBm gives %v, want %v", c.drive, gives, c.gives)
		}
	}
	// A descent by 7 dB from 67 dBµA goes to where 60 dBµA was read; without such a reading, or without a loop, 7 dB
	// down.
	step := plan.Step{Point: plan.Point{Frequency: f1, Target: rf.DBuA(70)}, Offset: -3}
	from := reached{drive: rf.DBm(-30), current: rf.DBuA(67)}
	if d := r.driveBelow(step, from, -10); !nearly(d, rf.DBm(-40)) {
		t.Errorf("the drive for 7 dB less is %v, and 60 dBµA was read at -40 dBm", d)
	}
	r.cfg.Plan.Mode = plan.ConstantDrive
	if d := r.driveBelow(step, from, -10); !nearly(d, rf.DBm(-37)) {
		t.Errorf("the drive 7 dB below -30 dBm is %v", d)
	}
}

func TestTheWindowOfAStep(t *testing.T) {
	for _, c := range []struct {
		purpose                        plan.Purpose
		offset                         rf.Gain
		upset, asked, low, high, below float64 // dBµA; 0 for none
	}{
		{plan.Sweep, 0, 0, 80, 80, 80.3, 0},
		{plan.Onset, -2.5, 0, 77.5, 77.5, 77.8, 0},
		{plan.Onset, -1, 79.2, 79, 79, 79.1, 79.2},  // 0.1 dB below what upset
		{plan.Onset, 0, 79.5, 80, 79.1, 79.4, 79.5}, // no room: as wide, and below what upset
		{plan.Onset, -5, 79.5, 75, 75, 75.3, 0},     // far below what upset
		{plan.Recover, 0, 79.5, 80, 80, 80.3, 0},    // it has to upset
	} {
		r := bare()
		if c.upset != 0 {
			r.upsetAt[f1] = rf.DBuA(c.upset)
		}
		w := r.window(plan.Step{Point: plan.Point{Frequency: f1, Target: rf.DBuA(80)}, Purpose: c.purpose,
			Offset: c.offset})
		if !nearly(w.asked, rf.DBuA(c.asked)) || !nearly(w.low, rf.DBuA(c.low)) || !nearly(w.high, rf.DBuA(c.high)) ||
			w.upset.Known() != (c.below != 0) {
			t.Errorf("%+v: asked %v, from %v to %v, upset %v", c, w.asked.Text(2), w.low.Text(2), w.high.Text(2),
				w.upset)
		}
		// Gaps above 1 dB are closed to 0.1 dB below the level first; smaller ones to the middle of the window,
		// where the source rounds down.
		if a := r.aim(w, 1.01); a != -0.1 {
			t.Errorf("a gap of 1.01 dB: aims at %v", a)
		}
		if a, want := r.aim(w, 1), (c.high-c.low+0.1)/2; math.Abs(a.DB()-want) > 1e-6 {
			t.Errorf("a gap of 1 dB: aims %v above the low end, want half of the window and of the source's 0.1 dB: %v",
				a.Text(3), want)
		}
	}
}

func TestWhyALevelWasNotReachedIsSaid(t *testing.T) {
	w := levels{asked: rf.DBuA(80), low: rf.DBuA(80), high: rf.DBuA(80.3)}
	short := reached{drive: rf.DBm(-20), current: rf.DBuA(78)}
	for _, c := range []struct {
		ceiling, upset float64
		says           string
	}{
		{-20, 0, "not reached by 2.00 dB: 78.0 dBµA of 80.0 dBµA; -20.0 dBm is the drive's ceiling"},
		{-10, 0, "the next drive of the source gives more than 0.30 dB above the level"},
		{-10, 80.2, "80.2 dBµA upset here, and the next step of the source would come nearer to it than 0.1 dB"},
		{-20, 80.2, "the drive's ceiling"},
	} {
		w := w
		if c.upset != 0 {
			w.upset = rf.DBuA(c.upset)
		}
		if why := w.whyShort(short, rf.DBm(c.ceiling),
			plan.Point{Ceiling: rf.DBm(c.ceiling)}.More(rf.DBm(c.ceiling))); !strings.Contains(why, c.says) {
			t.Errorf("%+v: %q", c, why)
		}
	}
	if why := w.limited(reached{current: rf.DBuA(80.1)}); why != "" {
		t.Errorf("a level that was reached: %q", why)
	}
	w.upset = rf.DBuA(79.8)
	if why := w.limited(reached{current: rf.DBuA(79.5)}); !strings.Contains(why,
		"not reached by 0.50 dB: 79.8 dBµA upset here") {
		t.Errorf("half a decibel short: %q", why)
	}
}

func TestHowARunEndsIsSaidByTheWorst(t *testing.T) {
	failed := errors.New("the disk is full")
	for _, c := range []struct {
		err             error
		quiet           bool
		upsets, skipped int
		verdict         event.Verdict
		why             string
	}{
		{nil, true, 0, 0, event.Done, ""},
		{nil, true, 2, 0, event.DoneUpset, ""},
		{nil, true, 2, 1, event.Incomplete, "1 steps did not reach"},
		{failed, true, 2, 1, event.Failed, "the disk is full"},
		{failed, false, 2, 1, event.RFNotKnownOff, "the disk is full"},
		{nil, false, 0, 0, event.RFNotKnownOff, ""},
		{fmt.Errorf("%w: lunch", errStopped), true, 1, 0, event.Stopped, "stopped by the operator: lunch"},
		{fmt.Errorf("%w: smoke", errLateMark), true, 0, 0, event.Incomplete, "smoke"},
	} {
		r := bare()
		r.upsets, r.skipped = c.upsets, c.skipped
		if v, why := r.verdict(c.err, c.quiet); v != c.verdict || !strings.Contains(why, c.why) || c.why == "" &&
			why != "" {
			t.Errorf("%+v: %q %q", c, v, why)
		}
	}
}

func TestTimesAreToldRoundedUp(t *testing.T) {
	for _, c := range []struct{ d, told time.Duration }{{0, 0}, {1, 1e6}, {1e6, 1e6}, {1e6 + 1, 2e6}, {2e6 - 1, 2e6}} {
		if got := told(c.d).Std(); got != c.told {
			t.Errorf("%v is told as %v", c.d, got)
		}
	}
}

// An interlock is asked every 150 ms. In the worst case it opens right after it was asked: one that takes 400 ms is
// asked again only when it has answered, after 400 ms, and answers 400 ms later; the source takes 50 ms more.
func TestHowSoonAnInterlockTakesRFOff(t *testing.T) {
	r := bare()
	if words := r.interlockWords(50 * time.Millisecond); words != "" {
		t.Errorf("without an interlock: %q", words)
	}
	r.cfg.Rig.Interlock = struct{ driver.Interlock }{}
	for took, says := range map[time.Duration]string{
		20 * time.Millisecond:  "RF off about 220 ms after it opens", // 150 + 20 + 50
		400 * time.Millisecond: "RF off about 850 ms after it opens", // 400 + 400 + 50
		501 * time.Millisecond: "warning: slow interlock",
	} {
		r.interlock = took
		if words := r.interlockWords(50 * time.Millisecond); !strings.Contains(words, says) ||
			strings.Contains(words, "warning") != (took > 500*time.Millisecond) {
			t.Errorf("one that takes %v: %q", took, words)
		}
	}
}

func TestWhatNothingOnABenchObservesIsSaid(t *testing.T) {
	wired := &driver.Rig{Source: struct{ driver.Source }{}, Analyser: struct{ driver.Analyser }{},
		PowerMeter: struct{ driver.PowerMeter }{}, Amplifier: struct{ driver.Amplifier }{}}
	b := func(change func(*catalog.Bench)) *catalog.Bench {
		x := &catalog.Bench{Analyser: &catalog.Analyser{}, PowerMeter: &catalog.PowerMeter{},
			Amplifier: &catalog.Amplifier{}}
		change(x)
		return x
	}
	for _, c := range []struct {
		what     string
		rig      driver.Rig
		bench    *catalog.Bench
		free     bool
		unproved []string
	}{
		{"everything", *wired, b(func(*catalog.Bench) {}), false, nil},
		{"an amplifier without an interface", driver.Rig{Source: wired.Source, Analyser: wired.Analyser},
			b(func(*catalog.Bench) {}), false, []string{"the amplifier says nothing of itself"}},
		{"no amplifier", driver.Rig{Source: wired.Source, Analyser: wired.Analyser},
			b(func(x *catalog.Bench) { x.Amplifier = nil }), false, nil},
		{"a source by hand", *wired, b(func(x *catalog.Bench) { x.Source.ByHand = true }), false,
			[]string{"set by hand or sweeps"}},
		{"meters by eye", *wired, b(func(x *catalog.Bench) { x.Analyser.ByHand, x.PowerMeter.ByHand = true, true }),
			false, []string{"no meter reads by itself"}},
		{"a free sweep", *wired, b(func(*catalog.Bench) {}),
			true, []string{"no meter reads by itself", "set by hand or sweeps"}},
	} {
		proved, unproved := Proof(&c.rig, c.bench, &plan.Plan{}, c.free)
		if len(unproved) != len(c.unproved) {
			t.Errorf("%s: not observed is %q", c.what, unproved)
			continue
		}
		for i, want := range c.unproved {
			if !strings.Contains(unproved[i], want) {
				t.Errorf("%s: %q, want %q", c.what, unproved[i], want)
			}
		}
		if len(c.unproved) == 0 && len(proved) != 3 {
			t.Errorf("%s: proved by %q", c.what, proved)
		}
	}
	proved, _ := Proof(wired, b(func(*catalog.Bench) {}), &plan.Plan{}, false)
	if !strings.Contains(proved[0], "the current probe and the power meter") || !strings.Contains(proved[0],
		"more than 3.0 dB is not held") {
		t.Errorf("proved by %q", proved)
	}
}

func TestAWrongFirstLightNamesWhatUsuallyMakesIt(t *testing.T) {
	r := bare()
	for _, c := range []struct {
		measured rf.Current
		says     string
	}{
		{rf.DBuA(66), "about 6 dB"},
		{rf.DBuA(54), "about 6 dB"},
		{rf.DBuA(75), "the measured current is 15.0 dB from the budget"},
		{rf.DBuA(30).WithBound(rf.AtMost), "the probe is open"},
		{rf.Off[rf.Ampere](), "the probe is open"},
		{rf.DBuA(90).WithBound(rf.AtLeast), "overloaded"},
	} {
		said := r.causes(c.measured, rf.DBuA(60))
		if len(said) == 0 || !strings.Contains(said[0], c.says) {
			t.Errorf("%v where 60 dBµA is expected: %q", c.measured, said)
		}
		if strings.Contains(c.says, "about") && len(said) != 1 {
			t.Errorf("%v where 60 dBµA is expected, on a bench without pads: %q", c.measured, said)
		}
	}
}

// The source holds by itself no level above the highest that the plan may use; where edges are looked for,
// half way between the points of the grid too.
func TestTheHighestCeilingIsLookedForBetweenTheGridToo(t *testing.T) {
	for _, c := range []struct {
		edges rf.Fraction
		most  float64
	}{{0, -12}, {0.01, -10}} {
		r := bare()
		r.cfg.Plan.Grid = []rf.Frequency{1e6, 2e6, 4e6}
		r.cfg.Plan.Edges = c.edges
		r.cfg.Points = func(f rf.Frequency) (plan.Point, error) {
			switch f {
			case 3e6: // half way between 2 and 4 MHz
				return plan.Point{Ceiling: rf.DBm(-10)}, nil
			case 2e6:
				return plan.Point{Ceiling: rf.DBm(-12)}, nil
			}
			return plan.Point{Ceiling: rf.DBm(-20)}, nil
		}
		if most, err := r.highestCeiling(); err != nil || most != rf.DBm(c.most) {
			t.Errorf("edges %v: %v, %v", c.edges, most, err)
		}
		fault := errors.New("no calibration there")
		points := r.cfg.Points
		for bad, found := range map[rf.Frequency]bool{2e6: true, 1.5e6: c.edges > 0} {
			r.cfg.Points = func(f rf.Frequency) (plan.Point, error) {
				if f == bad {
					return plan.Point{}, fault
				}
				return points(f)
			}
			if _, err := r.highestCeiling(); errors.Is(err, fault) != found {
				t.Errorf("edges %v, a fault at %v: %v", c.edges, bad, err)
			}
		}
	}
}

func TestAPersonIsToldASweepBySteps(t *testing.T) {
	for steps, says := range map[int]string{0: ", steady, ", 1: ", steady, ", 2: ", in 2 steps, ",
		50: ", in 50 steps, "} {
		synctest.Test(t, func(t *testing.T) {
			r := bare()
			r.cfg.Desk = NewDesk()
			r.watch = watching()
			var phases []string
			r.cfg.Progress = func(s Status) { phases = append(phases, s.Phase) }
			f := &freeSweep{run: r, spec: &plan.FreeSweep{Plan: r.cfg.Plan, Passes: make([]sweep.Sweep, 1)}}
			done := make(chan error, 1)
			go func() {
				done <- f.setUp(t.Context(), 1, sweep.Sweep{Law: sweep.Linear, From: 1e6, To: 2e6, Time: time.Second,
					Steps: steps})
			}()
			synctest.Wait()
			p, _ := r.cfg.Desk.Pending()
			if said := strings.Join(p.Lines, "\n"); !strings.Contains(said, says) ||
				!strings.Contains(said, "output OFF") {
				t.Errorf("%d steps: %q", steps, said)
			}
			if len(phases) == 0 || phases[0] != "the operator sets the sweep up" {
				t.Errorf("the page shows %q", phases)
			}
			r.cfg.Desk.Reply(0, "no")
			if err := <-done; !errors.Is(err, driver.ErrDeclined) {
				t.Errorf("a person who declines: %v", err)
			}
		})
	}
}

// A reading in a dwell 3 dB lower, and what the crest is compressed by, is a step not held.
func TestHowFarAReadingMayFall(t *testing.T) {
	am := level.Modulation{Kind: level.AM, Depth: 0.8, Rate: 1000}
	for _, c := range []struct {
		modulation  level.Modulation
		compression rf.Gain
		fell        rf.Gain
		held        bool
	}{
		{level.Modulation{}, 0, 3, true},
		{level.Modulation{}, 0, 3.1, false},
		{level.Modulation{}, 1, 3.1, false}, // nothing is at a crest
		{am, 1, 3.9, true},
		{am, 1, 4.1, false},
		{am, -1, 2.9, true},
		{am, -1, 3.1, false},
	} {
		r := bare()
		r.cfg.Plan.Modulation = c.modulation
		d := &dwellMeters{run: r, compression: c.compression, at: reached{current: rf.DBuA(80)}}
		d.compareWith(guard.Measurement{Current: rf.DBuA(80).Sub(c.fell)}, 0, response{ofCurrent: true})
		if held := d.notHeld() == ""; held != c.held || !d.proved() {
			t.Errorf("%+v: %q", c, d.notHeld())
		}
		d = &dwellMeters{run: r, compression: c.compression, at: reached{forward: rf.DBm(20)}}
		d.compareWith(guard.Measurement{Forward: rf.DBm(20).Sub(c.fell)}, 0, response{ofPower: true})
		if held := d.notHeld() == ""; held != c.held || !held && !strings.Contains(d.notHeld(), "forward power fell") {
			t.Errorf("%+v, forward: %q", c, d.notHeld())
		}
	}
}
