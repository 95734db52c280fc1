package tell

import (
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	profile "provoke/internal/model/level"
)

// Section is one chapter of the report. HTML and PDF are both written from the same sections, so
// that they cannot say different things. Whoever has more to say adds blocks in sections().
type Section struct {
	ID, Title string
	Appendix  bool // begins on a page of its own in print
	Blocks    []Block
}

// Block is one piece of a section; exactly one of its fields is set, with Mark beside Text.
type Block struct {
	Text       string
	Mark       string // of Text: "of" for an aside, "warning", or ""
	List       []string
	Table      *Table
	Chart      *Chart
	Sketch     *Sketch
	Verdict    *Verdict
	Picture    *Picture
	Signatures []string // who signs
}

// Sketch is the setup of a bench, to be drawn, with the clamp on a fixture.
type Sketch struct {
	Number  int
	Bench   *catalog.Bench
	Fixture catalog.Fixture
}

// Verdict is the box with the outcome of a comparison.
type Verdict struct {
	Words, Of, Mark       string
	Reasons, Reservations []string
}

func (s *Section) say(mark, text string) {
	if text != "" {
		s.Blocks = append(s.Blocks, Block{Text: text, Mark: mark})
	}
}

func (s *Section) table(tables ...Table) {
	for i := range tables {
		if len(tables[i].Rows) > 0 {
			s.Blocks = append(s.Blocks, Block{Table: &tables[i]})
		}
	}
}

func (s *Section) chart(charts ...Chart) {
	for i := range charts {
		s.Blocks = append(s.Blocks, Block{Chart: &charts[i]})
	}
}

// sections tells the report in its order, figures and tables numbered: what is to be read, then the annexes with
// every frequency, and the hashes last.
func (p *Report) sections() []Section {
	var out []Section
	add := func(s Section) {
		if len(s.Blocks) > 0 {
			out = append(out, s)
		}
	}
	add(p.laboratorySection())
	add(p.compareSection())
	for _, r := range p.Detailed {
		add(r.section())
	}
	for _, x := range p.Studies {
		add(x.section())
	}
	add(p.setupSection())
	add(p.uncertain)
	add(p.pictureSection())
	add(p.deviationSection())
	add(p.cautionSection())
	add(signatureSection())
	annexes := 0
	annex := func(id, title string, tables ...Table) {
		s := Section{ID: id, Appendix: true}
		s.table(tables...)
		if len(s.Blocks) > 0 {
			annexes++
			s.Title = fmt.Sprintf("Annex %d. %s", annexes, title)
			out = append(out, s)
		}
	}
	if c := p.Comparison; c != nil {
		annex("annex-compare", fmt.Sprintf("Frequencies of runs %d and %d compared", c.Before.Run, c.After.Run), c.Points)
	}
	for _, r := range p.Detailed {
		annex(fmt.Sprintf("profile-%d", r.Findings.Run), "Every frequency of "+strings.ToLower(r.Heading[:1])+r.Heading[1:], r.Upsets, r.Uncertain, r.Profile, r.Drive, r.Safing)
	}
	add(p.recordSection(annexes + 1))
	number(out)
	return out
}

// number counts the figures and tables through.
func number(sections []Section) {
	figures, tables := 0, 0
	for _, s := range sections {
		for _, b := range s.Blocks {
			switch {
			case b.Chart != nil:
				figures++
				b.Chart.Number = figures
			case b.Sketch != nil:
				figures++
				b.Sketch.Number = figures
			case b.Table != nil:
				tables++
				b.Table.Number = tables
			}
		}
	}
}

func (p *Report) compareSection() Section {
	s := Section{ID: "compare", Title: "Before and after"}
	c := p.Comparison
	if c == nil {
		return s
	}
	of := fmt.Sprintf("Run %d before, run %d after", c.Before.Run, c.After.Run)
	if changed := c.After.Opened.Changed; changed != "" {
		of += "; changed: " + changed
	}
	s.table(c.Differences)
	s.Blocks = append(s.Blocks, Block{Verdict: &Verdict{
		Words: c.Words, Mark: c.Mark, Reasons: c.Reasons, Reservations: c.Reservations,
		Of: fmt.Sprintf("%s. Margin asked above the onset before: %v.", of, c.Margin),
	}})
	s.chart(c.Charts...)
	s.table(c.Bands, c.Predicted)
	return s
}

func (r *runPart) section() Section {
	s := Section{ID: fmt.Sprintf("run-%d", r.Findings.Run), Title: r.Heading}
	for _, w := range r.Words {
		s.say("", w)
	}
	s.table(r.Bands, r.Evidence, r.Random)
	s.chart(r.Charts...)
	if len(r.Profile.Rows) > 0 {
		s.say("of", "Its upsets and every frequency, with generator setting and powers, stand in an annex.")
	}
	return s
}

func (p *Report) setupSection() Section {
	s := Section{ID: "setup", Title: "Product, setup and equipment"}
	u := p.Setup
	if u == nil {
		return s
	}
	s.say("of", fmt.Sprintf("As recorded in run %d.", u.Run))
	for _, o := range u.Overdue {
		s.say("warning", o+".")
	}
	if u.Sketch != nil {
		s.Blocks = append(s.Blocks, Block{Sketch: u.Sketch})
	} else {
		s.say("of", "No sketch of the setup: "+u.NoSketch+".")
	}
	s.table(u.Fields, u.Exposure)
	if u.Mark != "" {
		s.say("warning", "The level profile is "+u.Mark+".")
	}
	s.table(u.Monitors, u.Equipment)
	return s
}

func (p *Report) pictureSection() Section {
	s := Section{ID: "pictures", Title: "Pictures"}
	for i := range p.Pictures {
		s.Blocks = append(s.Blocks, Block{Picture: &p.Pictures[i]})
	}
	return s
}

func (p *Report) deviationSection() Section {
	s := Section{ID: "deviations", Title: "Deviations and remarks"}
	s.table(p.Deviations)
	if len(s.Blocks) == 0 {
		s.say("", "None recorded.")
	}
	return s
}

func (p *Report) cautionSection() Section {
	s := Section{ID: "cautions", Title: "Cautions", Blocks: []Block{{List: p.Cautions}}}
	s.say("", "These are findings of a development bench, not a test report of an accredited laboratory.")
	return s
}

func (p *Report) recordSection(annex int) Section {
	s := Section{ID: "record", Title: fmt.Sprintf("Annex %d. Record and hashes", annex), Appendix: true}
	s.table(p.Runs)
	if p.Setup != nil {
		s.table(p.Setup.Curves)
	}
	s.table(p.Journal, p.Attachments, p.Files)
	if a := p.Job.About; a != nil {
		s.say("", fmt.Sprintf("Given with the report: %s, SHA-256 %s.", a.Name, a.SHA256))
	}
	s.say("", "A journal is a chain: its head vouches for every record before it, and for the bench file, plan file and figures named above. Every number of this report follows from the journal in "+p.Job.Name+".")
	s.say("", "Integrity hash of the job: "+p.Integrity+". It is the SHA-256 of one line “run NUMBER HEAD” for each run of the job in their order, each with a line feed at its end, HEAD being the hash of that journal's head. A later remark or picture gives the job another hash.")
	return s
}

func signatureSection() Section {
	return Section{ID: "signatures", Title: "Signatures", Blocks: []Block{{Signatures: []string{"Measured by", "Checked by", "Released by"}}}}
}

// WantedWords returns the words for the level wanted in a legend, with the mark of a level profile that
// nobody read in the standard.
func WantedWords(f analysis.Findings) string {
	if mark := f.Opened.Profile.Mark(); mark == profile.Unverified {
		return "wanted (" + mark + ")"
	}
	return "wanted"
}

// wantedNote is the remark under tables that show the level wanted; "" where it is verified.
func wantedNote(f analysis.Findings) string {
	if mark := f.Opened.Profile.Mark(); mark != "" {
		return "Level wanted: " + mark + "."
	}
	return ""
}
