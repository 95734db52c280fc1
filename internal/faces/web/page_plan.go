package web

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"sort"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// filePage is what the pages of a plan and of a free sweep have in common: the form of the file, what its check says in
// one line, and what a person says of the run when arming.
type filePage struct {
	Frame   frame
	Files   []fileOf
	Editor  editor
	Fields  []planField
	Answer  string // what the check says, in one line
	Mark    string // "good", "warn" or "bad"
	Refused string // why what was asked for was not done; empty where nothing was refused
	Moved   string // why the form cannot be saved as it stands
	Wishes  Wishes
	Busy    bool
	Again   string
}

// planPage is a plan file: its fields, what the check says, and the way to arming.
type planPage struct {
	filePage
	Benches []fileOf
	Sweeps  []fileOf // of a source that sweeps by itself
	Trial   planTrial
	Runs    []runRow
	Resume  bool // the newest run was cut off
	GoOn    bool // it was asked to go on with it
	Fix     fixTyped
}

// planField is one key of the plan file.
type planField struct {
	Key, Name, Value, Hint string
	Long                   bool
	Choices                []string
	Problems               []problem.Problem
	Rows                   []gridRow // of the grid, where it can be taken apart
}

// planTrial is what would come of a plan.
type planTrial struct {
	Ready       bool
	Facts       []fact
	Worst       ratings
	Chart       chart
	Unreachable []unreachableRow
	Refused     []string
	Notes       []string
}

type fact struct{ Name, Text string }

type unreachableRow struct{ At, Wanted, Reach, Short, Why string }

// planFields are the keys that a form shows, in their order.
var planFields = []planField{
	{Key: "name", Name: "Name of the plan"},
	{Key: "bench", Name: "Bench file"},
	{Key: "kind", Name: "Kind", Choices: []string{"exposure", "baseline", "control", "calibration"}},
	{Key: "mode", Name: "Mode", Choices: []string{"", "closed loop", "constant drive", "substitution"}},
	{Key: "fixture", Name: "Clamp closed around", Choices: []string{"", "cable", "jig50", "jig150"}},
	{Key: "level", Name: "Level wanted", Hint: "a profile such as iec-61000-4-6/level-2, or 3 V emf, 60 mA, 80 dBµA"},
	{Key: "drive", Name: "Drive", Hint: "constant drive only: −20 dBm, 1.2 Vpp"},
	{Key: gridKey, Name: "Frequencies", Long: true,
		Hint: "Step: 1 %, 100 kHz, 100 per decade, or a standard’s rule. Empty all of a row to take it out."},
	{Key: "first", Name: "Visited first", Hint: "[27.12 MHz, 41 MHz]: before all others, in this order"},
	{Key: "clocks", Name: "Clocks of the product", Hint: "[12 MHz, 14.7456 MHz]: their harmonics come next"},
	{Key: "time_limit", Name: "Time limit", Hint: "20 min: what is worth most first, until the time is up"},
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
	if r.FormValue("new") != "" {
		files = nil
	}
	if name == "" && len(files) > 0 {
		name = files[0].Name
		for _, f := range files { // the first that brings RF, where there is a choice
			if data, err := s.folder.read(f.Name); err == nil {
				if kind, _ := document.Find(string(data), "kind"); kind.Text == "exposure" {
					name = f.Name
					break
				}
			}
		}
	}
	if name == "" {
		return s.showPlan(w, r, submitted{Name: s.folder.free("plan"), Text: s.newPlan()})
	}
	return s.loaded(w, r, name, s.showPlan)
}

// loaded shows the form of a file of the folder.
func (s *Server) loaded(w http.ResponseWriter, r *http.Request, name string,
	show func(http.ResponseWriter, *http.Request, submitted) error) error {
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	return show(w, r, submitted{Name: name, Text: normal(string(data)), Shown: stamp(data), Saved: true})
}

// newPlan is the text that a new plan begins with: what a bench file of the folder lets it know already.
func (s *Server) newPlan() string {
	name, bench, mode, low, high, dwell := "exposure", "bench.yaml", "closed loop", rf.Frequency(150e3),
		rf.Frequency(80e6), rf.Duration(time.Second)
	if files, err := s.folder.list("bench"); err == nil && len(files) > 0 {
		bench = files[0].Name
		if data, err := s.folder.read(bench); err == nil {
			b, list := catalog.Parse(bench, data, s.folder.beside)
			if list.Err() == nil && b != nil {
				name = "exposure of " + strings.TrimSpace(strings.SplitN(b.DUT.Description+"\n", "\n", 2)[0])
				if b.DUT.Description == "" {
					name = "exposure on " + b.Name
				}
				if b.Analyser == nil || b.Probe == nil {
					mode = "constant drive"
				}
				if band, _, _ := chain.New(b).Span(catalog.OnCable); band.Low.Known() {
					low, high = max(low, band.Low), min(high, band.High)
				}
				dwell = max(dwell, b.DUT.Cycle, b.DUT.NeededDwell)
				for _, m := range b.Monitors {
					if slow := m.Latency + m.Every; slow >= dwell {
						dwell = rf.Duration(slow.Std().Truncate(time.Second) + time.Second)
					}
				}
			}
		}
	}
	text := "provoke: plan 1\n"
	for _, x := range [][2]string{{"name", name}, {"bench", bench}, {"kind", "exposure"}, {"mode", mode},
		{"fixture", "cable"}, {"level", "iec-61000-4-6/level-2"},
		{gridKey, fmt.Sprintf("- {from: %v, to: %v, step: 1 %%}", low, high)},
		{"modulation", "AM 80 % 1 kHz"}, {"dwell", dwell.String()}} {
		text, _ = document.Set(text, x[0], x[1], x[0] != gridKey) // a new key of a file always has its place
	}
	if mode == "constant drive" {
		text += "drive: -30 dBm\n"
	}
	return text
}

// planTried shows what would come of a form that is not saved.
func (s *Server) planTried(w http.ResponseWriter, r *http.Request) error {
	return s.showPlan(w, r, s.submission(r, planFields))
}

// planSaved writes the form into the folder.
func (s *Server) planSaved(w http.ResponseWriter, r *http.Request) error {
	x := s.submission(r, planFields)
	if s.save(&x); x.Refused != "" {
		return s.showPlan(w, r, x)
	}
	return seeOther(w, r, "/plan?file="+query(x.Name))
}

// filePage fills in what plan and sweep have in common. ready says that the check has nothing against the run.
func (s *Server) filePage(r *http.Request, kind, title string, x submitted, list problem.List,
	fields []planField) (filePage, error) {
	list = append(append(problem.List(nil), list...), x.Clash...)
	p := filePage{Frame: s.frameFor(r, "Plan"), Editor: newEditor(x.Name, x.Text, x.Shown, x.Saved, list),
		Refused: x.Refused, Moved: x.Moved, Wishes: wishesOf(r), Again: r.FormValue("again"),
		Busy: s.cfg.Runner.State().Underway}
	p.Frame.Title = title + " " + x.Name
	benches, err := s.folder.list("bench")
	if err != nil {
		return p, err
	}
	blank := []string{"ends"}
	if add := r.PostFormValue("add"); add == "ends" || add == "list" {
		blank = append(blank, add)
	}
	p.Fields = filled(fields, x.Text, p.Editor.Problems, benches, blank)
	p.Files, err = s.folder.list(kind)
	return p, err
}

// answer puts what the check says into one line, for the heading.
func (p *filePage) answer(ready bool, what string, refused []string) {
	switch {
	case p.Moved != "" || p.Editor.Faults > 0 && len(refused) == 0 || !ready && len(refused) == 0:
		p.Mark, p.Answer = "warn", "not ready: "+p.Editor.Summary()
		if p.Moved != "" {
			p.Answer = "not ready: the file in the folder is another one now"
		}
	case len(refused) > 0:
		p.Mark, p.Answer = "bad", "refused: "+refused[0]
		if n := len(refused) - 1; n > 0 {
			p.Answer += ", and by " + english.Count(n, "rating", "ratings") + " more"
		}
	default:
		p.Mark, p.Answer = "good", what
	}
}

func (s *Server) showPlan(w http.ResponseWriter, r *http.Request, x submitted) error {
	tried := s.tryPlan(x.Name, x.Text)
	common, err := s.filePage(r, "plan", "Plan", x, tried.list, planFields)
	if err != nil {
		return err
	}
	p := planPage{filePage: common, Trial: tried.words(), GoOn: r.PostFormValue("resume") != "",
		Fix: fixTyped{r.PostFormValue("fix") != "", r.PostFormValue("more"), r.PostFormValue("hold_at"),
			r.PostFormValue("hold_level")}}
	p.answer(p.Trial.Ready, tried.short(), p.Trial.Refused)
	if p.Benches, err = s.folder.list("bench"); err != nil {
		return err
	}
	if p.Sweeps, err = s.folder.list("sweep"); err != nil {
		return err
	}
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
	if x.Status != 0 {
		w.WriteHeader(x.Status)
	}
	return s.draw(w, "plan", p)
}

// filled gives the fields their values and the problems that belong beside them.
func filled(fields []planField, text string, list problem.List, benches []fileOf,
	blank []string) []planField {
	var out []planField
	at := document.LayoutOf(text)
	for _, f := range fields {
		w, ok := at.Find(f.Key)
		f.Value = w.Text
		f.Long = f.Long || strings.Contains(f.Value, "\n")
		if f.Key == "bench" {
			for _, b := range benches {
				f.Choices = append(f.Choices, b.Name)
			}
		}
		if len(f.Choices) > 0 && !slices.Contains(f.Choices, f.Value) {
			f.Choices = append([]string{f.Value}, f.Choices...)
		}
		for _, p := range list {
			if p.Field == f.Key || ok && p.Line >= w.First && p.Line <= w.Last {
				f.Problems = append(f.Problems, p)
			}
		}
		if f.Key == gridKey {
			if rows, left, ok := shownRows(at, f.Problems, blank); ok {
				f.Rows, f.Problems = rows, left
			}
		}
		out = append(out, f)
	}
	return out
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
	out.Worst = ratingsOf(t.checked)
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

// ratings are the worst case at every rating, the tightest first; those with much to spare can be folded away.
type ratings struct {
	First, Others []ratingRow
	OthersLeft    string // the least that the others have left, in words
}

// ratingRow is the worst case at one rating. Share is the level there as a share of the rating, as a voltage or a
// current, in per cent, for the bar; negative where there is none.
type ratingRow struct {
	ID, Place, At, Level, Counted, Rating, Left, Note string
	Share                                             int
	Near, Over                                        bool
}

// unfolded is how many ratings are shown at once, at least; every one with less than nearTo left is.
const (
	unfolded = 4
	nearTo   = rf.Gain(3)
)

// barOf is the length of a rating's bar in per cent: the level there as a share of the rating, as a voltage or current.
func barOf(headroom rf.Gain) int {
	return max(0, min(100, int(math.Round(100*(-headroom).AmplitudeRatio()))))
}

func ratingsOf(c plan.Checked) ratings {
	var out ratings
	for _, x := range c.Worst {
		n := x.Node
		row := ratingRow{ID: n.ID, Place: n.Place, At: x.Frequency.String(), Level: n.Compared().String(),
			Counted: n.Counted() + chain.Allowing(n.Unsure), Rating: n.Rating.String(), Left: headroom(n), Note: n.Note,
			Over: !n.Within, Share: -1}
		if n.Unsure >= 0.05 {
			row.Level += fmt.Sprintf(" + %v", n.Unsure)
		}
		if h := n.Headroom; h.Finite() {
			row.Share = barOf(h)
			row.Near = h < nearTo
			if h >= 0 {
				row.Left += " left"
			}
		}
		switch {
		case len(out.First) < unfolded || row.Near || row.Over:
			out.First = append(out.First, row)
			continue
		case out.OthersLeft == "":
			out.OthersLeft = row.Left
			if row.Share >= 0 {
				out.OthersLeft = headroom(n) + " or more left"
			}
		}
		out.Others = append(out.Others, row)
	}
	return out
}

func headroom(n chain.Node) string {
	if !n.Headroom.Finite() {
		return "–"
	}
	return n.Headroom.String()
}

// short says in one line what a plan would do.
func (t triedPlan) short() string {
	if !t.done {
		return ""
	}
	n := len(t.plan.Grid)
	text := fmt.Sprintf("%s, about %v", english.Count(n, "frequency", "frequencies"), t.checked.Duration.Likely)
	if r := t.checked.Reach; r != nil {
		text = r.String()
	}
	if t.plan.Kind == plan.Baseline {
		return text + ", without RF"
	}
	text += ", within every rating"
	if short := len(t.checked.Unreachable); short > 0 {
		text += fmt.Sprintf("; level not reached at %d of %d", short, n)
	}
	return text
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
	if len(p.First) > 0 {
		out = append(out, fact{"Visited first", plan.Listed(p.First)})
	}
	if c.Reach != nil {
		out = append(out, fact{"Time limit", c.Reach.String()})
	}
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
