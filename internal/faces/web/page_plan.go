package web

import (
	"fmt"
	"net/http"
	"path/filepath"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// planPage is a plan file: its fields, what the check says, and the way to arming.
type planPage struct {
	Frame   frame
	Files   []fileOf
	Benches []fileOf
	Sweeps  []fileOf // of a source that sweeps by itself
	Editor  editor
	Fields  []planField
	Trial   planTrial
	Runs    []runRow
	Busy    bool
	Resume  bool // the newest run was cut off
}

// planField is one key of the plan file.
type planField struct {
	Key, Name, Value, Hint string
	Long                   bool
	Choices                []string
	Problems               []problem.Problem
}

// planTrial is what would come of a plan.
type planTrial struct {
	Ready       bool
	Facts       []fact
	Worst       []worstRow
	Chart       chart
	Unreachable []unreachableRow
	Refused     []string
	Notes       []string
}

type fact struct{ Name, Text string }

type worstRow struct {
	ID, Place, At, Level, Rating, Headroom, Note string
	Over                                         bool
}

type unreachableRow struct{ At, Wanted, Reach, Short, Why string }

// planFields are the keys that a form shows, in their order.
var planFields = []planField{
	{Key: "bench", Name: "Bench file"},
	{Key: "kind", Name: "Kind", Choices: []string{"exposure", "baseline", "control", "calibration"}},
	{Key: "mode", Name: "Mode", Choices: []string{"", "closed loop", "constant drive", "substitution"}},
	{Key: "fixture", Name: "Clamp closed around", Choices: []string{"", "cable", "jig50", "jig150"}},
	{Key: "level", Name: "Level wanted", Hint: "a profile such as iec-61000-4-6/level-2, or 3 V emf, 60 mA, 80 dBµA"},
	{Key: "drive", Name: "Drive", Hint: "constant drive only: −20 dBm, 1.2 Vpp"},
	{Key: "grid", Name: "Frequencies", Long: true,
		Hint: "one segment a line: - {from: 150 kHz, to: 80 MHz, step: 1 %}"},
	{Key: "modulation", Name: "Modulation", Hint: "AM 80 % 1 kHz, CW, pulse 1 kHz 50 %"},
	{Key: "dwell", Name: "Dwell", Hint: "2 s, 500 ms"},
	{Key: "settle", Name: "Settling after every change", Hint: "50 ms"},
	{Key: "edges", Name: "Edges of failing bands to", Hint: "0.2 %"},
	{Key: "search", Name: "Threshold search", Long: true, Hint: "{resolution: 0.5 dB, range: 40 dB}"},
}

func (s *Server) planPage(w http.ResponseWriter, r *http.Request) error {
	files, err := s.folder.list("plan")
	if err != nil {
		return err
	}
	name := r.FormValue("file")
	if name == "" && len(files) > 0 {
		name = files[0].Name
		for _, f := range files { // the first that brings RF, where there is a choice
			if data, err := s.folder.read(f.Name); err == nil {
				if kind, _, _, _ := fieldOf(string(data), "kind"); kind == "exposure" {
					name = f.Name
					break
				}
			}
		}
	}
	if name == "" {
		return s.showPlan(w, r, "plan.yaml", newPlanText, "", false)
	}
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	return s.showPlan(w, r, name, string(data), stamp(data), true)
}

// newPlanText is what a folder without a plan begins with.
const newPlanText = "provoke: plan 1\nname: FILL IN\nbench: bench.yaml\nkind: exposure\nmode: closed loop\nfixture: " +
	"cable\nlevel: iec-61000-4-6/level-2\n" +
	"grid:\n  - {from: 150 kHz, to: 80 MHz, step: 1 %}\nmodulation: AM 80 % 1 kHz\ndwell: 1 s\n"

// planTried shows what would come of a text that is not saved.
func (s *Server) planTried(w http.ResponseWriter, r *http.Request) error {
	name, text, shown := r.PostFormValue("file"), editedText(r, planFields), r.PostFormValue("stamp")
	saved := false
	if data, err := s.folder.read(name); err == nil {
		saved = string(data) == text && stamp(data) == shown
	}
	return s.showPlan(w, r, name, text, shown, saved)
}

// planSaved writes the text into the folder.
func (s *Server) planSaved(w http.ResponseWriter, r *http.Request) error {
	name, text := r.PostFormValue("file"), editedText(r, planFields)
	if err := s.folder.write(name, []byte(text), r.PostFormValue("stamp")); err != nil {
		return err
	}
	return seeOther(w, r, "/plan?file="+query(name))
}

// editedText is the text of a form, with the fields that were changed worked into it.
func editedText(r *http.Request, fields []planField) string {
	text := normal(r.PostFormValue("text"))
	for _, f := range fields {
		now, was := r.PostForm["f."+f.Key], r.PostForm["o."+f.Key]
		if len(now) == 1 && len(was) == 1 && strings.TrimSpace(normal(now[0])) != strings.TrimSpace(normal(was[0])) {
			text = setField(text, f.Key, now[0])
		}
	}
	return text
}

func (s *Server) showPlan(w http.ResponseWriter, r *http.Request, name, text, shown string, saved bool) error {
	p := planPage{Frame: s.frameFor(r, "Plan")}
	p.Frame.Title = "Plan " + name
	var err error
	if p.Files, err = s.folder.list("plan"); err != nil {
		return err
	}
	if p.Benches, err = s.folder.list("bench"); err != nil {
		return err
	}
	if p.Sweeps, err = s.folder.list("sweep"); err != nil {
		return err
	}
	tried := s.tryPlan(name, text)
	p.Trial = tried.words()
	p.Editor = newEditor(name, text, shown, saved, tried.list)
	p.Fields = filled(planFields, text, p.Editor.Problems, p.Benches)
	p.Busy = s.cfg.Runner.State().Underway
	if infos, err := s.journal.runs(); err == nil {
		for i := len(infos) - 1; i >= 0; i-- {
			if infos[i].Opened.RunKind == plan.Exposure {
				p.Runs = append(p.Runs, rowOf(infos[i]))
			}
		}
		if n := len(infos); n > 0 {
			p.Resume = !infos[n-1].HasClosed && !p.Busy
		}
	}
	return s.draw(w, "plan", p)
}

// filled gives the fields their values and the problems that belong beside them.
func filled(fields []planField, text string, list problem.List, benches []fileOf) []planField {
	var out []planField
	for _, f := range fields {
		value, first, last, ok := fieldOf(text, f.Key)
		f.Value = value
		f.Long = f.Long || strings.Contains(value, "\n")
		if f.Key == "bench" {
			for _, b := range benches {
				f.Choices = append(f.Choices, b.Name)
			}
		}
		if len(f.Choices) > 0 && !contains(f.Choices, value) {
			f.Choices = append([]string{value}, f.Choices...)
		}
		for _, p := range list {
			if p.Field == f.Key || ok && p.Line >= first && p.Line <= last {
				f.Problems = append(f.Problems, p)
			}
		}
		out = append(out, f)
	}
	return out
}

func contains(list []string, x string) bool {
	for _, y := range list {
		if x == y {
			return true
		}
	}
	return false
}

// triedPlan is a plan that was read and checked without touching anything.
type triedPlan struct {
	plan    *plan.Plan
	bench   *catalog.Bench
	chain   *chain.Chain
	checked plan.Checked
	list    problem.List
	done    bool // the check could be made
}

// tryPlan reads and checks the text of a plan with the bench file that it names.
func (s *Server) tryPlan(name, text string) triedPlan {
	var t triedPlan
	t.plan, t.list = plan.Parse(name, []byte(text), s.folder.beside)
	if t.plan == nil || t.plan.BenchFile == "" {
		return t
	}
	data, err := s.folder.beside(t.plan.BenchFile)
	if err != nil {
		t.list = append(t.list, problem.Problem{File: name, Field: "bench", What: err.Error(),
			Hint: "the name counts from the folder of the plan"})
		return t
	}
	var list problem.List
	t.bench, list = catalog.Parse(t.plan.BenchFile, data, s.folder.beside)
	if err := list.Err(); err != nil {
		n := len(list) - len(list.Warnings())
		t.list = append(t.list, problem.Problem{File: name, Field: "bench",
			What: fmt.Sprintf("%s has %s", t.plan.BenchFile, english.Count(n, "problem", "problems")),
			Hint: "see the Bench page"})
		return t
	}
	if t.list.Err() != nil {
		return t
	}
	t.chain = chain.New(t.bench)
	var cal *plan.Calibrated
	if t.plan.Replays() {
		if cal, err = s.cfg.Runner.Calibration(t.plan); err != nil {
			t.list = append(t.list, problem.Problem{File: name, Field: "mode", What: err.Error()})
		}
	}
	var more problem.List
	t.checked, more = plan.Check(t.plan, t.chain, cal)
	t.list = append(t.list, more...)
	t.done = true
	return t
}

// words turns what the check found into what the page shows.
func (t triedPlan) words() planTrial {
	out := planTrial{Chart: chart{ID: "reach", Title: "Current wanted, and what the chain reaches", X: frequencyAxis,
		Y: currentAxis}}
	if !t.done {
		return out
	}
	out.Ready = t.list.Err() == nil && len(t.checked.Refusals) == 0
	out.Facts, out.Notes = t.facts(), t.checked.Notes
	out.Worst = worstRows(t.checked)
	for _, r := range t.checked.Refusals {
		out.Refused = append(out.Refused, r.String())
	}
	for _, u := range t.checked.Unreachable {
		out.Unreachable = append(out.Unreachable,
			unreachableRow{u.Frequency.String(), u.Wanted.String(), u.Reach.String(), u.Short.String(), u.Why})
	}
	t.draw(&out.Chart)
	return out
}

func worstRows(c plan.Checked) []worstRow {
	var out []worstRow
	for _, x := range c.Worst {
		n := x.Node
		out = append(out, worstRow{ID: n.ID, Place: n.Place, At: x.Frequency.String(),
			Level:  n.Compared().String() + " " + n.Counted(),
			Rating: n.Rating.String(), Headroom: headroom(n), Over: !n.Within, Note: n.Remark()})
	}
	return out
}

func headroom(n chain.Node) string {
	if !n.Headroom.Finite() {
		return "–"
	}
	return n.Headroom.String()
}

func (t triedPlan) facts() []fact {
	p, c := t.plan, t.checked
	out := []fact{{"Run", fmt.Sprintf("%s, %s", p.Kind, p.Mode)}, {"Bench", t.bench.Name}}
	if p.Profile.Title != "" {
		out = append(out, fact{"Level", p.Profile.Title})
		for _, x := range []fact{{"", p.Profile.Mark()}, {"Means", p.Profile.Means}} {
			if x.Text != "" {
				out = append(out, x)
			}
		}
	}
	if p.Kind != plan.Baseline {
		m := p.Modulation
		text := m.String()
		if !m.IsCW() {
			text += fmt.Sprintf("; crest %v against the level", m.CrestOverLevel())
		}
		out = append(out, fact{"Modulation", text})
	}
	out = append(out, fact{"Frequencies", fmt.Sprintf("%d: %s", len(p.Grid), p.GridText)},
		fact{"Dwell", p.Dwell.String()})
	return append(out, fact{"Takes", c.Duration.String() + "; " + c.Duration.Words()})
}

// draw fills in the chart: what is wanted, what is reached, and where it is not.
func (t triedPlan) draw(c *chart) {
	short := map[rf.Frequency]bool{}
	for _, u := range t.checked.Unreachable {
		short[u.Frequency] = true
	}
	points := append([]plan.CheckedPoint(nil), t.checked.Points...)
	sort.Slice(points, func(i, j int) bool { return points[i].Frequency < points[j].Frequency })
	crest := chain.CrestOfLevel(t.plan.Modulation)
	var wanted, reach, most []*float64
	for _, p := range points {
		c.At = append(c.At, inMHz(p.Frequency))
		wanted = append(wanted, number(p.Wanted.Current))
		reach = append(reach, number(p.Predicted.Current))
		var top *float64
		if p.Safe.Known() {
			if at, err := t.chain.Predict(p.Frequency, p.Safe, crest, t.plan.Fixture); err == nil {
				top = number(at.Current)
			}
		}
		most = append(most, top)
	}
	c.Series = []chartSeries{{Name: "wanted", Sign: "dash", Paint: "wanted", Y: wanted}}
	if t.plan.Kind != plan.Baseline {
		c.Series = append(c.Series, chartSeries{Name: "most within every rating, by the budget", Sign: "line",
			Paint: "calm", Y: most})
		if t.plan.Mode == plan.ConstantDrive {
			c.Series = append(c.Series, chartSeries{Name: "at the plan's drive", Sign: "ring", Paint: "first",
				Y: reach})
		}
	}
	c.Shade = stretches(points, short)
	if len(c.Shade) > 0 {
		c.ShadeWord = "level wanted not reached"
	}
}

// stretches joins neighbouring frequencies of a set; each reaches half-way to the next outside.
func stretches(points []plan.CheckedPoint, in map[rf.Frequency]bool) [][2]float64 {
	var out [][2]float64
	half := func(i, j int) float64 {
		if j < 0 || j >= len(points) {
			return inMHz(points[i].Frequency)
		}
		return (inMHz(points[i].Frequency) + inMHz(points[j].Frequency)) / 2
	}
	for i := 0; i < len(points); i++ {
		if !in[points[i].Frequency] {
			continue
		}
		first := i
		for i+1 < len(points) && in[points[i+1].Frequency] {
			i++
		}
		out = append(out, [2]float64{half(first, first-1), half(i, i+1)})
	}
	return out
}

// query writes a value of an address.
func query(text string) string { return strings.ReplaceAll(percent(text), "%20", "+") }

// armPage shows the worst case of a run and waits for a yes.
type armPage struct {
	Frame                 frame
	ID, Nonce, Plan, File string
	Wishes                Wishes
	Worst                 []worstRow
	Warnings              []string
	Facts                 []fact
	Seconds               int
	NoRF, Resume          bool
	Sweep                 bool // the source sweeps by itself, set by hand
	Back                  string
	Again                 int
}

// prepare checks a plan file and begins an arming step.
func (s *Server) prepare(w http.ResponseWriter, r *http.Request) error {
	if err := s.sameJob(r); err != nil {
		return err
	}
	name := r.PostFormValue("file")
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	if stamp(data) != r.PostFormValue("stamp") {
		return withStatus(http.StatusConflict,
			"%s is another one than the page shows: load the page again, or save the change first", name)
	}
	q := Request{PlanFile: filepath.Join(s.cfg.Dir, name), Resume: r.PostFormValue("resume") != ""}
	if text := r.PostFormValue("again"); text != "" {
		if q.Again, err = strconv.Atoi(text); err != nil {
			return withStatus(http.StatusBadRequest, "%q is not the number of a run", text)
		}
	}
	if s.cfg.Runner.State().Underway {
		return ErrUnderway
	}
	p, err := s.cfg.Runner.Prepare(q)
	if err != nil {
		return withStatus(http.StatusUnprocessableEntity, "%w", err)
	}
	field := func(name string, most int) string { return strings.TrimSpace(shorten(r.PostFormValue(name), most)) }
	a := s.arms.add(arming{Prepared: p, Wishes: Wishes{Label: field("label", 200), Changed: field("changed", 500),
		Operator: field("operator", 100), Room: field("room", 100), Temperature: field("temperature", 50),
		Humidity: field("humidity", 50)}})
	return seeOther(w, r, "/arm/"+a.ID)
}

func (s *Server) armPage(w http.ResponseWriter, r *http.Request) error {
	a := s.arms.look(r.PathValue("id"))
	if a == nil {
		return withStatus(http.StatusGone, "this arming step was used or has expired: check the plan and arm again")
	}
	p := a.Prepared
	facts, back := triedPlan{plan: p.Plan, bench: p.Bench, chain: p.Chain, checked: p.Checked}.facts, "/plan?file="
	if p.Sweep != nil {
		facts, back = func() []fact { return sweepFacts(p.Sweep, p.Bench) }, "/sweep?file="
	}
	page := armPage{Sweep: p.Sweep != nil, Back: back + query(baseOf(p.PlanFile)), Frame: s.frameFor(r, "Plan"),
		ID: a.ID, Nonce: a.Nonce, Plan: p.Plan.Name, File: baseOf(p.PlanFile), Wishes: a.Wishes,
		Worst: worstRows(p.Checked),
		Facts: facts(), Seconds: int(a.Until.Sub(s.cfg.Now()).Seconds()), NoRF: p.Plan.Kind == plan.Baseline,
		Resume: p.Resume, Again: p.Again}
	for _, x := range p.Warnings {
		x.File = baseOf(x.File)
		page.Warnings = append(page.Warnings, x.String())
	}
	page.Frame.Title = "Arm " + p.Plan.Name
	return s.draw(w, "arm", page)
}

// start begins the run of an arming step, once.
func (s *Server) start(w http.ResponseWriter, r *http.Request) error {
	a := s.arms.take(r.PostFormValue("nonce"))
	if a == nil {
		return withStatus(http.StatusConflict,
			"this arming step was used or has expired: nothing was switched on; check the plan and arm again")
	}
	a.Wishes.Alone = r.PostFormValue("accept_single_path") == "yes"
	run, err := s.cfg.Runner.Start(a.Prepared, a.Wishes)
	if err != nil {
		return withStatus(http.StatusConflict, "the run did not begin: %w", err)
	}
	to := "/live?run=" + strconv.Itoa(run)
	if r.PostFormValue("attended") != "" {
		s.wardens.attend(run, s.doors.sessionOf(r))
	}
	return seeOther(w, r, to)
}
