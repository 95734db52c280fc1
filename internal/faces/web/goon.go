package web

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
)

// goOn is a run that can be gone on with: one that was stopped, tripped, failed or was cut off before its plan was
// done.
type goOn struct {
	Job    string
	Run    int
	Words  string // on the button
	Left   int    // frequencies that are not closed
	Ended  string // how the run ended
	File   string // its plan file
	Cannot string // what is in the way; empty for nothing
	wishes Wishes
}

// goOnWith says how a run is gone on with; nil where there is nothing to go on with, or a newer run is there.
func (s *Server) goOnWith(run int) (*goOn, error) {
	newest, err := s.journal.newest()
	if err != nil || run == 0 || run != newest || s.cfg.Runner.State().Underway || s.cfg.Runner.Written() {
		return nil, err
	}
	var g *goOn
	var sum string
	err = s.journal.with(run, func(r *result.Run) error {
		loop := r.Opened.Fixing != nil
		if v := r.Verdict; !loop && (v == event.Done || v == event.DoneUpset) || r.Opened.RunKind == plan.FreeSweepRun {
			return nil
		}
		o := r.Opened
		g = &goOn{Run: run, Words: fmt.Sprintf("Go on with run %d", run), Ended: "was cut off", wishes: Wishes{
			Label: o.Label, Changed: o.Changed, Operator: o.Operator, Room: o.Room, Temperature: o.Temperature,
			Humidity: o.Humidity}}
		if done := len(r.Points()); !loop && done < o.Points {
			g.Words, g.Left = fmt.Sprintf("Go on at %d of %d", done+1, o.Points), o.Points-done
		}
		if loop {
			g.Words = fmt.Sprintf("Go on with the fixing loop of run %d", run)
		}
		if r.Verdict != "" {
			g.Ended = "ended: " + string(r.Verdict)
		}
		sum = o.Plan.SHA256
		return nil
	})
	if err != nil || g == nil {
		return nil, err
	}
	g.Job = s.jobName()
	return g, s.findPlan(g, sum)
}

// findPlan names the plan file of the folder that a run was begun with.
func (s *Server) findPlan(g *goOn, sum string) error {
	plans, err := s.folder.list("plan")
	for _, p := range plans {
		data, err := s.folder.read(p.Name)
		if have := sha256.Sum256(data); err == nil && hex.EncodeToString(have[:]) == sum {
			g.File = p.Name
			return nil
		}
	}
	g.Cannot = "no plan file of this folder is the one that it was begun with. It is kept in the job: open it from " +
		"the run's attachments and save it, or begin a new run."
	return err
}

// resume checks again what a run was begun with, and begins an arming step to go on with it.
func (s *Server) resume(w http.ResponseWriter, r *http.Request) error {
	run, err := runOf(r)
	if err == nil {
		err = s.sameJob(r)
	}
	if err != nil {
		return err
	}
	if s.cfg.Runner.State().Underway {
		return ErrUnderway
	}
	g, err := s.goOnWith(run)
	switch {
	case err != nil:
		return err
	case g == nil:
		return withStatus(http.StatusConflict, "run %d cannot be gone on with: it is done, or a newer run is there",
			run)
	case g.Cannot != "":
		return withStatus(http.StatusConflict, "run %d cannot be gone on with: %w", run, errors.New(g.Cannot))
	}
	a, err := s.prepared(Request{PlanFile: filepath.Join(s.cfg.Dir, g.File), Resume: true}, g.wishes)
	if err != nil {
		return withStatus(http.StatusUnprocessableEntity, "%w", err)
	}
	a.Left = g.Left
	s.arms.add(a)
	return seeOther(w, r, "/arm/"+a.ID)
}
