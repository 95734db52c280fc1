package budget

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// wide is an output on which nothing has to be folded.
type wide struct{ bytes.Buffer }

// Columns is more than any line has.
func (*wide) Columns() int { return 1000 }

// read reads files beside one.
func read(dir string) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) { return os.ReadFile(filepath.Join(dir, name)) }
}

// sampleBench is the sample bench with one text replaced.
func sampleBench(t *testing.T, from, to string) (*catalog.Bench, problem.List) {
	t.Helper()
	const dir = "../../../files/catalog/testdata"
	data, err := os.ReadFile(filepath.Join(dir, "belt-weigher.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(data), from) {
		t.Fatalf("%q is not in the sample bench", from)
	}
	b, list := catalog.Parse("belt-weigher.yaml", []byte(strings.Replace(string(data), from, to, 1)), read(dir))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return b, list
}

func samplePlan(t *testing.T, name string) *plan.Plan {
	t.Helper()
	const dir = "../../../job/plan/testdata"
	data, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	p, list := plan.Parse(name, data, read(dir))
	if err := list.Err(); err != nil {
		t.Fatal(err)
	}
	return p
}

func TestBenchNamesWhatIsOverdue(t *testing.T) {
	b, list := sampleBench(t, "due: 2027-03-02", "due: 2026-11-01")
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	var out wide
	if err := OfBench(b, list, now).Print(&out); err != nil || !strings.Contains(out.String(),
		"calibration overdue: GEN1") {
		t.Errorf("%v\n%s", err, out.String())
	}
	if list := Overdue(b, now); len(list) != 1 || !strings.Contains(list[0].What, "GEN1 was due on 2026-11-01") {
		t.Errorf("%v", list)
	}
	if sheet := OfBench(b, list, now.AddDate(0, -1, 0)); len(sheet.Overdue) != 0 {
		t.Errorf("a month before %v", sheet.Overdue)
	}
}

// A carrier of 10 Vpp into 50 Ω is 23.979 dBm (check value G05), set for high-Z it is 6.02 dB less.
func TestBudgetCountsAsTheGeneratorDoes(t *testing.T) {
	for load, want := range map[string]string{"50 Ω": "= 24.0 dBm into 50 Ω", "high-Z": "= 18.0 dBm into 50 Ω"} {
		b, _ := sampleBench(t, "load: 50 Ω", "load: "+load)
		s, _, err := Of(b, nil).Sheet([]rf.Frequency{10e6}, "10 Vpp", nil)
		if err != nil {
			t.Fatal(err)
		}
		var out wide
		if err := s.Print(&out, false); err != nil || !strings.Contains(out.String(),
			"generator at 10.00 Vpp (set for "+load+") "+want) {
			t.Errorf("%s: %v\n%s", load, err, out.String())
		}
	}
}

// 80 % AM raises the peak by 5.105 dB, so the safe carrier is as much lower where a peak limits.
func TestBudgetLeavesRoomForThePeak(t *testing.T) {
	bench, _ := sampleBench(t, "", "")
	drive := func(depth rf.Fraction, words string) float64 {
		b := Of(bench, nil)
		if err := b.Modulate(depth, words); err != nil {
			t.Fatal(err)
		}
		p := b.point(200e3)
		if p.LimitedBy == nil || p.LimitedBy.Place != "amplifier input" {
			t.Fatalf("limited by %v", p.LimitedBy)
		}
		return 10 * math.Log10(p.Drive.Value)
	}
	if d := drive(0, "") - drive(0.8, ""); math.Abs(d-5.105) > 0.011 {
		t.Errorf("the carrier is %g dB lower", d)
	}
	if d := drive(0, "") - drive(0, "AM 80 % 1 kHz peak held"); math.Abs(d) > 1e-9 {
		t.Errorf("with the peak held the level is %g dB lower", d)
	}
}

func TestBudgetOfAPlanComparesWithTheLevelWanted(t *testing.T) {
	bench, _ := sampleBench(t, "", "")
	s, refused, err := Of(bench, samplePlan(t, "exposure.yaml")).Sheet(nil, "", nil)
	if err != nil || refused != nil {
		t.Fatal(err, refused)
	}
	for _, p := range s.Points {
		if p.Margin == nil || p.Looped == nil || p.SettingWanted == "" {
			t.Fatalf("%+v", p)
		}
		if d := 20 * math.Log10(p.Looped.Current.Value/p.Wanted.Value); math.Abs(d-*p.Margin) > 0.001 {
			t.Fatalf("at %s the margin is %g dB and the current %g dB above the level", p.Frequency.Text, *p.Margin, d)
		}
	}
	var out wide
	if err := s.Print(&out, false); err != nil || !strings.Contains(out.String(), "wanted") ||
		!strings.Contains(out.String(), "needs") {
		t.Errorf("%v\n%s", err, out.String())
	}
}

// Budget and dry run say of the same plan on the same bench that the level is reached, in the same words.
func TestBudgetAndDryRunSayTheSameOfTheReach(t *testing.T) {
	bench, _ := sampleBench(t, "", "")
	for name, change := range map[string]func(*plan.Plan){
		"as it is": func(*plan.Plan) {},
		"too much": func(p *plan.Plan) {
			p.Modulation, p.Levelling.Ceiling, p.Levelling.AboveBudget = level.Modulation{}, 60, 60
			p.Profile, _ = level.Constant(rf.Amperes(20))
		},
	} {
		p := samplePlan(t, "exposure.yaml")
		change(p)
		s, _, err := Of(bench, p).Sheet(nil, "", nil)
		if err != nil {
			t.Fatal(err)
		}
		var budget, run wide
		s.answer(&budget)
		DryRunOf(p, bench, nil, nil).answer(&run)
		what, _, _ := strings.Cut(budget.String(), ";")
		if name == "too much" && !strings.Contains(what, "is not reached") {
			t.Errorf("20 A are reached: %q", what)
		}
		if !strings.HasPrefix(what, "the level wanted is ") || !strings.Contains(run.String(), "by the budget "+what) {
			t.Errorf("%s: the budget says %q and the dry run\n%s", name, what, run.String())
		}
	}
}

func TestARatingSaysHowItCounts(t *testing.T) {
	for _, c := range []struct {
		as     string
		rating *rf.Quantity
		want   string
	}{
		{"peak", rf.DBm(3).Quantity(), "at the envelope's crest"},
		{"peak", rf.Amperes(0.3).Quantity(), "r.m.s. at the envelope's crest"},
		{"average", rf.DBm(3).Quantity(), "average"},
	} {
		if got := counted(c.as, c.rating); got != c.want {
			t.Errorf("%s of %s counts %q", c.as, c.rating.Text, got)
		}
	}
}
