package tell

import (
	"cmp"
	"fmt"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// RunTold is what one run shows: all that a face may print of it.
type RunTold struct {
	_ struct{} `tell:"run=Findings.Run kind=Findings.Opened.RunKind label=Findings.Opened.Label"`
	_ struct{} `tell:"changed=Findings.Opened.Changed verdict=Findings.Verdict,null"`
	_ struct{} `tell:"profile=Findings.Opened.Profile modulation=Modulation points=Points bands=Findings.Bands"`
	_ struct{} `tell:"margin_to=Findings.Level exposures=Findings.Exposures upsets=Findings.Upsets"`
	_ struct{} `tell:"highest=Findings.Highest control=Findings.Control,null false_alarms=Findings.FalseAlarms"`
	_ struct{} `tell:"drift=Findings.Drift uncertainty=Onsets.Stated not_deterministic=Findings.NotDeterministic"`
	_ struct{} `tell:"stepped=Findings.Covered.Stepped not_covered=Findings.Covered.Missing fixing=Fixing,omit"`
	_ struct{} `tell:"graded=Findings.Graded,omit"`

	Run      result.Run
	Findings analysis.Findings
	Onsets   Onsets
	Evidence evidence.Explanation
	Studies  []Study
	// Laboratory is what the job holds of a laboratory's report.
	Laboratory event.LaboratoryFailures

	drive Table // generator setting and power at every frequency; made for reports
}

// Modulation words that of the run.
func (t RunTold) Modulation() string { return analysis.Modulation(t.Findings.Opened.Modulation) }

type pointTold struct {
	analysis.Point
	At *uncertainty.Onset `tell:"u_db=At.U k=At.K onset_low=At.Low onset_high=At.High"`
}

// Points are the points of the findings with how well their onsets are known.
func (t RunTold) Points() (out []pointTold) {
	for _, p := range t.Findings.Points {
		q := pointTold{Point: p}
		if u, ok := t.Onsets.At[p.Frequency]; ok {
			q.At = &u
		}
		out = append(out, q)
	}
	return out
}

// Tell works out what a run shows.
func (b *Book) Tell(number int) (RunTold, error) {
	r, f, err := b.Findings(number)
	t := RunTold{Run: r, Findings: f}
	if err != nil {
		return t, err
	}
	if t.Onsets, err = b.Onsets(r, f); err != nil {
		return t, err
	}
	if t.Studies, err = b.Studies(r); err != nil {
		return t, err
	}
	if t.Laboratory, _, err = b.Laboratory(); err != nil {
		return t, err
	}
	if len(f.Bands) > 0 {
		t.Evidence, err = b.Evidence(number)
	}
	return t, err
}

// Sections tell the run: what it shows, then what it was made to study.
func (t RunTold) Sections() []Section {
	if t.Run.Laboratory != nil {
		s := Section{ID: fmt.Sprintf("run-%d", t.Run.Number), Title: fmt.Sprintf("Run %d", t.Run.Number)}
		s.table(laboratoryTable([]result.Run{t.Run}))
		return []Section{s}
	}
	out := []Section{t.section()}
	for _, s := range t.Studies {
		out = append(out, s.Section())
	}
	return out
}

// tells reports that the run exposed the product and that its points say something.
func (t RunTold) tells() bool {
	f := t.Findings
	return f.FalseAlarms == nil && f.Swept == nil && f.Loop == nil && f.Exposed() &&
		f.Opened.RunKind != plan.Calibration
}

func (t RunTold) section() Section {
	r, f := t.Run, t.Findings
	if f.Loop != nil {
		return t.fixingSection()
	}
	s := Section{ID: fmt.Sprintf("run-%d", f.Run), Title: t.Heading()}
	headline, mark := Headline(f)
	s.add(Block{Verdict: &Verdict{Words: headline, Mark: mark, Of: t.Heading()}, Kind: KindHeadline})
	if between := t.worstBetween(); between != "" {
		s.say("", between)
	}
	if t.tells() {
		s.say("", fmt.Sprintf("No upset up to the level wanted at %d of %s exposed; highest current %v.", sound(f),
			english.Count(len(r.Points()), "frequency", "frequencies"), r.HighestCurrent))
	}
	if words, mark := missed(f); words != "" {
		s.say(mark, words)
	}
	if r.Opened.Changed != "" {
		s.say("", "Changed before this run: "+r.Opened.Changed+".")
	}
	s.say("", fmt.Sprintf("%s, %s, begun %s; %s; %s.", english.FirstUpper(string(r.Opened.RunKind)), r.Opened.Mode,
		r.OpenedAt.Format(minute), english.Count(r.Exposures, "exposure", "exposures"), ending(r)))
	if r.Opened.RunKind != plan.Calibration {
		s.add(Block{Text: english.FirstUpper(headline) + ".", Kind: KindSentence})
	}
	for _, w := range runWords(r) {
		s.say("", w)
	}
	s.add(Block{Text: "Level: " + profileTitle(r.Opened.Profile) + marked(r.Opened.Profile) + ". " +
		fmt.Sprintf("%s; dwell %v; resolution %v.", analysis.Modulation(r.Opened.Modulation), r.Opened.Dwell,
			r.Opened.Resolution), Kind: KindLevel})
	s.table(bandsTable(f))
	if short := shortTable(f); t.tells() && len(short.Rows) > 0 {
		s.add(Block{Table: &short, Kind: KindShort})
	}
	s.table(evidenceTable(t.Evidence), NotDeterministicTable(f))
	t.graded(&s)
	t.remarks(&s)
	if f.Covered.Coarse() && r.Opened.RunKind == plan.Exposure && len(f.Bands) > 0 {
		s.add(Block{Text: "provoke plan PLAN --close-look --job JOB writes the plan that looks closely at what failed.",
			Kind: KindHint, Brief: true})
	}
	if f.Upsets > 0 {
		s.add(Block{Text: fmt.Sprintf("--all prints every frequency that upset, %d in all.", f.Upsets), Kind: KindHint,
			Brief: true})
	}
	for _, c := range t.charts() {
		s.add(Block{Chart: &c, Kind: KindChart})
	}
	s.annex("", upsetsTable(f, t.Onsets))
	s.annex("", uncertainTable(f, t.Onsets))
	s.annex(KindProfile, profileTable(f))
	if f.Graded != nil && len(f.Graded.Points) > mostGraded {
		all := gradedTable(f.Run, f.Graded.Points)
		all.ID, all.Title, all.Note = fmt.Sprintf("graded-all-run-%d", f.Run), "Every estimate from graded readings",
			notExposed
		s.annex(KindProfile, all)
	}
	s.annex(KindDrive, t.drive)
	s.annex(KindSafing, safingTable(r))
	return s
}

// ending says how the run ended.
func ending(r result.Run) string {
	if r.Ended() {
		return string(r.Verdict)
	}
	return "not closed, " + string(r.State)
}

// sound counts where nothing upset up to the level wanted.
func sound(f analysis.Findings) (n int) {
	for _, p := range f.Points {
		if !p.Upset && !p.NotReached && p.Tested() {
			n++
		}
	}
	return n
}

// worstBetween says from where to where the onset of the headline lies.
func (t RunTold) worstBetween() string {
	worst, upset := t.Findings.Worst()
	if between := t.Onsets.Between(worst.Frequency); upset && between != "" {
		words := fmt.Sprintf("The onset at %v lies from %s with a confidence of %v", worst.Frequency, between,
			t.Onsets.Worst.Expanded.Confidence)
		if strings.HasPrefix(between, "at ") { // a bound
			words = strings.Replace(words, "lies from", "is", 1)
		}
		if u, wanted := t.Onsets.At[worst.Frequency], worst.Wanted; wanted.Known() {
			near, a := wanted.Minus(u.High)
			far, b := wanted.Minus(u.Low)
			if a == rf.Exactly && b == rf.Exactly && near > 0 {
				words += fmt.Sprintf(", %.1f to %.1f dB below the level wanted", near.DB(), far.DB())
			}
		}
		return words + "."
	}
	return ""
}

func marked(p event.Profile) string {
	if mark := p.Mark(); mark != "" {
		return " (" + mark + ")"
	}
	return ""
}

// remarks say what the findings rest on, and what makes them doubtful.
func (t RunTold) remarks(s *Section) {
	f := t.Findings
	if words := LevelWords(f); words != "" && len(f.Bands) == 0 { // else it stands below the bands
		s.say("", english.FirstUpper(words)+".")
	}
	if f.Control != 0 {
		s.say("", fmt.Sprintf("Compared with control run %d: upsets that it shows too are marked %q.", f.Control,
			analysis.MonitorOrAE))
	}
	for _, g := range guesses(f) {
		s.say("warning", g)
	}
	if t.Run.Armed != nil {
		for _, x := range t.Run.Armed.Unproved {
			s.add(Block{Text: "Level not proved in the dwell: " + x + ".", Mark: "warning", Kind: KindUnproved})
		}
	}
	if words := t.Onsets.Remark(); words != "" && f.Upsets > 0 {
		s.add(Block{Text: english.FirstUpper(words) + ".", Mark: "of", Kind: KindRests})
	}
	if words, mark := t.stability(); words != "" {
		s.add(Block{Text: words, Mark: mark, Kind: KindStability})
	}
}

// stability says how the current at the check point moved; "" where there is none.
func (t RunTold) stability() (words, mark string) {
	d := t.Findings.Stability
	switch {
	case d == nil:
		return "", ""
	case t.Onsets.Check.Components == nil:
		return fmt.Sprintf("The current at the check point %v moved by %s at most at the same drive.", d.Frequency,
			d.Drift.Text(2)), ""
	case d.Drifted(t.Onsets.Check.U()):
		mark = "warning"
	}
	return english.FirstUpper(d.Says(t.Onsets.Check.U())) + ".", mark
}

// guesses are likely causes, each with the evidence that it rests on; none without evidence.
func guesses(f analysis.Findings) []string {
	var out []string
	for _, b := range f.Bands {
		if b.InControl {
			out = append(out,
				fmt.Sprintf("Perhaps it is not the product at %s: control run %d, with the product replaced or its "+
					"output held, shows the same upsets.", analysis.Span(b), f.Control))
		}
	}
	for _, d := range f.Drift {
		if d.Exceeds() {
			out = append(out,
				fmt.Sprintf("Perhaps some upsets are drift: without RF, %s moved from %.4g to as far as %.4g %s, "+
					"more than half its tolerance of %.4g %s.",
					d.Monitor, d.First, d.First+d.Largest, d.Unit, d.Tolerance, d.Unit))
		}
	}
	for _, b := range f.Bands {
		if b.Monotone == plan.NotMonotone {
			out = append(out,
				fmt.Sprintf("At %s a weaker level upset where a stronger one did not: perhaps the product is "+
					"disturbed in a window of levels, or something else changed between the exposures.",
					analysis.Span(b)))
		}
	}
	return out
}

// charts are the drawings of the run.
func (t RunTold) charts() []Chart {
	var out []Chart
	if c, ok := reachedChart(t.Findings); ok {
		out = append(out, c)
	}
	if k := t.Run.Opened.RunKind; k != plan.Baseline && k != plan.Calibration {
		if c, ok := profileChart(t.Findings, nil); ok {
			out = append(out, c)
		}
	}
	if c, ok := gradedChart(t.Findings); ok {
		out = append(out, c)
	}
	return append(out, readingCharts(t.Run, t.Findings)...)
}

// shortTable lists where less than the level wanted was reached, and what held it.
func shortTable(f analysis.Findings) Table {
	t := Table{ID: fmt.Sprintf("short-run-%d", f.Run), Columns: []Column{
		FrequencyIn("frequency"), currentIn("onset"), currentIn("wanted"), decibels("short of it by"), words("why"),
	}}
	more := 0
	for _, p := range f.Points {
		if p.Upset || !p.NotReached && p.Tested() {
			continue
		}
		if len(t.Rows) == mostShort {
			more++
			continue
		}
		missing, b := p.Wanted.Minus(p.Onset.WithBound(rf.Exactly))
		t.Add(at(f.Run, p.Frequency), Amount(p.Onset), Amount(p.Wanted), gain(missing, b),
			say(cmp.Or(p.Limited, notTested(p))))
	}
	t.Title = "The level wanted was not reached at " + english.Count(len(t.Rows)+more, "frequency", "frequencies")
	if more > 0 {
		t.Note = fmt.Sprintf("And %d more, among every frequency of the run.", more)
	}
	return t
}

func notTested(p analysis.Point) string {
	if !p.Tested() {
		return "not tested"
	}
	return ""
}

// mostShort is how many frequencies are told of those at which the level wanted was not reached.
const mostShort = 8

// RunNumbers names runs: "run 3", "runs 3 and 4", "runs 3, 4 and 5".
func RunNumbers(runs []int) string {
	var out []string
	for _, n := range runs {
		out = append(out, fmt.Sprint(n))
	}
	switch last := len(out) - 1; last {
	case -1:
		return "no run"
	case 0:
		return "run " + out[0]
	default:
		return "runs " + strings.Join(out[:last], ", ") + " and " + out[last]
	}
}
