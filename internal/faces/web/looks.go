package web

import (
	"cmp"
	"net/http"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/model/cable"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// quickLook saves the form of a plan, writes its quick look beside it and opens that.
func (s *Server) quickLook(w http.ResponseWriter, r *http.Request) error {
	x := s.submission(r, planFields)
	if s.save(&x); x.Refused != "" {
		return s.showPlan(w, r, x)
	}
	t := s.tryPlan(x.Name, x.Text)
	if t.list.Err() != nil {
		x.refuse(http.StatusUnprocessableEntity, "a quick look is made from a plan without problems")
		return s.showPlan(w, r, x)
	}
	first, err := s.lookFirst()
	if err != nil {
		return err
	}
	l, err := plan.QuickLook(t.plan, t.bench, first)
	if err != nil {
		x.refuse(http.StatusUnprocessableEntity, "%v", err)
		return s.showPlan(w, r, x)
	}
	return s.writeLook(w, r, x.Name, "quick", l)
}

// within saves the form of a plan, writes the one for so much time beside it and opens that.
func (s *Server) within(w http.ResponseWriter, r *http.Request) error {
	x := s.submission(r, planFields)
	if s.save(&x); x.Refused != "" {
		return s.showPlan(w, r, x)
	}
	refuse := func(format string, args ...any) error {
		x.refuse(http.StatusUnprocessableEntity, format, args...)
		return s.showPlan(w, r, x)
	}
	t := s.tryPlan(x.Name, x.Text)
	if t.list.Err() != nil {
		return refuse("a plan for a time is made from a plan without problems")
	}
	limit, err := rf.ParseDuration(r.PostFormValue("within"))
	if err != nil || limit <= 0 {
		return refuse("say how much time there is, for example 20 min")
	}
	of, err := strconv.Atoi(cmp.Or(r.PostFormValue("retest"), "0"))
	if err != nil {
		return refuse("%q is no run", r.PostFormValue("retest"))
	}
	lab, err := s.laboratoryNow()
	if err != nil {
		return err
	}
	named, err := s.book().Named(lab.LaboratoryFailures, of > 0, of)
	if err != nil {
		return refuse("%v", err)
	}
	peaks, err := s.resonances()
	if err != nil {
		return err
	}
	l, err := plan.Within(t.plan, t.bench, limit, append(named, plan.NamedAt(peaks, plan.FromCable)...))
	if err != nil {
		return refuse("%v", err)
	}
	return s.writeLook(w, r, x.Name, "within", l)
}

// lookFirst is where a quick look looks first: the laboratory's failures, and the resonances of the cable of which the
// folder has a model, where there is one.
func (s *Server) lookFirst() ([]rf.Frequency, error) {
	lab, err := s.laboratoryNow()
	if err != nil {
		return nil, err
	}
	peaks, err := s.resonances()
	return append(lab.Frequencies(), peaks...), err
}

// resonances are those of the cable of which the folder has a model, where there is one.
func (s *Server) resonances() ([]rf.Frequency, error) {
	models, err := s.folder.list("cable")
	if err != nil || len(models) != 1 {
		return nil, err
	}
	data, err := s.folder.read(models[0].Name)
	if err != nil {
		return nil, err
	}
	peaks, err := cable.PeaksOf(models[0].Name, data, s.folder.beside)
	if err != nil {
		return nil, withStatus(http.StatusUnprocessableEntity, "%w", err)
	}
	return peaks, nil
}

// writeLook writes a look beside the plan that it was made from, where it is not there yet, and opens it.
func (s *Server) writeLook(w http.ResponseWriter, r *http.Request, of, word string, l *plan.Look) error {
	stem := strings.TrimSuffix(of, path.Ext(of)) + "-" + word
	name := stem + ".yaml"
	if there, err := s.folder.beside(name); err != nil || string(there) != l.Text {
		name = s.folder.free(stem)
		if err := s.folder.write(name, []byte(l.Text), ""); err != nil {
			return err
		}
	}
	return seeOther(w, r, "/plan?file="+query(name))
}

var quickEnding = regexp.MustCompile(`-quick(-\d+)?(\.ya?ml)$`)

// closer lists the plans whose steps a close look at a run may take, first the one that its quick look was made from;
// none where the run looked closely itself, or found nothing to be looked at.
func (s *Server) closer(t tell.RunTold) (plans []string, err error) {
	if _, err := analysis.Closely(t.Findings, t.Laboratory); err != nil || !t.Findings.Covered.Coarse() {
		return nil, nil
	}
	files, err := s.folder.list("plan")
	was := t.Run.Opened.Plan.Name
	from := quickEnding.ReplaceAllString(was, "$2")
	for _, f := range files {
		switch f.Name {
		case from:
			plans = slices.Insert(plans, 0, f.Name)
		case was: // the quick look itself
		default:
			plans = append(plans, f.Name)
		}
	}
	return plans, err
}

// closeLook writes the plan that looks closely at what a run found, in the steps of a plan of the folder, and opens it.
func (s *Server) closeLook(w http.ResponseWriter, r *http.Request) error {
	run, err := runOf(r)
	if err == nil {
		err = s.sameJob(r)
	}
	if err != nil {
		return err
	}
	name := r.PostFormValue("file")
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	p, list := plan.Parse(name, data, s.folder.beside)
	if list.Err() != nil {
		return withStatus(http.StatusUnprocessableEntity, "%s: %w", name, list.Err())
	}
	lab, err := s.laboratoryNow()
	if err != nil {
		return err
	}
	l, err := s.book().CloseLook(run, p, lab.LaboratoryFailures)
	if err != nil {
		return withStatus(http.StatusUnprocessableEntity, "%w", err)
	}
	return s.writeLook(w, r, name, "close", l)
}
