package main

import (
	"errors"
	"fmt"

	"provoke/internal/faces/calculator/models"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/session"
	"provoke/internal/tell"
	"provoke/internal/terminal"
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
	Try        int         `placeholder:"N" help:"Put that try of a fixing loop beside the prediction of the combination of --use, else of the first one: does what it measured agree?"`
	Loop       int         `placeholder:"RUN" help:"With --try: the run of the fixing loop; the newest when not given."`
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
"estimate":{"rms_db","quantities":[{"name","unit","value","low","high"}]},"remarks":[...]}; with --try also "tried":{"run","try","did",
"predicted_change":[...],"points":[{"hz","predicted_db","predicted_low_db","predicted_high_db","says","measured":{"gain_db","low_db",
"high_db","difference_shown"}}]}. A try agrees or disagrees by its limits; ones that hold zero where an effect is predicted, or that
are more than 3 dB apart, are too wide to tell.`
}

// Run looks for parts, keeps the prediction where that was asked, and prints.
func (c *remedyCommand) Run(w *terminal.World) error {
	s, err := c.sheet(w)
	if err != nil {
		return err
	}
	if c.Attach {
		if err := c.keep(w, s); err != nil {
			return err
		}
	}
	if c.Try != 0 {
		if err := c.beside(w, s); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintShape(w.Stdout, s.Shape())
	}
	if err := terminal.OnPage(w.Stdout, s.Print); err != nil || s.Tried == nil {
		return err
	}
	fmt.Fprintln(w.Stdout)
	return terminal.Sections(w.Stdout, []tell.Section{s.Tried.Section()}, true)
}

// beside puts a try beside the prediction.
func (c *remedyCommand) beside(w *terminal.World, s *models.Remedy) error {
	p, err := s.Prediction()
	if err != nil {
		return err
	}
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	tried, err := book.Tried(p, c.Try, c.Loop)
	if err != nil {
		return fmt.Errorf("remedy for %s: %w", c.Job, err)
	}
	s.Tried = &tried
	return nil
}

func (c *remedyCommand) sheet(w *terminal.World) (*models.Remedy, error) {
	switch {
	case c.Job == "" && (c.Fit || c.Attach || c.Number != 0 || c.Try != 0):
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("--fit, --run, --attach and --try need a job: "+
			"--job JOB.provoke"))
	case c.Loop != 0 && c.Try == 0:
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("--loop is the run of --try N: name the try"))
	case c.Keep < 1 || c.Keep > 1000:
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("--keep: from 1 to 1000 combinations are printed"))
	}
	data, err := terminal.ReadText(c.Parts)
	if err != nil {
		return nil, fmt.Errorf("read the parts file: %w", err)
	}
	file, problems := remedy.Parse(c.Parts, data, session.Beside(c.Parts))
	if err := problems.Err(); err != nil {
		return nil, err
	}
	for _, p := range problems.Warnings() {
		fmt.Fprintln(w.Stderr, p)
	}
	s := models.OfRemedy(file, c.Keep)
	if c.Job != "" {
		err = c.ask(w, s)
	} else {
		err = terminal.WithCode(terminal.ExitUsage, s.AsStated())
	}
	if err != nil {
		return nil, err
	}
	if err := s.Modelled(); err != nil {
		return nil, err
	}
	if err := s.Settle(c.Combine, c.Margin, c.Reference); err != nil {
		return nil, err
	}
	if len(c.Use) > 0 {
		return s, s.Judge(c.Use)
	}
	return s, c.find(w, s)
}

// ask takes what is missing from the findings of a run.
func (c *remedyCommand) ask(w *terminal.World, s *models.Remedy) error {
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	number, err := book.Choose(c.Number)
	var r result.Run
	var findings analysis.Findings
	if err == nil {
		r, findings, err = book.Findings(number)
	}
	if err == nil {
		err = analysis.NoLoop(r)
	}
	if err != nil {
		return fmt.Errorf("remedy for %s: %w", c.Job, err)
	}
	if c.Fit {
		if err := s.Fit(r, c.Confidence); err != nil {
			return fmt.Errorf("run %d of %s: %w", r.Number, c.Job, err)
		}
	}
	err = s.AsFound(r, findings)
	if errors.Is(err, models.ErrNothingFails) {
		runs, err := book.All()
		if err != nil {
			return err
		}
		return fmt.Errorf("remedy for %s: nothing fails in run %d, so no decibel is missing%s", c.Job, r.Number,
			failuresIn(upsetRuns(runs)))
	}
	if err != nil {
		return fmt.Errorf("remedy for %s: %w", c.Job, err)
	}
	return nil
}

// find searches; on a terminal a line says how far it is.
func (c *remedyCommand) find(w *terminal.World, s *models.Remedy) error {
	line := terminal.NewBlock(w, 0)
	defer line.Close()
	return s.Find(func(done, total int) { line.Show(fmt.Sprintf("%d of %d combinations", done, total)) })
}

// keep joins the prediction of the first combination to the run.
func (c *remedyCommand) keep(w *terminal.World, s *models.Remedy) error {
	data, caption, err := s.Predict()
	if err != nil {
		return err
	}
	return annotate(w, c.Job, s.Run, func(job *store.Job) ([]event.Event, error) {
		a, err := job.Attach(remedy.PredictionName, data)
		if err != nil {
			return nil, err
		}
		return []event.Event{event.Attached{Attachment: a, Caption: caption}}, nil
	})
}
