package web_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web"
	"provoke/internal/faces/web/browser"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// A chart of a hundred thousand points is panned and zoomed; the figures are printed and not
// asserted, since they are the machine's. What is asserted is that it moves.
func TestAChartOfAHundredThousandPointsPansAndZooms(t *testing.T) {
	p := browser.Open(t)
	s := serve(t, true)
	p.Size(1280, 720)
	s.enter(p)
	p.Go(s.URL + "/findings?run=3")
	p.Wait(`globalThis.provoke?.charts["figure-profile-3"]`)
	p.Eval(`(() => {
		const c = provoke.charts["figure-profile-3"], n = 100000;
		c.c.at = Array.from({length: n}, (_, i) => 0.15 * (80 / 0.15) ** (i / (n - 1)));
		c.c.series.forEach((s, k) => { s.y = c.c.at.map((x, i) => k === 0 ? 80 : i % c.c.series.length === k ? 70 + 8 * Math.sin(i / 900) + (i * 7919 % 13) / 6 : null); });
		c.c.tips = null; c.c.links = null;
		c.all();
	})()`)
	type figures struct{ Draw, Zoom, Pan, Worst, From, To float64 }
	f := browser.Value[figures](p, `(async () => {
		const c = provoke.charts["figure-profile-3"], frame = () => new Promise(requestAnimationFrame), time = async f => { const t = performance.now(); f(); await Promise.resolve(); await Promise.resolve(); c.plot.ctx.getImageData(0, 0, 1, 1); return performance.now() - t; };
		const all = [];
		const many = async (n, f) => { let sum = 0; for (let i = 0; i < n; i++) { const t = await time(f); all.push(t); sum += t; await frame(); } return sum / n; };
		const Draw = await many(5, () => c.plot.redraw());
		const Zoom = await many(10, () => c.zoom(0.8, 0.7)), From = c.plot.scales.x.min;
		const Pan = await many(20, () => c.pan(-0.05));
		return {Draw, Zoom, Pan, Worst: Math.max(...all), From, To: c.plot.scales.x.min};
	})()`)
	if f.From <= 0.16 || f.To >= f.From {
		t.Errorf("zoomed it begins at %g MHz, then panned at %g MHz", f.From, f.To)
	}
	t.Logf("figure: chart of 100,000 points: redraw %.0f ms, zoom %.0f ms, pan %.0f ms, worst %.0f ms", f.Draw,
		f.Zoom, f.Pan, f.Worst)
	if c := p.Complaints(); len(c) > 0 {
		t.Error(c)
	}
}

// The live page is fed twenty points a second with their readings, much faster than the clock: a
// minute's worth, or an hour's with -everything. It keeps up and holds a bounded amount.
func TestTheLivePageKeepsUpAndDoesNotGrow(t *testing.T) {
	points, each := 1200, 20
	if *everything {
		points = 72000
	}
	p := browser.Open(t)
	s := serve(t, true)
	j, err := store.Open(s.job)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	s.runner.running = j
	monitors := []event.Monitor{{ID: "SHOWN", Kind: "text", Unit: "kg", Tolerance: 0.05, Baseline: 12.5,
		HasBaseline: true}}
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Exposure, Label: "soak", Points: 500,
		Monitors: monitors}))
	must(w.Append(time.Now(), event.Watching{Monitors: monitors}))
	began := time.Now()
	s.runner.mu.Lock()
	s.runner.state = web.State{Underway: true, Run: w.Run(), Began: began}
	s.runner.mu.Unlock()
	p.Size(1280, 720)
	s.enter(p)
	p.Go(fmt.Sprintf("%s/live?run=%d", s.URL, w.Run()))
	p.Wait(`document.body.dataset.fresh === "yes"`)

	heap := func() float64 {
		return browser.Value[float64](p,
			`(async () => { for (let i = 0; i < 3; i++) { gc(); await new Promise(r => setTimeout(r, 50)); } return performance.memory.usedJSHeapSize; })()`)
	}
	nodes := func() float64 { return browser.Value[float64](p, `document.getElementsByTagName("*").length`) }
	feed := func(from, to int) {
		for i := from; i < to; i += each {
			var batch []event.Event
			for k := i; k < min(i+each, to); k++ {
				batch = append(batch, soakStep(k)...)
			}
			must(w.Append(time.Now(), batch...))
			s.runner.soak(i, each, began)
			time.Sleep(20 * time.Millisecond)
		}
		last := fmt.Sprintf(`document.querySelector("#log li")?.textContent.includes(%q)`,
			rf.Frequency(soakFrequency(to-1)).String())
		p.Wait(last)
	}
	feed(0, points/3)
	heapEarly, nodesEarly := heap(), nodes()
	start := time.Now()
	feed(points/3, points)
	rate := float64(points-points/3) / time.Since(start).Seconds()
	heapLate, nodesLate := heap(), nodes()
	if nodesLate > nodesEarly+5 {
		t.Errorf("the page grew from %g to %g elements", nodesEarly, nodesLate)
	}
	if heapLate > heapEarly+4e6 {
		t.Errorf("the page grew from %.1f to %.1f MB", heapEarly/1e6, heapLate/1e6)
	}
	if rate < 20 {
		t.Errorf("the page took %.0f points a second", rate)
	}
	t.Logf("figure: live page: %d points at %.0f points a second; heap %.1f MB, then %.1f MB; %.0f elements, then %.0f",
		points, rate, heapEarly/1e6, heapLate/1e6, nodesEarly, nodesLate)
	for _, c := range p.Complaints() {
		if !strings.Contains(c, "favicon") {
			t.Error(c)
		}
	}
}

// After an hour of tracking, 3,000 exposures, a new one is drawn within 100 ms of its record, by no task over 50 ms.
func TestAnExposureIsDrawnAtOnceAfterAnHourOfTracking(t *testing.T) {
	p := browser.Open(t)
	s := serve(t, true)
	w := s.looping(t, engine.HandsAreOut)
	exposed := func(i int) []event.Event {
		level := rf.Gain(-8 + 0.5*float64(i%5-2))
		step := plan.Step{Number: i + 1, Purpose: plan.Tracking, Offset: level,
			Point: plan.Point{Frequency: []rf.Frequency{41e6, 27.12e6}[i%2], Target: rf.DBuA(80)}}
		return []event.Event{event.Intent{Step: step, Attempt: 1}, event.StepClosed{Step: step, Attempt: 1,
			Current: rf.DBuA(80).Add(level), Drive: rf.DBm(-13), OnFor: 1e9,
			Outcome: plan.Outcome{Number: i + 1, Exposures: 1, Upset: i%5 > 2}}}
	}
	for i := range 3000 {
		must(w.Append(time.Now(), exposed(i)...))
		if i%75 == 74 {
			must(w.Append(time.Now(), event.HandsIn{How: "read back as off"}, event.HandsOut{Try: i/75 + 1,
				What: fmt.Sprintf("change %d", i/75+1)}))
		}
	}
	p.Size(1280, 720)
	s.enter(p)
	p.Go(s.URL + "/live")
	p.Wait(`document.body.dataset.fresh === "yes" && provoke.charts.loop.c.at.length >= 1500`)
	time.Sleep(time.Second)
	p.Eval(`(() => { globalThis.tasks = []; new PerformanceObserver(l => tasks.push(...l.getEntries().map(e => e.duration))).observe({type: "longtask"});
		globalThis.drawn = []; const c = provoke.charts.loop; (c.plot.hooks.draw ??= []).push(() => drawn.push([c.c.at.length, Date.now()])); })()`)
	var worst, all []float64
	for i := range 30 {
		points := browser.Value[int](p, `provoke.charts.loop.c.at.length`)
		began := time.Now()
		must(w.Append(time.Now(), exposed(3000+2*i)...))
		p.Wait(fmt.Sprintf(`drawn.some(([n]) => n > %d)`, points))
		at := browser.Value[float64](p, fmt.Sprintf(`drawn.find(([n]) => n > %d)[1]`, points))
		all = append(all, at-float64(began.UnixMilli()))
		time.Sleep(130 * time.Millisecond)
	}
	slices.Sort(all)
	worst = browser.Value[[]float64](p, `tasks`)
	t.Logf("figure: after 3,000 exposures with 40 tries an exposure is drawn after %.0f ms (median of %d), %.0f ms at "+
		"the slowest; tasks over 50 ms: %v", all[len(all)/2], len(all), all[len(all)-1], worst)
}

// soakFrequency goes over and over 500 frequencies.
func soakFrequency(i int) float64 { return 150e3 * math.Pow(80e6/150e3, float64(i%500)/499) }

func soakStep(i int) []event.Event {
	step := plan.Step{Number: i + 1, Purpose: plan.Sweep, Point: plan.Point{Frequency: rf.Frequency(soakFrequency(i)),
		Target: rf.DBuA(80)}}
	c := event.StepClosed{Step: step, Attempt: 1, Current: rf.DBuA(79.9), Drive: rf.DBm(-13), OnFor: 5e7,
		Outcome:  plan.Outcome{Number: i + 1, Exposures: 1, Upset: i%37 == 0},
		Readings: []event.Reading{{Monitor: "SHOWN", Value: 12.5, HasValue: true, RFOn: true}}}
	return []event.Event{event.Intent{Step: step, Attempt: 1}, c}
}

// soak is the runner's side of some points: status and looks.
func (f *fakeRunner) soak(i, n int, began time.Time) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.state.Status = engine.Status{Phase: "exposing", RFOn: true, Frequency: rf.Frequency(soakFrequency(i)),
		Current: rf.DBuA(79.9), Drive: rf.DBm(-13), Done: i % 500, Known: 500}
	for k := range 2 * n {
		l := engine.Look{At: time.Now().Add(time.Duration(k) * time.Millisecond / 4),
			Reading: event.Reading{Monitor: "SHOWN", Value: 12.5 + 0.01*math.Sin(float64(i+k)), HasValue: true,
				RFOn: k%5 > 0}}
		f.looks = append(f.looks, l)
		f.seen++
		f.state.Looks = []engine.Look{l}
	}
	if len(f.looks) > 2000 {
		f.looks = f.looks[1000:]
	}
}
