//go:build unix

package recall_test

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/recall"
	"provoke/internal/files/catalog"
	"provoke/internal/job/archive"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/tools/postgres"
	"provoke/internal/units/rf"
)

func both(t *testing.T, do func(t *testing.T, a *archive.Archive)) {
	run := func(t *testing.T, at string) {
		a, err := archive.Open(t.Context(), at, "test", true)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Close()
		do(t, a)
	}
	t.Run("embedded", func(t *testing.T) { t.Parallel(); run(t, filepath.Join(t.TempDir(), "archive")) })
	t.Run("server", func(t *testing.T) { t.Parallel(); run(t, postgres.Start(t).Database("jobs")) })
}

var everything = archive.Filter{LevelLow: math.NaN(), LevelHigh: math.NaN()}

func pushAll(t *testing.T, a *archive.Archive, jobs ...*store.Job) {
	t.Helper()
	for _, j := range jobs {
		p, err := a.Push(t.Context(), j, archive.Pushing{Name: filepath.Base(j.Path()), Who: "test"})
		if err != nil {
			t.Fatal(err)
		}
		if err := recall.Refresh(t.Context(), a, p.Job); err != nil {
			t.Fatal(err)
		}
	}
}

// nastyJob holds what hurts in every text field.
func nastyJob(t *testing.T, path, text string, at time.Time) *store.Job {
	t.Helper()
	j, err := store.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { j.Close() })
	w, err := j.NewRun(at, event.Opened{RunKind: plan.RunKind(text), Mode: plan.Mode(text), Label: text, Changed: text,
		Operator: text, Room: text, Profile: event.Profile{ID: text, Title: text},
		Equipment: []event.Equipment{{ID: text, Description: text, Serial: text, Certificate: text, Due: text}},
		Curves:    []event.Curve{{Item: text, What: text, Source: text, SHA256: text}},
		Setup: []event.Field{{Name: event.SetupProduct, Value: text}, {Name: event.SetupVersion, Value: text},
			{Name: event.SetupCableKind, Value: text}, {Name: event.SetupPort, Value: text}}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Append(at, event.Note{By: text, Text: text}); err != nil {
		t.Fatal(err)
	}
	if _, err := w.Close(at, event.Verdict(text), text); err != nil {
		t.Fatal(err)
	}
	return j
}

// TestTextIsTextWhateverItHolds: in what is pushed and in what is asked.
func TestTextIsTextWhateverItHolds(t *testing.T) {
	texts := []string{`'; DROP TABLE records; --`, `"; DELETE FROM runs; --`, `\'); COMMIT; --`, "a\tb\\t\n\\.\nc\r",
		"$1 ? ?1 :x",
		"Ω µ 漢字 \U0001F600", `100%_\`, `" OR words MATCH "x" NOT`, `x & !y | (z <-> `, "two words", "\u0000\u001b[2J"}
	both(t, func(t *testing.T, a *archive.Archive) {
		var jobs []*store.Job
		for i, text := range texts {
			jobs = append(jobs, nastyJob(t, filepath.Join(t.TempDir(), "nasty "+string(rune('a'+i))+".provoke"), text,
				time.Date(2026, 1, 1+i, 0, 0, 0, 0, time.UTC)))
		}
		pushAll(t, a, jobs...)
		for i, text := range texts {
			if strings.Contains(text, "\u0000") {
				continue // no server takes one in a question; in a record it is kept
			}
			f := everything
			f.Product, f.Version, f.Cable, f.Operator, f.Fix = text, text, text, text, text
			got, err := recall.AskRuns(t.Context(), a, f)
			if err != nil || len(got.Runs) != 1 || got.Runs[0].Product != text {
				t.Errorf("asked for %q: %+v %v", text, got.Runs, err)
			}
			f = everything
			f.Text = text
			found, err := recall.AskRuns(t.Context(), a, f)
			if hasWords := strings.ContainsFunc(text, func(r rune) bool { return r >= 'a' && r <= 'z' }); hasWords &&
				(err != nil ||
					len(found.Runs) == 0) {
				t.Errorf("words of %q: %d runs, %v", text, len(found.Runs), err)
			}
			used, err := recall.AskUses(t.Context(), a, text, everything)
			if err != nil || len(used.Uses) != 1 {
				t.Errorf("serial number %q: %+v %v", text, used.Uses, err)
			}
			if got, err := a.Find(t.Context(), "nasty "+string(rune('a'+i))+".provoke"); err != nil ||
				len(got.Runs) != 1 {
				t.Errorf("%+v %v", got, err)
			}
		}
		f := everything
		f.Since, f.Until = "2026-01-03", "2026-01-04"
		if got, err := recall.AskRuns(t.Context(), a, f); err != nil || len(got.Runs) != 2 {
			t.Errorf("two days: %d runs %v", len(got.Runs), err)
		}
		if all, err := a.Jobs(t.Context()); err != nil || len(all) != len(texts) {
			t.Errorf("%d jobs left %v", len(all), err)
		}
	})
}

// TestEveryConditionIsHeardOrRefused: with a condition that nothing meets, a question finds nothing and says with what
// it was asked, or it is refused. A filter that is left unheard makes an answer look narrower than it is.
func TestEveryConditionIsHeardOrRefused(t *testing.T) {
	both(t, func(t *testing.T, a *archive.Archive) {
		m := newMaker(3)
		pushAll(t, a, m.make(t, filepath.Join(t.TempDir(), "j.provoke"), 0), m.make(t, filepath.Join(t.TempDir(),
			"k.provoke"), 1))
		gain := rf.Gain(400)
		heard := map[string]int{}
		for name, set := range map[string]func(q *recall.Question){
			"product":       func(q *recall.Question) { q.Filter.Product = "nowhere" },
			"version":       func(q *recall.Question) { q.Filter.Version = "nowhere" },
			"kind of cable": func(q *recall.Question) { q.Filter.Cable = "nowhere" },
			"bench":         func(q *recall.Question) { q.Benches = append(q.Benches[:0:0], "nowhere") },
			"operator":      func(q *recall.Question) { q.Filter.Operator = "nowhere" },
			"change":        func(q *recall.Question) { q.Filter.Fix = "nowhere" },
			"cause":         func(q *recall.Question) { q.Filter.Cause = "nowhere" },
			"words":         func(q *recall.Question) { q.Filter.Text = "nowhere" },
			"from":          func(q *recall.Question) { q.From = 5e9 },
			"to":            func(q *recall.Question) { q.To = 10 },
			"above":         func(q *recall.Question) { q.Above = rf.DBuA(400) },
			"below":         func(q *recall.Question) { q.Below = rf.DBuA(-400) },
			"gain":          func(q *recall.Question) { q.Gain = &gain },
			"since":         func(q *recall.Question) { q.Filter.Since = "2999-01-01" },
			"until":         func(q *recall.Question) { q.Filter.Until = "1999-01-01" },
			"serial number": func(q *recall.Question) { q.Serial = "nowhere" },
		} {
			for _, question := range []string{"fixes", "upsets", "runs", "versions", "equipment", "used"} {
				q := recall.Question{Name: question, Now: time.Now()}
				if question == "used" {
					q.Serial = "P-0"
				}
				set(&q)
				got, err := q.Ask(t.Context(), a)
				if errors.Is(err, recall.ErrAsked) {
					continue
				}
				if err != nil {
					t.Errorf("%s with a %s: %v", question, name, err)
					continue
				}
				heard[name]++
				words := ""
				for _, s := range got.Sections() {
					for _, b := range s.Blocks {
						words += b.Text + "\n"
						// versions counts runs without upsets too
						if b.Table != nil && len(b.Table.Rows) > 0 &&
							(question != "versions" || name != "from" && name != "to") {
							t.Errorf("%s with a %s that nothing meets: %v", question, name, b.Table.Rows)
						}
					}
				}
				if !strings.Contains(words, "; asked with ") {
					t.Errorf("%s does not say that it was asked with a %s:\n%s", question, name, words)
				}
			}
			if heard[name] == 0 {
				t.Errorf("no question goes by %s", name)
			}
		}
	})
}

func TestTextsAreFoundWhateverTheCaseOfTheirLetters(t *testing.T) {
	both(t, func(t *testing.T, a *archive.Archive) {
		pushAll(t, a, nastyJob(t, filepath.Join(t.TempDir(), "j.provoke"), "Größenwaage ÅÉ",
			time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)))
		f := everything
		f.Product = "GRÖßENWAAGE åé"
		if got, err := recall.AskRuns(t.Context(), a, f); err != nil || len(got.Runs) != 1 {
			t.Errorf("%d runs %v", len(got.Runs), err)
		}
	})
}

// TestAnswersAreThoseOfTheJob: what the archive answers is what findings and comparisons of the job files say, and both
// engines answer alike.
func TestAnswersAreThoseOfTheJob(t *testing.T) {
	both(t, func(t *testing.T, a *archive.Archive) {
		m := newMaker(7)
		var jobs []*store.Job
		for n := range 3 {
			jobs = append(jobs, m.make(t, filepath.Join(t.TempDir(), "j"+string(rune('0'+n))+".provoke"), n))
		}
		pushAll(t, a, jobs...)
		failures, err := recall.AskFailures(t.Context(), a, everything)
		if err != nil {
			t.Fatal(err)
		}
		want := 0
		for _, j := range jobs {
			p, err := a.Find(t.Context(), filepath.Base(j.Path()))
			if err != nil {
				t.Fatal(err)
			}
			book := tell.Open(a.Source(t.Context(), p))
			for n := 1; n <= 2; n++ {
				_, f, err := book.Findings(n)
				if err != nil {
					t.Fatal(err)
				}
				want += len(f.Bands)
				for _, b := range f.Bands {
					found := false
					for _, x := range failures.Bands {
						found = found || x.Job == filepath.Base(j.Path()) && x.Run == n &&
							x.Low == float64(b.Low.Frequency) &&
							x.Lowest == b.Lowest.Onset.In()
					}
					if !found {
						t.Errorf("%s run %d: no band from %v in the answer", p.Name, n, b.Low.Frequency)
					}
				}
			}
		}
		if want == 0 || len(failures.Bands) != want {
			t.Errorf("%d failing bands in the answer, %d in the findings", len(failures.Bands), want)
		}
		fixes, err := recall.AskFixes(t.Context(), a, everything, math.NaN())
		if err != nil || len(fixes.Groups) == 0 || fixes.Basis.State.Jobs != 3 {
			t.Errorf("%+v %v", fixes, err)
		}
		for _, g := range fixes.Groups {
			for _, e := range g.Evidence {
				if e.Before != 1 || e.Run != 2 || len(e.Head) != 64 {
					t.Errorf("evidence %+v", e)
				}
			}
		}
		versions, err := recall.AskVersions(t.Context(), a, everything)
		runs, failing, least := 0, 0, 0.0
		for _, v := range versions.Versions {
			runs, failing, least = runs+v.Runs, failing+v.Failing, min(least, v.Least)
		}
		lowest := 0.0 // of the margins of the first runs, before which nothing was changed
		for _, b := range failures.Bands {
			if b.Run == 1 {
				lowest = min(lowest, b.Margin)
			}
		}
		if err != nil || runs != 3 || failing != 3 || least != lowest || lowest == 0 {
			t.Errorf("versions: %d runs, %d with upsets, the least margin %g dB where bands have %g dB; %v", runs,
				failing, least,
				lowest, err)
		}
		if _, err := recall.AskAgree(t.Context(), a, everything, [2]string{"bench A", "no such bench"}); !errors.Is(err,
			recall.ErrNothing) {
			t.Errorf("a bench that nobody has: %v", err)
		}
	})
}

// facts are those of one job with one run on a bench, with two upsets.
func facts(bench string, first, second, u float64) archive.Facts {
	return archive.Facts{Runs: []archive.RunFacts{{Number: 1, Kind: string(plan.Exposure), Product: "weigher",
		Version: "1",
		Bench:   bench, At: "2026-01-01T00:00:00.000000000Z", Onsets: []archive.OnsetFact{
			{Hz: 1e6, Upset: true, Onset: first, U: u, Wanted: math.NaN(), Margin: math.NaN()},
			{Hz: 2e6, Upset: true, Onset: second, U: u, Wanted: math.NaN(), Margin: math.NaN()},
			{Hz: 3e6, Upset: true, Onset: 70, U: math.NaN(), Wanted: math.NaN(), Margin: math.NaN()}}}}}
}

// Onsets of 80 and 82 dBµA, each known to 1.5 dB: En = 2/√(1.5² + 1.5²) = 0.943; 80 and 83 dBµA: 1.414.
func TestTwoBenchesByHand(t *testing.T) {
	both(t, func(t *testing.T, a *archive.Archive) {
		for i, f := range []archive.Facts{facts("bench A", 80, 80, 1.5), facts("bench B", 82, 83, 1.5)} {
			j := nastyJob(t, filepath.Join(t.TempDir(), string(rune('a'+i))+".provoke"), "x", time.Date(2026, 1, 1,
				i, 0, 0, 0, time.UTC))
			p, err := a.Push(t.Context(), j, archive.Pushing{Name: filepath.Base(j.Path())})
			if err == nil {
				err = a.SetFacts(t.Context(), p.Job, f)
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		got, err := recall.AskAgree(t.Context(), a, everything, [2]string{"Bench a", "bench b"})
		if err != nil || len(got.Points) != 2 {
			t.Fatalf("%+v %v", got, err)
		}
		if math.Abs(got.Points[0].En-0.942809) > 1e-6 || math.Abs(got.Points[1].En-1.414214) > 1e-6 ||
			got.Beyond != 1 ||
			got.Unknown != 1 || !strings.Contains(got.Words, "at 1 of 2 frequencies") {
			t.Errorf("%+v", got)
		}
	})
}

// higher is a bench file whose probe's curve lies higher, in dB.
func higher(t *testing.T, bench []byte, by float64) []byte {
	t.Helper()
	return regexp.MustCompile(`-?[0-9.]+ dBΩ`).ReplaceAllFunc(bench, func(v []byte) []byte {
		x, err := strconv.ParseFloat(strings.TrimSuffix(string(v), " dBΩ"), 64)
		if err != nil {
			t.Fatal(err)
		}
		return fmt.Appendf(nil, "%.2f dBΩ", x+by)
	})
}

// shifted is a bench whose probe has a curve that lies higher, in dB.
func shifted(t *testing.T, bench []byte, by float64) *catalog.Bench {
	t.Helper()
	b, list := catalog.Parse("bench.yaml", higher(t, bench, by), nil)
	if list.Err() != nil {
		t.Fatal(list.Err())
	}
	return b
}

// TestAPartThatDriftedIsToldBeforeARun: three calibrations that scatter by some hundredths of a decibel; the next one
// is like them, and then 2 dB off; and a due date that has passed.
func TestAPartThatDriftedIsToldBeforeARun(t *testing.T) {
	both(t, func(t *testing.T, a *archive.Archive) {
		m := newMaker(3)
		calibrated := func(year int) []byte {
			return regexp.MustCompile(`(serial: P-0\n  calibrated: )\S+(\n  due: )\S+`).ReplaceAll(m.bench[0],
				fmt.Appendf(nil, "${1}%d-01-01${2}%d-01-01", year, year+1))
		}
		for i, by := range []float64{0, 0.06, -0.04} {
			old := higher(t, calibrated(2021+i), by)
			for n := range m.bench {
				m.bench[n] = old
			}
			pushAll(t, a, m.make(t, filepath.Join(t.TempDir(), fmt.Sprintf("%d.provoke", i)), i))
			m = newMaker(3)
		}
		for _, c := range []struct {
			by   float64
			now  string
			want []string
		}{{0.02, "2024-06-01", nil}, {2, "2024-06-01", []string{"DRIFTED by +1.99 dB against 3 calibrations"}},
			{0.02, "2025-06-01", []string{"its calibration was due on 2025-01-01"}}} {
			now, err := time.Parse(time.DateOnly, c.now)
			if err != nil {
				t.Fatal(err)
			}
			got, err := recall.Check(t.Context(), a, shifted(t, calibrated(2024), c.by), now)
			if err != nil || len(got.Warnings) != len(c.want) {
				t.Fatalf("%+v: %q %q %v", c, got.Warnings, got.Notes, err)
			}
			for i, w := range c.want {
				if !strings.Contains(got.Warnings[i], w) {
					t.Errorf("%+v: %q", c, got.Warnings[i])
				}
			}
		}
	})
}

// A curve that is 1.5 dB higher at every frequency makes every recorded current 1.5 dB lower: I = U − Zt
// (CISPR 16-1-2, the transfer impedance of a current probe).
func TestACorrectedCurveMovesCurrents(t *testing.T) {
	both(t, func(t *testing.T, a *archive.Archive) {
		m := newMaker(3)
		j := m.make(t, filepath.Join(t.TempDir(), "j.provoke"), 0)
		pushAll(t, a, j)
		which := m.which // of the job that was made last
		b := shifted(t, m.bench[which], 1.5)
		before, err := a.Find(t.Context(), "j.provoke")
		if err != nil {
			t.Fatal(err)
		}
		got, err := recall.AskCorrected(t.Context(), a, b.Probe.Serial, "right.yaml", b.Probe.TransferImpedance,
			everything)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, r := range got.Runs {
			for _, u := range append(r.Upsets, r.Stood...) {
				n++
				if math.Abs(u.Change+1.5) > 1e-9 || math.Abs(u.Recorded-u.Now-1.5) > 1e-9 {
					t.Errorf("%+v", u)
				}
			}
		}
		if n != 200 || len(got.Left) > 0 { // two runs of 100 frequencies, upset or stood
			t.Errorf("%d onsets, left: %v", n, got.Left)
		}
		if after, err := a.Find(t.Context(), "j.provoke"); err != nil || after.Integrity() != before.Integrity() {
			t.Error("records changed")
		}
	})
}

// TestRolesDoWhatTheyMay: a reader reads, a pusher pushes and derives, and neither changes or removes a record.
func TestRolesDoWhatTheyMay(t *testing.T) {
	t.Parallel()
	server := postgres.Start(t)
	owner := server.Database("jobs")
	a, err := archive.Open(t.Context(), owner, "test", true)
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	j := newMaker(3).make(t, filepath.Join(t.TempDir(), "j.provoke"), 0)
	pushAll(t, a, j)
	server.Psql("jobs", archive.Roles(`read"ers`, "pushers")+`
		CREATE ROLE reader LOGIN; GRANT "read""ers" TO reader; CREATE ROLE pusher LOGIN; GRANT pushers TO pusher;`)
	server.Psql("jobs", "CREATE TABLE provoke.later (x BIGINT)") // of a later version of the tables
	if got := server.Psql("jobs", "SELECT has_table_privilege('reader', 'provoke.later', "+
		"'SELECT')"); strings.TrimSpace(got) != "t" {
		t.Errorf("a reader may not read a table that was made later: %s", got)
	}
	as := func(who string, do func(ctx context.Context, a *archive.Archive) error) error {
		a, err := archive.Open(t.Context(), server.Address(who, "jobs"), "test", false)
		if err != nil {
			return err
		}
		defer a.Close()
		return do(t.Context(), a)
	}
	ask := func(ctx context.Context, a *archive.Archive) error {
		f := everything
		f.Text = "received"
		got, err := recall.AskRuns(ctx, a, f)
		if err == nil && len(got.Runs) == 0 {
			err = errors.New("no answer")
		}
		return err
	}
	other := newMaker(4).make(t, filepath.Join(t.TempDir(), "other.provoke"), 1)
	push := func(ctx context.Context, a *archive.Archive) error {
		p, err := a.Push(ctx, other, archive.Pushing{Name: "other.provoke", Who: "pusher"})
		if err == nil {
			err = recall.Refresh(ctx, a, p.Job)
		}
		return err
	}
	remove := func(ctx context.Context, a *archive.Archive) error {
		j, err := a.Find(ctx, "j.provoke")
		if err != nil {
			return err
		}
		return a.Delete(ctx, j, "somebody", "no reason")
	}
	for _, c := range []struct {
		who  string
		do   func(context.Context, *archive.Archive) error
		may  bool
		what string
	}{{"reader", ask, true, "ask"}, {"reader", push, false, "push"}, {"reader", remove, false, "delete"}, {"pusher",
		ask, true, "ask"},
		{"pusher", push, true, "push"}, {"pusher", push, true, "push again"}, {"pusher", remove, false, "delete"}} {
		if err := as(c.who, c.do); (err == nil) != c.may || err != nil && !strings.Contains(err.Error(),
			"permission denied") {
			t.Errorf("%s: %s: %v", c.who, c.what, err)
		}
	}
	for _, text := range []string{"UPDATE records SET body = ''", "DELETE FROM records", "DELETE FROM runs",
		"UPDATE runs SET root = ''",
		"DELETE FROM files", "INSERT INTO deletions (at, who, why, root, branch, name, heads) VALUES " +
			"('','','','',1,'','')"} {
		out := server.PsqlFails("jobs", "SET ROLE pusher; SET search_path TO provoke; "+text)
		if !strings.Contains(out, "permission denied") {
			t.Errorf("%s: %s", text, out)
		}
	}
}
