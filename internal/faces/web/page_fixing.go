package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// mostFollowed is how many frequencies a fixing loop follows at most.
const mostFollowed = 8

// fixForm begins a fixing loop from what a run found.
type fixForm struct {
	Job    string
	Run    int
	File   string // its plan file
	Cannot string // what is in the way; empty for nothing
	At     []fixChoice
	// HoldAt and HoldLevel are the point that is looked at, to be held by hand.
	HoldAt, HoldLevel string
	Busy              bool
}

// fixTyped is what was typed about a fixing loop on the Plan page.
type fixTyped struct {
	Fix             bool
	More, At, Level string
}

// fixChoice is a frequency that can be followed.
type fixChoice struct {
	Value, Words string
	Picked       bool
}

// fixFormOf offers the worst frequency of each failing band, the lowest margins first; nil where nothing upset.
func (s *Server) fixFormOf(r result.Run, f analysis.Findings, here rf.Frequency) (*fixForm, error) {
	if r.Opened.RunKind != plan.Exposure || len(f.Bands) == 0 {
		return nil, nil
	}
	bands := slices.Clone(f.Bands)
	slices.SortStableFunc(bands, func(a, b analysis.Band) int { return cmp.Compare(a.Lowest.Margin, b.Lowest.Margin) })
	x := &fixForm{Job: s.jobName(), Run: r.Number, Busy: s.cfg.Runner.State().Underway}
	for i, b := range bands {
		x.At = append(x.At, fixChoice{exactly(b.Lowest.Frequency), fmt.Sprintf("%v, margin %v", b.Lowest.Frequency,
			b.Lowest.Margin), i < mostFollowed})
	}
	for _, p := range f.Points {
		if p.Frequency == here && p.Upset {
			x.HoldAt, x.HoldLevel = exactly(here), p.Onset.String()
		}
	}
	g := goOn{}
	if err := s.findPlan(&g, r.Opened.Plan.SHA256); err != nil {
		return nil, err
	}
	x.File, x.Cannot = g.File, g.Cannot
	return x, nil
}

// exactly writes a frequency so that it is read back as the same one.
func exactly(f rf.Frequency) string { return strconv.FormatFloat(inMHz(f), 'g', -1, 64) + " MHz" }

// holding is a point that a loop begins with by hand.
type holding struct {
	At    rf.Frequency
	Level rf.Current // not known: from below
}

// fixAsked reads the part of a form that asks for a fixing loop; nil where it asks for none.
func fixAsked(r *http.Request) (*fixing.Asked, *holding, error) {
	if r.PostFormValue("fix") == "" {
		return nil, nil, nil
	}
	asked, hold := &fixing.Asked{}, (*holding)(nil)
	var err error
	if text := r.PostFormValue("of"); text != "" {
		if asked.Of, err = strconv.Atoi(text); err != nil {
			return nil, nil, fmt.Errorf("%q is not the number of a run", text)
		}
	}
	list := slices.Clone(r.PostForm["at"])
	for _, part := range strings.FieldsFunc(strings.ReplaceAll(r.PostFormValue("more"), ", ", ";"),
		func(c rune) bool { return c == ';' || c == '\n' }) {
		if strings.TrimSpace(part) != "" {
			list = append(list, part)
		}
	}
	if text := trimmed(r.PostFormValue("hold_at"), 50); text != "" {
		hold = &holding{}
		if hold.At, err = rf.ParseFrequency(text); err != nil {
			return nil, nil, fmt.Errorf("hold one point by hand: %w", err)
		}
		if level := trimmed(r.PostFormValue("hold_level"), 50); level != "" {
			if hold.Level, err = rf.Parse[rf.Ampere](level); err != nil {
				return nil, nil, fmt.Errorf("hold %v by hand: %w", hold.At, err)
			}
		}
		list = append(list, text)
	}
	for _, text := range list {
		f, err := rf.ParseFrequency(text)
		if err != nil {
			return nil, nil, fmt.Errorf("follow a frequency: %w", err)
		}
		asked.At = append(asked.At, f)
	}
	slices.Sort(asked.At)
	if asked.At = slices.Compact(asked.At); len(asked.At) > mostFollowed {
		return nil, nil, fmt.Errorf("%d frequencies to follow are too many: pick 1 to %d, the worst of each band",
			len(asked.At), mostFollowed)
	}
	return asked, hold, nil
}

// moveTo is the way to a point that is held by hand, in what was prepared; refused above the level wanted.
func (h *holding) moveTo(p Prepared) (*engine.Move, error) {
	if h == nil || p.Fixing == nil {
		return nil, nil
	}
	m := &engine.Move{At: h.At}
	if !h.Level.Known() {
		return m, nil
	}
	for _, at := range p.Fixing.At {
		if at.Point.Frequency != h.At {
			continue
		}
		g, _ := h.Level.Minus(at.Point.Target)
		switch {
		case !at.Point.Target.Exact() || !g.Finite():
			return nil, errors.New("a level in current can be held in closed loop or substitution only: leave it away")
		case g > 0:
			return nil, fmt.Errorf("%v is above the level wanted at %v, %v: nothing is exposed there", h.Level, h.At,
				at.Point.Target)
		}
		m.Offset = &g
	}
	return m, nil
}

// fix checks a fixing loop that the Findings page asks for, and begins its arming step.
func (s *Server) fix(w http.ResponseWriter, r *http.Request) error {
	if err := s.sameJob(r); err != nil {
		return err
	}
	if s.cfg.Runner.State().Underway {
		return ErrUnderway
	}
	asked, hold, err := fixAsked(r)
	if err != nil || asked == nil {
		return withStatus(http.StatusBadRequest, "not armed: %w", cmp.Or(err,
			errors.New("no fixing loop is asked for")))
	}
	if len(asked.At) == 0 {
		return withStatus(http.StatusBadRequest, "not armed: pick 1 to %d frequencies to follow", mostFollowed)
	}
	g := goOn{}
	err = s.journal.with(asked.Of, func(r *result.Run) error { return s.findPlan(&g, r.Opened.Plan.SHA256) })
	if err == nil && g.Cannot != "" {
		err = withStatus(http.StatusConflict, "not armed: %s", g.Cannot)
	}
	if err != nil {
		return err
	}
	a, err := s.prepared(Request{PlanFile: filepath.Join(s.cfg.Dir, g.File), Fix: asked}, wishesOf(r))
	if err == nil {
		a.Hold, err = hold.moveTo(a.Prepared)
	}
	if err != nil {
		return withStatus(http.StatusUnprocessableEntity, "not armed: %w", err)
	}
	s.arms.add(a)
	return seeOther(w, r, "/arm/"+a.ID)
}

// proof leads to the full exposure after a fixing loop, with every frequency of the run that it began from.
func (s *Server) proof(p *livePage, run int) error {
	if p.View.Loop == nil {
		return nil
	}
	g, of := goOn{}, 0
	err := s.journal.with(run, func(r *result.Run) error {
		of = r.Opened.Fixing.Of
		return s.findPlan(&g, r.Opened.Plan.SHA256)
	})
	if err == nil && g.File != "" && of > 0 {
		p.Proof = fmt.Sprintf("/plan?file=%s&again=%d#arm-title", query(g.File), of)
	}
	return err
}

// loopCard says on the arming page what a fixing loop follows, and where it begins by hand.
func loopCard(a *arming) armCard {
	f := a.Prepared.Fixing
	c := armCard{ID: "time", Label: "fixing loop: frequencies that are followed, until you end it",
		Figure: strconv.Itoa(len(f.At))}
	var at []string
	for _, x := range f.At {
		at = append(at, x.Point.Frequency.String())
	}
	c.Lines = []string{strings.Join(at, ", ")}
	if a.Prepared.Resume {
		c.Lines = append(c.Lines, "goes on with the newest run: its tries stay")
	}
	if m := a.Hold; m != nil {
		text := fmt.Sprintf("begins at %v, held by hand from below", m.At)
		for _, x := range f.At {
			if m.Offset != nil && x.Point.Frequency == m.At {
				text = fmt.Sprintf("begins at %v, held by hand at %v", m.At, x.Point.Target.Add(*m.Offset))
			}
		}
		c.Lines = append(c.Lines, text)
	}
	if f.Alone > 0 {
		c.Lines = append(c.Lines, fmt.Sprintf("RF goes off after %v without a key or click of yours", f.Alone))
	}
	return c
}

// inLoop makes the handler of a command of the fixing loop; read fills it in from the request.
func (s *Server) inLoop(read func(*http.Request, *engine.Command) error) func(http.ResponseWriter,
	*http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		c := engine.Command{By: "page"}
		if err := read(r, &c); err != nil {
			return err
		}
		if err := s.cfg.Runner.Tell(c); err != nil {
			return err
		}
		if r.Header.Get("Accept") == "application/json" {
			w.WriteHeader(http.StatusNoContent)
			return nil
		}
		return seeOther(w, r, "/live")
	}
}

// simply reads a command that says nothing more.
func simply(want engine.Want) func(*http.Request, *engine.Command) error {
	return func(r *http.Request, c *engine.Command) error {
		c.Want, c.Text = want, event.Printable(trimmed(r.PostFormValue("text"), 300))
		if r.PostFormValue("by") == "foot" {
			c.By = "foot switch"
		}
		return nil
	}
}

// handsOut reads that hands are out and what they did. It is taken only while hands are in.
func (s *Server) handsOut(r *http.Request, c *engine.Command) error {
	st := s.cfg.Runner.State()
	if st.Underway && st.Status.Hands != engine.HandsAreIn {
		return withStatus(http.StatusConflict, "hands are not in: RF was not read back as off for that")
	}
	c.Want = engine.HandsOut
	what := event.Printable(trimmed(r.PostFormValue("what"), 200))
	var known []string
	next := 1
	if err := s.journal.follow(st.Run, func(_ *result.Run, l *fixing.Loop) error {
		if l != nil {
			known, next = l.Known(), l.LastTry()+1
		}
		return nil
	}); err != nil && st.Underway {
		return err
	}
	for _, name := range known {
		if strings.EqualFold(name, what) {
			what = name
		}
	}
	switch did := r.PostFormValue("did"); {
	case did == "nothing":
	case did == "out" && what == "":
		return withStatus(http.StatusBadRequest, "say what was taken out")
	case did == "in" && what == "":
		c.Did.What = fmt.Sprintf("change %d", next)
	case did == "in" || did == "out":
		c.Did.What, c.Did.Out = what, did == "out"
	default:
		return withStatus(http.StatusBadRequest, "say whether something was put in, taken out, or nothing changed")
	}
	return nil
}

// movePoint reads where the point goes that is held by hand.
func movePoint(r *http.Request, c *engine.Command) error {
	c.Want = engine.MovePoint
	m := &c.Point
	for name, to := range map[string]*int{"steps": &m.Steps, "along": &m.Along, "next": &m.Next} {
		text := r.PostFormValue(name)
		if text == "" {
			continue
		}
		n, err := strconv.Atoi(text)
		if err != nil || n < -1000 || n > 1000 {
			return withStatus(http.StatusBadRequest, "%q is not a number of steps", text)
		}
		*to = n
	}
	if text := r.PostFormValue("at"); text != "" {
		var err error
		if m.At, err = rf.ParseFrequency(text); err != nil {
			return withStatus(http.StatusBadRequest, "%w", err)
		}
	}
	switch text := r.PostFormValue("carrier"); text {
	case "":
	case "yes", "no":
		carrier := text == "yes"
		m.Carrier = &carrier
	default:
		return withStatus(http.StatusBadRequest, "%q is neither yes nor no", text)
	}
	m.Follow = r.PostFormValue("follow") != ""
	return nil
}
