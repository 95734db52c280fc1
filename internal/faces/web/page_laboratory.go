package web

import (
	"fmt"
	"math"
	"net/http"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// laboratoryPage is what the laboratory reported beside a run of the product as the laboratory had it,
// and what a run after a change has to show.
type laboratoryPage struct {
	Frame      frame
	Runs       []runRow // exposures of the product
	Run, After int
	Confidence string
	Empty      string
	From       string // which laboratory, which report
	Title      string
	Words      []string
	Chart      chart
	Tables     []tell.Table
	Met        *tell.Met // run After held to the report; nil for none
}

func (s *Server) laboratoryPage(w http.ResponseWriter, r *http.Request) error {
	p := laboratoryPage{Frame: s.frameFor(r, "Laboratory"), Confidence: r.FormValue("confidence")}
	p.Frame.Title = "Laboratory beside bench"
	confidence, err := confidenceOf(r)
	if err != nil {
		return err
	}
	if p.Confidence == "" {
		p.Confidence = confidence.String()
	}
	if err := s.chooseBeside(r, &p); err != nil {
		return err
	}
	lab, err := s.laboratoryNow()
	if err != nil {
		return err
	}
	switch {
	case len(lab.Failures) == 0:
		p.Empty = "Nothing of what the laboratory reported is written down yet."
	case p.Run == 0:
		p.Empty = "There is no exposure of the product yet to hold the laboratory's report against."
	default:
		err = s.fillBeside(&p, lab, confidence)
	}
	if err != nil {
		return err
	}
	return s.draw(w, "laboratory-beside", p)
}

// confidenceOf reads the confidence that an address asks for.
func confidenceOf(r *http.Request) (rf.Fraction, error) {
	text := r.FormValue("confidence")
	if text == "" {
		return uncertainty.DefaultConfidence, nil
	}
	var c rf.Fraction
	if err := c.UnmarshalText([]byte(text)); err != nil {
		return 0, withStatus(http.StatusBadRequest, "confidence: %v", err)
	}
	return c, nil
}

// chooseBeside fills in the runs that may be chosen, and those that the address chooses.
func (s *Server) chooseBeside(r *http.Request, p *laboratoryPage) error {
	infos, err := s.journal.runs()
	if err != nil {
		return err
	}
	var known []result.Run
	for _, i := range infos {
		if i.Opened.RunKind == plan.Exposure {
			p.Runs = append(p.Runs, rowOf(i))
			known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
		}
	}
	if p.Run, err = runOf(r); err != nil {
		return err
	}
	if p.Run == 0 {
		p.Run = analysis.AsReceived(known)
	}
	text := r.FormValue("after")
	if text == "" && !r.Form.Has("after") { // nobody chose: the newest run after a change
		for _, x := range known {
			if x.Number > p.Run && x.Opened.Changed != "" {
				p.After = x.Number
			}
		}
	}
	if text != "" {
		if p.After, err = strconv.Atoi(text); err != nil || p.After < 0 {
			return withStatus(http.StatusBadRequest, "%q is not the number of a run", text)
		}
	}
	return nil
}

func (s *Server) fillBeside(p *laboratoryPage, lab laboratory, confidence rf.Fraction) error {
	bench, f, err := s.findingsOf(p.Run)
	if err != nil {
		return err
	}
	l, err := s.beside(bench, lab, confidence)
	if err != nil {
		return err
	}
	p.Title, p.From = bench.Opened.Label, lab.name()
	p.Words = fateCounts(l)
	p.Tables = tell.LaboratoryTables(l)
	p.Chart = besideChart(l, f).bare()
	if p.After == 0 {
		return nil
	}
	after, err := s.journal.run(p.After)
	if err != nil {
		return err
	}
	if after.Opened.RunKind != plan.Exposure {
		return withStatus(http.StatusBadRequest, "run %d is a %s, not an exposure of the product", p.After, after.Opened.RunKind)
	}
	met := tell.MetWords(l, after)
	p.Met = &met
	return nil
}

// name says which laboratory, and which of its reports.
func (l laboratory) name() string {
	name := l.Laboratory
	if name == "" {
		name = "the laboratory"
	}
	if l.Report != "" {
		name += ", " + l.Report
	}
	return event.Printable(name)
}

// beside holds what the laboratory reported against a run.
func (s *Server) beside(r result.Run, lab laboratory, confidence rf.Fraction) (analysis.BesideLaboratory, error) {
	infos, err := s.journal.runs()
	if err != nil {
		return analysis.BesideLaboratory{}, err
	}
	same := []result.Run{r}
	for _, i := range infos {
		a, b := i.Opened, r.Opened
		if i.Run == r.Number || a.RunKind != b.RunKind || a.Plan.SHA256 != b.Plan.SHA256 || a.Bench.SHA256 != b.Bench.SHA256 {
			continue
		}
		q, err := s.journal.run(i.Run)
		if err != nil {
			return analysis.BesideLaboratory{}, err
		}
		same = append(same, q)
	}
	bench, err := s.benchThen(r)
	if err != nil {
		bench = nil // both levels are then told as assumed
	}
	c, err := uncertainty.CertaintyOf(bench, r, analysis.Repeatable(same, r), lab.LaboratoryFailures, confidence)
	if err != nil {
		return analysis.BesideLaboratory{}, withStatus(http.StatusBadRequest, "%v", err)
	}
	l, err := analysis.CompareLaboratory(lab.LaboratoryFailures, r, c)
	if err != nil {
		return l, withStatus(http.StatusBadRequest, "%v", err)
	}
	return l, nil
}

// fateCounts says in short what became of the laboratory's failures.
func fateCounts(l analysis.BesideLaboratory) []string {
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
		out = append(out, english.Count(k, "failing band", "failing bands")+" found on the bench and not reported by the laboratory")
	}
	return out
}

// besideChart is the immunity profile of the bench with what the laboratory's levels stand for and what
// a fix must show, each at the middle of the laboratory's range.
func besideChart(l analysis.BesideLaboratory, f analysis.Findings) chart {
	c := chart{ID: "beside", Title: fmt.Sprintf("The laboratory's failures beside the onsets of run %d", l.Run), X: frequencyAxis, Y: currentAxis}
	points, failures := map[float64]analysis.Point{}, map[float64]analysis.LaboratoryPoint{}
	for _, q := range f.Points {
		if q.Tested() {
			points[inMHz(q.Frequency)] = q
			c.At = append(c.At, inMHz(q.Frequency))
		}
	}
	for _, p := range l.Points {
		x := math.Sqrt(inMHz(p.Low) * inMHz(p.High))
		for ; failures[x].From.Known(); x *= 1.0005 { // two failures at one place stand beside each other
		}
		if _, ok := points[x]; !ok {
			c.At = append(c.At, x)
		}
		failures[x] = p
		c.Reported = append(c.Reported, [2]float64{inMHz(p.Low), inMHz(p.High)})
	}
	sort.Float64s(c.At)
	c.ReportedWord = "range in which the laboratory failed"
	asks, high := chartSeries{Name: "the laboratory's level stands for", Sign: "square", Paint: "second"}, chartSeries{Name: "at most (indicative)", Sign: "ring", Paint: "second"}
	must := chartSeries{Name: "a fix must show", Sign: "triangle", Paint: "wanted"}
	onset := onsets("bench", "upset", "calm")
	for _, x := range c.At {
		q, tested := points[x]
		p, failed := failures[x]
		addOnset(onset, q)
		asks.Y, high.Y, must.Y = append(asks.Y, number(p.Asks)), append(high.Y, nil), append(must.Y, number(p.Required))
		var tip []string
		link := ""
		if failed {
			if p.Asks != p.AsksHigh {
				high.Y[len(high.Y)-1] = number(p.AsksHigh)
			}
			tip = append(tip, fmt.Sprintf("laboratory failed at %s, %s: %s; a fix must show %v", p.Span(), p.LaboratoryFailure.Level, tell.FateWords(p), p.Required))
		}
		if tested {
			tip, link = append(tip, fmt.Sprintf("bench at %v: %s", q.Frequency, tell.OnsetWords(q))), pointLink(f.Run, q.Frequency)
		}
		c.Tips, c.Links = append(c.Tips, strings.Join(tip, " · ")), append(c.Links, link)
	}
	c.Series = append(onset, asks, high, must)
	return c
}
