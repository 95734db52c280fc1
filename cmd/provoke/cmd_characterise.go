package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
	"provoke/internal/files/touchstone"
	"provoke/internal/findings/jig"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/curve"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// characteriseCommand measures one's own gear in a jig.
type characteriseCommand struct {
	Probe     characteriseProbe     `cmd:"" help:"Transfer impedance of a monitoring probe from sweeps in a jig."`
	Clamp     characteriseClamp     `cmd:"" help:"Insertion loss, series impedance and directivity of an injection clamp, from sweeps in a jig or calibration runs."`
	Linearity characteriseLinearity `cmd:"" help:"Gain compression and largest usable current from readings at two or more drives."`
}

type characteriseProbe struct {
	Files         []string      `arg:"" help:"Touchstone files of probe and jig; several are sweeps of the same setup." type:"path"`
	In            int           `placeholder:"PORT" help:"Port at the jig's input; with --probe-port. Default: 1, 2 and, with three ports, 3 are input, probe and output."`
	ProbePort     int           `placeholder:"PORT" help:"Port at the probe."`
	Output        int           `placeholder:"PORT" help:"Port at the jig's output, where it is one."`
	Turns         int           `placeholder:"N" help:"Turns of the probe's winding."`
	Line          rf.Length     `placeholder:"'30 mm'" help:"Length of jig between probe and output."`
	LineImpedance rf.Resistance `placeholder:"'60 Ω'" help:"Impedance of that piece; 50 Ω when not given."`
	Method        jig.Method    `placeholder:"NAME" help:"naive, one-port, turns or ratio; default ratio with three ports, else one-port."`
	Flat          rf.Gain       `default:"1 dB" placeholder:"'1 dB'" help:"How far from its middle Zt may lie in the flat band (${default})."`
	Out           string        `placeholder:"FILE.csv" help:"Write the curve for a bench file."`
	JSON          bool          `name:"json" help:"Print as JSON."`
}

// Help says what is computed.
func (characteriseProbe) Help() string {
	return `Zt is the probe's voltage into 50 Ω over the current through it. Methods, port 1 the jig's input, 2 the probe, 3 the jig's output:
naive 50·S21; one-port 50·S21/(1−S11); turns 100·S21/(2−S21/N); ratio 50·(S21/S31)/(cos βd + j·(50/Z0)·sin βd).
With several sweeps the curve is their mean in dB, and their spread is given for the bench file's uncertainty.

--json prints {"method","points":[{"hz","zt","naive_dbohm","one_port_dbohm","turns_dbohm","ratio_dbohm","spread_db"}],
"flat":{"low_hz","high_hz","zt","ripple_db","low_corner_hz","high_corner_hz"},"repeat":{"sweeps","spread_db","worst_db","worst_hz"},
"sources":[{"name","sha256"}],"sha256","remarks":[...]}. What is not known is null.`
}

// source is a file that was read.
type sourceJSON struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// readSweeps reads Touchstone files; all problems of all files come back at once.
func readSweeps(w *terminal.World, names []string) ([]*touchstone.Network, []sourceJSON, error) {
	var out []*touchstone.Network
	var sources []sourceJSON
	var all problem.List
	for _, name := range names {
		data, err := terminal.ReadTable(name)
		if err != nil {
			return nil, nil, fmt.Errorf("cannot read the sweep: %w", err)
		}
		n, list := touchstone.Parse(filepath.Base(name), data)
		all = append(all, list...)
		if n != nil {
			out = append(out, n)
		}
		sources = append(sources, sourceJSON{filepath.Base(name), ferrite.Hash(data)})
	}
	for _, p := range all.Warnings() {
		fmt.Fprintln(w.Stderr, p)
	}
	return out, sources, all.Err()
}

func (c *characteriseProbe) Run(w *terminal.World) error {
	sweeps, sources, err := readSweeps(w, c.Files)
	if err != nil {
		return err
	}
	p, err := jig.MeasureProbe(sweeps, jig.ProbeSetup{In: c.In, Probe: c.ProbePort, Out: c.Output, Turns: c.Turns,
		Line: c.Line, LineImpedance: c.LineImpedance, Method: c.Method, Flat: c.Flat})
	if err != nil {
		return err
	}
	if c.Out != "" {
		if err := writeCurve(c.Out, p.Curve, "Zt/dBΩ", "transfer impedance of a monitoring probe, method "+string(p.Method), sources, p.Repeat); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, probeShape(p, sources))
	}
	terminal.OnPage(w.Stdout, func(out io.Writer) error { printProbe(out, p); return nil })
	if c.Out != "" {
		fmt.Fprintf(w.Stdout, "\nwrote %s; in the bench file:\n  transfer_impedance: {csv: %s}\n%s", c.Out, filepath.Base(c.Out), uncertaintyLine(p.Repeat))
	}
	return nil
}

func uncertaintyLine(r jig.Repeat) string {
	if !r.Known() {
		return ""
	}
	return fmt.Sprintf("  uncertainty: {spread: %s, sweeps: %d}\n", r.Pooled.Text(3), r.Sweeps)
}

// writeCurve writes a new file; an old one is never written over.
func writeCurve[V curve.Value](name string, c curve.Curve[V], column, what string, sources []sourceJSON, r jig.Repeat) (err error) {
	o := jig.Origin{What: what, Program: "provoke " + version}
	for _, s := range sources {
		line := s.Name
		if s.SHA256 != "" {
			line += ", SHA-256 " + s.SHA256
		}
		o.Sources = append(o.Sources, line)
	}
	if r.Known() {
		o.Notes = append(o.Notes, fmt.Sprintf("mean of %d sweeps; standard deviation of one sweep %s", r.Sweeps, r.Pooled.Text(3)))
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("write the curve: %s is there already; give another name or remove it", name)
	}
	if err != nil {
		return fmt.Errorf("write the curve: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	return jig.WriteCurve(f, c, column, o)
}

func printProbe(w io.Writer, p jig.Probe) {
	fmt.Fprintf(w, "transfer impedance by the method %q, %s\n", p.Method, english.Count(len(p.Points), "frequency", "frequencies"))
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tZt\tlinear\tnaive 50·S21\tone-port\tturns\tratio\tspread")
	for _, i := range spreadOver(len(p.Points), shownPoints) {
		x := p.Points[i]
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", x.Frequency, x.Zt.Text(2), x.Zt.Linear(), x.Naive.Text(2), x.OnePort.Text(2), x.Lumped.Text(2), x.Ratio.Text(2), finiteGain(x.Spread, 2))
	}
	t.Flush()
	f := p.Flat
	fmt.Fprintf(w, "\nflat from %v to %v: %s (%s), ripple %s\n", f.Low, f.High, f.Value.Text(2), f.Value.Linear(), f.Ripple.Text(2))
	fmt.Fprintf(w, "3 dB down at %s below and %s above\n", known(f.LowCorner), known(f.HighCorner))
	printRepeat(w, p.Repeat)
	for _, r := range p.Remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
}

func printRepeat(w io.Writer, r jig.Repeat) {
	if r.Known() {
		fmt.Fprintf(w, "%d sweeps: standard deviation of one %s over all frequencies, %s at worst (at %v)\n", r.Sweeps, r.Pooled.Text(3), r.Worst.Text(3), r.WorstAt)
	}
}

func known(f rf.Frequency) string {
	if !f.Known() {
		return "(not reached)"
	}
	return f.String()
}

func finiteGain(g rf.Gain, decimals int) string {
	if !g.Finite() {
		return "–"
	}
	return g.Text(decimals)
}

// spreadOver returns up to most of n indexes, first and last among them.
func spreadOver(n, most int) []int {
	var out []int
	m := min(n, most)
	for k := range m {
		if m == 1 {
			return []int{0}
		}
		out = append(out, k*(n-1)/(m-1))
	}
	return out
}

func hertz(f rf.Frequency) *float64 {
	if !f.Known() {
		return nil
	}
	v := f.Hz()
	return &v
}

func levelDB[U rf.Unit](l rf.Level[U]) *float64 { return rf.OrNull(l.DB(), 6) }

type repeatJSON struct {
	Sweeps  int      `json:"sweeps"`
	Spread  *float64 `json:"spread_db"`
	Worst   *float64 `json:"worst_db"`
	WorstHz *float64 `json:"worst_hz"`
}

func repeatShape(r jig.Repeat) repeatJSON {
	out := repeatJSON{Sweeps: r.Sweeps}
	if r.Known() {
		out.Spread, out.Worst, out.WorstHz = rf.OrNull(r.Pooled, 6), rf.OrNull(r.Worst, 6), hertz(r.WorstAt)
	}
	return out
}

type probeJSON struct {
	Method  jig.Method       `json:"method"`
	Points  []probePointJSON `json:"points"`
	Flat    flatJSON         `json:"flat"`
	Repeat  repeatJSON       `json:"repeat"`
	Sources []sourceJSON     `json:"sources"`
	SHA256  string           `json:"sha256"`
	Remarks []string         `json:"remarks"`
}

type probePointJSON struct {
	Hz      float64      `json:"hz"`
	Zt      *rf.Quantity `json:"zt"`
	Naive   *float64     `json:"naive_dbohm"`
	OnePort *float64     `json:"one_port_dbohm"`
	Turns   *float64     `json:"turns_dbohm"`
	Ratio   *float64     `json:"ratio_dbohm"`
	Spread  *float64     `json:"spread_db"`
}

type flatJSON struct {
	Low        *float64     `json:"low_hz"`
	High       *float64     `json:"high_hz"`
	Zt         *rf.Quantity `json:"zt"`
	Ripple     *float64     `json:"ripple_db"`
	LowCorner  *float64     `json:"low_corner_hz"`
	HighCorner *float64     `json:"high_corner_hz"`
}

func probeShape(p jig.Probe, sources []sourceJSON) probeJSON {
	out := probeJSON{Method: p.Method, Repeat: repeatShape(p.Repeat), Sources: sources, SHA256: p.Curve.Hash(), Remarks: append([]string{}, p.Remarks...),
		Flat: flatJSON{hertz(p.Flat.Low), hertz(p.Flat.High), p.Flat.Value.Quantity(), rf.OrNull(p.Flat.Ripple, 6), hertz(p.Flat.LowCorner), hertz(p.Flat.HighCorner)}}
	for _, x := range p.Points {
		out.Points = append(out.Points, probePointJSON{x.Frequency.Hz(), x.Zt.Quantity(), levelDB(x.Naive), levelDB(x.OnePort), levelDB(x.Lumped), levelDB(x.Ratio), rf.OrNull(x.Spread, 6)})
	}
	return out
}

type characteriseClamp struct {
	Files         []string      `arg:"" optional:"" help:"Touchstone files of clamp and jig; several are sweeps of the same setup." type:"path"`
	ClampPort     int           `placeholder:"PORT" help:"Port at the clamp's connector; with --end. Default: 1, 2 and, with three ports, 3 are connector, the jig's end and its other end."`
	End           int           `placeholder:"PORT" help:"Port at the jig's end that counts."`
	Far           int           `placeholder:"PORT" help:"Port at the other end, where it is one."`
	Line          rf.Length     `placeholder:"'25 mm'" help:"Length of jig between the middle of the clamp and either end."`
	LineImpedance rf.Resistance `placeholder:"'60 Ω'" help:"Impedance of that piece; 50 Ω when not given."`
	Job           string        `placeholder:"JOB.provoke" help:"Instead of files: a job with calibration runs in the 50 + 50 Ω jig." type:"path"`
	Runs          []int         `placeholder:"N,…" help:"Calibration runs of the job."`
	Out           string        `placeholder:"PREFIX" help:"Write PREFIX-insertion-loss.csv and what else is known, for a bench file."`
	JSON          bool          `name:"json" help:"Print as JSON."`
}

// Help says what is computed.
func (characteriseClamp) Help() string {
	return `Insertion loss is from forward power at the connector to the power in one 50 Ω end of the jig; it cannot be below 3.01 dB.
The series impedance is what the clamp, with 50 Ω at its connector, puts into the cable. Directivity needs both ends as ports.
A calibration run gives the insertion loss alone, and only where forward power was measured.

--json prints {"points":[{"hz","insertion_loss_db","return_loss_db","series_ohm":[re,im],"directivity_db","forward_for_100mA","spread_db"}],
"repeat":{...},"sources":[...],"sha256":{"insertion_loss","return_loss","series_impedance","directivity"},"remarks":[...]}.`
}

func (c *characteriseClamp) Run(w *terminal.World) error {
	m, sources, err := c.measure(w)
	if err != nil {
		return err
	}
	var written []string
	if c.Out != "" {
		if written, err = c.write(m, sources); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, clampShape(m, sources))
	}
	terminal.OnPage(w.Stdout, func(out io.Writer) error { printClamp(out, m); return nil })
	if len(written) > 0 {
		fmt.Fprintf(w.Stdout, "\nin the bench file:\n%s%s", strings.Join(written, ""), uncertaintyLine(m.Repeat))
	}
	return nil
}

func (c *characteriseClamp) measure(w *terminal.World) (jig.Clamp, []sourceJSON, error) {
	switch {
	case c.Job != "" && len(c.Files) > 0:
		return jig.Clamp{}, nil, terminal.WithCode(terminal.ExitUsage, errors.New("give sweeps or a job, not both"))
	case c.Job != "":
		runs, sources, err := readCalibrations(w, c.Job, c.Runs)
		if err != nil {
			return jig.Clamp{}, nil, err
		}
		m, err := jig.ClampFromRun(runs...)
		return m, sources, err
	case len(c.Files) == 0:
		return jig.Clamp{}, nil, terminal.WithCode(terminal.ExitUsage, errors.New("give Touchstone files, or --job with --runs"))
	}
	sweeps, sources, err := readSweeps(w, c.Files)
	if err != nil {
		return jig.Clamp{}, nil, err
	}
	m, err := jig.MeasureClamp(sweeps, jig.ClampSetup{Clamp: c.ClampPort, End: c.End, Far: c.Far, Line: c.Line, LineImpedance: c.LineImpedance})
	return m, sources, err
}

// readCalibrations folds runs of a job. The source is the head of each run's journal.
func readCalibrations(w *terminal.World, name string, numbers []int) ([]result.Run, []sourceJSON, error) {
	if len(numbers) == 0 {
		return nil, nil, terminal.WithCode(terminal.ExitUsage, errors.New("say which calibration runs: --runs 2,3"))
	}
	job, err := store.OpenReadOnly(name)
	if err != nil {
		return nil, nil, damage(err)
	}
	defer job.Close()
	tellLeftBehind(w, job)
	var runs []result.Run
	var sources []sourceJSON
	for _, n := range numbers {
		r, err := readRun(w, job, n)
		if err != nil {
			return nil, nil, err
		}
		if r.Records == 0 {
			return nil, nil, fmt.Errorf("there is no run %d in %s", n, name)
		}
		runs = append(runs, r)
		sources = append(sources, sourceJSON{fmt.Sprintf("run %d of %s, journal head", n, filepath.Base(name)), r.Head})
	}
	return runs, sources, nil
}

func (c *characteriseClamp) write(m jig.Clamp, sources []sourceJSON) ([]string, error) {
	var lines []string
	gain := func(what string, g curve.Curve[rf.Gain]) error {
		if g.Absent() {
			return nil
		}
		name := c.Out + "-" + strings.ReplaceAll(what, " ", "-") + ".csv"
		if what != "directivity" {
			lines = append(lines, fmt.Sprintf("  %s: {csv: %s}\n", strings.ReplaceAll(what, " ", "_"), filepath.Base(name)))
		}
		return writeCurve(name, g, strings.ReplaceAll(what, " ", "_")+"/dB", what+" of an injection clamp", sources, m.Repeat)
	}
	if err := gain("insertion loss", m.InsertionLoss); err != nil {
		return nil, err
	}
	if err := gain("return loss", m.ReturnLoss); err != nil {
		return nil, err
	}
	if err := gain("directivity", m.Directivity); err != nil {
		return nil, err
	}
	if !m.Series.Absent() {
		name := c.Out + "-series-impedance.csv"
		lines = append(lines, fmt.Sprintf("  series_impedance: {csv: %s}\n", filepath.Base(name)))
		if err := writeCurve(name, m.Series, "Z/dBΩ", "series impedance of an injection clamp, magnitude, 50 Ω at its connector", sources, jig.Repeat{}); err != nil {
			return nil, err
		}
	}
	return lines, nil
}

func printClamp(w io.Writer, m jig.Clamp) {
	fmt.Fprintf(w, "injection clamp in the 50 + 50 Ω jig, %s\n", english.Count(len(m.Points), "frequency", "frequencies"))
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tinsertion loss\tfor 100 mA\treturn loss\tseries impedance\tmagnitude\tdirectivity\tspread")
	for _, i := range spreadOver(len(m.Points), shownPoints) {
		p := m.Points[i]
		series, magnitude := "–", "–"
		if p.HasSeries {
			series, magnitude = complexOhm(p.Series), rf.Ohms(cmplx.Abs(p.Series)).Linear()
		}
		fmt.Fprintf(t, "%v\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", p.Frequency, p.InsertionLoss.Text(2), p.Forward100mA.Linear(), finiteGain(p.ReturnLoss, 1),
			series, magnitude, finiteGain(p.Directivity, 1), finiteGain(p.Spread, 2))
	}
	t.Flush()
	printRepeat(w, m.Repeat)
	for _, r := range m.Remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
}

// complexOhm prints an impedance: "29.0 + j10.6 Ω".
func complexOhm(z complex128) string {
	sign := "+"
	if imag(z) < 0 {
		sign = "−"
	}
	re := fmt.Sprintf("%.1f", real(z))
	if re == "-0.0" {
		re = "0.0"
	}
	return fmt.Sprintf("%s %s j%.1f Ω", strings.Replace(re, "-", "−", 1), sign, math.Abs(imag(z)))
}

type clampJSON struct {
	Points  []clampPointJSON  `json:"points"`
	Repeat  repeatJSON        `json:"repeat"`
	Sources []sourceJSON      `json:"sources"`
	SHA256  map[string]string `json:"sha256"`
	Remarks []string          `json:"remarks"`
}

type clampPointJSON struct {
	Hz            float64      `json:"hz"`
	InsertionLoss *float64     `json:"insertion_loss_db"`
	ReturnLoss    *float64     `json:"return_loss_db"`
	Series        *[2]float64  `json:"series_ohm"`
	Directivity   *float64     `json:"directivity_db"`
	Forward       *rf.Quantity `json:"forward_for_100mA"`
	Spread        *float64     `json:"spread_db"`
}

func clampShape(m jig.Clamp, sources []sourceJSON) clampJSON {
	out := clampJSON{Repeat: repeatShape(m.Repeat), Sources: sources, Remarks: append([]string{}, m.Remarks...), SHA256: map[string]string{}}
	for what, hash := range map[string]string{"insertion_loss": m.InsertionLoss.Hash(), "return_loss": m.ReturnLoss.Hash(),
		"series_impedance": m.Series.Hash(), "directivity": m.Directivity.Hash()} {
		if hash != "" {
			out.SHA256[what] = hash
		}
	}
	for _, p := range m.Points {
		x := clampPointJSON{Hz: p.Frequency.Hz(), InsertionLoss: rf.OrNull(p.InsertionLoss, 6), ReturnLoss: rf.OrNull(p.ReturnLoss, 6), Directivity: rf.OrNull(p.Directivity, 6), Forward: p.Forward100mA.Quantity(), Spread: rf.OrNull(p.Spread, 6)}
		if p.HasSeries {
			x.Series = &[2]float64{real(p.Series), imag(p.Series)}
		}
		out.Points = append(out.Points, x)
	}
	return out
}

type characteriseLinearity struct {
	File    string      `arg:"" optional:"" help:"CSV file of your own readings: a header such as \"f/MHz;drive/dBm;I/dBµA\", one row per reading." type:"path"`
	Job     string      `placeholder:"JOB.provoke" help:"Instead of a file: a job with calibration runs at several drives." type:"path"`
	Runs    []int       `placeholder:"N,…" help:"Calibration runs of the job."`
	Edition jig.Edition `placeholder:"older|newer" help:"Make the saturation check of this edition of the basic standard. Neither was read in the standard's text."`
	Limit   rf.Gain     `default:"1 dB" placeholder:"'1 dB'" help:"Compression up to which a current counts as usable (${default})."`
	Mod     string      `name:"modulation" default:"AM 80 % 1 kHz" placeholder:"TEXT" help:"Modulation that will follow; its crest must stay usable (${default}). CW for none."`
	JSON    bool        `name:"json" help:"Print as JSON."`
}

// Help says what is computed.
func (characteriseLinearity) Help() string {
	return `Compression counts against the gain at the lowest drive of each frequency. Drives 1 dB apart show where it sets in. The largest
usable current is that of the carrier whose crest, with the modulation given and the carrier held, is compressed by no more than the limit.

--json prints {"limit_db","crest_db","check":{"edition","step_db","least_db","most_db","mark"},"usable","usable_hz",
"points":[{"hz","usable","checked","passed","passed_to","rise_db","levels":[{"drive","current","compression_db","db_per_db"}]}],"remarks":[...]}.`
}

func (c *characteriseLinearity) Run(w *terminal.World) error {
	levels, err := c.levels(w)
	if err != nil {
		return err
	}
	m, err := level.ParseModulation(c.Mod)
	if err != nil {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--modulation: %w", err))
	}
	l, err := jig.MeasureLinearity(levels, jig.LinearSetup{Edition: c.Edition, Limit: c.Limit, Crest: m.CrestOverCarrier()})
	if err != nil {
		return err
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, linearityShape(l))
	}
	terminal.OnPage(w.Stdout, func(out io.Writer) error { printLinearity(out, l, c.Mod); return nil })
	return nil
}

func (c *characteriseLinearity) levels(w *terminal.World) ([]jig.DriveLevel, error) {
	switch {
	case c.Job != "" && c.File != "":
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("give a file or a job, not both"))
	case c.Job != "":
		runs, _, err := readCalibrations(w, c.Job, c.Runs)
		if err != nil {
			return nil, err
		}
		return jig.LevelsOfRuns(runs...)
	case c.File == "":
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("give a CSV file of readings, or --job with --runs"))
	}
	data, err := terminal.ReadFile(c.File, tabular.MaximumNamed)
	if err != nil {
		return nil, fmt.Errorf("read the readings: %w", err)
	}
	levels, problems := jig.ParseLevels(c.File, data)
	return levels, problems.Err()
}

func printLinearity(w io.Writer, l jig.Linearity, modulation string) {
	fmt.Fprintf(w, "compression up to %v counts as usable; crest of %s %s above the carrier\n", l.Setup.Limit, modulation, l.Setup.Crest.Text(1))
	if l.Check != nil {
		fmt.Fprintf(w, "saturation check of the %s edition: %v; %s\n", l.Check.Edition, *l.Check, l.Check.Mark())
	}
	t := terminal.Table(w)
	fmt.Fprintln(t, "frequency\tdrives\tmost compression\tat\tusable carrier\tcheck\tpassed up to")
	for _, p := range l.Points {
		top, check, to := p.Levels[len(p.Levels)-1], "–", "–"
		if l.Check != nil {
			check = "no step that large was measured"
		}
		if p.Checked {
			check = fmt.Sprintf("fails: rise %s", p.Rise.Text(1))
			if p.Passed {
				check = fmt.Sprintf("passes: rise %s", p.Rise.Text(1))
			}
			to = p.PassedTo.String()
		}
		fmt.Fprintf(t, "%v\t%d\t%s\t%v\t%v\t%s\t%s\n", p.Frequency, len(p.Levels), top.Compression.Text(2), top.Current, p.Usable, check, to)
	}
	t.Flush()
	fmt.Fprintf(w, "usable at every frequency: %v, limited at %v\n", l.Usable, l.UsableAt)
	for _, r := range l.Remarks {
		fmt.Fprintf(w, "remark: %s\n", r)
	}
}

type linearityJSON struct {
	Limit    *float64          `json:"limit_db"`
	Crest    *float64          `json:"crest_db"`
	Check    *checkJSON        `json:"check"`
	Usable   *rf.Quantity      `json:"usable"`
	UsableHz *float64          `json:"usable_hz"`
	Points   []linearPointJSON `json:"points"`
	Remarks  []string          `json:"remarks"`
}

type checkJSON struct {
	Edition jig.Edition `json:"edition"`
	Step    *float64    `json:"step_db"`
	Least   *float64    `json:"least_db"`
	Most    *float64    `json:"most_db"`
	Mark    string      `json:"mark"`
}

type linearPointJSON struct {
	Hz       float64           `json:"hz"`
	Usable   *rf.Quantity      `json:"usable"`
	Checked  bool              `json:"checked"`
	Passed   bool              `json:"passed"`
	PassedTo *rf.Quantity      `json:"passed_to"`
	Rise     *float64          `json:"rise_db"`
	Levels   []linearLevelJSON `json:"levels"`
}

type linearLevelJSON struct {
	Drive       *rf.Quantity `json:"drive"`
	Current     *rf.Quantity `json:"current"`
	Compression *float64     `json:"compression_db"`
	Slope       *float64     `json:"db_per_db"`
}

func linearityShape(l jig.Linearity) linearityJSON {
	out := linearityJSON{Limit: rf.OrNull(l.Setup.Limit, 6), Crest: rf.OrNull(l.Setup.Crest, 6), Usable: l.Usable.Quantity(), UsableHz: hertz(l.UsableAt), Remarks: append([]string{}, l.Remarks...)}
	if c := l.Check; c != nil {
		out.Check = &checkJSON{Edition: c.Edition, Step: rf.OrNull(c.Step, 6), Least: rf.OrNull(c.Least, 6), Mark: c.Mark()}
		if c.Most != 0 {
			out.Check.Most = rf.OrNull(c.Most, 6)
		}
	}
	for _, p := range l.Points {
		x := linearPointJSON{Hz: p.Frequency.Hz(), Usable: p.Usable.Quantity(), Checked: p.Checked, Passed: p.Passed, PassedTo: p.PassedTo.Quantity(), Rise: rf.OrNull(p.Rise, 6)}
		for _, y := range p.Levels {
			x.Levels = append(x.Levels, linearLevelJSON{y.Drive.Quantity(), y.Current.Quantity(), rf.OrNull(y.Compression, 6), rf.OrNull(y.Step, 6)})
		}
		out.Points = append(out.Points, x)
	}
	return out
}
