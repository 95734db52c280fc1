package report_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

var writeShapes = flag.Bool("write-shapes", false, "write testdata/shapes anew")

// shapedJob is a small job with everything that a shape of --json can tell: a baseline, two exposures with the bench
// file and a kept prediction, what a laboratory reported, and studies.
func shapedJob(t *testing.T) tell.Job {
	t.Helper()
	files := map[string][]byte{}
	for _, name := range []string{"belt-weigher.yaml", "clamp-insertion-loss.csv", "coax2.csv", "coax3.s2p",
		"probe-in-jig.s2p"} {
		data, err := os.ReadFile("../../files/catalog/testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = data
	}
	kept, err := json.Marshal(remedy.Prediction{Provoke: remedy.PredictionKind, Run: 2,
		Change: []string{"sleeve <5 turns>"}, Cable: "c0",
		Points: []remedy.PredictedPoint{{Hz: 1e6, Probe: 6.12345, ProbeLow: 4.00049, ProbeHigh: 9},
			{Hz: 80e6, Probe: 12, ProbeLow: 3.5, ProbeHigh: 14}}})
	if err != nil {
		t.Fatal(err)
	}
	files[remedy.PredictionName] = kept
	job := studiedJob(t)
	grid := gridOf(24)
	first, second := openedOf("as received", ""), openedOf("ferrites", "two ferrites & a <sleeve>")
	for _, o := range []*event.Opened{&first, &second} {
		o.Bench = event.Attachment{Name: "belt-weigher.yaml", SHA256: "belt-weigher.yaml"}
		for name := range files {
			o.Files = append(o.Files, event.Attachment{Name: name, SHA256: name})
		}
		o.Changed = map[bool]string{true: second.Changed}[o == &second]
	}
	job.Runs[1], job.Runs[2] = exposure(2, first, asReceived, grid), exposure(3, second, withCapacitor, grid)
	a := event.Attached{Attachment: event.Attachment{Name: remedy.PredictionName, SHA256: remedy.PredictionName}}
	job.Runs[1] = result.Fold(job.Runs[1], event.Record{Run: 2, Seq: job.Runs[1].Records + 1, At: monday, Event: a})
	job.Files = func(hash string) ([]byte, error) {
		if data, ok := files[hash]; ok {
			return data, nil
		}
		return nil, errors.New("not there")
	}
	return job
}

// The documented shapes of --json, byte for byte.
func TestTheShapesOfJSONStay(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the last digits of computed values differ between processors")
	}
	job := shapedJob(t)
	book := tell.Open(job)
	need := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for name, number := range map[string]int{"findings-baseline": 1, "findings": 2, "findings-random": 5} {
		told, err := book.Tell(number)
		need(err)
		if number == 1 {
			told.Findings.Points = told.Findings.Points[:3]
		}
		if number == 2 {
			told.Findings.Control = 3
			told.Findings.Points[3].InControl = true
			told.Findings.Drift = []analysis.Drift{{Monitor: "KG", Unit: "kg", First: 12.5, Last: 12.4999,
				Largest: -1.25e-5, Tolerance: 0.05}}
		}
		holds(t, name, told)
	}
	compared, err := book.Compared(2, 3, 1.5, nil)
	need(err)
	holds(t, "compare", compared)
	lab, _, err := book.Laboratory()
	need(err)
	beside, err := book.Beside(lab, 2, 0.95, nil)
	need(err)
	holds(t, "laboratory", beside)
	beside.Points, beside.BenchOnly = nil, nil
	holds(t, "laboratory-empty", beside)
	e, err := book.Evidence(2)
	need(err)
	holds(t, "explain", e)
	random := runNumbered(t, job, 5)
	s := analysis.RandomStudyOf(random, nil, analysis.RandomQuestion{Probabilities: []rf.Fraction{0.5, 0.123456},
		Memory: rf.Duration(time.Second)})
	holds(t, "threshold", s)
	plain := runNumbered(t, job, 2)
	s = analysis.RandomStudyOf(plain, []rf.Frequency{plain.Points()[3].Frequency, plain.Points()[16].Frequency},
		analysis.RandomQuestion{})
	holds(t, "threshold-plain", s)
	repeated := runNumbered(t, job, 6)
	d, err := analysis.DwellStudyOf(repeated, nil, 0.95, 0.95)
	need(err)
	holds(t, "dwell", d)
	d, err = analysis.DwellStudyOf(modulated(10, level.Modulation{Kind: level.CW}, 95), nil, 0.9, 0.9)
	need(err)
	holds(t, "dwell-none", d)
	runs := []result.Run{runNumbered(t, job, 7), runNumbered(t, job, 8),
		modulated(11, level.Modulation{Kind: level.Pulse, Rate: 100, Duty: 0.5}, 95)}
	holds(t, "modulation", tell.ModulationShape{Runs: tell.Numbers(runs), Tolerance: 1,
		At: analysis.ModulationStudy(analysis.Outlines(runs...), 1)})
	r := tell.RepeatTold{Repeatability: analysis.Repeat(analysis.Outlines(plain, runNumbered(t, job, 3))),
		Drift: []tell.RunDrift{
			{Run: 2, Stability: analysis.Stability{Frequency: 1e6, Drift: 0.98765}, U: 0.91234, Words: "moved"},
			{Run: 3, Stability: analysis.Stability{Frequency: 1e6, Drift: 0.1}, U: rf.Gain(math.NaN()),
				Words: "not known"}}}
	holds(t, "repeat", r)
}

func runNumbered(t *testing.T, job tell.Job, number int) result.Run {
	t.Helper()
	r, err := job.Run(number)
	if err != nil || r.Opened.RunKind == plan.Baseline {
		t.Fatal(number, err)
	}
	return r
}

// holds compares a shape with the one kept.
func holds(t *testing.T, name string, shape any) {
	t.Helper()
	var got bytes.Buffer
	if err := terminal.PrintShape(&got, shape); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join("testdata", "shapes", name+".json")
	if *writeShapes {
		if err := os.WriteFile(file, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil || !bytes.Equal(got.Bytes(), want) {
		t.Errorf("%s is not what it was (%v):\n%s", name, err, got.Bytes())
	}
}
