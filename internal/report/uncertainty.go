package report

import (
	"fmt"
	"sort"

	"provoke/internal/analysis"
	"provoke/internal/catalog"
	"provoke/internal/plan"
	"provoke/internal/result"
	"provoke/internal/rf"
	"provoke/internal/uncertainty"
)

// uncertaintySection states how well the onsets are known, from the bench file as used.
func (p *page) uncertaintySection() section {
	s := section{ID: "uncertainty", Title: "Uncertainty"}
	spread := analysis.RepeatedTransfer(p.Job.Runs)
	for _, part := range p.Detailed {
		p.uncertaintyOf(&s, part.Findings, spread)
	}
	if len(s.Blocks) == 0 {
		s.say("", "No uncertainty is stated in this report. Differences between runs on the same setup are compared with the margin asked, and with the differences of the setup listed above.")
		return s
	}
	stated := false
	for _, b := range s.Blocks {
		stated = stated || b.Table != nil
	}
	if !stated {
		return s
	}
	s.say("of", "U is the expanded uncertainty of the current at the probe, from the distribution of the sum of its contributions (JCGM 101). The onset lies from … to … with the same confidence: between the level that the product stood and the one at which it upset, each known as well as U says. How the product itself varies is not in it. Between runs on the same setup most contributions are common and cancel.")
	return s
}

// uncertaintyOf adds the statement of one run; nothing where nothing was measured.
func (p *page) uncertaintyOf(s *section, f analysis.Findings, spread analysis.Transfers) {
	r, ok := runOf(p.Job.Runs, f.Run)
	if !ok || f.Upsets == 0 || f.Opened.RunKind == plan.Baseline || f.Opened.RunKind == plan.Calibration {
		return
	}
	bench, err := benchOf(p.Job, r)
	if err != nil {
		s.say("warning", fmt.Sprintf("The uncertainty of run %d is not stated: %v.", f.Run, err))
		return
	}
	t, rests, counts := onsetUncertainties(bench, f, spread)
	if len(t.Rows) == 0 {
		s.say("warning", fmt.Sprintf("The uncertainty of run %d is not stated: no onset of it was measured.", f.Run))
		return
	}
	s.table(t)
	s.say("", fmt.Sprintf("Run %d, bench %q: %s.", f.Run, bench.Name, rests))
	for _, c := range counts {
		s.say("of", c)
	}
	if d, ok := analysis.StabilityOf(r); ok {
		if u, err := uncertainty.OfCurrent(bench, d.Frequency, uncertainty.Conditions{}, uncertainty.DefaultConfidence); err == nil {
			mark := ""
			if d.Drifted(u.U()) {
				mark = "warning"
			}
			s.say(mark, d.Says(u.U()))
		}
	}
}

func runOf(runs []result.Run, number int) (result.Run, bool) {
	for _, r := range runs {
		if r.Number == number {
			return r, true
		}
	}
	return result.Run{}, false
}

// onsetUncertainties makes the table of a run, what its figures rest on, and the ranked contributions
// at the frequency where the uncertainty is largest.
func onsetUncertainties(bench *catalog.Bench, f analysis.Findings, spread analysis.Transfers) (t Table, rests string, ranked []string) {
	t = Table{ID: fmt.Sprintf("uncertainty-run-%d", f.Run), Title: fmt.Sprintf("Uncertainty of the onsets of run %d", f.Run), Columns: []Column{
		frequencyIn("frequency"), currentIn("onset"), currentIn("from"), currentIn("to"), plainDecibels("U"), counted("k"), words("confidence"), words("largest contribution"), words("its share"), words("assumed"),
	}}
	var largest uncertainty.Current
	for _, q := range f.Points {
		if !q.Upset {
			continue
		}
		u, err := uncertainty.OfOnset(bench, f.Opened.Mode, q, spread.At, uncertainty.DefaultConfidence)
		if err != nil {
			continue
		}
		first := u.Combined.Contributions[0]
		t.add(frequency(q.Frequency), amount(q.Onset), amount(u.Low), amount(u.High), gain(u.U(), rf.Exactly), say(fmt.Sprintf("%.2f", u.K())), say(u.Expanded.Confidence.String()),
			say(contribution(u.Components[first.Index])), say(fmt.Sprintf("%.0f %%", 100*first.Share)), say(fmt.Sprintf("%d of %d", len(u.Assumed()), len(u.Components))))
		if u.U() > largest.U() || largest.Components == nil {
			largest = u.Current
		}
	}
	if largest.Components == nil {
		return t, "", nil
	}
	contributions := largest.Combined.Contributions
	sort.SliceStable(contributions, func(i, j int) bool { return contributions[i].Share > contributions[j].Share })
	text := fmt.Sprintf("Contributions at %v, the largest first: ", largest.Frequency)
	for i, c := range contributions {
		x := largest.Components[c.Index]
		if c.Share < 0.005 {
			break
		}
		if i > 0 {
			text += "; "
		}
		text += fmt.Sprintf("%s ± %s, %s (%s)", contribution(x), rf.Gain(x.Half).Text(2), x.Distribution, x.Source)
	}
	return t, largest.Rests(), []string{text + "."}
}

func contribution(c uncertainty.Component) string {
	if c.Item == "" {
		return c.Name
	}
	return c.Item + " " + c.Name
}
