package tell

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// uncertaintySection states how well the onsets are known, from the bench file as used. It fills in the tables of the
// runs told and what the first page says.
func (p *Report) uncertaintySection() Section {
	s := Section{ID: "uncertainty", Title: "Uncertainty"}
	var largest rf.Gain
	var of []string
	assumed := false
	p.U = "no level was measured that it would be stated of"
	for i := range p.Detailed {
		part := &p.Detailed[i]
		u, failed := part.uncertainty(&s)
		if d := part.Findings.Decision; d != nil {
			u, assumed = max(u, d.U), assumed || d.Assumed
		}
		if failed {
			p.U = ""
		}
		if largest = max(largest, u); u > 0 {
			of = append(of, runName(part.Findings.Run))
		}
	}
	if largest > 0 {
		p.U = fmt.Sprintf("U at most %s, confidence %v: currents at the probe of %s", largest.Text(1),
			uncertainty.DefaultConfidence, strings.Join(of, ", "))
		if assumed {
			p.U += "; assumed where the job does not hold the bench file"
		}
	}
	if len(s.Blocks) == 0 {
		s.say("",
			"No uncertainty is stated in this report. Differences between runs on the same setup are compared with "+
				"the margin asked, and with the differences of the setup listed above.")
		return s
	}
	if !slices.ContainsFunc(p.Detailed, func(r RunTold) bool { return len(r.Onsets.At) > 0 }) {
		return s
	}
	s.say("of", "The tables of the onsets stand in the annexes.")
	s.say("of",
		"U is the expanded uncertainty of the current at the probe, from the distribution of the sum of its "+
			"contributions (JCGM 101). The onset lies from … to … with the same confidence: between the level that "+
			"the product stood and the one at which it upset, each known as well as U says. How the product itself "+
			"varies is not in it. Between runs on the same setup most contributions are common and cancel.")
	return s
}

// uncertainty adds the statement of one run and returns the largest U of its onsets; nothing where nothing was
// measured. It fails where there is no bench file to work it out from.
func (t RunTold) uncertainty(s *Section) (largest rf.Gain, failed bool) {
	f, o := t.Findings, t.Onsets
	switch {
	case f.Upsets == 0 || f.Loop != nil || f.Opened.RunKind == plan.Baseline || f.Opened.RunKind == plan.Calibration:
		return 0, false
	case o.Bench == nil && o.Why != "":
		s.say("warning", fmt.Sprintf("The uncertainty of run %d is not stated: %s.", f.Run, o.Why))
		return 0, true
	case len(o.At) == 0:
		s.say("warning", fmt.Sprintf("The uncertainty of run %d is not stated: no onset of it was measured.", f.Run))
		return 0, false
	}
	of := o.Worst
	s.say("", fmt.Sprintf("Run %d, bench %q: U at most %s (k = %.2f, confidence %v), at %v. %s.", f.Run, o.Bench.Name,
		of.U().Text(1), of.K(), of.Expanded.Confidence, of.Frequency, english.FirstUpper(of.Rests())))
	s.say("of", o.ranked())
	if words, mark := t.stability(); words != "" {
		s.say(mark, words)
	}
	return of.U(), false
}

func runOf(runs []result.Run, number int) (result.Run, bool) {
	for _, r := range runs {
		if r.Number == number {
			return r, true
		}
	}
	return result.Run{}, false
}

// uncertainTable lists how well each onset of a run is known.
func uncertainTable(f analysis.Findings, o Onsets) Table {
	t := Table{ID: fmt.Sprintf("uncertainty-run-%d", f.Run),
		Title: fmt.Sprintf("Uncertainty of the onsets of run %d", f.Run), Columns: []Column{
			FrequencyIn("frequency"), currentIn("onset"), currentIn("from"), currentIn("to"), plainDecibels("U"),
			counted("k"), words("confidence"), words("largest contribution"), words("its share"), words("assumed"),
		}}
	for _, q := range f.Points {
		u, ok := o.At[q.Frequency]
		if !ok {
			continue
		}
		first := u.Combined.Contributions[0]
		t.Add(at(f.Run, q.Frequency), Amount(q.Onset), Amount(u.Low), Amount(u.High), gain(u.U(), rf.Exactly),
			say(fmt.Sprintf("%.2f", u.K())), say(u.Expanded.Confidence.String()),
			say(contribution(u.Components[first.Index])), say(fmt.Sprintf("%.0f %%", 100*first.Share)),
			say(fmt.Sprintf("%d of %d", len(u.Assumed()), len(u.Components))))
	}
	return t
}

// ranked are the contributions to the largest uncertainty.
func (o Onsets) ranked() string {
	contributions := slices.Clone(o.Worst.Combined.Contributions)
	sort.SliceStable(contributions, func(i, j int) bool { return contributions[i].Share > contributions[j].Share })
	text := fmt.Sprintf("Contributions at %v, the largest first: ", o.Worst.Frequency)
	for i, c := range contributions {
		x := o.Worst.Components[c.Index]
		if c.Share < 0.005 {
			break
		}
		if i > 0 {
			text += "; "
		}
		text += fmt.Sprintf("%s ± %s, %s (%s)", contribution(x), rf.Gain(x.Half).Text(2), x.Distribution, x.Source)
	}
	return text + "."
}

func contribution(c uncertainty.Component) string {
	if c.Item == "" {
		return c.Name
	}
	return c.Item + " " + c.Name
}
