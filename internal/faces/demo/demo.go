// Package demo shows the whole job on the simulated bench: it writes the files of an invented product and types the
// commands that a person would type.
package demo

import (
	"bytes"
	_ "embed"
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
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

//go:embed files/baseline.yaml.tmpl
var demoBaseline string

//go:embed files/exposure.yaml.tmpl
var demoExposure string

//go:embed files/about.yaml.tmpl
var demoAbout string

// Demo is one showing: the simulated bench and the folder.
type Demo struct {
	World *terminal.World
	Sim   *simbench.Bench
	Dir   string
	// Type does a command line and returns its exit code.
	Type func(w *terminal.World, args []string) int
}

// Job is the file of the job.
func (d *Demo) Job() string { return filepath.Join(d.Dir, "belt-weigher.provoke") }

// Prepare starts the bench, which runs so many times faster than the clock, and writes its files; what the simulator
// knows of the product goes to the file truth, if there is to be one.
func (d *Demo) Prepare(speed float64, truthFile string) error {
	if err := os.MkdirAll(d.Dir, 0o755); err != nil {
		return fmt.Errorf("make the demo's folder: %w", err)
	}
	if err := d.Sim.Listen("127.0.0.1:0"); err != nil {
		return err
	}
	for _, name := range []string{"bench.yaml", "baseline.yaml", "exposure.yaml", "about.yaml", "belt-weigher.provoke",
		"report.html", "report.pdf"} {
		if err := d.setAside(name); err != nil {
			return err
		}
	}
	values := valuesFor(d.Sim, speed)
	values["Issued"] = d.World.Now().AddDate(0, 0, 1).Format(time.DateOnly) // after the runs, also round midnight
	if err := d.write("bench.yaml", d.Sim.BenchFile()); err != nil {
		return err
	}
	for name, text := range map[string]string{"baseline.yaml": demoBaseline, "exposure.yaml": demoExposure,
		"about.yaml": demoAbout} {
		data, err := filled(text, values)
		if err != nil {
			return fmt.Errorf("write the demo's %s: %w", name, err)
		}
		if err := d.write(name, data); err != nil {
			return err
		}
	}
	if truthFile == "" {
		return nil
	}
	truth, err := json.MarshalIndent(d.Sim.Truth(), "", "  ")
	if err != nil {
		return fmt.Errorf("write the truth: %w", err)
	}
	return os.WriteFile(truthFile, append(truth, '\n'), 0o644)
}

// valuesFor are the times that suit the speed of a simulated bench.
func valuesFor(sim *simbench.Bench, speed float64) map[string]string {
	return map[string]string{
		"Dwell":   rf.Duration(sim.LeastDwell().Round(time.Millisecond) + time.Millisecond).String(),
		"Recover": rf.Duration(3 * sim.LeastDwell().Round(time.Millisecond)).String(),
		"Speed":   fmt.Sprint(speed),
		"Bench":   "bench.yaml",
		"Step":    "10 %",
	}
}

func filled(text string, values map[string]string) ([]byte, error) {
	var b bytes.Buffer
	t, err := template.New("").Option("missingkey=error").Parse(text)
	if err == nil {
		err = t.Execute(&b, values)
	}
	return b.Bytes(), err
}

// Hands are what a person does at the simulated bench.
func (d *Demo) Hands() []web.Hand { return handsAt(d.Sim) }

func handsAt(sim *simbench.Bench) []web.Hand {
	build := func(name, said string, b simbench.Build) web.Hand {
		return web.Hand{Name: name, Do: func() (string, error) { sim.SetBuild(b); return said, nil }}
	}
	part := func(words, name string, on bool) web.Hand {
		return web.Hand{Name: words, Do: func() (string, error) {
			return "It is done, on the invented product.", sim.PutOn(name, on)
		}}
	}
	hands := []web.Hand{
		build("Put in the first fix",
			"Capacitors from the cable's wires to chassis at the connector are in (invented).", simbench.Fixed),
		build("Put in the second fix", "A ferrite sleeve is on the cable besides (invented).", simbench.Cured),
		build("Take every fix out", "The product is as it was received.", simbench.Original),
	}
	for _, p := range sim.Parts() {
		hands = append(hands, part("Put on: "+p.Is, p.Name, true), part("Take off: "+p.Is, p.Name, false))
	}
	return hands
}

// setAside renames what an earlier demo left, so that nothing is lost: a job with its log, of an end that was abrupt.
func (d *Demo) setAside(name string) error {
	path := filepath.Join(d.Dir, name)
	ext := filepath.Ext(name)
	move := os.Rename
	if ext == ".provoke" {
		move = store.Move
	}
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	for n := 1; n < 10000; n++ {
		if other := fmt.Sprintf("%s.before-%d%s", strings.TrimSuffix(path, ext), n, ext); !store.Taken(other) {
			return move(path, other)
		}
	}
	return fmt.Errorf("keep the old %s: too many old ones in %s", name, d.Dir)
}

func (d *Demo) write(name string, data []byte) error {
	if err := os.WriteFile(filepath.Join(d.Dir, name), data, 0o644); err != nil {
		return fmt.Errorf("write the demo's %s: %w", name, err)
	}
	return nil
}

// Shown is a file of the demo as the user would type it.
func (d *Demo) Shown(name string) string {
	if here, err := os.Getwd(); err == nil {
		if rel, err := filepath.Rel(here, filepath.Join(d.Dir, name)); err == nil && !strings.HasPrefix(rel, "..") {
			return rel
		}
	}
	return filepath.Join(d.Dir, name)
}

// Show types the commands of the whole job.
func (d *Demo) Show(verbose bool) error {
	job, bench := d.Shown("belt-weigher.provoke"), d.Shown("bench.yaml")
	baseline, exposure := d.Shown("baseline.yaml"), d.Shown("exposure.yaml")
	told := map[string]bool{}
	by := []string{"--operator", "A. Invented", "--room", "simulated bench", "--temperature", "23 °C", "--humidity",
		"45 %", "--arm"}
	for _, s := range []struct {
		say  string
		hand func()
		args []string
	}{
		{"An invented laboratory saw the belt weigher's reading jump and an error latch, at 3 V e.m.f. with 80 % " +
			"AM.\n" +
			"First: is the bench file sound, and what does the chain stand?", nil, []string{"bench", bench}},
		{"Before switching on: what can the chain reach, and what is nearest to its rating?", nil,
			[]string{"budget", bench, exposure}},
		{"What would the plan do?", nil, []string{"plan", exposure}},
		{"Does the monitor raise alarms without any RF?", nil,
			append([]string{"run", baseline, "--job", job, "--label", "no RF"}, by...)},
		{"Reproduce the upset and find its thresholds.", nil,
			append([]string{"run", exposure, "--job", job, "--label", "as received"}, by...)},
		{"", nil, []string{"findings", job}},
		{"A fix goes in, and the very same exposure again.", func() { d.Sim.SetBuild(simbench.Fixed) },
			append([]string{"run", exposure, "--job", job, "--again", "2", "--over-test", "accepted by A. Invented",
				"--label", "first fix",
				"--changed", "capacitors from the cable's wires to chassis at the connector (invented)"}, by...)},
		{"Did it work?", nil, []string{"compare", job, "2", "3"}},
		{"Not in every band. What would help? The worst frequencies are held while parts go on and off.", nil,
			append([]string{"fix", exposure, "--job", job, "--of", "3", "--label", "what helps?"}, by...)},
		{"", nil, []string{"findings", job, "--run", "4"}},
		{"One more fix, and the very same exposure again.",
			func() { d.Sim.SetBuild(simbench.Cured) },
			append([]string{"run", exposure, "--job", job, "--again", "2", "--over-test", "accepted by A. Invented",
				"--label", "second fix",
				"--changed", "a ferrite sleeve on the cable besides (invented)"}, by...)},
		{"", nil, []string{"compare", job, "2", "5"}},
		{"", nil, []string{"report", job, "--about", d.Shown("about.yaml"), "-o", d.Shown("report.html"), "-o",
			d.Shown("report.pdf")}},
		{"Is the journal whole?", nil, []string{"journal", job, "--verify"}},
	} {
		if s.hand != nil {
			s.hand()
		}
		if s.say != "" {
			fmt.Fprintf(d.World.Stdout, "\n# %s\n", strings.ReplaceAll(s.say, "\n", "\n# "))
		}
		fmt.Fprintf(d.World.Stdout, "\n$ provoke %s\n", typedOut(s.args))
		w, end := *d.World, func() error { return nil }
		if !verbose {
			short := &abridged{to: d.World.Stdout, told: told}
			w.Stdout, w.Stderr, w.Terminal, end = short, short, false, short.close
		}
		if s.args[0] == "fix" {
			d.tries(&w)
		}
		code := d.Type(&w, s.args)
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
