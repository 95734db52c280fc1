//go:build unix

package recall_test

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/recall"
	"provoke/internal/job/archive"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/level"
	"provoke/internal/tools/postgres"
	"provoke/internal/units/rf"
)

var jobsFlag = flag.Int("jobs", 200, "synthetic jobs of 500 steps in the archive; docs/archive.md tells of 10000")

// maker makes jobs of an invented laboratory, each an exposure, a change and an exposure, from a seed.
type maker struct {
	r     *rand.Rand
	bench [6][]byte
	which int // bench of the job made last
}

func newMaker(seed uint64) *maker {
	m := &maker{r: rand.New(rand.NewPCG(seed, 0))}
	file := simbench.New(simbench.Config{Seed: 1}).BenchFile()
	for i := range m.bench {
		m.bench[i] = bytes.Replace(file, []byte("name: simulated bench, seed 1"), fmt.Appendf(nil, "name: bench %c",
			'A'+i), 1)
		m.bench[i] = bytes.Replace(m.bench[i], []byte("SIM-0009"), fmt.Appendf(nil, "P-%d", i), 1)
	}
	return m
}

var (
	cables = []string{"RS-485", "4 to 20 mA", "mains", "Ethernet", "load cell, six wires"}
	fixes  = []string{"ferrite sleeve at the connector", "capacitors from the wires to chassis",
		"shield joined all round",
		"series resistors of 100 Ω", "firmware: median of three readings", "longer braid to the plane"}
	gains = []float64{4, 7, 12, 3, 2, 0.5} // dB, the middle of each
)

const wantedLevel = 90.0 // dBµA

// make writes a job file and returns it open.
func (m *maker) make(t testing.TB, path string, n int) *store.Job {
	t.Helper()
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	which := m.r.IntN(len(m.bench))
	m.which = which
	bench, err := j.Attach("bench.yaml", m.bench[which])
	if err != nil {
		t.Fatal(err)
	}
	fix, cable := m.r.IntN(len(fixes)), m.r.IntN(len(cables))
	at := time.Date(2020, 1, 1, 8, 0, 0, 0, time.UTC).Add(time.Duration(n) * 7 * time.Hour)
	o := event.Opened{RunKind: plan.Exposure, Mode: plan.ClosedLoop, Fixture: "cable", Label: "as received",
		Operator: fmt.Sprintf("Engineer %d", m.r.IntN(9)), Bench: bench, Resolution: 0.5, Range: 40,
		Profile: event.Profile{ID: "constant", Title: "constant current 90 dBµA"},
		Equipment: []event.Equipment{{ID: "PROBE1", Description: "current probe", Serial: fmt.Sprintf("P-%d", which),
			Certificate: "invented", Calibrated: "2020-01-01", Due: "2024-01-01"}},
		Setup: []event.Field{{Name: event.SetupProduct, Value: fmt.Sprintf("conveyor belt weigher %d (invented)",
			m.r.IntN(40))},
			{Name: event.SetupVersion, Value: fmt.Sprintf("firmware %d", 1+m.r.IntN(4))},
			{Name: event.SetupCableKind, Value: cables[cable]}}}
	dips := [3][2]float64{}
	for i := range dips {
		dips[i] = [2]float64{math.Log(150e3) + m.r.Float64()*math.Log(80e6/150e3), 4 + 14*m.r.Float64()}
	}
	m.run(t, j, o, at, dips, 0)
	o.Label, o.Changed, o.Again = "with "+fixes[fix], fixes[fix], 1
	m.run(t, j, o, at.Add(3*time.Hour), dips, max(0, gains[fix]+2*m.r.NormFloat64()))
	return j
}

// run writes an exposure of 100 frequencies whose onsets lie in three dips, each moved up by a gain, and found as a
// plan of 0.5 dB finds them: up to 250 steps.
func (m *maker) run(t testing.TB, j *store.Job, o event.Opened, at time.Time, dips [3][2]float64, gain float64) {
	t.Helper()
	const grid = 100
	o.Points = grid
	w, err := j.NewRun(at, o)
	if err != nil {
		t.Fatal(err)
	}
	var events []event.Event
	number := 0
	step := func(f rf.Frequency, purpose plan.Purpose, offset rf.Gain, threshold float64) bool {
		number++
		read := wantedLevel + float64(offset) + 0.05*m.r.NormFloat64()
		s := plan.Step{Number: number, Purpose: purpose, Offset: offset, Point: plan.Point{Frequency: f,
			Target: rf.DBuA(wantedLevel), Drive: rf.DBm(-27.4), Ceiling: rf.DBm(-10), Wanted: level.Ask{
				Current: rf.DBuA(wantedLevel)}}}
		upset := read >= threshold
		c := event.StepClosed{Step: s, Attempt: 1, Outcome: plan.Outcome{Number: number, Exposures: 1, Upset: upset},
			Drive: rf.DBm(-27.1).Add(offset), Current: rf.DBuA(read), Highest: rf.DBuA(read),
			Means: "r.m.s. of the carrier",
			OnFor: 2e9, Readings: []event.Reading{{Monitor: "weight", After: 1e9, Text: " 12.50 kg", Value: 12.5,
				HasValue: true, RFOn: true}}}
		if upset {
			c.Class, c.RecoveredAfter, c.Note = event.DuringOnly, 3e8, "1.2 kg above the baseline"
		}
		events = append(events, event.Intent{Step: s, Attempt: 1}, c)
		return upset
	}
	for i := range grid {
		f := rf.Frequency(math.Round(150e3 * math.Pow(80e6/150e3, float64(i)/(grid-1))))
		threshold := wantedLevel + 8 + gain
		for _, d := range dips {
			x := (math.Log(float64(f)) - d[0]) / 0.25
			threshold = min(threshold, wantedLevel+8-(d[1]+8)*math.Exp(-x*x)+gain)
		}
		if !step(f, plan.Sweep, 0, threshold) {
			continue
		}
		good, bad := rf.Gain(-20), rf.Gain(0)
		for bad-good > 0.5 {
			middle := rf.Gain(math.Round(float64(good+bad)) / 2)
			if middle <= good || middle >= bad {
				break
			}
			if step(f, plan.Onset, middle, threshold) {
				bad = middle
			} else {
				good = middle
			}
		}
	}
	if _, err := w.Append(at.Add(time.Hour), events...); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Close(at.Add(time.Hour), event.DoneUpset, ""); err != nil {
		t.Fatal(err)
	}
}

// TestAnArchiveOfManyJobs pushes many synthetic jobs to a server, beside psql's COPY of the same rows, and asks.
func TestAnArchiveOfManyJobs(t *testing.T) {
	server := postgres.Start(t)
	at := server.Database("jobs")
	a, err := archive.Open(t.Context(), at, "test", true)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	m, dir := newMaker(1), t.TempDir()
	var verified, sent, derived time.Duration
	records := int64(0)
	for n := range *jobsFlag {
		path := filepath.Join(dir, fmt.Sprintf("job %d.provoke", n))
		j := m.make(t, path, n)
		p, err := a.Push(t.Context(), j, archive.Pushing{Name: filepath.Base(path), Who: "test"})
		if err != nil {
			t.Fatal(err)
		}
		verified, sent, records = verified+p.Verified, sent+p.Sent, records+p.Records
		begun := time.Now()
		if err := recall.Refresh(t.Context(), a, p.Job); err != nil {
			t.Fatal(err)
		}
		derived += time.Since(begun)
		j.Close()
		os.Remove(path)
		if n+1 == 100 || n+1 == 1000 || n+1 == *jobsFlag {
			ask(t, a, n+1)
		}
	}
	server.Psql("jobs", "SET search_path TO provoke; COPY (SELECT * FROM records ORDER BY run, seq) TO "+
		"'"+server.File("rows")+
		"'; CREATE TABLE again (LIKE records INCLUDING ALL)")
	begun := time.Now()
	server.Psql("jobs", "SET search_path TO provoke; \\copy again FROM '"+server.File("rows")+"'")
	copied := time.Since(begun)
	rate := float64(records) / sent.Seconds()
	t.Logf("figure: archive of %d jobs, %d records: pushed at %.0f records/s, verified in %v besides, findings "+
		"derived in %v; psql's COPY "+
		"of the same rows %.0f/s: %.2f of it (asked: 0.25)", *jobsFlag, records, rate, verified.Round(1e6),
		derived.Round(1e6),
		float64(records)/copied.Seconds(), rate*copied.Seconds()/float64(records))
}

// ask asks each question many times.
func ask(t *testing.T, a *archive.Archive, jobs int) {
	t.Helper()
	open := archive.Filter{LevelLow: math.NaN(), LevelHigh: math.NaN()}
	var said []string
	for _, q := range []struct {
		name string
		ask  func(ctx context.Context, n int) (int, error)
	}{
		{"fixes", func(ctx context.Context, n int) (int, error) {
			f := open
			f.Cable, f.Low, f.High = cables[n%len(cables)], 20e6, 60e6
			x, err := recall.AskFixes(ctx, a, f, 6)
			return len(x.Groups), err
		}},
		{"upsets", func(ctx context.Context, n int) (int, error) {
			f := open
			f.Product, f.Low, f.High, f.LevelHigh = fmt.Sprintf("weigher %d ", n%40), 1e6, 30e6, 85
			x, err := recall.AskFailures(ctx, a, f)
			return len(x.Bands), err
		}},
		{"text", func(ctx context.Context, n int) (int, error) {
			f := open
			f.Text, f.Bench = `"median of three" -mains`, fmt.Sprintf("bench %c", 'A'+n%6)
			x, err := recall.AskRuns(ctx, a, f)
			return len(x.Runs), err
		}},
		{"versions", func(ctx context.Context, n int) (int, error) {
			f := open
			f.Product = fmt.Sprintf("weigher %d ", n%40)
			x, err := recall.AskVersions(ctx, a, f)
			return len(x.Versions), err
		}},
		{"used", func(ctx context.Context, n int) (int, error) {
			f := open
			f.Since, f.Until = "2020-01-01", "2020-03-01"
			x, err := recall.AskUses(ctx, a, fmt.Sprintf("P-%d", n%6), f)
			return len(x.Uses), err
		}},
	} {
		var took []time.Duration
		found := 0
		for n := range 60 {
			begun := time.Now()
			x, err := q.ask(t.Context(), n)
			if err != nil {
				t.Fatalf("%s: %v", q.name, err)
			}
			took, found = append(took, time.Since(begun)), found+x
		}
		if found == 0 {
			t.Errorf("%s finds nothing: nothing was timed", q.name)
		}
		slices.Sort(took)
		said = append(said, fmt.Sprintf("%s %.1f/%.1f", q.name, took[30].Seconds()*1e3, took[57].Seconds()*1e3))
	}
	t.Logf("figure: archive of %d jobs, ms at the median/95th percentile: %s (asked: 100/300)", jobs,
		strings.Join(said, ", "))
}
