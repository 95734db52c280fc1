package tell

import (
	"fmt"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

const (
	day    = "2006-01-02"
	minute = "2006-01-02 15:04"
	second = "2006-01-02 15:04:05"
)

func runName(n int) string { return fmt.Sprintf("run %d", n) }

// runsTable lists every run of the job.
func runsTable(runs []result.Run) Table {
	t := Table{ID: "runs", Title: "Runs of this job", Columns: []Column{
		words("run"), words("label"), words("changed before it"), words("kind"), words("mode"), words("begun"),
		counted("frequencies"), counted("exposures"), currentIn("highest current"), words("how it ended"),
	}}
	for _, r := range runs {
		o := r.Opened
		end := say("not closed")
		switch {
		case r.Ended():
			end = say(string(r.Verdict))
		case r.State == result.Tripped:
			end = say("tripped, not closed")
		}
		if r.Verdict != event.Done && r.Verdict != event.DoneUpset {
			end.Mark = "warn"
		}
		if r.RFNotKnownOff() {
			end = say(string(event.RFNotKnownOff)).marked("bad")
		}
		t.Add(keep(runName(r.Number)), say(o.Label), say(o.Changed), say(string(o.RunKind)), say(string(o.Mode)),
			keep(r.OpenedAt.Format(minute)), tally(len(r.Points())), tally(r.Exposures), Amount(r.HighestCurrent), end)
	}
	return t
}

// fieldsTable lists named facts.
func fieldsTable(id, title string, fields []event.Field) Table {
	t := Table{ID: id, Title: title, Columns: []Column{words("what"), words("as recorded")}}
	for _, f := range fields {
		t.Add(say(f.Name), say(f.Value))
	}
	return t
}

// equipmentTable lists the equipment as used in a run; a due date before the run is marked.
func equipmentTable(r result.Run) Table {
	t := Table{ID: "equipment", Title: "Equipment", Columns: []Column{
		words("id"), words("description"), words("serial"), words("certificate"), words("calibrated"), words("due"),
		words("answers as"),
	}}
	for _, e := range r.Opened.Equipment {
		due := keep(dated(e.Due))
		if overdue(e.Due, r.OpenedAt) {
			due.Text += ": overdue on the day of the run"
			due.Mark = "bad"
		}
		t.Add(keep(e.ID), say(e.Description), say(e.Serial), say(e.Certificate), keep(dated(e.Calibrated)), due,
			say(e.Identified))
	}
	return t
}

// dated shortens a time to its day; other text stays.
func dated(s string) string {
	for _, layout := range []string{time.RFC3339, day} {
		if t, err := time.Parse(layout, s); err == nil {
			if t.IsZero() {
				return ""
			}
			return t.Format(day)
		}
	}
	return s
}

// overdue reports that a due date lies before the day of the run.
func overdue(due string, run time.Time) bool {
	t, err := time.Parse(day, dated(due))
	return err == nil && t.Format(day) < run.Format(day)
}

func curvesTable(r result.Run) Table {
	t := Table{ID: "curves", Title: "Figures in use", Columns: []Column{words("item"), words("what"), words("source"),
		words("SHA-256 of the figures")}}
	for _, c := range r.Opened.Curves {
		t.Add(keep(c.Item), say(c.What), say(c.Source), say(c.SHA256).marked("code"))
	}
	return t
}

func monitorsTable(r result.Run) Table {
	t := Table{ID: "monitors", Title: "How the DUT was watched", Columns: []Column{
		words("monitor"), words("kind"), words("baseline"), words("tolerance"), secondsIn("latency"),
	}}
	for _, m := range r.Monitors {
		baseline, tolerance := "", ""
		if m.HasBaseline {
			baseline = quantity(m.Baseline, m.Unit)
		}
		if m.Tolerance != 0 {
			tolerance = "± " + quantity(m.Tolerance, m.Unit)
		}
		t.Add(say(m.ID), say(m.Kind), say(baseline), say(tolerance), duration(m.Latency))
	}
	return t
}

func quantity(x float64, unit string) string {
	return strings.TrimSpace(fmt.Sprintf("%.6g %s", x, unit))
}

// bandsTable lists the failing bands of a run.
func bandsTable(f analysis.Findings) Table {
	t := Table{ID: fmt.Sprintf("bands-run-%d", f.Run), Title: fmt.Sprintf("Failing bands of run %d (%s)", f.Run,
		plan.MonotoneAssumed), Note: levelNote(f), Columns: []Column{
		FrequencyIn("from"), FrequencyIn("to"), currentIn("lowest onset"), FrequencyIn("at"), currentIn("wanted"),
		decibels(MarginTo(f)),
		words("class"), words("low edge"), words("high edge"), words("low check"), counted("exposures"),
	}}
	for _, b := range f.Bands {
		t.Add(Frequency(b.Low.Frequency), Frequency(b.High.Frequency), Amount(b.Lowest.Onset),
			at(f.Run, b.Lowest.Frequency),
			Amount(b.Lowest.Wanted), gain(b.Lowest.Margin, b.Lowest.MarginBound), class(b.Class, b.InControl),
			say(EdgeWords(b.Low, "below")), say(EdgeWords(b.High, "above")), say(MonotoneWords(b.Monotone)),
			tally(b.Exposures))
	}
	return t
}

// levelNote says what the levels of a run's table are.
func levelNote(f analysis.Findings) string {
	return strings.TrimLeft(strings.TrimSpace(wantedNote(f)+" "+english.FirstUpper(LevelWords(f))), " ")
}

func class(c event.Class, inControl bool) Cell {
	if inControl {
		return say(string(c) + "; " + analysis.MonitorOrAE).marked("warn")
	}
	return say(string(c))
}

// NotDeterministicTable lists where a run shows that the product is not deterministic.
func NotDeterministicTable(f analysis.Findings) Table {
	t := Table{ID: fmt.Sprintf("random-run-%d", f.Run),
		Title:   fmt.Sprintf("Where the product of run %d is not deterministic", f.Run),
		Columns: []Column{FrequencyIn("frequency"), words("what shows it")},
		Note: "There an onset is one of several that the same search can find; a staircase gives the level of a " +
			"probability, with limits."}
	for _, n := range f.NotDeterministic {
		t.Add(at(f.Run, n.Frequency), say(n.Why))
	}
	return t
}

// upsetsTable lists every frequency that upset.
func upsetsTable(f analysis.Findings, o Onsets) Table {
	t := Table{ID: fmt.Sprintf("upsets-run-%d", f.Run), Title: fmt.Sprintf("Upsets of run %d", f.Run),
		Note: levelNote(f), Columns: []Column{
			FrequencyIn("frequency"), currentIn("onset"), words("from … to"), words("onset is"), currentIn("recovery"),
			currentIn("wanted"), decibels(MarginTo(f)),
			words("class"), secondsIn("well after"), words("upset at onset"), counted("exposures"),
		}}
	for _, p := range f.Points {
		if !p.Upset {
			continue
		}
		t.Add(at(f.Run, p.Frequency), Amount(p.Onset), keep(o.Between(p.Frequency)), say(string(p.OnsetOrigin)),
			recovery(p), Amount(p.Wanted),
			gain(p.Margin, p.MarginBound), class(p.Class, p.InControl), duration(p.RecoveredAfter),
			say(fmt.Sprintf("%d of %d times", p.UpsetsAtOnset, p.TrialsAtOnset)), tally(p.Exposures))
	}
	if len(o.At) == 0 {
		t.drop(2)
	}
	return t
}

func recovery(p analysis.Point) Cell {
	if !p.Recovery.Known() {
		return Cell{Text: RecoveryWords(p)}
	}
	return Amount(p.Recovery)
}

// profileTable lists every frequency of a run.
func profileTable(f analysis.Findings) Table {
	t := Table{ID: fmt.Sprintf("profile-run-%d", f.Run), Title: fmt.Sprintf("Every frequency of run %d", f.Run),
		Note: levelNote(f), Columns: []Column{
			FrequencyIn("frequency"), currentIn("wanted"), currentIn("highest current"), words("which is"),
			currentIn("onset"),
			decibels(MarginTo(f)), words("remark"), counted("exposures"),
		}}
	for _, p := range f.Points {
		onset := Amount(p.Onset)
		if p.Upset {
			onset.Mark = "bad"
		}
		t.Add(at(f.Run, p.Frequency), Amount(p.Wanted), Amount(p.Reached), say(string(p.ReachedOrigin)), onset,
			gain(p.Margin, p.MarginBound), remark(p), tally(p.Exposures))
	}
	return t
}

func remark(p analysis.Point) Cell {
	var out []string
	switch {
	case p.Upset:
		out = append(out, "upset")
	case !p.Tested() && !p.NotReached:
		return say("nothing shown").marked("warn")
	}
	if p.InControl {
		out = append(out, analysis.MonitorOrAE)
	}
	if p.NotReached {
		s := "level not reached"
		if p.Limited != "" {
			s += ": " + p.Limited
		}
		out = append(out, s)
	}
	c := say(strings.Join(out, "; "))
	if p.NotReached {
		c.Mark = "warn"
	}
	return c
}

// stepsTable lists every closed step of a run, for the CSV file.
func stepsTable(r result.Run) Table {
	t := Table{ID: fmt.Sprintf("steps-run-%d", r.Number), Title: fmt.Sprintf("Every step of run %d", r.Number),
		FileOnly: true, Columns: []Column{
			counted("step"), counted("attempt"), words("closed at"), words("purpose"), FrequencyIn("frequency"),
			plainDecibels("offset"),
			currentIn("target"), powerIn("drive"), currentIn("current"), currentIn("predicted current"),
			powerIn("forward"),
			words("forward is"), powerIn("reverse"), words("what the level means"), words("upset"), words("class"),
			secondsIn("well after"),
			secondsIn("RF on for"), counted("exposures"), words("limited by"), words("note"),
		}}
	for _, s := range r.Steps {
		t.Add(tally(s.Step.Number), tally(s.Attempt), say(s.At.Format(time.RFC3339Nano)), say(string(s.Step.Purpose)),
			Frequency(s.Step.Point.Frequency), gain(s.Step.Offset, rf.Exactly),
			Amount(s.Step.Point.Target.Add(s.Step.Offset)),
			Amount(s.Drive), Amount(s.Current), Amount(s.Predicted), Amount(s.Forward), say(forwardIs(s)),
			Amount(s.Reverse),
			say(s.Step.Point.Means), say(yes(s.Outcome.Upset)), say(string(s.Class)), duration(s.RecoveredAfter),
			duration(s.OnFor),
			tally(s.Outcome.Exposures), say(s.Limited), say(s.Note))
	}
	return t
}

// driveTable lists for every frequency of a run the generator's setting and the power, of the step with the highest
// setting.
func driveTable(bench *catalog.Bench, r result.Run) Table {
	head, setting := "generator setting", func(rf.Power) string { return "" }
	if bench != nil {
		if bench.Source.CountsIn == catalog.CountsVpp {
			head += " (set for " + string(bench.Source.Load) + ")"
		}
		setting = func(p rf.Power) string { text, _, _ := strings.Cut(bench.Source.Setting(p), " ("); return text }
	}
	t := Table{ID: fmt.Sprintf("drive-run-%d", r.Number), Title: fmt.Sprintf("Generator setting and power of run %d",
		r.Number), Columns: []Column{
		FrequencyIn("frequency"), words("step"), words(head), powerIn("which gives into 50 Ω"),
		powerIn("forward power"), words("forward is"), powerIn("reflected power"),
		currentIn("current"), words("current is"),
	},
		Note: fmt.Sprintf("At each frequency the step with the highest setting; levels of the unmodulated carrier, "+
			"powers at the input of the clamp. Every step is in steps-run-%d.csv.", r.Number)}
	for _, p := range r.Points() {
		var s *result.Step
		for _, x := range p.Steps {
			if x.Drive.Known() && (s == nil || x.Drive.DB() >= s.Drive.DB()) {
				s = x
			}
		}
		if s == nil {
			continue
		}
		level, origin := s.Level()
		forward, reflected := Amount(s.Forward), Amount(s.Reverse)
		if !s.Forward.Known() {
			forward.Text = "not measured"
		}
		if !s.Reverse.Known() {
			reflected.Text = "not measured"
		}
		t.Add(Frequency(p.Frequency), keep(fmt.Sprintf("step %d", s.Step.Number)), keep(setting(s.Drive)),
			Amount(s.Drive), forward, say(forwardIs(s)), reflected, Amount(level), say(string(origin)))
	}
	return t
}

func forwardIs(s *result.Step) string {
	switch {
	case !s.Forward.Known():
		return ""
	case s.ForwardPredicted:
		return string(result.Predicted)
	}
	return string(result.Measured)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// readingsTable lists the DUT readings around every upset, for the CSV file.
func readingsTable(r result.Run) Table {
	t := Table{ID: fmt.Sprintf("readings-run-%d", r.Number),
		Title: fmt.Sprintf("DUT readings around the upsets of run %d", r.Number), FileOnly: true, Columns: []Column{
			counted("step"), FrequencyIn("frequency"), words("monitor"), secondsIn("after RF came to the level"),
			words("RF on"),
			counted("value"), words("unit"), words("text"), words("bad"), words("why"),
		}}
	units := map[string]string{}
	for _, m := range r.Monitors {
		units[m.ID] = m.Unit
	}
	for _, s := range r.Steps {
		for _, x := range s.Readings {
			value := Cell{Text: none}
			if x.HasValue {
				value = say(fmt.Sprintf("%.9g", x.Value))
			}
			after := Cell{Number: fmt.Sprintf("%.6f", x.After.Std().Seconds())}
			t.Add(tally(s.Step.Number), Frequency(s.Step.Point.Frequency), say(x.Monitor), after, say(yes(x.RFOn)),
				value,
				say(units[x.Monitor]), say(x.Text), say(yes(x.Bad)), say(x.Why))
		}
	}
	return t
}

func differencesTable(c analysis.Comparison) Table {
	t := Table{ID: "differences", Title: "What else differs between the two runs", Columns: []Column{
		words("what"), words("before"), words("after"), words("weight"),
	}}
	for _, d := range c.Differences {
		weight := say("a reservation")
		if d.Forbids {
			weight = say("forbids the verdict \"shown\": " + d.Why).marked("bad")
		}
		t.Add(say(d.What), say(d.Before), say(d.After), weight)
	}
	return t
}

func comparedBandsTable(c analysis.Comparison) Table {
	t := Table{ID: "compared-bands", Title: "Failing bands before and after", Columns: []Column{
		words("before"), words("after"), words("what became of it"), decibels("least gain"),
	}}
	for _, b := range c.Bands {
		fate := say(string(b.Fate))
		switch b.Fate {
		case analysis.Gone:
			fate.Mark = "good"
		case analysis.Moved, analysis.New:
			fate.Mark = "bad"
		default:
			fate.Mark = "warn"
		}
		t.Add(say(SpanWords(b.Before)), say(SpanWords(b.After)), fate, gain(b.LeastGain, b.LeastGainBound))
	}
	return t
}

// comparedTable lists the frequencies that a comparison has something to say of.
func comparedTable(c analysis.Comparison) Table {
	t := Table{ID: "compared", Title: "Frequencies that upset before or after", Note: english.FirstUpper(InDrive(c)),
		Columns: []Column{
			FrequencyIn("frequency"), currentIn("onset before"), currentIn("onset after"), decibels("gain"),
			currentIn("required"),
			words("verdict"), words("why"),
		}}
	for _, p := range c.Points {
		if !p.Telling() {
			continue
		}
		before, after := p.Onsets()
		t.Add(Frequency(p.Frequency), Amount(before), Amount(after), gain(p.Gain, p.GainBound), Amount(p.Required),
			say(fixWords(p.Verdict)).marked(judgementMarks[p.Verdict]), say(p.Why))
	}
	return t
}

// journalTable says where the facts are: the journal's head of every run, and the files as used.
func journalTable(runs []result.Run) Table {
	t := Table{ID: "journal", Title: "Journal", Columns: []Column{
		words("run"), counted("records"), words("program"), words("hash of the journal's head"), words("bench file"),
		words("plan file"),
	}}
	for _, r := range runs {
		t.Add(keep(runName(r.Number)), tally(int(r.Records)), say(r.Opened.Program), say(r.Head).marked("code"),
			attachment(r.Opened.Bench), attachment(r.Opened.Plan))
	}
	return t
}

func attachment(a event.Attachment) Cell {
	if a.SHA256 == "" {
		return say(a.Name)
	}
	return say(strings.TrimSpace(a.Name + " " + a.SHA256)).marked("code")
}

// safingTable says what was done to silence the bench at the end of a run.
func safingTable(r result.Run) Table {
	t := Table{ID: fmt.Sprintf("safing-run-%d", r.Number), Title: fmt.Sprintf("Silencing the bench after run %d",
		r.Number), Columns: []Column{words("step"), words("what came of it")}}
	if r.Safed == nil {
		return t
	}
	for _, s := range r.Safed.Steps {
		t.Add(say(s.What), say(s.Result))
	}
	return t
}

// filesTable lists the files that the benches and plans name, as used.
func filesTable(runs []result.Run) Table {
	t := Table{ID: "files", Title: "Files that bench and plan name",
		Columns: []Column{words("run"), words("file"), words("SHA-256")}}
	for _, r := range runs {
		for _, a := range r.Opened.Files {
			t.Add(keep(runName(r.Number)), say(a.Name), say(a.SHA256).marked("code"))
		}
	}
	return t
}

// laboratoryTable lists what laboratories reported, as it was entered.
func laboratoryTable(runs []result.Run) Table {
	t := Table{ID: "laboratory", Title: "What a laboratory reported, as entered", Columns: []Column{
		words("run"), words("laboratory"), words("report"), FrequencyIn("from"), FrequencyIn("to"), words("level"),
		words("modulation"), words("what happened"),
	}}
	for _, r := range runs {
		if r.Laboratory == nil {
			continue
		}
		for _, f := range r.Laboratory.Failures {
			t.Add(keep(runName(r.Number)), say(r.Laboratory.Laboratory), say(r.Laboratory.Report), Frequency(f.From),
				Frequency(f.To), say(f.Level), say(f.Modulation), say(f.What))
		}
	}
	return t
}
