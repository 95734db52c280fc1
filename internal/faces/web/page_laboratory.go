package web

import (
	"net/http"
	"strconv"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// laboratoryPage is what the laboratory reported beside a run of the product as the laboratory had it,
// and what a run after a change has to show.
type laboratoryPage struct {
	Frame      frame
	Runs       []runRow // exposures of the product
	Run, After int
	Confidence string
	Wrong      string // what is wrong with that
	Empty      string
	Sections   []toldSection
}

func (s *Server) laboratoryPage(w http.ResponseWriter, r *http.Request) error {
	p := laboratoryPage{Frame: s.frameFor(r, "Laboratory"), Confidence: r.FormValue("confidence")}
	p.Frame.Title = "Laboratory beside bench"
	confidence, wrong := confidenceOf(r)
	if p.Confidence == "" {
		p.Confidence = confidence.String()
	}
	if err := s.chooseBeside(r, &p); err != nil {
		return err
	}
	if wrong != nil { // as it was typed, with the rest that was chosen
		p.Wrong = wrong.Error()
		w.WriteHeader(http.StatusBadRequest)
		return s.draw(w, "laboratory-beside", p)
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
	book := s.book()
	_, f, err := book.Findings(p.Run)
	if err != nil {
		return err
	}
	l, err := book.Beside(lab.LaboratoryFailures, p.Run, confidence, nil)
	if err != nil {
		return withStatus(http.StatusBadRequest, "%v", err)
	}
	var after *result.Run
	if p.After != 0 {
		r, err := book.Run(p.After)
		if err != nil {
			return err
		}
		if r.Opened.RunKind != plan.Exposure {
			return withStatus(http.StatusBadRequest, "run %d is a %s, not an exposure of the product", p.After,
				r.Opened.RunKind)
		}
		after = &r
	}
	p.Sections = onPage([]tell.Section{tell.BesideSection(l, f, after)}, 0)
	return nil
}
