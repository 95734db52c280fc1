package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/cable"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// remedyCommand looks for parts that give the missing decibels.
type remedyCommand struct {
	Parts      string      `arg:"" name:"parts.yaml" help:"Parts file: the cable, the product behind its connector, the parts drawer." type:"path"`
	Job        string      `placeholder:"JOB.provoke" help:"Take what is missing from the findings of a run of this job; else the parts file says it." type:"path"`
	Number     int         `name:"run" placeholder:"N" help:"That run; the newest exposure when not given."`
	Fit        bool        `help:"Estimate the cable from that run first (current against forward power); its limits become the spread."`
	Confidence rf.Fraction `default:"95 %" placeholder:"PERCENT" help:"Confidence of the estimate's limits (${default})."`
	Combine    int         `placeholder:"N" help:"Parts in a combination; default that of the file, else 3."`
	Margin     *rf.Gain    `placeholder:"'N dB'" help:"Margin asked above the level wanted; default that of the file."`
	Reference  string      `placeholder:"NAME" help:"\"same drive\" or \"same probe current\"; default that of the file, else by the mode of the run."`
	Keep       int         `default:"8" placeholder:"N" help:"Combinations printed (${default})."`
	Use        []string    `sep:"none" placeholder:"NAME" help:"Do not search: judge the combination of these choices, named as the search names them (a part of the name that fits only one will do). May be repeated."`
	Attach     bool        `help:"Keep the prediction of the combination of --use, else of the first one, with the run in the job: compare then shows it beside what was measured."`
	JSON       bool        `name:"json" help:"Print as JSON."`
}

// Help says what is computed.
func (remedyCommand) Help() string {
	return `Effects are on the current into the product's circuit, positive for better: for the same drive (a laboratory that replays a
calibration) and for the same probe current (a closed loop, and what the onset rises by). Combinations that close every gap with the
margin and make nothing worse stand first, fewest parts first; then those that close it and make the product see more than it was shown to
stand at another frequency; then the others. The band of a prediction is that of 32 cables within the spread of the file's figures.
provoke new DIR --models writes a commented example, parts.yaml.

--json prints {"cable","cable_sha256","parts_sha256","run","reference","margin_db","combinations","missing":[{"hz","missing_db"}],
"best":[{"choices":[...],"closes","surely","worst_db","worst_low_db","worst_hz","worse":[{"hz","effect_db","left_db"}],
"points":[{"hz","same_drive_db","same_drive_low_db","same_drive_high_db","same_probe_db","same_probe_low_db","same_probe_high_db"}]}],
"estimate":{"rms_db","quantities":[{"name","unit","value","low","high"}]},"remarks":[...]}.`
}

// remedySheet is what the command prints.
type remedySheet struct {
	file      *remedy.File
	model     *remedy.Model
	needs     []remedy.Need
	search    remedy.Search
	outcome   remedy.Outcome
	estimate  *cable.Estimate
	run       int
	remarks   []string
	predicted *remedy.Prediction // as kept in the job
}

func (c *remedyCommand) Run(w *terminal.World) error {
	s, err := c.sheet(w)
	if err != nil {
		return err
	}
	if c.Attach {
		if err := s.keep(w, c.Job); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, s.shape())
	}
	terminal.OnPage(w.Stdout, func(out io.Writer) error { s.print(out); return nil })
	return nil
}

func (c *remedyCommand) sheet(w *terminal.World) (*remedySheet, error) {
	switch {
	case c.Job == "" && (c.Fit || c.Attach || c.Number != 0):
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("--fit, --run and --attach need a job: --job JOB.provoke"))
	case c.Keep < 1 || c.Keep > 1000:
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("--keep: from 1 to 1000 combinations are printed"))
	}
	data, err := terminal.ReadText(c.Parts)
	if err != nil {
		return nil, fmt.Errorf("read the parts file: %w", err)
	}
	file, problems := remedy.Parse(c.Parts, data, beside(c.Parts))
	if err := problems.Err(); err != nil {
		return nil, err
	}
	for _, p := range problems.Warnings() {
		fmt.Fprintln(w.Stderr, p)
	}
	s := &remedySheet{file: file, search: remedy.Search{Parts: file.Parts, Most: file.Combine, Margin: file.Margin, Reference: file.Reference, Keep: c.Keep}}
	if err := c.ask(w, s); err != nil {
		return nil, err
	}
	var frequencies []rf.Frequency
	for _, n := range s.needs {
		frequencies = append(frequencies, n.Frequency)
	}
	s.search.Spread = s.file.Spread
	switch {
	case s.search.Spread.Known() && s.estimate == nil:
		s.remarks = append(s.remarks, "limits: from the spread that the parts file states; nothing of it was measured (--job with --fit estimates the cable from a run)")
	case !s.search.Spread.Known():
		s.remarks = append(s.remarks, "limits: none. The parts file gives no spread and nothing was estimated from a run (--fit), so how far the true cable lies from the model is not known")
	}
	if s.model, err = remedy.NewModel(s.file.Cable, s.file.Port, frequencies); err != nil {
		return nil, err
	}
	if err := c.settle(s); err != nil {
		return nil, err
	}
	return s, c.find(w, s)
}

// ask fills in what is missing: from the file, or from the findings of a run.
func (c *remedyCommand) ask(w *terminal.World, s *remedySheet) error {
	if c.Job == "" {
		if len(s.file.Missing) == 0 {
			return terminal.WithCode(terminal.ExitUsage, errors.New("what is missing is not known: give --job JOB.provoke, or write it into the parts file under missing"))
		}
		_, s.needs = s.file.Grid(201)
		s.remarks = append(s.remarks, "what is missing is as the parts file says; at other frequencies the product counts as just standing the level wanted")
		return nil
	}
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	r, control, err := readChosen(w, job, c.Number)
	if err != nil {
		return fmt.Errorf("remedy for %s: %w", c.Job, err)
	}
	s.run = r.Number
	if c.Fit {
		if s.file, s.estimate, err = s.file.Fitted(readingsOf(r), float64(c.Confidence)); err != nil {
			return fmt.Errorf("run %d of %s: %w", r.Number, c.Job, err)
		}
	}
	needs, left := remedy.NeedsOf(analysis.Of(r, control))
	if left == 0 && !slices.ContainsFunc(needs, func(n remedy.Need) bool { return n.Failing }) {
		runs, err := readRuns(w, job)
		if err != nil {
			return err
		}
		return fmt.Errorf("remedy for %s: nothing fails in run %d, so no decibel is missing%s", c.Job, r.Number, failuresIn(upsetRuns(runs)))
	}
	for _, n := range needs {
		if n.Frequency < s.file.Cable.Low || n.Frequency > s.file.Cable.High {
			left++
			continue
		}
		s.needs = append(s.needs, n)
	}
	if left > 0 {
		s.remarks = append(s.remarks, fmt.Sprintf("%s of run %d could not be taken whole: no margin is known there, only a bound from above, or the frequency is not in the cable file's band", english.Count(left, "frequency", "frequencies"), r.Number))
	}
	if len(s.needs) == 0 {
		return fmt.Errorf("remedy for %s: run %d has no frequency with a margin within the cable file's band, %v to %v", c.Job, r.Number, s.file.Cable.Low, s.file.Cable.High)
	}
	if s.search.Reference == "" {
		s.search.Reference = remedy.SameDrive
		if r.Opened.Mode == plan.ClosedLoop {
			s.search.Reference = remedy.SameProbe
		}
	}
	return nil
}

// readingsOf gathers current and forward power of a run's steps.
func readingsOf(r result.Run) []cable.Reading {
	var out []cable.Reading
	for _, s := range r.Steps {
		out = append(out, cable.Reading{At: s.Step.Point.Frequency, Current: s.Current, Forward: s.Forward})
	}
	return out
}

// settle takes the flags over the file.
func (c *remedyCommand) settle(s *remedySheet) error {
	if c.Combine < 0 || c.Combine > 8 {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--combine: from 1 to 8 parts are combined"))
	}
	if c.Combine > 0 {
		s.search.Most = c.Combine
	}
	if c.Margin != nil {
		s.search.Margin = *c.Margin
	}
	if s.search.Margin < 0 {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("a margin of %v asks for less than is missing", s.search.Margin))
	}
	switch c.Reference {
	case string(remedy.SameDrive), string(remedy.SameProbe):
		s.search.Reference = remedy.Reference(c.Reference)
	case "":
	default:
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--reference %q: it is %q or %q", c.Reference, remedy.SameDrive, remedy.SameProbe))
	}
	if s.search.Reference == "" {
		s.search.Reference = remedy.SameDrive
	}
	return nil
}

func (c *remedyCommand) find(w *terminal.World, s *remedySheet) error {
	if len(c.Use) > 0 {
		choices, err := pickChoices(s.file.Parts, c.Use)
		if err != nil {
			return terminal.WithCode(terminal.ExitUsage, err)
		}
		one, err := s.model.Judge(s.search, choices, s.needs)
		if err != nil {
			return err
		}
		s.outcome = remedy.Outcome{Total: 1, Best: []remedy.Combination{one}, Needs: s.needs}
		return nil
	}
	last := time.Time{}
	s.search.Progress = func(done, total int) {
		if now := time.Now(); w.Terminal && (now.Sub(last) > 100*time.Millisecond || done == total) {
			last = now
			terminal.Overwrite(w.Stderr, fmt.Sprintf("%d of %d combinations", done, total))
		}
	}
	var err error
	s.outcome, err = s.model.Find(s.search, s.needs)
	if w.Terminal {
		fmt.Fprintln(w.Stderr)
	}
	return err
}

// pickChoices finds the choices that the user named.
func pickChoices(parts []remedy.Part, names []string) ([]remedy.Choice, error) {
	var out []remedy.Choice
	for _, name := range names {
		var found []remedy.Choice
		for _, p := range parts {
			for _, a := range p.Alternatives {
				switch {
				case a.Name == name:
					found = []remedy.Choice{a}
				case strings.Contains(a.Name, name) && (len(found) != 1 || found[0].Name != name):
					found = append(found, a)
				}
			}
		}
		switch len(found) {
		case 1:
			out = append(out, found[0])
		case 0:
			return nil, fmt.Errorf("--use %q: no choice of the parts file has that in its name", name)
		default:
			var list []string
			for _, f := range found {
				list = append(list, f.Name)
			}
			return nil, fmt.Errorf("--use %q fits several choices: %s", name, strings.Join(list, "; "))
		}
	}
	return out, nil
}

// keep joins the prediction of the first combination to the run.
func (s *remedySheet) keep(w *terminal.World, jobFile string) error {
	if len(s.outcome.Best) == 0 {
		return errors.New("no combination to keep a prediction of")
	}
	best := s.outcome.Best[0]
	p := s.model.Predict(best, s.run, s.search.Spread, s.file.Cable.Hash, s.file.Hash)
	data, err := json.MarshalIndent(p, "", " ")
	if err != nil {
		return fmt.Errorf("keep the prediction: %w", err)
	}
	s.predicted = &p
	return annotate(w, jobFile, s.run, func(job *store.Job) ([]event.Event, error) {
		a, err := job.Attach(remedy.PredictionName, data)
		if err != nil {
			return nil, err
		}
		return []event.Event{event.Attached{Attachment: a, Caption: "predicted: " + strings.Join(best.Names(), " + ")}}, nil
	})
}

func (s *remedySheet) print(w io.Writer) {
	c := s.file.Cable
	fmt.Fprintf(w, "%s, on %s\n", s.file.Name, c.Name)
	if e := s.estimate; e != nil {
		fmt.Fprintf(w, "cable estimated from run %d: %s r.m.s. between model and measurement over %s\n", s.run, e.RMS.Text(1), english.Count(e.Used, "reading", "readings"))
	}
	for _, m := range s.file.Materials {
		if m.Invented {
			fmt.Fprintf(w, "material %s is invented\n", m.Name)
		}
	}
	failing := 0
	worst := remedy.Need{}
	for _, n := range s.needs {
		if n.Failing {
			failing++
			if n.Margin < worst.Margin {
				worst = n
			}
		}
	}
	fmt.Fprintf(w, "missing at %s, most at %v: %v; asked for above that: %v\n", english.Count(failing, "frequency", "frequencies"), worst.Frequency, -worst.Margin, s.search.Margin)
	fmt.Fprintf(w, "effects count for the %s; %s looked at\n\n", s.search.Reference, english.Count(s.outcome.Total, "combination", "combinations"))
	t := terminal.Table(w)
	fmt.Fprintln(t, "\tcombination\tworst margin left\tlow end\tat\tcloses the gap\tmakes worse")
	for i, x := range s.outcome.Best {
		fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%v\t%s\t%s\n", i+1, strings.Join(x.Names(), " + "), x.Worst.Text(1), s.limit(x.WorstLow), x.WorstAt, s.closesWords(x), worseWords(x))
	}
	t.Flush()
	s.printFirst(w)
	for _, r := range s.remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
	if s.predicted != nil {
		fmt.Fprintf(w, "the prediction is kept with run %d; after the change: provoke compare\n", s.run)
	}
}

// limit prints a limit, where there is one.
func (s *remedySheet) limit(ends ...rf.Gain) string {
	if !s.search.Spread.Known() {
		return "none"
	}
	words := ends[0].Text(1)
	for _, e := range ends[1:] {
		words += " to " + e.Text(1)
	}
	return words
}

func (s *remedySheet) closesWords(c remedy.Combination) string {
	switch {
	case c.Closes && !s.search.Spread.Known():
		return "yes, as modelled"
	case c.Surely:
		return "yes, over the whole spread"
	case c.Closes:
		return "yes, in the middle of the spread"
	}
	return "no"
}

func worseWords(c remedy.Combination) string {
	if len(c.Worse) == 0 {
		return "–"
	}
	w := c.Worse[0]
	for _, x := range c.Worse {
		if x.Effect < w.Effect {
			w = x
		}
	}
	s := fmt.Sprintf("%v by %v", w.Frequency, -w.Effect)
	if len(c.Worse) > 1 {
		s += fmt.Sprintf(" (worst of %d frequencies)", len(c.Worse))
	}
	return s
}

// printFirst prints the first combination over the failing frequencies.
func (s *remedySheet) printFirst(w io.Writer) {
	if len(s.outcome.Best) == 0 {
		return
	}
	x := s.outcome.Best[0]
	fmt.Fprintf(w, "\n%s\n", strings.Join(x.Names(), " + "))
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tmissing\tsame drive\tband\tsame probe current\tband\tmargin left")
	var failing []int
	for i, n := range s.needs {
		if n.Failing {
			failing = append(failing, i)
		}
	}
	for _, k := range spreadOver(len(failing), 20) {
		i := failing[k]
		e, b := x.Effects[i], x.Bands[i]
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%s\t%s\n", s.needs[i].Frequency, (-s.needs[i].Margin).Text(1), e.SameDrive.Text(1), s.limit(b.Low.SameDrive, b.High.SameDrive),
			e.SameProbe.Text(1), s.limit(b.Low.SameProbe, b.High.SameProbe), (s.needs[i].Margin + s.search.Reference.Of(e)).Text(1))
	}
	t.Flush()
}

func (s *remedySheet) shape() tell.RemedyJSON {
	out := tell.Remedy(s.outcome, s.search)
	out.Cable, out.CableHash, out.PartsHash = s.file.Cable.Name, s.file.Cable.Hash, s.file.Hash
	if s.run != 0 {
		out.Run = &s.run
	}
	out.Remarks = append(out.Remarks, s.remarks...)
	if e := s.estimate; e != nil {
		x := tell.RemedyEstimateJSON{RMS: float64(e.RMS)}
		for _, q := range e.Quantities {
			y := tell.RemedyQuantityJSON{Name: string(q.Quantity), Unit: q.Unit, Value: q.Value, Low: rf.OrNull(q.Low, -1), High: rf.OrNull(q.High, -1)}
			x.Quantities = append(x.Quantities, y)
		}
		out.Estimate = &x
	}
	return out
}
