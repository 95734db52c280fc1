package main

import (
	"errors"
	"fmt"
	"time"

	"provoke/internal/job/fixing"
	"provoke/internal/run/engine"
	"provoke/internal/run/session"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// fixCommand is the fixing loop.
type fixCommand struct {
	Plan       string         `arg:"" help:"Plan file: the one of the exposure that upset." type:"path"`
	Job        string         `required:"" help:"Job file; made when it is not there." placeholder:"JOB.provoke" type:"path"`
	Of         int            `help:"Follow the worst frequency of each failing band of that run; without it, of the newest exposure that upset." placeholder:"RUN"`
	At         []rf.Frequency `help:"Follow these frequencies instead, up to 8." placeholder:"FREQUENCY,..."`
	Hold       rf.Frequency   `help:"Begin by hand at this frequency instead of following." placeholder:"FREQUENCY"`
	Level      rf.Current     `help:"With --hold: at this current, e.g. \"71 dBuA\"; without it, just below the onset." placeholder:"CURRENT"`
	Alone      time.Duration  `default:"10m" help:"RF goes off after so long without a key, a line or a click (${default})."`
	HandsInKey string         `help:"Key that a foot switch sends for \"hands in\", e.g. F9. No foot switch goes on." placeholder:"KEY"`
	UpsetKey   string         `help:"Key that a foot switch sends for \"it upset now\", e.g. F10." placeholder:"KEY"`
	Resume     bool           `help:"Go on with the newest loop of the job, with all its tries."`

	atBench `embed:""`
}

// Help says what is to know at the bench.
func (c *fixCommand) Help() string {
	return `Short exposures go up and down around the onset at one to eight frequencies, so that the onset is a live figure while you
change the product. Each time hands were in is a try: what it did is measured at every frequency, with limits.

At a terminal by single keys: h hands in. RF goes off and is read back as off; hands may go to the product only when
"HANDS IN: RF OFF, READ BACK" is shown. c then says what was changed, a the newest change the other way round (A–B–A–B: differences in pairs). Hold g for a second to go on: a countdown of 3 s
follows, which any key ends, then RF comes from far below. u "it upset now", r sets the reference that changes are counted
from, b holds this point by hand (arrows: level and frequency, page keys: 3 dB, n p: next failing, m: modulation, t: follow
again), q ends.

From a pipe or a script by lines: in; out CHANGE (nothing: nothing was changed; -CHANGE: taken back out; ~: the newest the other way round; ?: numbered);
wait (until every onset is known); u TEXT; r TEXT; hold FREQUENCY; up N; down N; follow; end.

RF on a cable and hands do not go together: it burns. A try alone proves nothing: afterwards expose again in full,
"provoke run PLAN --job JOB --again RUN", and compare.

Exit codes as of provoke run.`
}

// Run does a fixing loop.
func (c *fixCommand) Run(w *terminal.World) error {
	foot := map[terminal.Key]engine.Want{}
	for _, k := range []struct {
		flag, text string
		want       engine.Want
	}{{"--hands-in-key", c.HandsInKey, engine.HandsIn}, {"--upset-key", c.UpsetKey, engine.Mark}} {
		if k.text == "" {
			continue
		}
		key, err := terminal.ParseKey(k.text)
		if err != nil {
			return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("%s: %w", k.flag, err))
		}
		if _, two := foot[key]; two || key == "g" {
			return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("%s: %s has a meaning already", k.flag, key))
		}
		foot[key] = k.want
	}
	switch {
	case c.Level.Known() && c.Hold == 0:
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--level is the level of --hold FREQUENCY"))
	case c.Alone < time.Second || c.Alone > time.Hour:
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--alone %v: RF goes off after 1 s to 1 h without a "+
			"sign",
			c.Alone))
	}
	asked := &fixing.Asked{Of: c.Of, At: c.At, Alone: rf.Duration(c.Alone)}
	if c.Hold > 0 && len(c.At) == 0 && c.Of == 0 {
		asked.At = []rf.Frequency{c.Hold}
	}
	o := c.order()
	o.PlanFile, o.JobFile, o.Resume, o.Fix, o.Point, o.Level = c.Plan, c.Job, c.Resume, asked, c.Hold, c.Level
	o.FootSwitch = foot
	res, err := session.Perform(w, o)
	if res.Verdict == "" {
		return err
	}
	told, failed := c.newestLoop(w)
	sayEnded(w, res, fmt.Sprintf("%s --run %d", c.Job, told.Run.Number))
	if failed == nil {
		failed = terminal.Sections(w.Stdout, []tell.Section{told.Tries()}, false)
	}
	return errors.Join(err, failed)
}

// newestLoop is the newest loop of the job.
func (c *fixCommand) newestLoop(w *terminal.World) (tell.RunTold, error) {
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return tell.RunTold{}, err
	}
	defer close()
	number, err := book.NewestLoop()
	if err != nil {
		return tell.RunTold{}, err
	}
	return book.Tell(number)
}
