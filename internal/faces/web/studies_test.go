package web_test

import (
	"html"
	"math"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/faces/web"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// studies writes runs that study the invented product into the job, and returns the addresses of their
// findings.
func (s *site) studies(t testing.TB) map[string]string {
	t.Helper()
	j := must(store.Open(s.job))
	defer j.Close()
	p := must((&fakeRunner{}).Prepare(web.Request{PlanFile: filepath.Join(s.dir, "exposure.yaml")}))
	o := event.Opened{Program: "test", RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: string(p.Plan.Fixture),
		Bench: must(j.Attach("bench.yaml", p.Bench.Bytes)), Points: 1,
		Dwell: rf.Duration(2e9), Resolution: 0.5, Range: 40, Modulation: p.Plan.Modulation,
		Monitors: []event.Monitor{{ID: "SHOWN", Kind: "text", Unit: "kg", Latency: 25e7}}}
	writeSearch(t, j, o, "staircase", plan.Search{Method: plan.Staircase, Trials: 40})
	writeSearch(t, j, o, "dwell study", plan.Search{Method: plan.Repeated, Trials: 20, Below: 5})
	o.Changed = "capacitors, for the modulation study (invented)"
	writeModulated(j, o, level.Modulation{Kind: level.CW}, 79.706)
	writeModulated(j, o, p.Plan.Modulation, 78.5)
	o.Changed = "before a free sweep (invented)"
	writeSwept(j, o)
	return map[string]string{"random": "/findings?run=5", "dwell": "/findings?run=6", "modulation": "/findings?run=8",
		"swept": "/findings?run=9"}
}

// writeSwept is a free sweep that found two bands, and a run that stepped through the first with upsets and
// through the second without.
func writeSwept(j *store.Job, o event.Opened) {
	swept := o
	swept.RunKind, swept.Mode, swept.Label, swept.Search, swept.Points = plan.FreeSweepRun, plan.ConstantDrive,
		"first look", nil, 0
	w := must(j.NewRun(at(7000), swept))
	pass := event.SweepPass{Pass: 1, Law: "log", From: 1e6, To: 30e6, Time: 60e9, Drive: rf.DBm(-18), Marked: "key",
		Within: 5e8, Readings: 600,
		Upsets: []event.SweepUpset{{Monitor: "SHOWN", After: 27e9, Apparent: 4.2e6, Recovered: 4.4e6},
			{Monitor: "SHOWN", After: 47e9, Apparent: 15e6}}}
	back := pass
	back.Pass, back.From, back.To = 2, pass.To, pass.From
	back.Upsets = []event.SweepUpset{{Monitor: "SHOWN", After: 36e9, Apparent: 3.8e6, Recovered: 3.7e6},
		{Monitor: "SHOWN", After: 14e9, Apparent: 14e6}}
	must(w.Append(at(7001), pass, back, event.SweepBands{Latency: 9e8, Within: 3e8,
		Notes: []string{"4 MHz: one rate: latency and width are not told apart"}, Bands: []event.SweepBand{
			{Low: 3.9e6, High: 4.1e6, Within: 6e4, Rests: "a pass upwards and one downwards"},
			{Low: 14.4e6, High: 14.6e6, Within: 2e5, Rests: "a pass upwards and one downwards"},
			{Low: 22e6, High: 23e6, Within: 2e5, Rests: "a pass upwards and one downwards"}}}))
	must(w.Close(at(7002), event.DoneUpset, ""))
	o.Mode, o.Label, o.Search, o.Points = plan.ConstantDrive, "stepped", nil, 6
	w = must(j.NewRun(at(7100), o))
	for i, f := range []rf.Frequency{3.8e6, 3.95e6, 4.05e6, 14.3e6, 14.5e6, 14.7e6} {
		upset := f == 3.95e6
		must(w.Append(at(7101), event.StepClosed{Step: plan.Step{Number: i + 1, Purpose: plan.Sweep,
			Point: plan.Point{Frequency: f, Target: rf.DBuA(80)}}, Attempt: 1, Drive: rf.DBm(-18),
			Outcome: plan.Outcome{Number: i + 1, Exposures: 1, Upset: upset}, Current: rf.DBuA(80),
			OnFor: rf.Duration(1e9)}))
	}
	must(w.Close(at(7102), event.DoneUpset, ""))
}

// writeSearch runs a search at 27 MHz on a product that upsets with the probability Φ((L − 80 dBµA)/1 dB), after
// 0.3 s on average.
func writeSearch(t testing.TB, j *store.Job, o event.Opened, label string, search plan.Search) {
	t.Helper()
	const wanted = 90.0
	search.Onset, search.Resolution, search.Range = true, 0.5, 40
	p := &plan.Plan{Kind: plan.Exposure, Mode: plan.ClosedLoop, Grid: []rf.Frequency{27 * rf.Megahertz},
		Search: search.Filled()}
	program := must(plan.NewProgram(p, func(f rf.Frequency) (plan.Point, error) {
		return plan.Point{Frequency: f, Target: rf.DBuA(wanted)}, nil
	}))
	o.Search, o.Label = event.SearchOf(p), label
	w := must(j.NewRun(at(6000), o))
	r := rand.New(rand.NewPCG(4, 7))
	var events []event.Event
	for s, ok := program.Next(nil); ok; {
		l, after := wanted+s.Offset.DB(), rf.Duration(r.ExpFloat64()*3e8)
		out := plan.Outcome{Number: s.Number, Exposures: 1, Upset: r.Float64() < 0.5*math.Erfc(-(l-80)/math.Sqrt2) &&
			after < o.Dwell}
		e := event.StepClosed{Step: s, Attempt: 1, Outcome: out, Current: rf.DBuA(l), OnFor: o.Dwell}
		if out.Upset {
			e.Class, e.OnFor, e.Readings = event.DuringOnly,
				after, []event.Reading{{Monitor: "SHOWN", After: after, Bad: true, RFOn: true}}
		}
		events = append(events, e)
		s, ok = program.Next(&out)
	}
	must(w.Append(at(6001), events...))
	must(w.Close(at(6002), event.DoneUpset, ""))
}

// writeModulated is a run of one frequency with an onset.
func writeModulated(j *store.Job, o event.Opened, m level.Modulation, onset float64) {
	o.Modulation, o.Label = m, "modulation study"
	w := must(j.NewRun(at(6100), o))
	for i, l := range []float64{90, onset - 0.5, onset} {
		s := plan.Step{Number: i + 1, Purpose: plan.Onset, Offset: rf.Gain(l - 90),
			Point: plan.Point{Frequency: 27 * rf.Megahertz, Target: rf.DBuA(90)}}
		e := event.StepClosed{Step: s, Attempt: 1,
			Outcome: plan.Outcome{Number: i + 1, Exposures: 1, Upset: l >= onset}, Current: rf.DBuA(l),
			OnFor: rf.Duration(1e9)}
		if l >= onset {
			e.Class = event.DuringOnly
		}
		must(w.Append(at(6100), e))
	}
	must(w.Close(at(6102), event.DoneUpset, ""))
}

// The mean of AM 80 % lies 10·lg(1 + 0.8²/2) = 1.206 dB above its carrier; 0 of 1 upsets leave at most 95 %; 59
// exposures show a dwell that catches 95 %.
func TestTheFindingsOfAStudyShowWhatWasStudied(t *testing.T) {
	s := serve(t, true)
	paths := s.studies(t)
	for name, want := range map[string][]string{
		"random": {"Random thresholds, run 5", "Stated before the run: staircase",
			"Upsets over the level at 27 MHz", "limits (profile likelihood)", "at most 95.0 %",
			"Where the product of run 5 is not deterministic"},
		"dwell": {"Time to upset, run 6", "Dwell that catches 95 % of the upsets",
			">59<", "Times hold the monitor's own delay, up to 250 ms", "the line marks the dwell needed"},
		"modulation": {"Modulations, runs 7 and 8", "mean: the onset has the same mean power whatever the modulation"},
		"swept": {"4 upsets in 2 passes, 3 bands found",
			"Latency of product and watching together, the longest of the bands: 900 ms ± 300 ms", "± 60 kHz",
			"confirmed", "run 10, 1 of 2 frequencies upset",
			"rejected: stepped through without an upset", "not stepped through yet", "apparent frequency",
			"latency and width are not told apart"},
	} {
		status, page := s.get(t, paths[name])
		page = html.UnescapeString(page)
		for _, w := range want {
			if status != http.StatusOK || !strings.Contains(page, w) {
				t.Errorf("%s: %d, no %q", name, status, w)
			}
		}
	}
	if _, page := s.get(t, "/findings?run=3"); strings.Contains(page, "Random thresholds") ||
		strings.Contains(page, "Modulations, runs") {
		t.Error("a plain run shows a study")
	}
}
