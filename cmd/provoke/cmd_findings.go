package main

import (
	"fmt"

	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

type findingsCommand struct {
	Job         string `arg:"" help:"Job file."`
	Number      int    `name:"run" help:"Run number; the newest exposure when not given." placeholder:"N"`
	JSON        bool   `name:"json" help:"Print the findings as JSON."`
	All         bool   `help:"Print every upset; without it each failing band with its lowest onset."`
	FailOnUpset bool   `help:"End with exit code 10 when the DUT upset."`
}

func (c *findingsCommand) Help() string {
	return `Prints failing bands, then every upset with its threshold, then what was never upset. A value marked "at least" or "at most" was
not bracketed. Of a fixing loop (--run N): the onsets with what is in place, what each change does, the tries in their order, and the
command that proves what is in place; --all: also hands in and out, with what RF off rested on.

--json of a fixing loop has besides "fixing":{"followed_run","reference","in_place":[...],"followed":[{"hz","onset":{"text","unit","level",
"low","high"},"since_reference":GAIN,"kind","why","exposures","upsets","changed_without_hands"}],"tries":[{"try","at","change",
"taken_out","in_place":[...],"gains":[GAIN]}],"effects":[{"change","in_place","gains":[GAIN],"words"}],"proof"}, with GAIN
{"gain_db","low_db","high_db","difference_shown","pairs"}: null where nothing bounds it, gains in the order of "followed".`
}

// Run prints the findings of one run.
func (c *findingsCommand) Run(w *terminal.World) error {
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return err
	}
	defer close()
	number, err := book.Choose(c.Number)
	var told tell.RunTold
	if err == nil {
		told, err = book.Tell(number)
	}
	if err != nil {
		return fmt.Errorf("findings of %s: %w", c.Job, err)
	}
	if c.JSON {
		err = terminal.PrintShape(w.Stdout, told)
	} else {
		err = terminal.Sections(w.Stdout, told.Sections(), c.All)
	}
	if f := told.Findings; err == nil && c.FailOnUpset && f.Upsets > 0 {
		return terminal.WithCode(terminal.ExitUpset,
			fmt.Errorf("the DUT upset at %s in run %d", english.Count(f.Upsets, "frequency", "frequencies"), f.Run))
	}
	return err
}
