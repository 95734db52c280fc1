package web

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/tell"
	"provoke/internal/units/english"
)

// A start without a shell: a job is begun, opened and described on the page, and the simulated bench is brought up.

// Simulated is a simulated bench that runs, with a plan that fits it.
type Simulated struct {
	Bench, Plan []byte
	Hands       []Hand
}

// The files that a simulated bench brings into the folder.
const simulatedBench, simulatedPlan = "simulated-bench.yaml", "simulated-plan.yaml"

// startPart is the way from an empty folder to a run: its four steps, the jobs of the folder, and what is known of
// the one that is open.
type startPart struct {
	Steps    []step
	Jobs     []jobFile
	About    factsForm
	New      factsForm
	Name     string // of the new job, as typed
	Refused  string // why the new job was not made
	Simulate bool
	Busy     bool
}

// step is one step of the way, with what there is of it.
type step struct {
	Name, Path, State string
	Done, Next        bool
}

// jobFile is a job of the folder.
type jobFile struct {
	Name, Changed string
	Here          bool // it is the one that is open
	Written       bool
}

// factsForm are the fields of what a report says besides its job.
type factsForm struct {
	File, Stamp, Text string
	Few, More         []formField
	Problems          problem.List
}

// fewFacts are those that everybody is asked for at the start.
var fewFacts = []string{"client", "sample.type", "sample.serial", "sample.operating_mode",
	"sample.auxiliary_equipment", "criteria.no_upset", "criteria.during", "criteria.reset"}

var factNames = map[string]string{"client": "Customer", "sample.type": "Product, as on its label",
	"sample.serial": "Sample (serial number)", "sample.operating_mode": "Operating mode",
	"sample.auxiliary_equipment": "Auxiliary equipment",
	"criteria.no_upset":          "Criterion met without an upset",
	"criteria.during":            "… when it ends with the RF",
	"criteria.reset":             "… when it needs a reset",
	"criteria.later":             "Criterion met when it ends by itself, later",
	"criteria.not_recovered":     "Criterion met when it did not recover",
	"laboratory_reference":       "Laboratory's reference",
	"report":                     "Number of the report",
	"issued":                     "Date of issue",
	"sample.firmware":            "Firmware",
}

// aboutFile is where the facts of a job stand, beside it.
func aboutFile(job string) string {
	return strings.TrimSuffix(filepath.Base(job), jobEnding) + ".about.yaml"
}

const (
	jobEnding = ".provoke"
	newFacts  = "provoke: " + tell.AboutKind + "\n# What a report says besides its job: provoke report --about FILE\n"
)

// facts makes the form of a text.
func facts(file, text, shown string, also problem.List) factsForm {
	_, list := tell.ParseAbout(file, []byte(text))
	f := factsForm{File: file, Text: text, Stamp: shown, Problems: append(also, list...)}
	keys, at := tell.AboutKeys(), document.LayoutOf(text)
	byPath := keysByPath(keys)
	field := func(k document.Key) formField {
		x := fieldFor(k, k.Path, at, f.Problems)
		if name := factNames[k.Path]; name != "" {
			x.Name = name
		}
		if file == "" {
			x.ID = "new-" + x.Path
		}
		return x
	}
	for _, path := range fewFacts {
		f.Few = append(f.Few, field(byPath[path]))
	}
	for _, k := range keys {
		if k.Takes != "a mapping" && !slices.Contains(fewFacts, k.Path) {
			f.More = append(f.More, field(k))
		}
	}
	return f
}

// start gathers what the job page shows of the start.
func (s *Server) startPart(runs int) (startPart, error) {
	p := startPart{New: facts("", newFacts, "", nil), Simulate: s.cfg.Simulate != nil,
		Busy: s.cfg.Runner.State().Underway}
	var err error
	if p.Jobs, err = s.jobs(); err != nil {
		return p, err
	}
	p.About = s.factsNow()
	p.Steps, err = s.steps(p, runs)
	return p, err
}

func (s *Server) factsNow() factsForm {
	file := aboutFile(s.journal.file())
	if data, err := s.folder.beside(file); err == nil {
		return facts(file, string(data), stamp(data), nil)
	}
	return facts(file, newFacts, "", nil)
}

// steps says how far the way is gone.
func (s *Server) steps(p startPart, runs int) ([]step, error) {
	job := step{Name: "Job", Path: "/#new-job", State: "name it, say what is tested"}
	for _, j := range p.Jobs {
		if j.Here {
			job.Done, job.State, job.Path = true, j.Name, "/#facts"
		}
	}
	bench := step{Name: "Bench", Path: "/bench", State: "put it together, or take the simulated one"}
	benches, err := s.folder.list("bench")
	if err != nil {
		return nil, err
	}
	for _, f := range benches {
		data, err := s.folder.read(f.Name)
		if err != nil {
			continue
		}
		_, list := catalog.Parse(f.Name, data, s.folder.beside)
		n := len(list) - len(list.Warnings())
		if n == 0 {
			bench = step{Name: "Bench", Path: "/bench?file=" + query(f.Name), State: f.Name + ", no problem",
				Done: true}
			break
		}
		bench.Path, bench.State = "/bench?file="+query(f.Name), f.Name+": "+english.Count(n, "problem", "problems")
	}
	plans, err := s.folder.list("plan")
	if err != nil {
		return nil, err
	}
	plan := step{Name: "Plan", Path: "/plan", State: "from, to, level, dwell"}
	if n := len(plans); n > 0 {
		plan.Done, plan.State = true, plans[0].Name
		if n > 1 {
			plan.State = english.Count(n, "plan", "plans")
		}
	}
	run := step{Name: "Arm and run", Path: "/plan", State: "no run yet"}
	if runs > 0 {
		run.Done, run.State, run.Path = true, english.Count(runs, "run", "runs"), "/live"
	}
	out := []step{job, bench, plan, run}
	for i := range out {
		if !out[i].Done {
			out[i].Next = true
			break
		}
	}
	return out, nil
}

// jobs lists the jobs of the folder, the newest first: those that have a file, and those that were only begun.
func (s *Server) jobs() ([]jobFile, error) {
	entries, err := fs.ReadDir(s.folder.root.FS(), ".")
	if err != nil {
		return nil, fmt.Errorf("read the folder: %w", err)
	}
	at := map[string]time.Time{}
	for _, e := range entries {
		name, ok := strings.CutSuffix(e.Name(), jobEnding)
		if !ok {
			name, ok = strings.CutSuffix(e.Name(), ".about.yaml")
		}
		info, err := e.Info()
		if !ok || name == "" || err != nil || !e.Type().IsRegular() {
			continue
		}
		if t := info.ModTime(); t.After(at[name]) {
			at[name] = t
		}
	}
	here := s.journal.file()
	var out []jobFile
	for name, t := range at {
		j := jobFile{Name: name, Changed: t.Local().Format("2006-01-02 15:04")}
		j.Here = filepath.Join(s.cfg.Dir, name+jobEnding) == filepath.Clean(here)
		j.Written = j.Here && s.cfg.Runner.Written()
		out = append(out, j)
	}
	sort.Slice(out, func(i, j int) bool {
		a, b := at[out[i].Name], at[out[j].Name]
		return a.After(b) || a.Equal(b) && out[i].Name < out[j].Name
	})
	return out, nil
}

var unsafeName = regexp.MustCompile(`[^\p{L}\p{N}_+]+`)

// reserved are names that one system keeps for its devices.
var reserved = regexp.MustCompile(`(?i)^(con|prn|aux|nul|com\d|lpt\d)$`)

// safeName makes a file name of what an engineer calls a job; "" where nothing is left of it.
func safeName(text string) string {
	name := []rune(strings.Trim(unsafeName.ReplaceAllString(text, "-"), "-"))
	out := strings.Trim(string(name[:min(len(name), 60)]), "-")
	if reserved.MatchString(out) {
		out += "-job"
	}
	return out
}

// newJob begins a job: its facts are written beside where its file will be.
func (s *Server) newJob(w http.ResponseWriter, r *http.Request) error {
	typed := strings.TrimSpace(r.PostFormValue("name"))
	text, also := withFields(r, strings.Replace(newFacts, "\n#", "\n# "+oneLine(typed)+"\n#", 1),
		keysByPath(tell.AboutKeys()))
	form := facts("", text, "", also)
	name := safeName(typed)
	refused := ""
	switch _, missing := os.Stat(filepath.Join(s.cfg.Dir, name+jobEnding)); {
	case name == "":
		refused = "A job needs a name: the product, the customer, a number."
	case !errors.Is(missing, fs.ErrNotExist):
		refused = "There is a job " + name + " in this folder already: open it, or choose another name."
	case s.cfg.Runner.State().Underway:
		refused = ErrUnderway.Error()
	}
	if err := form.Problems.Err(); err != nil && refused == "" {
		refused = "What stands beside the fields is to be mended first."
	}
	if refused == "" {
		err := s.folder.write(aboutFile(name), []byte(text), "")
		if err == nil {
			err = s.turnTo(name)
		}
		if err == nil {
			return seeOther(w, r, "/")
		}
		refused = err.Error()
	}
	return s.showJob(w, r, func(p *jobPage) {
		p.Start.New, p.Start.Name, p.Start.Refused = form, typed, refused
	})
}

func oneLine(text string) string {
	return strings.Join(strings.Fields(strings.ToValidUTF8(text, "")), " ")
}

// describeJob keeps the facts of the job that is open.
func (s *Server) describeJob(w http.ResponseWriter, r *http.Request) error {
	file := aboutFile(s.journal.file())
	text, also := withFields(r, normal(r.PostFormValue("text")), keysByPath(tell.AboutKeys()))
	form := facts(file, text, r.PostFormValue("stamp"), also)
	err := form.Problems.Err()
	if r.PostFormValue("file") != file {
		err = errors.New("another job is open now than the one that this form was for; nothing was written")
	}
	if err == nil {
		if err = s.folder.write(file, []byte(text), form.Stamp); err == nil {
			return seeOther(w, r, "/#facts")
		}
	}
	return s.showJob(w, r, func(p *jobPage) {
		p.Start.About, p.Frame.Said = form, "Not kept: "+firstLine(err.Error())
	})
}

func firstLine(text string) string { line, _, _ := strings.Cut(text, "\n"); return line }

// openJob turns to another job of the folder.
func (s *Server) openJob(w http.ResponseWriter, r *http.Request) error {
	name := r.PostFormValue("job")
	jobs, err := s.jobs()
	if err != nil {
		return err
	}
	for _, j := range jobs {
		if j.Name == name {
			if err := s.turnTo(name); err != nil {
				return err
			}
			return seeOther(w, r, "/")
		}
	}
	return withStatus(http.StatusNotFound, "there is no job %q in this folder", name)
}

// turnTo shows another job from now on. Nothing that waited for the one before goes on: no arming step, no stream.
func (s *Server) turnTo(name string) error {
	file := filepath.Join(s.cfg.Dir, name+jobEnding)
	if err := s.cfg.Runner.Open(file); err != nil {
		return fmt.Errorf("open the job %s: %w", name, err)
	}
	s.arms.clear()
	return s.journal.turn(file)
}

// sameJob refuses a form that was made for another job than the one that is open now; its body must have been read.
func (s *Server) sameJob(r *http.Request) error {
	if job := r.PostFormValue("job"); job != "" && job != s.jobName() {
		return withStatus(http.StatusConflict, "this page is of the job %s, and the job %s is open now: nothing was "+
			"done; load the page again", job, s.jobName())
	}
	return nil
}

// simulate brings up the simulated bench because a person asked for it.
func (s *Server) simulate(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Simulate == nil {
		return withStatus(http.StatusNotFound, "this program brings up no simulated bench here")
	}
	if s.cfg.Runner.State().Underway {
		return ErrUnderway
	}
	if err := s.bringUp(); err != nil {
		return err
	}
	return seeOther(w, r, "/bench?file="+simulatedBench)
}

// bringUp brings the simulated bench up, with its files; a bench file of an earlier one takes the new addresses.
func (s *Server) bringUp() error {
	s.handing.Lock()
	defer s.handing.Unlock()
	sim, err := s.cfg.Simulate()
	if err != nil {
		return fmt.Errorf("bring up the simulated bench: %w", err)
	}
	s.simulated = sim.Hands
	text, shown := string(sim.Bench), ""
	if old, err := s.folder.beside(simulatedBench); err == nil {
		shown = stamp(old)
		if text, err = readdressed(string(old), text); err != nil {
			return err
		}
	}
	if err := s.folder.write(simulatedBench, []byte(text), shown); err != nil {
		return err
	}
	if _, err = s.folder.beside(simulatedPlan); errors.Is(err, fs.ErrNotExist) {
		return s.folder.write(simulatedPlan, sim.Plan, "")
	}
	return err
}

// again brings up the simulated bench of a folder that was tried before: its file names instruments, and "RF off"
// asks all of them.
func (s *Server) again() {
	if s.cfg.Simulate == nil {
		return
	}
	if _, err := s.folder.beside(simulatedBench); err != nil {
		return
	}
	if err := s.bringUp(); err != nil {
		s.cfg.Log.Error("bring up the simulated bench of the folder again", "error", err)
	}
}

// readdressed is a bench file with the addresses of another one.
func readdressed(text, of string) (string, error) {
	as := document.LayoutOf(of)
	for _, k := range catalog.Keys() {
		above, ok := strings.CutSuffix(k.Path, ".address")
		if !ok {
			continue
		}
		list, numbered := strings.CutSuffix(above, "[]")
		for i := range max(1, as.Size(list)) {
			path := above + ".address"
			if numbered {
				path = fmt.Sprintf("%s[%d].address", list, i)
			}
			now, there := as.Find(path)
			if _, old := document.Find(text, path); !there || !old {
				continue
			}
			var err error
			if text, err = document.Set(text, path, now.Text, true); err != nil {
				return "", err
			}
		}
	}
	return text, nil
}
