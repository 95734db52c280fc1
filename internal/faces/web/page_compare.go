package web

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"mime"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"provoke/internal/faces/report"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// comparePage is two or more runs overlaid: each is compared with the first.
type comparePage struct {
	Frame  frame
	Runs   []compareChoice
	Margin string
	// Lab: the job holds what a laboratory reported. Held: the runs are held to that, with Confidence.
	Lab, Held  bool
	Confidence string
	Empty      string
	After      [3]int // as chosen; 0 for none
	Chart      chart
	Verdicts   []*tell.Verdict
	Sections   []toldSection
}

type compareChoice struct {
	runRow
	First, Chosen bool
}

func (s *Server) comparePage(w http.ResponseWriter, r *http.Request) error {
	p := comparePage{Frame: s.frameFor(r, "Compare"), Margin: r.FormValue("margin")}
	infos, err := s.journal.runs()
	if err != nil {
		return err
	}
	first, others, err := compared(r, p.exposures(infos))
	if err != nil {
		return err
	}
	for i := range p.Runs {
		p.Runs[i].First = p.Runs[i].Run == first
	}
	copy(p.After[:], others)
	if first == 0 || len(others) == 0 {
		p.Empty = "A comparison needs two exposures: one before and one after a change."
		return s.draw(w, "compare", p)
	}
	margin := rf.Gain(0)
	if p.Margin != "" {
		if margin, err = rf.ParseGain(p.Margin); err != nil {
			return withStatus(http.StatusBadRequest, "margin: %v", err)
		}
	}
	if err := s.compare(r, &p, first, others, margin); err != nil {
		return err
	}
	p.Frame.Title = fmt.Sprintf("Run %d compared", first)
	return s.draw(w, "compare", p)
}

// exposures fills in what may be chosen and returns the runs as the choice needs them.
func (p *comparePage) exposures(infos []store.RunInfo) []result.Run {
	var out []result.Run
	for _, i := range infos {
		if i.Opened.RunKind == plan.Exposure || i.Opened.RunKind == plan.Control {
			p.Runs = append(p.Runs, compareChoice{runRow: rowOf(i)})
			out = append(out, result.Run{Number: i.Run, Opened: i.Opened})
		}
	}
	return out
}

// compared reads which runs an address compares: before and after, or the first exposure and those
// before which something was changed.
func compared(r *http.Request, runs []result.Run) (first int, others []int, err error) {
	number := func(text string) int {
		n, e := strconv.Atoi(text)
		if e != nil || n < 1 {
			err = withStatus(http.StatusBadRequest, "%q is not the number of a run", text)
		}
		return n
	}
	if text := r.FormValue("before"); text != "" {
		first = number(text)
	}
	chosen := slices.DeleteFunc(r.Form["after"], func(text string) bool { return text == "" })
	for _, text := range chosen {
		if n := number(text); n != first && len(others) < 3 && !slices.Contains(others, n) {
			others = append(others, n)
		}
	}
	if err != nil {
		return 0, nil, err
	}
	if first == 0 {
		first, _ = analysis.Pair(runs)
	}
	for _, x := range runs {
		same := x.Opened.Again == 0 || x.Opened.Again == first
		if first != 0 && len(chosen) == 0 && x.Number > first && same && x.Opened.Changed != "" &&
			x.Opened.RunKind == plan.Exposure {
			others = append(others, x.Number)
		}
	}
	if len(others) > 3 {
		others = others[len(others)-3:]
	}
	return first, others, nil
}

func (s *Server) compare(r *http.Request, p *comparePage, first int, others []int, margin rf.Gain) error {
	book := s.book()
	before, f, err := book.Findings(first)
	if err != nil {
		return err
	}
	hold, err := s.heldTo(r, p, book, before)
	if err != nil {
		return err
	}
	all := []analysis.Findings{f}
	var sections []tell.Section
	for _, n := range others {
		c, err := book.Compared(first, n, margin, hold)
		if err != nil {
			return err
		}
		all = append(all, c.After)
		section := c.Section()
		p.Verdicts = append(p.Verdicts, section.Blocks[0].Verdict)
		sections = append(sections, section)
	}
	if overlaid, ok := tell.Profiles(all); ok && len(others) > 1 { // two alone lie over each other in their section
		p.Chart = chartOf(overlaid)
	}
	p.Sections = onPage(sections, 0)
	for i := range p.Sections {
		verdictAbove(&p.Sections[i])
	}
	return nil
}

// verdictAbove leaves a comparison's verdict to the heading, with its reasons here, and brings the profile before them.
func verdictAbove(s *toldSection) {
	var charts, rest []toldBlock
	for _, b := range s.Blocks {
		switch {
		case b.Chart != nil && len(charts) == 0:
			charts = append(charts, b)
		case b.Verdict != nil:
			v := *b.Verdict
			v.Words, v.Of = "", ""
			b.Verdict = &v
			rest = append(rest, b)
		default:
			rest = append(rest, b)
		}
	}
	s.Blocks = append(charts, rest...)
}

// heldTo returns what makes a comparison answer for the laboratory's report too, where the address asks
// for that; nil otherwise.
func (s *Server) heldTo(r *http.Request, p *comparePage, book *tell.Book,
	before result.Run) (func(*analysis.Comparison, [2]result.Run), error) {
	lab, _, err := book.Laboratory()
	if err != nil {
		return nil, err
	}
	confidence, err := confidenceOf(r)
	if err != nil {
		return nil, err
	}
	p.Lab, p.Confidence = len(lab.Failures) > 0 && before.Opened.RunKind == plan.Exposure, confidence.String()
	if p.Held = p.Lab && r.FormValue("laboratory") != ""; !p.Held {
		return nil, nil
	}
	l, err := book.Beside(lab, before.Number, confidence, nil)
	if err != nil {
		return nil, withStatus(http.StatusBadRequest, "%v", err)
	}
	return func(c *analysis.Comparison, runs [2]result.Run) { c.HoldToLaboratory(l, runs[1]) }, nil
}

// reportPage lets a person choose what the report tells, shows it, and offers it for download.
type reportPage struct {
	Frame  frame
	Runs   []compareChoice
	Before int
	After  int
	Why    string // why these two are compared
	Paper  string
	Name   string // of the file that is kept
	Short  bool
	About  []string // why the facts of the job are not told; empty when they are
	Query  string
	Empty  string
	Tables []tell.Table
}

// FileLink is the address of a file of the report as it is chosen here.
func (p reportPage) FileLink(file string) string {
	if p.Query == "" {
		return "/report/" + file
	}
	return "/report/" + file + "?" + p.Query
}

// Told counts the runs that are told in full.
func (p reportPage) Told() (n int) {
	for _, r := range p.Runs {
		if r.Chosen {
			n++
		}
	}
	return n
}

// form is one way to keep the report.
type form struct{ Name, File, Link string }

// Forms are the ways to keep the report.
func (p reportPage) Forms() []form {
	link := p.FileLink("report.html")
	if strings.Contains(link, "?") {
		link += "&keep=1"
	} else {
		link += "?keep=1"
	}
	return []form{{"Keep as PDF", p.Name + ".pdf", p.FileLink("report.pdf")}, {"Keep as HTML", p.Name + ".html", link},
		{"Keep as a workbook", p.Name + ".xlsx", p.FileLink("report.xlsx")}}
}

func (s *Server) reportPage(w http.ResponseWriter, r *http.Request) error {
	p := reportPage{Frame: s.frameFor(r, "Report")}
	j, err := s.reportOf(r)
	if err != nil {
		return err
	}
	if len(j.Detailed) == 0 {
		p.Empty = "There is no run to report on yet."
		return s.draw(w, "report", p)
	}
	p.Before, p.After, p.Why, p.Short, p.Query = j.Before, j.After, j.Why, j.Short, r.URL.RawQuery
	p.Paper, p.Name, p.About = r.FormValue("paper"), reportName(r), s.reportAbout(&j)
	infos, err := s.journal.runs()
	if err != nil {
		return err
	}
	for _, i := range infos {
		c := compareChoice{runRow: rowOf(i)}
		for _, n := range j.Detailed {
			c.Chosen = c.Chosen || n == i.Run
		}
		if i.Opened.RunKind != event.LaboratoryKind {
			p.Runs = append(p.Runs, c)
		}
	}
	if p.Tables, err = tell.Tables(j); err != nil {
		return err
	}
	return s.draw(w, "report", p)
}

// reportName is what the file of the report is called when it is kept.
func reportName(r *http.Request) string {
	name := strings.Map(func(c rune) rune {
		if strings.ContainsRune(`/\:*?"<>|`, c) || c < ' ' {
			return '-'
		}
		return c
	}, trimmed(r.FormValue("name"), 100))
	if name = strings.Trim(name, ". "); name == "" {
		return "report"
	}
	return name
}

// reportAbout adds what the job does not hold from the file beside it. A file with a problem, or one that contradicts
// the
// job, is not told; what is wrong with it is returned.
func (s *Server) reportAbout(j *tell.Job) (wrong []string) {
	name := aboutFile(s.journal.file())
	data, err := s.folder.read(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return []string{err.Error()}
	}
	about, problems := tell.ParseAbout(name, data)
	if problems.Err() == nil {
		if problems, err = about.Contradictions(*j); err != nil {
			return []string{err.Error()}
		}
	}
	if problems.Err() != nil {
		for _, p := range problems {
			wrong = append(wrong, p.String())
		}
		return wrong
	}
	j.About = about
	return nil
}

// reportOf reads which runs a report tells of.
func (s *Server) reportOf(r *http.Request) (tell.Job, error) {
	j := tell.Job{Short: r.FormValue("short") != "", Name: baseOf(s.journal.file()), Program: s.cfg.Program,
		Files: jobSource{s}.Attachment}
	var err error
	if j.Runs, err = s.journal.all(); err != nil || len(j.Runs) == 0 {
		return j, err
	}
	numbers := map[string]int{}
	for _, name := range []string{"before", "after"} {
		if text := r.FormValue(name); text != "" && text != "0" {
			if numbers[name], err = strconv.Atoi(text); err != nil {
				return j, withStatus(http.StatusBadRequest, "%q is not the number of a run", text)
			}
		}
	}
	var detailed []int
	for _, text := range r.Form["run"] {
		n, err := strconv.Atoi(text)
		if err != nil {
			return j, withStatus(http.StatusBadRequest, "%q is not the number of a run", text)
		}
		detailed = append(detailed, n)
	}
	before, after := numbers["before"], numbers["after"]
	if before == 0 || after == 0 {
		before, after = 0, 0
	}
	if err = j.Choose(detailed, before, after); err != nil {
		return j, withStatus(http.StatusNotFound, "%v", err)
	}
	if len(detailed) > 0 && before == 0 {
		j.Before, j.After = 0, 0 // "none" was chosen
	}
	return j, nil
}

// reportFile sends the report, or one of its tables, to be shown or kept.
func (s *Server) reportFile(w http.ResponseWriter, r *http.Request) error {
	j, err := s.reportOf(r)
	if err != nil {
		return err
	}
	if len(j.Detailed) == 0 {
		return withStatus(http.StatusNotFound, "there is no run to report on yet")
	}
	s.reportAbout(&j)
	file, h := r.PathValue("file"), w.Header()
	if form, ok := reportForms[file]; ok {
		return form(w, r, j)
	}
	tables, err := tell.Tables(j)
	if err != nil {
		return err
	}
	for _, t := range tables {
		if t.ID+".csv" == file {
			h.Set("Content-Type", "text/csv; charset=utf-8")
			h.Set("Content-Disposition", `attachment; filename="`+file+`"`)
			return whole(w, t.CSV)
		}
	}
	return withStatus(http.StatusNotFound, "the report has no table called %s", file)
}

// whole writes to the browser what could be made without an error.
func whole(w io.Writer, make func(io.Writer) error) error {
	var b bytes.Buffer
	if err := make(&b); err != nil {
		return err
	}
	w.Write(b.Bytes()) // a browser that went away is no fault
	return nil
}

// keptAs names the file for a browser.
func keptAs(r *http.Request, ending string) string {
	return mime.FormatMediaType("attachment", map[string]string{"filename": reportName(r) + ending})
}

// reportForms are the forms of the whole report.
var reportForms = map[string]func(http.ResponseWriter, *http.Request, tell.Job) error{
	"report.html": func(w http.ResponseWriter, r *http.Request, j tell.Job) error {
		h := w.Header()
		// The report is one file with its style inside: it may show that and nothing else.
		h.Set("Content-Security-Policy",
			"default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox")
		h.Set("Content-Type", "text/html; charset=utf-8")
		if r.FormValue("keep") != "" {
			h.Set("Content-Disposition", keptAs(r, ".html"))
		}
		return whole(w, func(b io.Writer) error { return report.HTML(b, j) })
	},
	"report.pdf": func(w http.ResponseWriter, r *http.Request, j tell.Job) error {
		paper := report.A4
		if r.FormValue("paper") == string(report.Letter) {
			paper = report.Letter
		}
		w.Header().Set("Content-Type", "application/pdf")
		w.Header().Set("Content-Disposition", keptAs(r, ".pdf"))
		return whole(w, func(b io.Writer) error { return report.PDF(b, j, paper) })
	},
	"report.xlsx": func(w http.ResponseWriter, r *http.Request, j tell.Job) error {
		w.Header().Set("Content-Type", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
		w.Header().Set("Content-Disposition", keptAs(r, ".xlsx"))
		return whole(w, func(b io.Writer) error { return report.Workbook(b, j) })
	},
}
