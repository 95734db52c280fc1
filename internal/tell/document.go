package tell

import (
	"fmt"
	"slices"
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
	// Kind names what some faces leave out, see Kinds; "" is for everybody.
	Kind Kind
	// Annex is read by whoever wants every row: it stands in an annex of the report, is folded away on the page and
	// left out on the terminal where nobody asks for it. Brief is told only where annexes are left out.
	Annex, Brief bool
}

// Reaching are the sections with the blocks for a face, without those that have none.
func Reaching(a Audience, sections []Section) (out []Section) {
	for _, s := range sections {
		s.Blocks = slices.DeleteFunc(slices.Clone(s.Blocks), func(b Block) bool { return !b.Kind.Reaches(a) })
		if len(s.Blocks) > 0 {
			out = append(out, s)
		}
	}
	return out
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

func (s *Section) add(b Block) { s.Blocks = append(s.Blocks, b) }

// annex adds a table that is only for whoever wants every row.
func (s *Section) annex(k Kind, t Table) {
	if len(t.Rows) > 0 {
		s.add(Block{Table: &t, Kind: k, Annex: true})
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
	compared := p.compareSection()
	add(compared.without(true))
	runs := make([]Section, len(p.Detailed))
	for i, r := range p.Detailed {
		runs[i] = p.printed(r)
		add(runs[i].without(true))
	}
	for _, x := range p.Studies {
		add(x.Section())
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
	if c := p.Comparison; c != nil && !p.Job.Short {
		annex("annex-compare", fmt.Sprintf("Frequencies of runs %d and %d compared", c.Before.Run, c.After.Run),
			compared.without(false).tables()...)
	}
	for i, r := range p.Detailed {
		if p.Job.Short {
			break
		}
		what := "Every frequency of "
		if r.Findings.Loop != nil {
			what = "Hands in and out in "
		}
		annex(fmt.Sprintf("profile-%d", r.Findings.Run), what+strings.ToLower(runs[i].Title[:1])+runs[i].Title[1:],
			runs[i].without(false).tables()...)
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

// compareSection has the comparison without its annexes.
func (p *Report) compareSection() Section {
	if p.Comparison == nil {
		return Section{}
	}
	s := p.Comparison.Section()
	s.ID, s.Title = "compare", "Before and after"
	return Reaching(InPrint, []Section{s})[0]
}

// tables are the tables that are told in print.
func (s Section) tables() (out []Table) {
	for _, b := range s.Blocks {
		if b.Table != nil && b.Kind.Reaches(InPrint) {
			out = append(out, *b.Table)
		}
	}
	return out
}

// printed tells a run in print: a chart that the comparison shows is not shown again.
func (p *Report) printed(r RunTold) Section {
	s := r.section()
	if c := p.Comparison; c != nil && (c.Before.Run == r.Run.Number || c.After.Run == r.Run.Number) {
		s.Blocks = slices.DeleteFunc(s.Blocks,
			func(b Block) bool { return b.Chart != nil && b.Chart.ID == profileID(r.Run.Number) })
	}
	if p.Comparison != nil && r.Findings.Loop != nil { // in short: its tries led to what is compared
		s.Blocks = slices.DeleteFunc(s.Blocks, func(b Block) bool {
			return b.Chart != nil || b.Table != nil && !b.Annex && !strings.HasPrefix(b.Table.ID, "tries-") &&
				!strings.HasPrefix(b.Table.ID, "effects-")
		})
	}
	if len(r.Findings.Points) > 0 && r.tells() {
		if p.Job.Short {
			s.say("of", "The annex with its upsets and every frequency is left out of this report; the job holds them.")
			return Reaching(InPrint, []Section{s})[0]
		}
		s.say("of", "Its upsets and every frequency, with generator setting and powers, stand in an annex.")
	}
	return Reaching(InPrint, []Section{s})[0]
}

// without leaves out the annexes of a section, or all but those.
func (s Section) without(annexes bool) Section {
	s.Blocks = slices.DeleteFunc(slices.Clone(s.Blocks), func(b Block) bool { return b.Annex == annexes })
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
	s.say("",
		"A journal is a chain: its head vouches for every record before it, and for the bench file, plan file and "+
			"figures named above. Every number of this report follows from the journal in "+p.Job.Name+".")
	s.say("", "Integrity hash of the job: "+p.Integrity+
		". It is the SHA-256 of one line “run NUMBER HEAD” for each run of the job in their order, each with a line "+
		"feed at its end, HEAD being the hash of that journal's head. A later remark or picture gives the job "+
		"another hash.")
	return s
}

func signatureSection() Section {
	return Section{ID: "signatures", Title: "Signatures",
		Blocks: []Block{{Signatures: []string{"Measured by", "Checked by", "Released by"}}}}
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
