package tell

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	profile "provoke/internal/model/level"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// cautions stand in every report.
var cautions = []string{
	"RF burns. Nobody touches clamp, cable or product while RF is on; ferrites and clamp may be hot after it.",
	"A cable that carries an injected current radiates. Outside a shielded room that may break spectrum law; where " +
		"and how much is allowed is a matter of local rules.",
	"A line impedance stabilisation network lets mains current flow to protective earth. It stays bonded to earth " +
		"whenever it is powered.",
	"A product that is upset may start, stop or move. Drives are disconnected or guarded before RF goes on.",
	"Local codes and licensed practice come before anything said here.",
}

// heading names a run.
// Heading names the run.
func (t RunTold) Heading() string {
	r := t.Run
	s := fmt.Sprintf("Run %d", r.Number)
	if r.Opened.Label != "" {
		s += ": " + shortened(r.Opened.Label, 90)
	}
	return s
}

const unnamed = "the product"

// product names the DUT as the bench did.
func product(r result.Run) (name, port string) {
	name = unnamed
	for _, f := range r.Opened.Setup {
		switch strings.ToLower(f.Name) {
		case "product", "dut":
			name = f.Value
		case "port":
			port = f.Value
		}
	}
	return name, port
}

// RFWords says after which runs RF is not known to be off, and what to do.
func (p *Report) RFWords() string {
	return "After " + strings.Join(p.RFUnknown,
		", ") +
		" the bench could not be shown to be silent. Switch the amplifier off by hand and measure before anyone " +
		"touches clamp, cable or product."
}

// summarise fills in title, sentence and facts.
func (p *Report) summarise() {
	first := p.Detailed[0]
	name, port := product(first.Run)
	p.Title = "Immunity of " + shortened(name, 90)
	p.Sentence = p.sentence(first, name, port)
	p.Facts = p.facts()
}

// sentence tells the job in a sentence or two.
func (p *Report) sentence(first RunTold, name, port string) string {
	f := first.Findings
	what := "RF current was injected into the cable of " + shortened(name, 200)
	if port != "" {
		what += ", port " + shortened(port, 100)
	}
	if n := len(f.Points); n > 0 {
		what += fmt.Sprintf(", at %s from %v to %v", english.Count(n, "frequency", "frequencies"),
			f.Points[0].Frequency, f.Points[n-1].Frequency)
	}
	what += " (" + analysis.Modulation(f.Opened.Modulation) + "). "
	if p.Comparison == nil {
		return what + sentenceOf(f)
	}
	c := p.Comparison
	s := what + "Before the change: " + sentenceOf(c.Before)
	changed := c.After.Opened.Changed
	if changed == "" {
		changed = c.After.Opened.Label
	}
	if changed != "" {
		changed = " (" + shortened(changed, 200) + ")"
	}
	return s + " After the change" + changed + ": " + sentenceOf(c.After)
}

// sentenceOf is the headline of a run as a sentence.
func sentenceOf(f analysis.Findings) string {
	text, _ := Headline(f)
	return text + "."
}

// shortened cuts a text that is too long to stand in a heading or a sentence; tables hold it whole.
func shortened(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return strings.TrimSpace(string(r[:most-1])) + "…"
	}
	return s
}

// facts are the summary in numbers.
func (p *Report) facts() []Fact {
	var out []Fact
	if c := p.Comparison; c != nil {
		out = append(out, Fact{Name: fmt.Sprintf("Run %d before, run %d after", c.Before.Run, c.After.Run),
			Text: english.FirstUpper(c.Words), Mark: c.Mark})
	}
	for _, r := range p.Detailed {
		f := r.Findings
		text, mark := Headline(f)
		out = append(out, Fact{Name: r.Heading(), Text: text, Mark: mark})
	}
	if gaps := p.unproved(); len(gaps) > 0 {
		out = append(out, Fact{Name: "Level not proved in the dwell", Text: strings.Join(gaps, "; "), Mark: "warn"})
	}
	o := p.Detailed[0].Run.Opened
	wanted := Fact{Name: "Level wanted", Text: profileTitle(o.Profile)}
	if mark := o.Profile.Mark(); mark != "" {
		wanted.Text += "; " + mark
		if mark == profile.Unverified {
			wanted.Mark = "warn"
		}
	}
	return append(out, wanted)
}

// unproved is what nothing on the bench could observe of the level in the dwells of any run told in full.
func (p *Report) unproved() (out []string) {
	for _, r := range p.Detailed {
		if r.Run.Armed == nil {
			continue
		}
		for _, x := range r.Run.Armed.Unproved {
			if !slices.Contains(out, x) {
				out = append(out, x)
			}
		}
	}
	return out
}

func notReached(f analysis.Findings) (n int) {
	for _, p := range f.Points {
		if p.NotReached && !p.Upset {
			n++
		}
	}
	return n
}

func profileTitle(p event.Profile) string {
	if p.Title != "" {
		return p.Title
	}
	return cmp.Or(p.ID, "none named")
}

// newSetupPart describes setup, equipment and exposure of the first of the runs told in full, and
// what was overdue in any of them.
func newSetupPart(b *Book, runs []result.Run) *setupPart {
	r := runs[0]
	s := &setupPart{
		Run: r.Number, Fields: fieldsTable("setup", "Product and setup", setupFields(r)), Equipment: equipmentTable(r),
		Curves: curvesTable(r), Monitors: monitorsTable(r), Exposure: fieldsTable("exposure", "Level and exposure",
			ExposureFields(r)),
	}
	s.Mark = r.Opened.Profile.Mark()
	s.Overdue = overdueIn(runs)
	s.sketch(b, r)
	return s
}

// overdueIn names every piece of equipment whose calibration was out of date on the day of a run.
func overdueIn(runs []result.Run) []string {
	var out []string
	for _, r := range runs {
		for _, e := range r.Opened.Equipment {
			text := fmt.Sprintf("%s was due for calibration on %s, before the run of %s", e.ID, dated(e.Due),
				r.OpenedAt.Format(day))
			if overdue(e.Due, r.OpenedAt) && !slices.Contains(out, text) {
				out = append(out, text)
			}
		}
	}
	return out
}

// sketch has the setup drawn of the setup from the bench file as used.
func (s *setupPart) sketch(b *Book, r result.Run) {
	bench, err := b.Bench(r)
	if err != nil {
		s.NoSketch = err.Error()
		return
	}
	s.bench, s.Sketch = bench, &Sketch{Bench: bench, Fixture: catalog.Fixture(r.Opened.Fixture)}
}

func setupFields(r result.Run) []event.Field {
	o := r.Opened
	return append(o.Setup[:len(o.Setup):len(o.Setup)], known(
		event.Field{Name: "clamp is on", Value: o.Fixture}, event.Field{Name: "room", Value: o.Room},
		event.Field{Name: "temperature", Value: o.Temperature}, event.Field{Name: "relative humidity",
			Value: o.Humidity}, event.Field{Name: "operator", Value: o.Operator},
	)...)
}

// ExposureFields are the facts of level and exposure.
func ExposureFields(r result.Run) []event.Field {
	o := r.Opened
	verified := o.Profile.Mark()
	if verified == "" && strings.HasPrefix(o.Profile.Confidence, "read") { // and not stated by the user
		verified = "read in the source"
	}
	low, high := rf.Frequency(0), rf.Frequency(0)
	if points := r.Points(); len(points) > 0 {
		low, high = points[0].Frequency, points[len(points)-1].Frequency
	}
	fields := known(
		event.Field{Name: "level profile", Value: profileTitle(o.Profile)}, event.Field{Name: "source of its figures",
			Value: o.Profile.Source},
		event.Field{Name: "confidence in them", Value: o.Profile.Confidence}, event.Field{Name: "verification",
			Value: verified},
		event.Field{Name: "what the level means", Value: o.Profile.Means}, event.Field{Name: "mode",
			Value: string(o.Mode)},
		event.Field{Name: "modulation", Value: analysis.Modulation(o.Modulation)}, event.Field{Name: "dwell",
			Value: o.Dwell.String()},
		event.Field{Name: "frequencies", Value: fmt.Sprintf("%v to %v, %s of the plan", low, high,
			english.Count(o.Points, "frequency", "frequencies"))},
		event.Field{Name: "resolution of thresholds", Value: o.Resolution.String()},
	)
	if o.Edges != 0 {
		fields = append(fields, event.Field{Name: "resolution of band edges", Value: o.Edges.String()})
	}
	if o.Calibration != 0 {
		fields = append(fields, event.Field{Name: "drives replayed from", Value: runName(o.Calibration)})
	}
	return fields
}

func known(fields ...event.Field) []event.Field {
	var out []event.Field
	for _, f := range fields {
		if f.Value != "" {
			out = append(out, f)
		}
	}
	return out
}

// runWords say how the run began and ended.
func runWords(r result.Run) []string {
	var out []string
	switch {
	case r.Safed == nil:
	case r.Safed.Quiet:
		out = append(out, fmt.Sprintf("At the end the bench was silenced in %v: %s.", r.Safed.Took, r.Safed.How))
	default:
		out = append(out, fmt.Sprintf("At the end the bench could NOT be shown to be silent, after %v: %s.",
			r.Safed.Took, r.Safed.How))
	}
	for _, l := range r.FirstLight {
		words := "agrees with"
		if !l.Passed {
			words = "does NOT agree with"
		}
		out = append(out, fmt.Sprintf("First light at %v: %v measured %s the %v to %v predicted.", l.Frequency,
			l.Measured, words, l.Low, l.High))
	}
	return out
}

// DeviationsTable lists what did not go as planned, and every remark.
func DeviationsTable(detailed []RunTold) Table {
	t := Table{ID: "deviations", Title: "Deviations and remarks",
		Columns: []Column{words("run"), words("when"), words("what"), words("as recorded")}}
	for _, told := range detailed {
		r := told.Run
		d := deviations{run: keep(runName(r.Number)), t: &t}
		d.ending(r)
		d.pauses(r)
		d.gaps(r, told.Findings)
		d.byHand(r)
		d.remarks(r)
	}
	return t
}

type deviations struct {
	run Cell
	t   *Table
}

func (d deviations) add(when, what, text, mark string) {
	d.t.Add(d.run, keep(when), say(what).marked(mark), say(text))
}

func (d deviations) ending(r result.Run) {
	if r.StopCause != "" {
		d.add("", "stopped by the "+r.StopBy, r.StopCause, "warn")
	}
	for _, x := range r.Trips {
		d.add(x.At.Format(second), "tripped by the "+x.By, x.Cause, "bad")
	}
	switch {
	case !r.Ended():
		d.add("", "not closed", "the journal of this run has no closing record", "warn")
	case r.Verdict != event.Done && r.Verdict != event.DoneUpset:
		d.add("", "ended", strings.TrimSuffix(string(r.Verdict)+": "+r.Why, ": "), "warn")
	}
	if r.Unreadable > 0 {
		d.add("", "not readable", english.Count(r.Unreadable,
			"record", "records")+" of the journal cannot be read by this program", "warn")
	}
}

func (d deviations) pauses(r result.Run) {
	for _, h := range r.Holds {
		lasted := "not ended"
		if !h.To.IsZero() {
			lasted = rf.Duration(h.To.Sub(h.From)).String()
		}
		d.add(h.From.Format(second), "held for "+lasted, h.Why, "")
	}
	for _, x := range r.Resumptions {
		d.add(x.At.Format(second), "taken up again", x.Why, "")
	}
	for _, i := range r.Abandoned {
		d.add("", "step begun, not closed", fmt.Sprintf("step %d, attempt %d: %s at %v", i.Step.Number, i.Attempt,
			i.Step.Purpose, i.Step.Point.Frequency), "warn")
	}
}

// gaps names where less was shown than the plan asks for.
func (d deviations) gaps(r result.Run, f analysis.Findings) {
	for _, p := range f.Points {
		if p.NotReached {
			missing, _ := p.Wanted.Minus(p.Reached.WithBound(rf.Exactly))
			text := fmt.Sprintf("%v: %v of %v", p.Frequency, p.Reached, p.Wanted)
			if missing.Finite() {
				text += fmt.Sprintf(", short of it by %v", missing)
			}
			if p.Limited != "" {
				text += ": " + p.Limited
			}
			d.add("", "level not reached", text, "warn")
		}
	}
	for _, s := range r.Steps {
		if s.Outcome.Skipped {
			d.add(s.At.Format(second), "step given up",
				strings.TrimSuffix(fmt.Sprintf("step %d at %v: %s", s.Step.Number, s.Step.Point.Frequency, s.Note),
					": "), "warn")
		}
	}
	for _, x := range f.Drift {
		if x.Exceeds() {
			d.add("", "drift of the reading",
				fmt.Sprintf("%s moved by %s without RF up to step %d; its tolerance is %s", x.Monitor,
					quantity(x.Largest, x.Unit), x.Step, quantity(x.Tolerance, x.Unit)), "warn")
		}
	}
	for _, b := range f.Bands {
		if b.InControl {
			d.add("", analysis.MonitorOrAE, fmt.Sprintf("the band %s is in control run %d too", analysis.Span(b),
				f.Control), "warn")
		}
	}
}

func (d deviations) remarks(r result.Run) {
	for _, n := range r.Notes {
		what := "note"
		if n.By != "" {
			what = "note by " + n.By
		}
		d.add(n.At.Format(second), what, n.Text, "")
	}
	for _, m := range r.Marks {
		d.add(m.At.Format(second), "operator's mark", m.Text, "")
	}
}

// Picture is an attached picture that the report shows.
type Picture struct {
	Caption, Name, Hash string
	Kind                string // media type
	Bytes               []byte
}

// largestPicture is how many bytes a picture may have to be put into the report.
const largestPicture = 6 << 20

// attach lists the attachments and takes in the pictures. Those that are kept as they came have one line for all that
// stand together.
func (p *Report) attach(j Job) {
	p.Attachments = Table{ID: "attachments", Title: "Attachments",
		Columns: []Column{words("run"), words("when"), words("file"), words("caption"), words("SHA-256")}}
	for _, r := range j.Runs {
		for i := 0; i < len(r.Attachments); i++ {
			a := r.Attachments[i]
			last := i
			for a.Raw && last+1 < len(r.Attachments) && r.Attachments[last+1].Raw {
				last++
			}
			name, caption, hash := say(a.Name), say(a.Caption), say(a.SHA256).marked("code")
			if n := last - i; n > 0 {
				name = say(a.Name + " to " + r.Attachments[last].Name)
				caption, hash = say(fmt.Sprintf("%d files as they came", n+1)), say("in the journal")
			}
			i = last
			p.Attachments.Add(keep(runName(r.Number)), keep(a.At.Format(second)), name, caption, hash)
			if pic, ok := pictureOf(j, a.Attached); ok && !a.Raw {
				p.Pictures = append(p.Pictures, pic)
			}
		}
	}
}

func pictureOf(j Job, a event.Attached) (Picture, bool) {
	data, err := j.Attachment(a.SHA256)
	if err != nil || len(data) > largestPicture {
		return Picture{}, false
	}
	kind := pictureKind(data)
	if kind == "" {
		return Picture{}, false
	}
	return Picture{Caption: cmp.Or(a.Caption, a.Name), Name: a.Name, Hash: a.SHA256, Kind: kind, Bytes: data}, true
}

// pictureKind tells JPEG and PNG by their first bytes; anything else is not put into a page.
func pictureKind(data []byte) string {
	switch {
	case strings.HasPrefix(string(data[:min(len(data), 3)]), "\xff\xd8\xff"):
		return "image/jpeg"
	case strings.HasPrefix(string(data[:min(len(data), 8)]), "\x89PNG\r\n\x1a\n"):
		return "image/png"
	}
	return ""
}
