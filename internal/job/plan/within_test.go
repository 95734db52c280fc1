package plan

import (
	"math"
	"strings"
	"testing"

	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

func TestAPlanForATimeIsThePlanWithWhatIsNamedFirst(t *testing.T) {
	p := ownPlanParsed(t, "", "")
	l, err := Within(p, testBench(), rf.Duration(90*60e9), append(NamedAt([]rf.Frequency{41e6, 100e6},
		"what the laboratory reported"), NamedAt([]rf.Frequency{27.12e6}, "what failed in run 2")...))
	if err != nil {
		t.Fatal(err)
	}
	t.Log(l.Text)
	q := l.Plan
	if q.TimeLimit != rf.Duration(90*60e9) || Listed(q.First) != "41 MHz, 27.12 MHz" || q.Search != p.Search ||
		q.Edges != p.Edges || q.Drift != p.Drift || len(q.Grid) != len(p.Grid)+1 {
		t.Errorf("%+v", q)
	}
	for _, want := range []string{"# Made from own.yaml for 1 h 30 min", "# Among them what the laboratory reported.",
		"# Among them what failed in run 2.", "# Left out, since the plan does not reach there: 100 MHz.",
		"# of the belt weigher", "# Visited first: 41 MHz, 27.12 MHz."} {
		if !strings.Contains(l.Text, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if _, err := Within(ownPlanParsed(t, "kind: exposure", "kind: baseline"), testBench(), 1e9, nil); err == nil {
		t.Error("a baseline was made a plan for a time")
	}
}

// What the estimate says holds for a product of which a tenth fails, by the estimate's own time for each exposure; one
// that fails everywhere is worse.
func TestHowFarATimeGoesIsSaid(t *testing.T) {
	reach := func(change func(*Plan)) Reach {
		p := ownPlanParsed(t, "", "")
		change(p)
		r, ok := reachOf(p, testBench())
		if !ok {
			t.Fatal("no estimate")
		}
		t.Logf("figure: %v", r)
		return r
	}
	last := Reach{}
	for _, minutes := range []float64{5, 10, 20, 40, 80} {
		r := reach(func(p *Plan) { p.TimeLimit = rf.Duration(minutes * 60e9) })
		if r.Frequencies <= last.Frequencies && last.Frequencies < r.Grid || r.Takes > 0 ||
			last.Step > 0 && r.Step > last.Step {
			t.Errorf("%v min: %v after %v", minutes, r, last)
		}
		last = r
	}
	if r := reach(func(p *Plan) { p.TimeLimit = rf.Duration(20 * 3600e9) }); r.Takes <= 0 || r.Frequencies != r.Grid {
		t.Errorf("%+v", r)
	}
	if r := reach(func(p *Plan) {
		p.First, p.TimeLimit = p.Grid[:200], rf.Duration(5*60e9)
	}); r.Frequencies >= 200 || !strings.Contains(r.String(), "nothing of the range") {
		t.Errorf("%v", r)
	}
	// Neither more than the time allows, nor less than nine tenths of it: what is exposed once takes a dwell.
	r := reach(func(p *Plan) { p.TimeLimit, p.Search.Onset = rf.Duration(10*60e9), false })
	e := estimate{plan: ownPlanParsed(t, "", ""), bench: testBench()}
	if most := 10 * 60e9 / e.exposure(likely); float64(r.Frequencies) > most || float64(r.Frequencies) < 0.5*most ||
		math.IsNaN(most) {
		t.Errorf("%d frequencies in ten minutes of %v each", r.Frequencies, rf.Duration(e.exposure(likely)))
	}
}

// What cannot expose anything is refused before RF: a time shorter than the baseline, a dwell longer than the time.
func TestATimeInWhichNothingIsExposedIsRefused(t *testing.T) {
	for text, refused := range map[string]bool{"dwell: 2 s\ntime_limit: 5 s": true,
		"dwell: 10 min\ntime_limit: 5 min": true, "dwell: 2 s\ntime_limit: 60 s": false} {
		p := ownPlanParsed(t, "dwell: 2 s", text)
		_, list := Check(p, chain.New(testBench()), nil)
		said := false
		for _, x := range list {
			said = said || x.Field == "time_limit" && !x.Warning && strings.Contains(x.What, "nothing is exposed")
		}
		if said != refused {
			t.Errorf("%q: refused %v: %v", text, said, list)
		}
	}
}
