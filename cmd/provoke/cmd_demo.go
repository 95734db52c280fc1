package main

import (
	_ "embed"
	"fmt"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/demo"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

type demoCommand struct {
	Dir     string  `default:"." help:"Folder to leave the files in (${default})." type:"path"`
	Seed    uint64  `default:"1" help:"Varies cable, bands, thresholds and fix of the simulated bench (${default})."`
	Truth   string  `placeholder:"FILE" help:"Write what the simulator knows of the product, as JSON, to compare the findings with."`
	Speed   float64 `default:"0" placeholder:"N" help:"How many times faster than the clock the simulated bench runs: 40 when not given, 8 with --serve."`
	Verbose bool    `help:"Print all that the commands print; without it long tables and the progress are shortened."`
	Serve   bool    `help:"Serve the bench on a web page instead, and leave the job to you."`
	// Listen is where the page listens.
	Listen string `default:"127.0.0.1:0" placeholder:"HOST:PORT" help:"With --serve: where the page listens (${default})."`
}

// Help says what the demo leaves behind.
func (c *demoCommand) Help() string {
	return `Everything runs on a simulated bench over real sockets: an invented conveyor belt weigher upset at an invented
laboratory. The demo types the commands that you would type, and leaves bench.yaml, baseline.yaml, exposure.yaml,
about.yaml, belt-weigher.provoke, report.html and report.pdf. Files of an earlier demo are kept under another name.

With --serve the same bench waits on a web page, and you do the job there.`
}

// Run shows the job, or serves the bench.
func (c *demoCommand) Run(w *terminal.World) error {
	begun := time.Now()
	if c.Speed == 0 {
		c.Speed = 40
		if c.Serve {
			c.Speed = 8 // slow enough to watch
		}
	}
	if c.Speed <= 0 || c.Speed > 200 {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("speed %g must be above 0 and at most 200", c.Speed))
	}
	sim := simbench.New(simbench.Config{Seed: c.Seed, Speed: c.Speed})
	defer sim.Close()
	d := &demo.Demo{World: w, Sim: sim, Dir: c.Dir, Type: run}
	if err := d.Prepare(c.Speed, c.Truth); err != nil {
		return err
	}
	if c.Serve { // the job is left to whoever opens the page
		page := serveCommand{Job: d.Job(), Dir: d.Dir, Listen: c.Listen}
		return page.serve(w, session.NewDesk(w, d.Dir, d.Job()), d.Hands())
	}
	if err := d.Show(c.Verbose); err != nil {
		return err
	}
	if abuses := sim.Abuses(); len(abuses) > 0 {
		return fmt.Errorf("the simulated bench was abused, which is a fault of provoke: %+v", abuses)
	}
	fmt.Fprintf(w.Stdout,
		"\nThe whole job took %v; nothing on the simulated bench was ever over a rating.\nLook at %s.",
		rf.Duration(time.Since(begun).Round(100*time.Millisecond)), d.Shown("report.pdf"))
	if !c.Verbose {
		fmt.Fprint(w.Stdout, " What was shortened here, each command prints in full, or --verbose.")
	}
	fmt.Fprintln(w.Stdout, "\nThe simulated bench has ended with the demo: provoke demo --serve keeps one for you to "+
		"expose on.")
	return nil
}
