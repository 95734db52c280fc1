package web

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"net/http"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/faces/report"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
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
	Chart      chart
	Parts      []comparePart
}

type compareChoice struct {
	runRow
	First, Chosen bool
}

// comparePart is one later run against the first.
type comparePart struct {
	Before, After         int
	Title, Changed        string
	Verdict, Mark         string
	Reasons, Reservations []string
	Means                 string // what the numbers are, where both runs replayed a calibration
	Differences           []analysis.Difference
	Chart                 chart
	Bands                 []comparedBand
	Points                []comparedPoint
}

type comparedBand struct{ Before, After, Fate, Gain string }

type comparedPoint struct{ At, Before, After, Required, Gain, Verdict, Why, Link string }

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
		for _, n := range others {
			p.Runs[i].Chosen = p.Runs[i].Chosen || p.Runs[i].Run == n
		}
	}
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
	for _, text := range r.Form["after"] {
		if n := number(text); n != first && len(others) < 3 {
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
		if first != 0 && len(r.Form["after"]) == 0 && x.Number > first && same && x.Opened.Changed != "" && x.Opened.RunKind == plan.Exposure {
			others = append(others, x.Number)
		}
	}
	if len(others) > 3 {
		others = others[len(others)-3:]
	}
	return first, others, nil
}

func (s *Server) compare(r *http.Request, p *comparePage, first int, others []int, margin rf.Gain) error {
	before, f, err := s.findingsOf(first)
	if err != nil {
		return err
	}
	hold, err := s.heldTo(r, p, before)
	if err != nil {
		return err
	}
	all := []analysis.Findings{f}
	for _, n := range others {
		after, g, err := s.findingsOf(n)
		if err != nil {
			return err
		}
		all = append(all, g)
		basis, err := s.basis(before, after, margin)
		if err != nil {
			return err
		}
		c := analysis.Compare(before, after, basis)
		hold(&c, after)
		p.Parts = append(p.Parts, comparePartOf(c))
	}
	p.Chart = overlay(all).bare()
	return nil
}

// basis gathers what a comparison rests on.
func (s *Server) basis(before, after result.Run, margin rf.Gain) (analysis.Basis, error) {
	repeats, err := s.repeats()
	return uncertainty.BasisOf(before, after, repeats, s.benchThen, margin), err
}

// repeats reads the runs that may repeat one another.
func (s *Server) repeats() ([]result.Run, error) {
	infos, err := s.journal.runs()
	if err != nil {
		return nil, err
	}
	var all, repeats []result.Run
	for _, i := range infos {
		all = append(all, result.Run{Number: i.Run, Opened: i.Opened})
	}
	for _, n := range analysis.MayRepeat(all) {
		r, err := s.journal.run(n)
		if err != nil {
			return nil, err
		}
		repeats = append(repeats, r)
	}
	return repeats, nil
}

// heldTo returns what makes a comparison answer for the laboratory's report too, where the address asks
// for that; otherwise it does nothing.
func (s *Server) heldTo(r *http.Request, p *comparePage, before result.Run) (func(*analysis.Comparison, result.Run), error) {
	nothing := func(*analysis.Comparison, result.Run) {}
	lab, err := s.laboratoryNow()
	if err != nil {
		return nothing, err
	}
	confidence, err := confidenceOf(r)
	if err != nil {
		return nothing, err
	}
	p.Lab, p.Confidence = len(lab.Failures) > 0 && before.Opened.RunKind == plan.Exposure, confidence.String()
	if p.Held = p.Lab && r.FormValue("laboratory") != ""; !p.Held {
		return nothing, nil
	}
	l, err := s.beside(before, lab, confidence)
	return func(c *analysis.Comparison, after result.Run) { c.HoldToLaboratory(l, after) }, err
}

// overlay draws the immunity profiles of several runs; each run has its own sign and colour.
func overlay(all []analysis.Findings) chart {
	c := chart{ID: "overlay", Title: "Immunity profiles overlaid", X: frequencyAxis, Y: axis{Label: "onset of upset (dBµA)"}}
	points := map[rf.Frequency][]*analysis.Point{}
	for i := range all {
		for k := range all[i].Points {
			q := &all[i].Points[k]
			if !q.Tested() {
				continue
			}
			if points[q.Frequency] == nil {
				points[q.Frequency] = make([]*analysis.Point, len(all))
			}
			points[q.Frequency][i] = q
		}
	}
	var at []rf.Frequency
	for f := range points {
		at = append(at, f)
	}
	sort.Slice(at, func(i, j int) bool { return at[i] < at[j] })
	wanted := chartSeries{Name: "wanted", Sign: "dash", Paint: "wanted"}
	runs := make([][]chartSeries, len(all))
	paints, signs := []string{"first", "second", "third", "fourth"}, []string{"dot", "square", "triangle", "ring"}
	for i, f := range all {
		name := fmt.Sprintf("run %d", f.Run)
		runs[i] = onsets(name, paints[i%4], paints[i%4])
		runs[i][0].Sign = signs[i%4]
	}
	for _, f := range at {
		c.At = append(c.At, inMHz(f))
		tip, want := f.String(), rf.Current{}
		for i, q := range points[f] {
			if q == nil {
				q = &analysis.Point{}
			} else {
				tip += fmt.Sprintf(" · run %d: %s", all[i].Run, tell.OnsetWords(*q))
				want = q.Wanted
			}
			addOnset(runs[i], *q)
		}
		wanted.Y = append(wanted.Y, number(want))
		c.Tips = append(c.Tips, tip)
	}
	c.Series = []chartSeries{wanted}
	for _, r := range runs {
		c.Series = append(c.Series, r...)
	}
	return c
}

func comparePartOf(c analysis.Comparison) comparePart {
	p := comparePart{Before: c.Before.Run, After: c.After.Run, Title: c.After.Opened.Label, Changed: c.After.Opened.Changed, Verdict: tell.VerdictWords(c),
		Mark:    map[analysis.Judgement]string{analysis.Shown: "good", analysis.NotShown: "warn", analysis.NoDifference: "warn", analysis.Worse: "bad"}[c.Verdict],
		Reasons: c.Reasons, Reservations: c.Reservations, Means: tell.InDrive(c), Differences: c.Differences,
		Chart: chart{ID: fmt.Sprintf("gain-%d", c.After.Run), Title: fmt.Sprintf("Gain of run %d over run %d", c.After.Run, c.Before.Run), X: frequencyAxis, Y: axis{Label: "gain of onset (dB)"}}}
	gain := []chartSeries{{Name: "gain", Sign: "dot", Paint: "first"}, {Name: "at most", Sign: "down", Paint: "second"}, {Name: "at least", Sign: "up", Paint: "third"}}
	for _, x := range c.Points {
		before, after := x.Onsets()
		row := comparedPoint{At: x.Frequency.String(), Before: before.String(), After: after.String(), Required: x.Required.String(),
			Gain: tell.GainWords(x.Gain, x.GainBound), Verdict: string(x.Verdict), Why: x.Why, Link: pointLink(c.After.Run, x.Frequency)}
		p.Points = append(p.Points, row)
		if math.IsNaN(float64(x.Gain)) || math.IsInf(float64(x.Gain), 0) {
			continue
		}
		var y [3]*float64
		g := x.Gain.DB()
		switch x.GainBound {
		case rf.Exactly:
			y[0] = &g
		case rf.AtMost:
			y[1] = &g
		case rf.AtLeast:
			y[2] = &g
		default:
			continue
		}
		p.Chart.At = append(p.Chart.At, inMHz(x.Frequency))
		p.Chart.Tips = append(p.Chart.Tips, row.At+": "+row.Gain+"; "+row.Verdict)
		for i := range gain {
			gain[i].Y = append(gain[i].Y, y[i])
		}
	}
	p.Chart.Series = gain
	p.Chart = p.Chart.bare()
	for _, b := range c.Bands {
		p.Bands = append(p.Bands, comparedBand{tell.SpanWords(b.Before), tell.SpanWords(b.After), string(b.Fate), tell.GainRangeWords(b)})
	}
	return p
}

// reportPage lets a person choose what the report tells, shows it, and offers it for download.
type reportPage struct {
	Frame  frame
	Runs   []compareChoice
	Before int
	After  int
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
	return []form{{"Keep as PDF", "report.pdf", p.FileLink("report.pdf")}, {"Keep as HTML", "report.html", link}, {"Keep as a workbook", "report.xlsx", p.FileLink("report.xlsx")}}
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
	p.Before, p.After, p.Query = j.Before, j.After, r.URL.RawQuery
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

// reportOf reads which runs a report tells of.
func (s *Server) reportOf(r *http.Request) (tell.Job, error) {
	j := tell.Job{Name: baseOf(s.cfg.JobFile), Program: s.cfg.Program, Attachment: func(hash string) ([]byte, error) {
		job, err := s.journal.open()
		if err != nil || job == nil {
			return nil, err
		}
		_, data, err := job.Attachment(hash)
		return data, err
	}}
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
	if j.Before, j.After = numbers["before"], numbers["after"]; j.Before == 0 || j.After == 0 {
		j.Before, j.After = 0, 0
	}
	for _, text := range r.Form["run"] {
		n, err := strconv.Atoi(text)
		if err != nil {
			return j, withStatus(http.StatusBadRequest, "%q is not the number of a run", text)
		}
		j.Detailed = append(j.Detailed, n)
	}
	if len(r.Form) == 0 || len(j.Detailed) == 0 {
		j.Before, j.After, j.Detailed = analysis.Told(j.Runs)
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

// reportForms are the forms of the whole report.
var reportForms = map[string]func(http.ResponseWriter, *http.Request, tell.Job) error{
	"report.html": func(w http.ResponseWriter, r *http.Request, j tell.Job) error {
		h := w.Header()
		// The report is one file with its style inside: it may show that and nothing else.
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'; sandbox")
		h.Set("Content-Type", "text/html; charset=utf-8")
		if r.FormValue("keep") != "" {
			h.Set("Content-Disposition", `attachment; filename="report.html"`)
		}
		return whole(w, func(b io.Writer) error { return report.HTML(b, j) })
	},
	"report.pdf": func(w http.ResponseWriter, _ *http.Request, j tell.Job) error {
		w.Header().Set("Content-Type", "application/pdf")
		w.Header().Set("Content-Disposition", `attachment; filename="report.pdf"`)
		return whole(w, func(b io.Writer) error { return report.PDF(b, j, report.A4) })
	},
	"report.xlsx": func(w http.ResponseWriter, _ *http.Request, j tell.Job) error {
		w.Header().Set("Content-Type", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")
		w.Header().Set("Content-Disposition", `attachment; filename="report.xlsx"`)
		return whole(w, func(b io.Writer) error { return report.Workbook(b, j) })
	},
}
