package report_test

import (
	"bytes"
	"html"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"provoke/internal/faces/report"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// searched runs a program on the invented weigher, which at 27 MHz upsets with the probability
// Φ((L − 80 dBµA)/1 dB) after an exponential time of 0.3 s on average, and journals it as the engine does.
func searched(t testing.TB, number int, search plan.Search, dwell rf.Duration) result.Run {
	t.Helper()
	search.Onset, search.Resolution, search.Range = true, 0.5, 40
	p := &plan.Plan{Kind: plan.Exposure, Mode: plan.ClosedLoop, Grid: []rf.Frequency{27 * rf.Megahertz},
		Search: search.Filled()}
	program, err := plan.NewProgram(p, func(f rf.Frequency) (plan.Point, error) {
		return plan.Point{Frequency: f, Target: rf.DBuA(levelWanted)}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	o := openedOf("study", "")
	o.Search, o.Dwell, o.Points = event.SearchOf(p), dwell, 1
	r := rand.New(rand.NewPCG(4, 7))
	j := &journal{n: number, at: monday.Add(time.Duration(number) * time.Hour)}
	j.add(o, event.Armed{By: "R. Beispiel"}, watched())
	for s, ok := program.Next(nil); ok; {
		l := levelWanted + s.Offset.DB()
		after := rf.Duration(r.ExpFloat64() * 0.3e9)
		upset := r.Float64() < 0.5*math.Erfc(-(l-80)/math.Sqrt2) && after < dwell
		out := plan.Outcome{Number: s.Number, Exposures: 1, Upset: upset}
		e := event.StepClosed{Step: s, Attempt: 1, Outcome: out, Current: rf.DBuA(l), OnFor: dwell}
		if upset {
			e.Class, e.OnFor = event.DuringOnly, after
			e.Readings = []event.Reading{{Monitor: "KG", After: after, Bad: true, RFOn: true, Value: 13,
				HasValue: true}}
		}
		j.add(e)
		s, ok = program.Next(&out)
	}
	j.add(safed(true), event.Closed{Verdict: event.DoneUpset})
	return j.r
}

// modulated is a run of one frequency with an onset, under a modulation.
func modulated(number int, m level.Modulation, onset float64) result.Run {
	o := openedOf("modulation study", "")
	o.Modulation, o.Points = m, 1
	j := &journal{n: number, at: monday.Add(time.Duration(number) * time.Hour)}
	j.add(o, event.Armed{By: "R. Beispiel"}, watched())
	for i, l := range []float64{levelWanted, onset - 0.5, onset} {
		s := plan.Step{Number: i + 1, Purpose: plan.Onset, Offset: rf.Gain(l - levelWanted),
			Point: plan.Point{Frequency: 27 * rf.Megahertz, Target: rf.DBuA(levelWanted)}}
		e := event.StepClosed{Step: s, Attempt: 1,
			Outcome: plan.Outcome{Number: i + 1, Exposures: 1, Upset: l >= onset}, Current: rf.DBuA(l),
			OnFor: rf.Duration(time.Second)}
		if l >= onset {
			e.Class = event.DuringOnly
		}
		j.add(e)
	}
	j.add(safed(true), event.Closed{Verdict: event.DoneUpset})
	return j.r
}

// swept is a run in which the source swept by itself over an invented product and found one band.
func swept(number int) result.Run {
	o := openedOf("first look", "")
	o.RunKind, o.Mode, o.Points = plan.FreeSweepRun, plan.ConstantDrive, 0
	j := &journal{n: number, at: monday.Add(time.Duration(number) * time.Hour)}
	up := event.SweepPass{Pass: 1, Law: "log", From: 1e6, To: 80e6, Time: rf.Duration(60e9), Drive: rf.DBm(-12),
		Marked: "key", Within: rf.Duration(5e8), Readings: 240,
		Upsets: []event.SweepUpset{{Monitor: "KG", After: rf.Duration(46e9), Apparent: 28.2e6, Reset: rf.Duration(49e9),
			Well: 31e6}}}
	down := up
	down.Pass, down.From, down.To, down.Upsets = 2, up.To, up.From,
		[]event.SweepUpset{{Monitor: "KG", After: rf.Duration(15e9), Apparent: 26e6, Recovered: 24e6}}
	j.add(o, event.Armed{By: "R. Beispiel"}, watched(), up, down,
		event.SweepBands{Latency: rf.Duration(5e8), Within: rf.Duration(2e8),
			Bands: []event.SweepBand{{Low: 25.9e6, High: 28.3e6, Within: 8e5,
				Rests: "a pass upwards and one downwards"}}},
		safed(true), event.Closed{Verdict: event.DoneUpset})
	return j.r
}

// studiedJob is the canned job with what a laboratory reported, and studies of every kind.
func studiedJob(t testing.TB) tell.Job {
	t.Helper()
	j := weigherJob()
	lab := &journal{n: 4, at: monday.Add(4 * time.Hour)}
	lab.add(event.Opened{Version: 1, Program: "0.1-test", RunKind: event.LaboratoryKind,
		Label: "as the laboratory reported"},
		event.LaboratoryFailures{Laboratory: "an invented laboratory", Report: "R-17", Expanded: 1.9,
			K: 2, Failures: []event.LaboratoryFailure{
				{From: 24e6, To: 30e6, Level: "10 V emf", Modulation: "AM 80 % 1 kHz",
					What: "reading off by more than 1 kg", Class: "B"},
				{From: 12e6, Level: "10 V/m", What: "error latches"},
				{From: 79.9e6, Level: "33 mA", What: "display dark"}},
			Tested: []event.LaboratoryRange{{From: 150e3, To: 80e6, Level: "10 V emf"}}},
		event.Closed{Verdict: event.Done})
	cw, am := level.Modulation{Kind: level.CW}, openedOf("", "").Modulation
	j.Runs = append(j.Runs, lab.r, searched(t, 5, plan.Search{Method: plan.Staircase, Trials: 40},
		rf.Duration(5*time.Second)),
		searched(t, 6, plan.Search{Method: plan.Repeated, Trials: 20, Below: 5}, rf.Duration(2*time.Second)),
		// The mean of AM 80 % lies 10·lg(1 + 0.8²/2) = 1.206 dB above its carrier.
		modulated(7, cw, 79.706), modulated(8, am, 78.5), swept(9))
	return j
}

func written(t *testing.T, write func(*bytes.Buffer) error) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// 0 upsets in n trials leave at most 1 − 0.05^(1/n), and ln 0.05/ln 0.95 = 58.4 exposures show a dwell that
// catches 95 %: both are plain arithmetic.
func TestTheReportTellsStudiesAndTheLaboratory(t *testing.T) {
	j := studiedJob(t)
	page := string(written(t, func(b *bytes.Buffer) error { return report.HTML(b, j) }))
	plain := strings.ReplaceAll(html.UnescapeString(page), "\u00a0", " ")
	for _, want := range []string{
		"Random thresholds, run 5", "Stated before the run: staircase", "Upsets over the level at 27 MHz",
		"Current at which the product of run 5 upsets with a probability", "at most 95.0 %",
		"Time to upset, run 6", "Time to upset at 27 MHz", "Dwell that catches 95 % of the upsets", ">59<",
		"Modulations, runs 7 and 8", "mean: the onset has the same mean power whatever the modulation",
		"Free sweep, run 9", "Upsets of the passes of run 9", "Bands that the sweeps of run 9 found",
		"not stepped through yet", "± 800 kHz",
		"The laboratory's failures beside the onsets of run 2", "What a fixed product must stand on this bench",
		"What the laboratory's report asks for: not shown", "Found on the bench and not reported by the laboratory",
	} {
		if !strings.Contains(plain, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
	tables, err := tell.Tables(j)
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]int{}
	for _, x := range tables {
		rows[x.ID] += len(x.Rows)
		if rows[x.ID] != len(x.Rows) {
			t.Errorf("two tables are called %s", x.ID)
		}
		if x.ID == "swept-upsets-run-9" {
			if by, asked, well := x.Rows[0][5].Text, x.Rows[0][6].Text, x.Rows[0][7].Text; by != "–" ||
				asked != "49 s" || well != "31 MHz" {
				t.Errorf("an upset that a reset ended: well by itself at %q, reset after %q, well at %q", by,
					asked, well)
			}
		}
	}
	for id, least := range map[string]int{"thresholds-run-5": 1, "levels-run-5": 3, "shares-run-5": 4, "dwell-run-6": 1,
		"needed-dwell-run-6": 1, "times-run-6": 15, "modulation-runs-7-8": 2, "answers-runs-7-8": 1,
		"swept-bands-run-9": 1, "swept-upsets-run-9": 2, "passes-run-9": 2,
		"laboratory-run-2": 3, "per-unit-run-2": 2, "required-run-2": 3, "bench-only-run-2": 1} {
		if rows[id] < least {
			t.Errorf("table %s has %d rows, at least %d are expected", id, rows[id], least)
		}
	}
	x, err := excelize.OpenReader(bytes.NewReader(written(t,
		func(b *bytes.Buffer) error { return report.Workbook(b, j) })))
	if err != nil {
		t.Fatal(err)
	}
	defer x.Close()
	if sheets := strings.Join(x.GetSheetList(), "\n"); !strings.Contains(sheets, "levels-run-5") ||
		!strings.Contains(sheets, "required-run-2") {
		t.Errorf("the workbook's sheets are\n%s", sheets)
	}
	one, two := written(t, func(b *bytes.Buffer) error { return report.PDF(b, j, report.A4) }), written(t,
		func(b *bytes.Buffer) error { return report.PDF(b, j, report.A4) })
	if !bytes.Equal(one, two) {
		t.Error("the same job gives two different documents")
	}
	keepPictures(t, page, one)
}

// keepPictures writes the report where a person can look at it; the folder is not in git.
func keepPictures(t *testing.T, page string, pdf []byte) {
	t.Helper()
	dir := filepath.Join("..", "..", "..", "out")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"report-studies.html": []byte(page), "report-studies.pdf": pdf} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

func TestAJobWithoutStudiesTellsNone(t *testing.T) {
	page := string(written(t, func(b *bytes.Buffer) error { return report.HTML(b, weigherJob()) }))
	for _, not := range []string{"Random thresholds", "Time to upset,", "Modulations, runs", "Free sweep",
		"a fix must show"} {
		if strings.Contains(page, not) {
			t.Errorf("the page holds %q", not)
		}
	}
}
