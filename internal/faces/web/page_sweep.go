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
	filePage
	Trial sweepTrial
	Job   string // name of the job file, for the command
}

// sweepFields are the keys that the form of a sweep shows, in their order.
var sweepFields = []planField{
	{Key: "name", Name: "Name of the sweep"},
	{Key: "bench", Name: "Bench file", Hint: "of a source that is set by hand, with its hardware_off"},
	{Key: "from", Name: "From", Hint: "150 kHz"},
	{Key: "to", Name: "To", Hint: "27,12 MHz"},
	{Key: "law", Name: "Law", Choices: []string{"log", "linear"}},
	{Key: "times", Name: "Times of the passes", Hint: "[60 s, 120 s]: two rates tell the latency"},
	{Key: "drive", Name: "Level of the source", Hint: "−30 dBm, 60 mVpp"},
	{Key: "modulation", Name: "Modulation", Hint: "AM 80 % 1 kHz, CW"},
	{Key: "mark", Name: "Beginning marked by", Long: true, Hint: "{by: key, within: 0.5 s}"},
	{Key: "latency_at_most", Name: "The product’s latency is at most", Hint: "5 s"},
}

// sweepTrial is what would come of a sweep.
type sweepTrial struct {
	Ready   bool
	Short   string // in one line
	Refused []string
	Facts   []fact
	Passes  []sweptPass
	Hands   []string // what a person does, in the order in which it is asked for
	Cannot  string   // why provoke cannot switch RF off, and what does
	Worst   ratings
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
		return s.showSweep(w, r, submitted{Name: s.folder.free("sweep"), Text: newSweepText})
	}
	return s.loaded(w, r, name, s.showSweep)
}

// sweepTried shows what would come of a form that is not saved.
func (s *Server) sweepTried(w http.ResponseWriter, r *http.Request) error {
	return s.showSweep(w, r, s.submission(r, sweepFields))
}

// sweepSaved writes the form into the folder.
func (s *Server) sweepSaved(w http.ResponseWriter, r *http.Request) error {
	x := s.submission(r, sweepFields)
	if s.save(&x); x.Refused != "" {
		return s.showSweep(w, r, x)
	}
	return seeOther(w, r, "/sweep?file="+query(x.Name))
}

func (s *Server) showSweep(w http.ResponseWriter, r *http.Request, x submitted) error {
	trial, list := s.trySweep(x.Name, x.Text)
	common, err := s.filePage(r, "sweep", "Free sweep", x, list, sweepFields)
	if err != nil {
		return err
	}
	p := sweepPage{filePage: common, Trial: trial, Job: filepath.Base(s.journal.file())}
	p.answer(trial.Ready, trial.Short, trial.Refused)
	if x.Status != 0 {
		w.WriteHeader(x.Status)
	}
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
	out.Ready = list.Err() == nil
	for _, r := range checked.Refusals {
		out.Refused = append(out.Refused, r.String())
	}
	out.Short = fmt.Sprintf("%s, %v of sweeping, within every rating", english.Count(len(f.Passes), "pass", "passes"),
		sweepTime(f))
	out.Facts, out.Worst = sweepFacts(f, bench), ratingsOf(checked)
	out.say(f, bench)
	out.Chart = spanChart(f, c)
	return out, list
}

// sweepTime is how long the passes of a sweep take in all.
func sweepTime(f *plan.FreeSweep) rf.Duration {
	var total time.Duration
	for _, p := range f.Passes {
		total += p.Time
	}
	return rf.Duration(total)
}

// sweepFacts says in short what a sweep is.
func sweepFacts(f *plan.FreeSweep, b *catalog.Bench) []fact {
	p := f.Plan
	out := []fact{{"Run", string(p.Kind)}, {"Bench", b.Name}, {"Sweep", p.GridText},
		{"Level", fmt.Sprintf("%v, set as %s at %s", p.Drive, b.Source.Setting(p.Drive), b.Source.ID)}}
	if !p.Modulation.IsCW() {
		out = append(out, fact{"Modulation", p.Modulation.String()})
	}
	return append(out, fact{"Beginning marked by", fmt.Sprintf("%s, known to ± %v", f.Marked, rf.Duration(f.Within))},
		fact{"Takes", fmt.Sprintf("%v of sweeping in %s, and the time of the person who sets the source",
			sweepTime(f), english.Count(len(f.Passes), "pass", "passes"))})
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
