package web

import (
	"fmt"
	"net/http"
	"path/filepath"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// sweepPage is a sweep file: a source that sweeps by itself, what the check says of it, what a person
// will have to do by hand, and the way to arming.
type sweepPage struct {
	Frame  frame
	Files  []fileOf
	Editor editor
	Trial  sweepTrial
	Busy   bool
	Job    string // name of the job file, for the command
}

// sweepTrial is what would come of a sweep.
type sweepTrial struct {
	Ready   bool
	Refused int
	Facts   []fact
	Passes  []sweptPass
	Hands   []string // what a person does, in the order in which it is asked for
	Cannot  string   // why provoke cannot switch RF off, and what does
	Worst   []worstRow
	Chart   chart
}

type sweptPass struct{ Number, Direction, From, To, Law, Time string }

// newSweepText is what a folder without a sweep file begins with.
const newSweepText = "provoke: sweep 1\nname: FILL IN\nbench: bench.yaml\nlaw: log\nfrom: 150 kHz\nto: 30 " +
	"MHz\ntimes: [60 s, 120 s]\ndrive: -30 dBm\nmodulation: AM 80 % 1 kHz\n" +
	"mark: {by: key, within: 0.5 s}\nlatency_at_most: 5 s\n"

func (s *Server) sweepPage(w http.ResponseWriter, r *http.Request) error {
	files, err := s.folder.list("sweep")
	if err != nil {
		return err
	}
	name := r.FormValue("file")
	if name == "" && len(files) > 0 {
		name = files[0].Name
	}
	if name == "" {
		return s.showSweep(w, r, "sweep.yaml", newSweepText, "", false)
	}
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	return s.showSweep(w, r, name, string(data), stamp(data), true)
}

// sweepTried shows what would come of a text that is not saved.
func (s *Server) sweepTried(w http.ResponseWriter, r *http.Request) error {
	name, text, shown := r.PostFormValue("file"), normal(r.PostFormValue("text")), r.PostFormValue("stamp")
	saved := false
	if data, err := s.folder.read(name); err == nil {
		saved = string(data) == text && stamp(data) == shown
	}
	return s.showSweep(w, r, name, text, shown, saved)
}

// sweepSaved writes the text into the folder.
func (s *Server) sweepSaved(w http.ResponseWriter, r *http.Request) error {
	name := r.PostFormValue("file")
	if err := s.folder.write(name, []byte(normal(r.PostFormValue("text"))), r.PostFormValue("stamp")); err != nil {
		return err
	}
	return seeOther(w, r, "/sweep?file="+query(name))
}

func (s *Server) showSweep(w http.ResponseWriter, r *http.Request, name, text, shown string, saved bool) error {
	p := sweepPage{Frame: s.frameFor(r, "Plan"), Busy: s.cfg.Runner.State().Underway,
		Job: filepath.Base(s.journal.file())}
	p.Frame.Title = "Free sweep " + name
	var err error
	if p.Files, err = s.folder.list("sweep"); err != nil {
		return err
	}
	trial, list := s.trySweep(name, text)
	p.Trial, p.Editor = trial, newEditor(name, text, shown, saved, list)
	return s.draw(w, "sweep", p)
}

// trySweep reads and checks a sweep without touching anything.
func (s *Server) trySweep(name, text string) (sweepTrial, problem.List) {
	var out sweepTrial
	f, list := plan.ParseFreeSweep(name, []byte(text))
	if f == nil || f.Plan == nil || list.Err() != nil {
		return out, list
	}
	fault := func(what, hint string) problem.List {
		return append(list, problem.Problem{File: name, Field: "bench", What: what, Hint: hint})
	}
	data, err := s.folder.beside(f.Plan.BenchFile)
	if err != nil {
		return out, fault(err.Error(), "the name counts from the folder of the sweep file")
	}
	bench, problems := catalog.Parse(f.Plan.BenchFile, data, s.folder.beside)
	if problems.Err() != nil {
		return out, fault(fmt.Sprintf("%s has %s", f.Plan.BenchFile,
			english.Count(len(problems)-len(problems.Warnings()), "problem", "problems")), "see the Bench page")
	}
	c := chain.New(bench)
	checked, more := plan.CheckSweep(f, c)
	list = append(list, more...)
	out.Ready, out.Refused = list.Err() == nil, len(checked.Refusals)
	out.Facts, out.Worst = sweepFacts(f, bench), worstRows(checked)
	out.say(f, bench)
	out.Chart = spanChart(f, c)
	return out, list
}

// sweepFacts says in short what a sweep is.
func sweepFacts(f *plan.FreeSweep, b *catalog.Bench) []fact {
	var total time.Duration
	for _, p := range f.Passes {
		total += p.Time
	}
	p := f.Plan
	out := []fact{{"Run", string(p.Kind)}, {"Bench", b.Name}, {"Sweep", p.GridText},
		{"Level", fmt.Sprintf("%v, set as %s at %s", p.Drive, b.Source.Setting(p.Drive), b.Source.ID)}}
	if !p.Modulation.IsCW() {
		out = append(out, fact{"Modulation", p.Modulation.String()})
	}
	return append(out, fact{"Beginning marked by", fmt.Sprintf("%s, known to ± %v", f.Marked, rf.Duration(f.Within))},
		fact{"Takes", fmt.Sprintf("%v of sweeping in %s, and the time of the person who sets the source",
			rf.Duration(total), english.Count(len(f.Passes), "pass", "passes"))})
}

// say lists the passes, and what a person does by hand, as the prompts of the run will ask for it.
func (t *sweepTrial) say(f *plan.FreeSweep, b *catalog.Bench) {
	for i, p := range f.Passes {
		direction, law := "up", string(p.Law)
		if p.Down() {
			direction = "down"
		}
		if p.Steps > 1 {
			law += fmt.Sprintf(", in %d steps", p.Steps)
		}
		t.Passes = append(t.Passes, sweptPass{fmt.Sprint(i + 1), direction, p.From.String(), p.To.String(), law,
			rf.Duration(p.Time).String()})
	}
	src := b.Source
	off := src.HardwareOff
	if off == "" {
		off = "the switch that the bench file names as hardware_off"
	}
	t.Cannot = fmt.Sprintf("provoke cannot switch %s off: %s does. Keep it in reach.", src.ID, off)
	level := fmt.Sprintf("Set the level to %s", src.Setting(f.Plan.Drive))
	if m := f.Plan.Modulation; !m.IsCW() {
		level += fmt.Sprintf(", modulation %s", m)
	}
	started := "Start the sweep, and answer at that very moment"
	switch f.Marked {
	case plan.ByLine:
		started = "Start the sweep: the sync line tells when"
	case plan.ByZeroSpan:
		started = "Start the sweep: the analyser notices it in zero span"
	}
	t.Hands = []string{
		fmt.Sprintf("Name what switches RF off: %s", off),
		fmt.Sprintf("Before each pass, output OFF: set start, stop, time and law of the pass on %s; one sweep, not "+
			"started", src.ID),
		level + ", output ON",
		started,
		"After the pass: output OFF, and say so",
	}
}

// spanChart is the current by the budget over the span of a sweep.
func spanChart(f *plan.FreeSweep, ch *chain.Chain) chart {
	c := chart{ID: "span", Title: "Current on the cable over the sweep, by the budget", X: frequencyAxis,
		Y: currentAxis}
	line := chartSeries{Name: "at the sweep's drive", Sign: "line", Paint: "first"}
	for _, at := range ch.Bench().Across(f.Plan.Grid[0], f.Plan.Grid[1]) {
		p, err := ch.Predict(at, f.Plan.Drive, chain.CrestOfLevel(f.Plan.Modulation), f.Plan.Fixture)
		if err != nil {
			break // the check says what the chain does not cover
		}
		y := number(p.Current)
		c.At, line.Y = append(c.At, inMHz(at)), append(line.Y, y)
		c.Tips = append(c.Tips, strings.TrimSpace(fmt.Sprintf("%v: %v", at, p.Current)))
	}
	c.Series = []chartSeries{line}
	return c.bare()
}
