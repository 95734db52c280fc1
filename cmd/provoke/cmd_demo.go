package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"text/template"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"

	_ "embed"
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

//go:embed demo/baseline.yaml.tmpl
var demoBaseline string

//go:embed demo/exposure.yaml.tmpl
var demoExposure string

//go:embed demo/about.yaml.tmpl
var demoAbout string

// demo is one showing: the simulated bench and the folder.
type demo struct {
	w   *terminal.World
	sim *simbench.Bench
	dir string
}

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
	d := &demo{w: w, sim: simbench.New(simbench.Config{Seed: c.Seed, Speed: c.Speed}), dir: c.Dir}
	defer d.sim.Close()
	if err := d.prepare(c); err != nil {
		return err
	}
	if c.Serve {
		return d.serve(c)
	}
	if err := d.job(c.Verbose); err != nil {
		return err
	}
	if abuses := d.sim.Abuses(); len(abuses) > 0 {
		return fmt.Errorf("the simulated bench was abused, which is a fault of provoke: %+v", abuses)
	}
	fmt.Fprintf(w.Stdout, "\nThe whole job took %v; nothing on the simulated bench was ever over a rating.\nLook at %s.",
		rf.Duration(time.Since(begun).Round(100*time.Millisecond)), d.shown("report.pdf"))
	if !c.Verbose {
		fmt.Fprint(w.Stdout, " What was shortened here, each command prints in full, or --verbose.")
	}
	fmt.Fprintln(w.Stdout)
	return nil
}

// prepare starts the bench and writes its files.
func (d *demo) prepare(c *demoCommand) error {
	if err := os.MkdirAll(d.dir, 0o755); err != nil {
		return fmt.Errorf("make the demo's folder: %w", err)
	}
	if err := d.sim.Listen("127.0.0.1:0"); err != nil {
		return err
	}
	for _, name := range []string{"bench.yaml", "baseline.yaml", "exposure.yaml", "about.yaml", "belt-weigher.provoke", "report.html", "report.pdf"} {
		if err := d.setAside(name); err != nil {
			return err
		}
	}
	values := map[string]string{
		"Dwell":   rf.Duration(d.sim.LeastDwell().Round(time.Millisecond) + time.Millisecond).String(),
		"Recover": rf.Duration(3 * d.sim.LeastDwell().Round(time.Millisecond)).String(),
		"Speed":   fmt.Sprint(c.Speed),
		"Issued":  d.w.Now().AddDate(0, 0, 1).Format(time.DateOnly), // after the runs, also round midnight
	}
	if err := d.write("bench.yaml", d.sim.BenchFile()); err != nil {
		return err
	}
	for name, text := range map[string]string{"baseline.yaml": demoBaseline, "exposure.yaml": demoExposure, "about.yaml": demoAbout} {
		var b strings.Builder
		if err := template.Must(template.New(name).Option("missingkey=error").Parse(text)).Execute(&b, values); err != nil {
			return fmt.Errorf("write the demo's %s: %w", name, err)
		}
		if err := d.write(name, []byte(b.String())); err != nil {
			return err
		}
	}
	if c.Truth == "" {
		return nil
	}
	truth, err := json.MarshalIndent(d.sim.Truth(), "", "  ")
	if err != nil {
		return fmt.Errorf("write the truth: %w", err)
	}
	return os.WriteFile(c.Truth, append(truth, '\n'), 0o644)
}

// serve leaves the job to whoever opens the page. The product's fixes go in and out by hand there.
func (d *demo) serve(c *demoCommand) error {
	job := filepath.Join(d.dir, "belt-weigher.provoke")
	page := serveCommand{Job: job, Dir: d.dir, Listen: c.Listen}
	return page.serve(d.w, newDesk(d.w, d.dir, job), d.hands())
}

// hands are what a person does at the simulated bench.
func (d *demo) hands() []web.Hand {
	build := func(name, said string, b simbench.Build) web.Hand {
		return web.Hand{Name: name, Do: func() (string, error) { d.sim.SetBuild(b); return said, nil }}
	}
	return []web.Hand{
		build("Put in the first fix", "Capacitors from the cable's wires to chassis at the connector are in (invented).", simbench.Fixed),
		build("Put in the second fix", "A ferrite sleeve is on the cable besides (invented).", simbench.Cured),
		build("Take every fix out", "The product is as it was received.", simbench.Original),
	}
}

// setAside renames what an earlier demo left, so that nothing is lost.
func (d *demo) setAside(name string) error {
	path := filepath.Join(d.dir, name)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	ext := filepath.Ext(name)
	for n := 1; n < 10000; n++ {
		other := fmt.Sprintf("%s.before-%d%s", strings.TrimSuffix(path, ext), n, ext)
		if _, err := os.Stat(other); errors.Is(err, os.ErrNotExist) {
			return os.Rename(path, other)
		}
	}
	return fmt.Errorf("keep the old %s: too many old ones in %s", name, d.dir)
}

func (d *demo) write(name string, data []byte) error {
	if err := os.WriteFile(filepath.Join(d.dir, name), data, 0o644); err != nil {
		return fmt.Errorf("write the demo's %s: %w", name, err)
	}
	return nil
}

// shown is a file of the demo as the user would type it.
func (d *demo) shown(name string) string {
	if here, err := os.Getwd(); err == nil {
		if rel, err := filepath.Rel(here, filepath.Join(d.dir, name)); err == nil && !strings.HasPrefix(rel, "..") {
			return rel
		}
	}
	return filepath.Join(d.dir, name)
}

// job types the commands of the whole job.
func (d *demo) job(verbose bool) error {
	job, bench := d.shown("belt-weigher.provoke"), d.shown("bench.yaml")
	baseline, exposure := d.shown("baseline.yaml"), d.shown("exposure.yaml")
	told := map[string]bool{}
	by := []string{"--operator", "A. Invented", "--room", "simulated bench", "--temperature", "23 °C", "--humidity", "45 %", "--arm"}
	for _, s := range []struct {
		say  string
		hand func()
		args []string
	}{
		{"An invented laboratory saw the belt weigher's reading jump and an error latch, at 3 V e.m.f. with 80 % AM.\n" +
			"First: is the bench file sound, and what does the chain stand?", nil, []string{"bench", bench}},
		{"Before switching on: what can the chain reach, and what is nearest to its rating?", nil, []string{"budget", bench, exposure}},
		{"What would the plan do?", nil, []string{"plan", exposure}},
		{"Does the monitor raise alarms without any RF?", nil,
			append([]string{"run", baseline, "--job", job, "--label", "no RF"}, by...)},
		{"Reproduce the upset and find its thresholds.", nil,
			append([]string{"run", exposure, "--job", job, "--label", "as received"}, by...)},
		{"", nil, []string{"findings", job}},
		{"A fix goes in, and the very same exposure again.", func() { d.sim.SetBuild(simbench.Fixed) },
			append([]string{"run", exposure, "--job", job, "--again", "2", "--over-test", "accepted by A. Invented", "--label", "first fix",
				"--changed", "capacitors from the cable's wires to chassis at the connector (invented)"}, by...)},
		{"Did it work?", nil, []string{"compare", job, "2", "3"}},
		{"Not in every band. One more fix, and the very same exposure again.", func() { d.sim.SetBuild(simbench.Cured) },
			append([]string{"run", exposure, "--job", job, "--again", "2", "--over-test", "accepted by A. Invented", "--label", "second fix",
				"--changed", "a ferrite sleeve on the cable besides (invented)"}, by...)},
		{"", nil, []string{"compare", job, "2", "4"}},
		{"", nil, []string{"report", job, "--about", d.shown("about.yaml"), "-o", d.shown("report.html"), "-o", d.shown("report.pdf")}},
		{"Is the journal whole?", nil, []string{"journal", job, "--verify"}},
	} {
		if s.hand != nil {
			s.hand()
		}
		if s.say != "" {
			fmt.Fprintf(d.w.Stdout, "\n# %s\n", strings.ReplaceAll(s.say, "\n", "\n# "))
		}
		fmt.Fprintf(d.w.Stdout, "\n$ provoke %s\n", typedOut(s.args))
		w, end := *d.w, func() error { return nil }
		if !verbose {
			short := &abridged{to: d.w.Stdout, told: told}
			w.Stdout, w.Stderr, w.Terminal, end = short, short, false, short.close
		}
		code := run(&w, s.args)
		if err := end(); err != nil {
			return err
		}
		if code != terminal.ExitDone && code != terminal.ExitIncomplete {
			return terminal.WithCode(code, fmt.Errorf("the demo's command ended with code %d", code))
		}
	}
	return nil
}

// typedOut prints arguments as they would be typed.
func typedOut(args []string) string {
	out := make([]string, len(args))
	for i, a := range args {
		if strings.ContainsAny(a, " ()'") {
			a = `"` + a + `"`
		}
		out[i] = a
	}
	return strings.Join(out, " ")
}
