package main

import (
	"errors"
	"fmt"
	"io"
	"strings"

	"provoke/internal/model/design"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
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
	d, problems := design.Parse(c.File, data, beside(c.File))
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
		return terminal.PrintJSON(w.Stdout, designShape(d, all, shown))
	}
	terminal.OnPage(w.Stdout, func(out io.Writer) error { printDesign(out, d, all, shown); return nil })
	return nil
}

// shown picks the winding and stack that is printed over frequency.
func (c *designClamp) shown(d *design.Clamp, all []design.Result) (design.Result, error) {
	if c.Winding < 1 || c.Winding > len(d.Windings) {
		return design.Result{}, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--winding %d: the file has %s", c.Winding, english.Count(len(d.Windings), "winding", "windings")))
	}
	if c.Stack < 0 || c.Stack > 100 {
		return design.Result{}, terminal.WithCode(terminal.ExitUsage, errors.New("--stack: from 1 to 100 cores are computed"))
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

func printDesign(w io.Writer, d *design.Clamp, all []design.Result, shown design.Result) {
	fmt.Fprintf(w, "%s\ncore %s; material %s\n", d.Name, coreWords(d.Core), materialWords(d.Material))
	fmt.Fprintf(w, "wanted: %s in a loop of %v, %v to %v", d.Current.Linear(), d.Loop, d.Low, d.High)
	if d.Crest > 0 {
		fmt.Fprintf(w, "; the modulation adds %s at the crest and %s of mean power", d.Crest.Text(1), d.Mean.Text(1))
	}
	fmt.Fprint(w, "\n\n")
	t := terminal.Table(w)
	fmt.Fprintln(t, "turns\tcores\tforward needed\tat\tvaries by\tpeak flux\tat\tcore heat\thotter by\tworst |Γ|\tin the cable\tagainst it")
	for _, r := range all {
		against := "–"
		if !r.Usable() {
			against = strings.Join(r.Against, "; ")
		}
		fmt.Fprintf(t, "%d\t%d\t%s\t%v\t%s\t%v\t%v\t%s\t%.0f K\t%.2f\t%s\t%s\n", r.Winding.Turns, r.Stack, r.Needed.Linear(), r.NeededAt, r.Flattest.Text(1),
			r.Flux, r.FluxAt, r.Heat.Linear(), r.Rise, r.Reflection, rf.Ohms(r.Series).Linear(), against)
	}
	t.Flush()
	fmt.Fprintln(w, "ranked by the forward power (CW) needed at the worst frequency. Flux is the peak at the crest, heat the mean. The rise of temperature is that of the bare core in still air after hours at the worst frequency: an estimate (10 W/m²K, from memory).")
	fmt.Fprintf(w, "\n%s on %s\n", english.Count(shown.Winding.Turns, "turn", "turns"), english.Count(shown.Stack, "core", "cores"))
	t = terminal.Table(w)
	fmt.Fprintln(t, "frequency\tjig insertion loss\tin the cable\tcurrent per W\tforward needed\tpeak flux\tcore heat\t|Γ|")
	for _, i := range spreadOver(len(shown.Points), shownPoints) {
		p := shown.Points[i]
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%v\t%s\t%.2f\n", p.Frequency, p.InsertionLoss.Text(2), complexOhm(p.Series), p.Current.Linear(), p.Needed.Linear(),
			p.FluxWanted, p.HeatWanted.Linear(), p.Reflection)
	}
	t.Flush()
	printProbeAsInjector(w, d)
}

// printProbeAsInjector says why the monitoring probe is no injector.
func printProbeAsInjector(w io.Writer, d *design.Clamp) {
	x := d.WhyNotTheProbe()
	if x == nil {
		return
	}
	fmt.Fprintf(w, "\nwhy the monitoring probe (%d turns, %v, core %s) is no injector, %s at %v:\n", d.Probe.Turns, d.Probe.Load, coreWords(d.Probe.Core), d.Current.Linear(), d.Low)
	verdict := ""
	if d.Probe.Limit > 0 {
		verdict = fmt.Sprintf("; it stands %v", d.Probe.Limit)
	}
	fmt.Fprintf(w, "  it monitors that current with a peak flux of %v, because its winding cancels the cable's ampere-turns; to inject it into %v it needs %v, %.0f times as much%s (unmodulated)\n", x.Monitoring, d.Loop, x.Injecting, x.Ratio, verdict)
	fmt.Fprintf(w, "  its %d turns would need %s, and its own load of %v would take %s of it\n", d.Probe.Turns, voltsWords(x.Drive), d.Probe.Load, rf.Watts(x.Load).Linear())
}

func voltsWords(v float64) string { return rf.Volts(v).Linear() + " r.m.s." }

func coreWords(t twoport.Toroid) string {
	s := fmt.Sprintf("%v × %v × %v", t.Outer, t.Inner, t.Height)
	if t.Gap > 0 {
		s += fmt.Sprintf(", gap %v", ferrite.Gap(t.Gap))
	}
	return s
}

func materialWords(m ferrite.Material) string {
	s := m.Name
	if m.Invented {
		s += " (invented)"
	}
	s += ", " + m.File
	if m.Saturation > 0 {
		s += fmt.Sprintf(", saturation %v", m.Saturation)
	}
	if m.Fit != nil {
		s += fmt.Sprintf("; computed with the model %q, %v", m.Model, *m.Fit)
	}
	return s
}

type designJSON struct {
	Name     string           `json:"name"`
	Material materialJSON     `json:"material"`
	Wanted   wantedJSON       `json:"wanted"`
	Table    []designRowJSON  `json:"table"`
	Shown    designShownJSON  `json:"shown"`
	Probe    *probeDesignJSON `json:"probe"`
}

type materialJSON struct {
	Name     string   `json:"name"`
	Invented bool     `json:"invented"`
	File     string   `json:"file"`
	SHA256   string   `json:"sha256"`
	Model    *string  `json:"model"`
	RMS      *float64 `json:"fit_rms"`
	Worst    *float64 `json:"fit_worst"`
}

type wantedJSON struct {
	Current *rf.Quantity `json:"current"`
	Loop    float64      `json:"loop_ohm"`
	LowHz   float64      `json:"low_hz"`
	HighHz  float64      `json:"high_hz"`
	Crest   *float64     `json:"crest_db"`
	Mean    *float64     `json:"mean_db"`
	Forward *rf.Quantity `json:"forward"`
}

type designRowJSON struct {
	Turns      int          `json:"turns"`
	Stack      int          `json:"stack"`
	Needed     *rf.Quantity `json:"needed"`
	NeededHz   *float64     `json:"needed_hz"`
	Flux       *rf.Quantity `json:"flux"`
	FluxHz     *float64     `json:"flux_hz"`
	Heat       *rf.Quantity `json:"heat"`
	Rise       *float64     `json:"rise_k"`
	Reflection *float64     `json:"reflection"`
	Series     *float64     `json:"series_ohm"`
	Variation  *float64     `json:"variation_db"`
	Against    []string     `json:"against"`
}

type designShownJSON struct {
	Turns  int               `json:"turns"`
	Stack  int               `json:"stack"`
	Points []designPointJSON `json:"points"`
}

type designPointJSON struct {
	Hz            float64      `json:"hz"`
	InsertionLoss *float64     `json:"insertion_loss_db"`
	Series        [2]float64   `json:"series_ohm"`
	Current       *rf.Quantity `json:"current_per_watt"`
	PerTurn       *float64     `json:"volts_per_turn"`
	Flux          *rf.Quantity `json:"flux"`
	Heat          *rf.Quantity `json:"heat"`
	Reflection    *float64     `json:"reflection"`
	Needed        *rf.Quantity `json:"needed"`
	FluxWanted    *rf.Quantity `json:"flux_wanted"`
	HeatWanted    *rf.Quantity `json:"heat_wanted"`
}

type probeDesignJSON struct {
	Monitoring *rf.Quantity `json:"monitoring"`
	Injecting  *rf.Quantity `json:"injecting"`
	Ratio      *float64     `json:"ratio"`
	Drive      *float64     `json:"drive_volts"`
	Load       *float64     `json:"load_watts"`
}

func materialShape(m ferrite.Material) materialJSON {
	out := materialJSON{Name: m.Name, Invented: m.Invented, File: m.File, SHA256: m.Hash}
	if m.Fit != nil {
		out.Model, out.RMS, out.Worst = &m.Model, rf.OrNull(m.Fit.RMS, 6), rf.OrNull(m.Fit.Worst, 6)
	}
	return out
}

func designShape(d *design.Clamp, all []design.Result, shown design.Result) designJSON {
	out := designJSON{Name: d.Name, Material: materialShape(d.Material), Shown: designShownJSON{Turns: shown.Winding.Turns, Stack: shown.Stack},
		Wanted: wantedJSON{d.Current.Quantity(), float64(d.Loop), d.Low.Hz(), d.High.Hz(), rf.OrNull(d.Crest, 6), rf.OrNull(d.Mean, 6), d.Forward.Quantity()}}
	for _, r := range all {
		out.Table = append(out.Table, designRowJSON{r.Winding.Turns, r.Stack, r.Needed.Quantity(), hertz(r.NeededAt), r.Flux.Quantity(), hertz(r.FluxAt), r.Heat.Quantity(),
			rf.OrNull(r.Rise, 6), rf.OrNull(r.Reflection, 6), rf.OrNull(r.Series, 6), rf.OrNull(r.Flattest, 6), append([]string{}, r.Against...)})
	}
	for _, p := range shown.Points {
		out.Shown.Points = append(out.Shown.Points, designPointJSON{p.Frequency.Hz(), rf.OrNull(p.InsertionLoss, 6), [2]float64{real(p.Series), imag(p.Series)}, p.Current.Quantity(),
			rf.OrNull(p.PerTurn, 6), p.Flux.Quantity(), p.Heat.Quantity(), rf.OrNull(p.Reflection, 6), p.Needed.Quantity(), p.FluxWanted.Quantity(), p.HeatWanted.Quantity()})
	}
	if x := d.WhyNotTheProbe(); x != nil {
		out.Probe = &probeDesignJSON{x.Monitoring.Quantity(), x.Injecting.Quantity(), rf.OrNull(x.Ratio, 6), rf.OrNull(x.Drive, 6), rf.OrNull(x.Load, 6)}
	}
	return out
}
