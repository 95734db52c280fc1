package main

import (
	"errors"
	"fmt"
	"io"

	"provoke/internal/faces/calculator/models"
	"provoke/internal/model/design"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// designCommand computes what is not built yet.
type designCommand struct {
	Clamp designClamp `cmd:"" help:"Compute an injection clamp before it is wound: power, flux, heat and match over frequency, and a table over turns and stacks."`
}

type designClamp struct {
	File    string `arg:"" help:"Clamp file." type:"path"`
	Winding int    `default:"1" placeholder:"N" help:"Winding of the file that is shown over frequency (${default})."`
	Stack   int    `placeholder:"N" help:"Cores in the stack shown over frequency; default the best of the table for that winding."`
	JSON    bool   `name:"json" help:"Print as JSON."`
}

// Help shows the format of the file.
func (designClamp) Help() string {
	return `A clamp file (provoke new DIR --models writes it commented, with the table that it names):

    provoke: clamp 1
    name: home-wound clamp
    core: {outer: 63 mm, inner: 38 mm, height: 25 mm, gap: 20 µm}
    material: {name: demo NiZn, permeability: demo-nizn.csv, saturation: 290 mT, source: nowhere, invented: true}
    windings:
      - {turns: 1, capacitance: 6 pF, primary_leakage: 40 nH, secondary_leakage: 25 nH}
      - {turns: 2, capacitance: 8 pF, primary_leakage: 70 nH, secondary_leakage: 25 nH}
    stacks: [1, 3, 5]
    loop: 100 Ω                 # 100 Ω and 50 Ω (source) when not given
    band: 150 kHz to 80 MHz
    current: 20 mA
    modulation: AM 80 %         # optional, as are forward, temperature_rise, points and probe
    forward: 5 W
    temperature_rise: 40 K
    probe: {core: {outer: 40 mm, inner: 22 mm, height: 6 mm}, turns: 10, load: 50 Ω, saturation: 400 mT}

The table of permeability is CSV: f/MHz;µ′;µ″, a dash where nothing is tabulated. It is interpolated straight in log–log; a model such
as "3 Lorentz" may be fitted to it (model: …), and its fit error is printed.

--json prints {"name","material":{"name","invented","file","sha256","model","fit_rms","fit_worst"},"wanted":{...},
"table":[{"turns","stack","needed","needed_hz","flux","flux_hz","heat","rise_k","reflection","series_ohm","variation_db","against":[...]}],
"shown":{"turns","stack","points":[{"hz","insertion_loss_db","series_ohm":[re,im],"current_per_watt","volts_per_turn","flux","heat","reflection",
"needed","flux_wanted","heat_wanted"}]},"probe":{"monitoring","injecting","ratio","drive_volts","load_watts"}}.`
}

func (c *designClamp) Run(w *terminal.World) error {
	data, err := terminal.ReadText(c.File)
	if err != nil {
		return fmt.Errorf("read the clamp file: %w", err)
	}
	d, problems := design.Parse(c.File, data, session.Beside(c.File))
	for _, p := range problems.Warnings() {
		fmt.Fprintln(w.Stderr, p)
	}
	if err := problems.Err(); err != nil {
		return err
	}
	all, err := d.Table()
	if err != nil {
		return err
	}
	shown, err := c.shown(d, all)
	if err != nil {
		return err
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, models.DesignShape(d, all, shown))
	}
	return terminal.OnPage(w.Stdout, func(out io.Writer) error { return models.PrintDesign(out, d, all, shown) })
}

// shown picks the winding and stack that is printed over frequency.
func (c *designClamp) shown(d *design.Clamp, all []design.Result) (design.Result, error) {
	if c.Winding < 1 || c.Winding > len(d.Windings) {
		return design.Result{}, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--winding %d: the file has %s",
			c.Winding, english.Count(len(d.Windings), "winding", "windings")))
	}
	if c.Stack < 0 || c.Stack > 100 {
		return design.Result{}, terminal.WithCode(terminal.ExitUsage,
			errors.New("--stack: from 1 to 100 cores are computed"))
	}
	winding := d.Windings[c.Winding-1]
	if c.Stack > 0 {
		return d.Compute(winding, c.Stack)
	}
	for _, r := range all {
		if r.Winding == winding {
			return r, nil
		}
	}
	return d.Compute(winding, 1)
}
