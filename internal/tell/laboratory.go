package tell

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// AsksWords says which current a laboratory's level stands for, or between which it may.
func AsksWords(p analysis.LaboratoryPoint) string {
	if p.AsksHigh != p.Asks {
		return fmt.Sprintf("%s to %s", p.Asks.Linear(), p.AsksHigh.Linear())
	}
	return p.Asks.Linear()
}

// FateWords says what became of a laboratory's failure on the bench, and at how many frequencies.
func FateWords(p analysis.LaboratoryPoint) string {
	if p.Exposed == 0 {
		return string(p.Fate)
	}
	return fmt.Sprintf("%s (%d of %s upset)", p.Fate, p.Upset, english.Count(p.Exposed, "frequency", "frequencies"))
}

// PerUnitWords is the current that the bench's onset implies for each volt of e.m.f. or volt per
// metre; "–" where there is none.
func PerUnitWords(p analysis.LaboratoryPoint) string {
	if !p.PerUnit.Known() || p.Unit == "" {
		return none
	}
	return p.PerUnit.Linear() + " per " + p.Unit
}

// PublishedWords is the published range of the same; "–" for a level that is a current.
func PublishedWords(p analysis.LaboratoryPoint) string {
	if p.Unit == "" {
		return none
	}
	return fmt.Sprintf("%s to %s per %s", p.PublishedLow.Linear(), p.PublishedHigh.Linear(), p.Unit)
}

// CertaintyWords says how well both levels are known, and what of that is assumed.
func CertaintyWords(l analysis.BesideLaboratory) string {
	c := l.Certainty
	text := fmt.Sprintf("Confidence %v, factor %.2f one-sided; the laboratory's level known to %s standard",
		c.Confidence, c.Factor, c.Laboratory.Text(2))
	if c.AssumedLaboratory {
		text += " (assumed: its report gives none)"
	}
	if c.AssumedBench {
		text += fmt.Sprintf("; the bench to %s (assumed: there is no bench file to work it out from)",
			c.Bench(rf.Megahertz).Text(2))
	}
	return text + "."
}

// ConfidenceWords is the confidence with which a failure's requirement lets the laboratory pass, or "none".
func ConfidenceWords(l analysis.BesideLaboratory, p analysis.LaboratoryPoint) string {
	if p.NoConfidence != "" {
		return "none: the range of the coupling outweighs what is known"
	}
	return l.Certainty.Confidence.String()
}

// LaboratoryTables tells a laboratory's report beside a run: what became of its failures, the current
// per unit of its level, what a fix must show, and what the bench alone found.
func LaboratoryTables(l analysis.BesideLaboratory) []Table {
	return []Table{fatesTable(l), perUnitTable(l), requiredTable(l), benchOnlyTable(l)}
}

var fateMarks = map[analysis.Fate]string{analysis.NotReproduced: "warn", analysis.NotExposed: "bad"}

func fatesTable(l analysis.BesideLaboratory) Table {
	t := Table{ID: fmt.Sprintf("laboratory-run-%d", l.Run),
		Title: fmt.Sprintf("The laboratory's failures on the bench, run %d", l.Run), Columns: []Column{
			FrequencyIn("failed from"), FrequencyIn("to"), words("level"), words("stands for"), words("on the bench"),
			currentIn("onset there"), FrequencyIn("at"), words("class there"), words("class here"),
		}, Note: "Where nothing upset, the onset is what the bench showed the product to stand. " +
			strings.Join(notesOf(l),
				" ")}
	for _, p := range l.Points {
		t.Add(Frequency(p.From), Frequency(p.To), say(p.LaboratoryFailure.Level), say(AsksWords(p)),
			say(FateWords(p)).marked(fateMarks[p.Fate]),
			Amount(p.Onset), Frequency(p.At), say(p.LaboratoryFailure.Class), say(string(p.Class)))
	}
	return t
}

// notesOf gathers the remarks on the failures; what is said of several is said once.
func notesOf(l analysis.BesideLaboratory) []string {
	var order []string
	at := map[string][]string{}
	for _, p := range l.Points {
		for _, n := range append(p.Notes[:len(p.Notes):len(p.Notes)], p.Indicative) {
			if n == "" {
				continue
			}
			if at[n] == nil {
				order = append(order, n)
			}
			at[n] = append(at[n], p.Span())
		}
	}
	var out []string
	for _, n := range order {
		out = append(out, strings.Join(at[n], ", ")+": "+n+".")
	}
	return out
}

func perUnitTable(l analysis.BesideLaboratory) Table {
	t := Table{ID: fmt.Sprintf("per-unit-run-%d", l.Run),
		Title: "Current on the bench for each unit of the laboratory's level", Columns: []Column{
			FrequencyIn("failed from"), FrequencyIn("to"), words("implied"), words("published"), words("lies"),
			words("whose range"),
		}}
	for _, p := range l.Points {
		if p.Unit == "" {
			continue
		}
		t.Add(Frequency(p.From), Frequency(p.To), say(PerUnitWords(p)), say(PublishedWords(p)), say(p.Beside),
			say(p.PublishedSource))
	}
	return t
}

func requiredTable(l analysis.BesideLaboratory) Table {
	t := Table{ID: fmt.Sprintf("required-run-%d", l.Run),
		Title: "What a fixed product must stand on this bench, so that the laboratory passes", Columns: []Column{
			FrequencyIn("failed from"), FrequencyIn("to"), currentIn("base"), plainDecibels("margin"),
			words("a fix must show"), words("confidence"), words("the base is"),
		}, Note: CertaintyWords(l)}
	for _, p := range l.Points {
		t.Add(Frequency(p.From), Frequency(p.To), Amount(p.Base), gain(p.Margin, rf.Exactly), say(p.RequiredWords()),
			say(ConfidenceWords(l, p)), say(p.BaseFrom))
	}
	return t
}

func benchOnlyTable(l analysis.BesideLaboratory) Table {
	t := Table{ID: fmt.Sprintf("bench-only-run-%d", l.Run),
		Title: "Found on the bench and not reported by the laboratory", Columns: []Column{
			FrequencyIn("from"), FrequencyIn("to"), currentIn("lowest onset"), FrequencyIn("at"),
			words("laboratory exposed it"), words("why not reported"),
		}}
	for _, b := range l.BenchOnly {
		exposed := "not stated"
		if b.Tested {
			exposed = "at " + b.TestedAt
		}
		t.Add(Frequency(b.Low.Frequency), Frequency(b.High.Frequency), Amount(b.Lowest.Onset),
			Frequency(b.Lowest.Frequency), say(exposed), say(b.Why))
	}
	return t
}

// laboratoryChart shows the run's immunity profile with the laboratory's failures and what a fix must show.
func laboratoryChart(l analysis.BesideLaboratory, f analysis.Findings) (Chart, bool) {
	bench := onsetSpots(f)
	var asks, higher, required []Spot
	room := [][]Spot{bench}
	for _, p := range l.Points {
		at := math.Sqrt(p.Low.Hz() * p.High.Hz())
		if p.Asks.Known() {
			asks = append(asks, Spot{X: at, Y: p.Asks.In(),
				Says: fmt.Sprintf("laboratory failed at %s, %s: %s; a fix must show %v", p.Span(),
					p.LaboratoryFailure.Level, FateWords(p), p.Required)})
			higher = append(higher, Spot{X: at, Y: p.Asks.In(), To: p.AsksHigh.In()})
			room = append(room, []Spot{{X: at, Y: p.AsksHigh.In()}})
		}
		if p.Required.Known() {
			s := Spot{X: p.Low.Hz(), To: p.High.Hz(), Y: p.Required.In()}
			required = append(required, s)
			room = append(room, []Spot{s, {X: s.To, Y: s.Y}})
		}
	}
	c := Chart{
		ID:    fmt.Sprintf("figure-laboratory-%d", l.Run),
		Title: fmt.Sprintf("The laboratory's failures beside the onsets of run %d", l.Run),
		Caption: "A square is the current that the laboratory's level stands for, beside it the high end where it " +
			"may " +
			"stand for more. What a fixed product must stand holds over the whole range; the table says with which " +
			"confidence. An open sign with an arrow is a bound.",
		Tall: 1,
	}
	if !c.OverFrequency(onsetLabel, append(room, asks)...) || len(asks) == 0 {
		return c, false
	}
	c.draw("may stand for", Bar, Higher, higher)
	c.draw(fmt.Sprintf("run %d", l.Run), Dot, Before, bench)
	c.draw("laboratory failed at", Square, After, asks)
	c.draw("a fix must show", Span, Ink, required)
	c.explain(true, fmt.Sprintf("run %d", l.Run), Dot, Before)
	c.explain(true, "bound", Bound, Soft)
	c.explain(true, "laboratory failed at", Square, After)
	c.explain(true, "a fix must show", Span, Ink)
	return c, true
}

// beside holds the newest laboratory's report of a job against the run of the product as the laboratory
// had it; ok is false where the job lacks one of the two.
func (p *Report) beside() (l analysis.BesideLaboratory, ok bool) {
	lab, _, err := p.book.Laboratory()
	if err != nil || len(lab.Failures) == 0 {
		return l, false
	}
	n := cmp.Or(p.Job.Before, analysis.AsReceived(p.Job.Runs))
	r, found := runOf(p.Job.Runs, n)
	if !found || r.Opened.RunKind != plan.Exposure {
		return l, false
	}
	l, err = p.book.Beside(lab, n, uncertainty.DefaultConfidence, nil)
	return l, err == nil
}

// laboratorySection tells what a laboratory reported, beside the bench.
func (p *Report) laboratorySection() Section {
	s := Section{ID: "laboratory", Title: "The laboratory's report"}
	s.table(p.Laboratory)
	if p.Beside == nil {
		return s
	}
	r, _ := runOf(p.Job.Runs, p.Beside.Run)
	var fixed *result.Run
	if after, ok := runOf(p.Job.Runs, p.Job.After); ok && after.Opened.RunKind == plan.Exposure {
		fixed = &after
	}
	s.Blocks = append(s.Blocks, BesideSection(*p.Beside, analysis.Of(r, nil), fixed).Blocks...)
	return Reaching(InPrint, []Section{s})[0]
}

// BesideSection tells a laboratory's report beside a run; after is a run after a change, to be held to it; nil for
// none.
func BesideSection(l analysis.BesideLaboratory, f analysis.Findings, after *result.Run) Section {
	s := Section{ID: "beside", Title: fmt.Sprintf("%s, beside run %d%s", laboratoryName(l.Report), l.Run, labelled(f))}
	s.add(Block{Text: fateCounts(l), Kind: KindCounts})
	if after != nil {
		v := metVerdict(l, *after)
		s.add(Block{Verdict: &v})
	}
	if c, ok := laboratoryChart(l, f); ok {
		s.add(Block{Chart: &c, Kind: KindChart})
	}
	s.table(LaboratoryTables(l)...)
	return s
}

// laboratoryName says which laboratory, and which of its reports.
func laboratoryName(l event.LaboratoryFailures) string {
	name := cmp.Or(l.Laboratory, "the laboratory")
	if l.Report != "" {
		name += ", " + l.Report
	}
	return name
}

// fateCounts says in short what became of the laboratory's failures.
func fateCounts(l analysis.BesideLaboratory) string {
	n := map[analysis.Fate]int{}
	for _, p := range l.Points {
		n[p.Fate]++
	}
	out := []string{english.Count(len(l.Points), "failure", "failures") + " reported"}
	for _, f := range []analysis.Fate{analysis.Reproduced, analysis.NotReproduced, analysis.NotExposed} {
		if n[f] > 0 {
			out = append(out, fmt.Sprintf("%d %s", n[f], f))
		}
	}
	if k := len(l.BenchOnly); k > 0 {
		out = append(out, english.Count(k, "failing band", "failing bands")+
			" found on the bench and not reported by the laboratory")
	}
	return english.FirstUpper(strings.Join(out, "; ")) + "."
}

// metVerdict holds a run after a change to what the laboratory's report asks for.
func metVerdict(l analysis.BesideLaboratory, after result.Run) Verdict {
	m := Verdict{Words: "What the laboratory's report asks for: shown", Mark: "good",
		Of: fmt.Sprintf("Run %d after the change, held to %s of run %d beside the laboratory's report, confidence %v.",
			after.Number, english.Count(len(l.Points), "failure", "failures"), l.Run, l.Certainty.Confidence)}
	for _, u := range l.Unmet(after) {
		m.Words, m.Mark = "What the laboratory's report asks for: not shown", "warn"
		m.Reasons = append(m.Reasons, u.Why)
	}
	return m
}
