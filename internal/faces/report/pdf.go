package report

import (
	"fmt"
	"image/color"
	"io"
	"strings"

	"codeberg.org/go-pdf/fpdf"

	"provoke/internal/tell"
	"provoke/internal/units/english"
)

// Paper is a size of paper for the PDF.
type Paper string

// The sizes: 210 × 297 mm, and 8.5 × 11 inches.
const (
	A4     Paper = "a4"
	Letter Paper = "letter"
)

// size returns width and height in points; false for a size that is not known.
func (p Paper) size() (fpdf.SizeType, bool) {
	switch p {
	case A4:
		return fpdf.SizeType{Wd: 595.28, Ht: 841.89}, true
	case Letter:
		return fpdf.SizeType{Wd: 612, Ht: 792}, true
	}
	return fpdf.SizeType{}, false
}

// PDF writes the report as a PDF: vector figures, embedded fonts, searchable text, bookmarks. The
// same job gives the same bytes whenever it is written.
func PDF(w io.Writer, j tell.Job, paper Paper) error {
	size, ok := paper.size()
	if !ok {
		return fmt.Errorf("write the report as PDF: unknown paper %q (want %s or %s)", paper, A4, Letter)
	}
	p, err := tell.Tell(j)
	if err != nil {
		return err
	}
	d, err := newPrinter(size, p)
	if err != nil {
		return err
	}
	d.cover()
	for _, s := range p.Sections {
		d.section(s)
	}
	d.finish()
	if err := d.f.Output(w); err != nil {
		return fmt.Errorf("write the report as PDF: %w", err)
	}
	return nil
}

// Distances of the page, in points.
const (
	marginSide   = 50.0
	marginTop    = 58.0
	marginBottom = 62.0
)

// printer lays the report out on pages. It goes down a page from y to bottom and begins a new one
// where the next piece does not fit.
type printer struct {
	f        *fpdf.Fpdf
	p        *tell.Report
	faces    *typefaces
	left     float64
	width    float64 // of the text
	right    float64
	bottom   float64 // the last line ends above it
	height   float64 // of the page
	y        float64
	contents []contentsLine
	pictures map[string]bool // registered, by hash
}

func newPrinter(size fpdf.SizeType, p *tell.Report) (*printer, error) {
	f := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "pt", Size: size})
	made := tell.LastRecord(p.Job.Runs)
	f.SetCatalogSort(true)
	f.SetCreationDate(made)
	f.SetModificationDate(made)
	f.SetSubject("Findings of an immunity bench", true)
	f.SetLang("en")
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(marginSide, marginTop, marginSide)
	faces, err := newTypefaces(f)
	if err != nil {
		return nil, err
	}
	f.SetTitle(faces.plain(p.Title), true)
	f.SetProducer(faces.plain("provoke "+p.Job.Program), true)
	f.SetCreator(faces.plain("provoke "+p.Job.Program), true)
	d := &printer{
		f: f, p: p, faces: faces, left: marginSide, width: size.Wd - 2*marginSide, right: size.Wd - marginSide,
		bottom: size.Ht - marginBottom, height: size.Ht, pictures: map[string]bool{},
	}
	d.newPage()
	return d, f.Error()
}

func (d *printer) newPage() {
	d.f.AddPage()
	d.y = marginTop
}

// need begins a new page where less than this is left.
func (d *printer) need(height float64) {
	if d.y+height > d.bottom && d.y > marginTop {
		d.newPage()
	}
}

// cover is the first page: the largest words where RF is not known to be off, the job in a
// sentence, the facts, and what is where.
func (d *printer) cover() {
	p := d.p
	d.warnOfRF()
	d.flow(style{bold, 9.5, accent}, "Findings of an immunity bench", 0)
	d.y += 3
	d.flow(style{bold, 23, ink}, english.FirstUpper(p.Title), 0)
	d.y += 7
	d.flow(style{regular, 11, ink}, p.Sentence, 0)
	d.y += 10
	d.facts(p.Facts, bold)
	d.y += 12
	d.facts(p.About, regular)
	if p.AboutNote != "" {
		d.y += 4
		d.flow(style{regular, 7.6, quietInk}, p.AboutNote, 0)
	}
	d.y += 14
	d.need(min(17+15*float64(len(p.Sections)), d.bottom-marginTop))
	d.flow(style{bold, 11, ink}, "Contents", 0)
	d.y += 2
	for _, s := range p.Sections {
		d.need(15)
		d.contents = append(d.contents, contentsLine{title: d.faces.cut(style{regular, 9.5, ink},
			english.FirstUpper(s.Title), d.width-50), at: d.f.PageNo(), y: d.y})
		d.y += 15
	}
	if d.f.PageNo() == 1 {
		d.newPage()
	}
}

// warnOfRF fills the head of the first page where RF is not known to be off.
func (d *printer) warnOfRF() {
	if len(d.p.RFUnknown) == 0 {
		return
	}
	const inset = 18
	loud, quiet := style{bold, 44, white}, style{regular, 12, white}
	big := d.faces.lines(loud, "RF NOT KNOWN TO BE OFF", d.width-2*inset)
	small := d.faces.lines(quiet, d.p.RFWords(), d.width-2*inset)
	h := float64(len(big))*loud.lead() + float64(len(small))*quiet.lead() + 2*inset + 6
	d.fill(alarm, d.left, d.y, d.width, h)
	d.y += inset
	d.put(loud, big, inset)
	d.y += 6
	d.put(quiet, small, inset)
	d.y += inset + 16
}

// facts are named facts in two columns.
func (d *printer) facts(list []tell.Fact, as face) {
	const first = 138.0
	name := style{regular, 9, quietInk}
	d.rule(0.6, rule, d.y)
	for _, f := range list {
		text := style{as, 9, markColour(f.Mark)}
		l, r := d.faces.lines(name, f.Name, first-10), d.faces.lines(text, f.Text, d.width-first)
		h := float64(max(len(l), len(r)))*name.lead() + 6
		d.need(h)
		top := d.y + 3
		d.y = top
		d.put(name, l, 0)
		d.y = top
		d.put(text, r, first)
		d.y = top + h - 3
		d.rule(0.6, rule, d.y)
	}
}

// section begins with its heading, which never stands alone at the foot of a page.
func (d *printer) section(s tell.Section) {
	title := style{bold, 14, ink}
	if s.Appendix && d.y > marginTop {
		d.newPage()
	}
	lines := d.faces.lines(title, english.FirstUpper(s.Title), d.width)
	if d.y > marginTop {
		d.y += 20
	}
	d.need(float64(len(lines))*title.lead() + 12 + d.headOf(s))
	d.rule(2, accent, d.y)
	d.y += 8
	d.mark(s)
	d.put(title, lines, 0)
	d.y += 6
	for _, b := range s.Blocks {
		d.block(b)
	}
}

// headOf is the height that the blocks up to the first table or figure want beside the heading, so
// that neither the heading nor its first words stand alone at the foot of a page.
func (d *printer) headOf(s tell.Section) (h float64) {
	for _, b := range s.Blocks {
		switch {
		case b.Chart != nil || b.Sketch != nil:
			return min(h+d.figureHeight(figureOf(b)), d.bottom-marginTop-60)
		case b.Table != nil:
			return h + min(d.tableStart(d.fit(b.Table))+8, 200)
		case b.Picture != nil:
			return h + 240
		case b.Signatures != nil:
			return h + signatureHeight
		case b.Verdict != nil:
			return h + 120
		}
		if h += 28; h > 120 {
			break
		}
	}
	return min(h, 120)
}

// mark sets the bookmark of a section and remembers where it is for the contents.
func (d *printer) mark(s tell.Section) {
	d.faces.set(style{bold, 14, ink})
	d.f.Bookmark(d.faces.plain(english.FirstUpper(s.Title)), 0, d.y-8)
	for i := range d.contents {
		if c := &d.contents[i]; c.page == 0 {
			c.page, c.target = d.f.PageNo(), d.y-10
			return
		}
	}
}

func (d *printer) block(b tell.Block) {
	switch {
	case b.Table != nil:
		d.table(b.Table)
	case b.Chart != nil || b.Sketch != nil:
		d.figure(figureOf(b))
	case b.Verdict != nil:
		d.verdict(b.Verdict)
	case b.Picture != nil:
		d.picture(b.Picture)
	case b.Signatures != nil:
		d.signatures(b.Signatures)
	case b.List != nil:
		for _, t := range b.List {
			d.bullet(t)
		}
		d.y += 4
	case b.Mark == "warning":
		d.warning(b.Text)
	case b.Mark == "of":
		d.flow(style{regular, 9.5, quietInk}, b.Text, 0)
		d.y += 5
	default:
		d.flow(style{regular, 9.5, ink}, b.Text, 0)
		d.y += 5
	}
}

func (d *printer) bullet(text string) {
	s := style{regular, 9.5, ink}
	d.need(s.lead())
	d.fill(quietInk, d.left+3, d.y+s.lead()/2-1.2, 2.6, 2.6)
	d.flow(s, text, 13)
	d.y += 2
}

func (d *printer) warning(text string) {
	s := style{bold, 9.5, alarm}
	lines := d.faces.lines(s, text, d.width-10)
	h := float64(len(lines)) * s.lead()
	d.need(h)
	if d.y+h <= d.bottom {
		d.fill(alarm, d.left, d.y-1, 3, h+2)
	}
	d.put(s, lines, 10)
	d.y += 6
}

// verdict is a box with a bar on its left; it stays on one page where it fits on one.
func (d *printer) verdict(v *tell.Verdict) {
	const inset = 14
	col := markColour(v.Mark)
	d.need(min(d.verdictHeight(v, inset), d.bottom-marginTop))
	top, from := d.y, d.f.PageNo()
	d.y += 9
	d.flow(style{bold, 17, col}, english.FirstUpper(v.Words), inset)
	d.y += 2
	d.flow(style{regular, 9, quietInk}, v.Of, inset)
	d.y += 4
	bullets := func(list []string) {
		for _, t := range list {
			d.left, d.width = d.left+inset, d.width-inset-8
			d.bullet(t)
			d.left, d.width = d.left-inset, d.width+inset+8
		}
	}
	bullets(v.Reasons)
	if len(v.Reservations) > 0 {
		d.y += 3
		d.flow(style{regular, 9, quietInk}, "Reservations", inset)
		d.y += 2
		bullets(v.Reservations)
	}
	d.y += 7
	d.bar(col, from, top)
	d.y += 12
}

// bar draws the bar of a verdict on every page that it runs over.
func (d *printer) bar(col color.RGBA, from int, top float64) {
	to := d.f.PageNo()
	for n := from; n <= to; n++ {
		a, b := marginTop, d.bottom
		if n == from {
			a = top
		}
		if n == to {
			b = d.y
		}
		d.turnTo(n)
		d.fill(col, d.left, a, 5, b-a)
	}
	d.f.SetPage(to)
}

func (d *printer) verdictHeight(v *tell.Verdict, inset float64) float64 {
	count := func(s style, text string, indent float64) float64 {
		return float64(len(d.faces.lines(s, text, d.width-indent))) * s.lead()
	}
	h := 34 + count(style{bold, 17, ink}, v.Words, inset) + count(style{regular, 9, ink}, v.Of, inset)
	for _, t := range append(append([]string{}, v.Reasons...), v.Reservations...) {
		h += count(style{regular, 9.5, ink}, t, inset+21) + 2
	}
	if len(v.Reservations) > 0 {
		h += 17
	}
	return h
}

const signatureHeight = 150.0

// signatures are lines to sign on.
func (d *printer) signatures(who []string) {
	d.need(signatureHeight)
	const gap = 24.0
	w := (d.width - gap*float64(len(who)-1)) / float64(len(who))
	top := d.y
	for i, name := range who {
		x := float64(i) * (w + gap)
		d.y = top
		d.put(style{bold, 9.5, ink}, []string{name}, x)
		for _, line := range []string{"name", "date", "signature"} {
			d.y += 30
			d.f.SetLineWidth(0.6)
			d.f.SetDrawColor(primaries(ink))
			d.f.Line(d.left+x, d.y, d.left+x+w, d.y)
			d.y += 1.5
			d.put(style{regular, 8, quietInk}, []string{line}, x)
		}
	}
	d.y += 10
}

// contentsLine is one line of the contents: where it stands and where it leads.
type contentsLine struct {
	title  string
	at     int     // page that it stands on
	y      float64 // there
	page   int     // that it leads to
	target float64
}

// finish fills in the contents, and heads and feet of all pages, when their number is known.
func (d *printer) finish() {
	for _, c := range d.contents {
		d.turnTo(c.at)
		s := style{regular, 9.5, ink}
		number := fmt.Sprint(c.page)
		d.write(s, d.left, c.y, c.title)
		d.write(s, d.right-d.faces.width(s, number), c.y, number)
		from, to := d.left+d.faces.width(s, c.title)+6, d.right-d.faces.width(s, number)-6
		d.f.SetLineWidth(0.5)
		d.f.SetDrawColor(primaries(rule))
		d.f.SetDashPattern([]float64{1, 2.5}, 0)
		d.f.Line(from, c.y+s.lead()-3.6, max(from, to), c.y+s.lead()-3.6)
		d.f.SetDashPattern([]float64{}, 0)
		link := d.f.AddLink()
		d.f.SetLink(link, c.target, c.page)
		d.f.Link(d.left, c.y, d.width, s.lead(), link)
	}
	pages := d.f.PageCount()
	for n := 1; n <= pages; n++ {
		d.turnTo(n)
		d.head(n)
		d.foot(n, pages)
	}
}

// turnTo goes back to a page. Its own last fill colour is in force there, not the newest one, so
// that one is set.
func (d *printer) turnTo(n int) {
	d.f.SetPage(n)
	d.f.SetFillColor(primaries(white))
}

// head names the report on every page but the first, and says on all of them where RF is not known
// to be off.
func (d *printer) head(n int) {
	const y = 30.0
	small := style{regular, 8, quietInk}
	room := d.width
	if len(d.p.RFUnknown) > 0 {
		loud := style{bold, 9, alarm}
		text := "RF NOT KNOWN TO BE OFF after " + strings.Join(d.p.RFUnknown, ", ")
		text = d.faces.cut(loud, text, d.width*0.55)
		w := d.faces.width(loud, text)
		d.write(loud, d.right-w, y, text)
		room -= w + 16
	}
	if n > 1 {
		d.write(small, d.left, y+0.6, d.faces.cut(small, english.FirstUpper(d.p.Title), room))
		d.f.SetLineWidth(0.5)
		d.f.SetDrawColor(primaries(rule))
		d.f.Line(d.left, y+14, d.right, y+14)
	}
}

// foot has the number of the report, the job with the begin of its integrity hash, the program, and the number of
// the page.
func (d *printer) foot(n, pages int) {
	y := d.height - 42
	small := style{regular, 7.5, quietInk}
	d.f.SetLineWidth(0.5)
	d.f.SetDrawColor(primaries(rule))
	d.f.Line(d.left, y-5, d.right, y-5)
	number := fmt.Sprintf("page %d of %d", n, pages)
	w := d.faces.width(small, number)
	d.write(small, d.right-w, y, number)
	text := fmt.Sprintf("%s, as of %s, integrity hash %s; provoke %s", d.p.Job.Name, d.p.Made, d.p.Integrity[:12],
		d.p.Job.Program)
	if report := d.p.Job.About.Value("report"); report != "" {
		text = d.faces.cut(small, "report "+report, d.width*0.3) + ", " + text
	}
	d.write(small, d.left, y, d.faces.cut(small, text, d.width-w-16))
}
