package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"provoke/internal/faces/calculator/models"
	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
	"provoke/internal/files/touchstone"
	"provoke/internal/findings/jig"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/level"
	"provoke/internal/terminal"
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

// readSweeps reads Touchstone files; all problems of all files come back at once.
func readSweeps(w *terminal.World, names []string) ([]*touchstone.Network, []models.Source, error) {
	var out []*touchstone.Network
	var sources []models.Source
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
		sources = append(sources, models.Source{Name: filepath.Base(name), SHA256: ferrite.Hash(data)})
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
	var files []models.File
	if c.Out != "" {
		if files, err = models.ProbeFiles(c.Out, p, models.OriginOf("provoke "+version, sources)); err != nil {
			return err
		}
		if err := writeCurves(files); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, models.ProbeShape(p, sources))
	}
	err = terminal.OnPage(w.Stdout, func(out io.Writer) error { return models.PrintProbe(out, p) })
	models.PrintFiles(w.Stdout, "wrote "+c.Out+"; in the bench file", files, p.Repeat)
	return err
}

// writeCurves writes new files; an old one is never written over.
func writeCurves(files []models.File) error {
	for _, f := range files {
		err := terminal.WriteNew(f.Name, f.Text)
		if errors.Is(err, os.ErrExist) {
			return fmt.Errorf("write the curve: %s is there already; give another name or remove it", f.Name)
		}
		if err != nil {
			return fmt.Errorf("write the curve: %w", err)
		}
	}
	return nil
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
	var files []models.File
	if c.Out != "" {
		if files, err = models.ClampFiles(c.Out, m, models.OriginOf("provoke "+version, sources)); err != nil {
			return err
		}
		if err := writeCurves(files); err != nil {
			return err
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, models.ClampShape(m, sources))
	}
	err = terminal.OnPage(w.Stdout, func(out io.Writer) error { return models.PrintClamp(out, m) })
	models.PrintFiles(w.Stdout, "in the bench file", files, m.Repeat)
	return err
}

func (c *characteriseClamp) measure(w *terminal.World) (jig.Clamp, []models.Source, error) {
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
		return jig.Clamp{}, nil, terminal.WithCode(terminal.ExitUsage,
			errors.New("give Touchstone files, or --job with --runs"))
	}
	sweeps, sources, err := readSweeps(w, c.Files)
	if err != nil {
		return jig.Clamp{}, nil, err
	}
	m, err := jig.MeasureClamp(sweeps, jig.ClampSetup{Clamp: c.ClampPort, End: c.End, Far: c.Far, Line: c.Line,
		LineImpedance: c.LineImpedance})
	return m, sources, err
}

// readCalibrations folds runs of a job. The source is the head of each run's journal.
func readCalibrations(w *terminal.World, name string, numbers []int) ([]result.Run, []models.Source, error) {
	if len(numbers) == 0 {
		return nil, nil, terminal.WithCode(terminal.ExitUsage, errors.New("say which calibration runs: --runs 2,3"))
	}
	job, err := store.OpenReadOnly(name)
	if err != nil {
		return nil, nil, terminal.Damage(err)
	}
	defer job.Close()
	terminal.TellLeftBehind(w, job)
	var runs []result.Run
	var sources []models.Source
	for _, n := range numbers {
		r, err := terminal.ReadRun(w, job, n)
		if err != nil {
			return nil, nil, err
		}
		if r.Records == 0 {
			return nil, nil, fmt.Errorf("there is no run %d in %s", n, name)
		}
		runs = append(runs, r)
		sources = append(sources, models.Source{Name: fmt.Sprintf("run %d of %s, journal head", n, filepath.Base(name)),
			SHA256: r.Head})
	}
	return runs, sources, nil
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
	l, err := jig.MeasureLinearity(levels, jig.LinearSetup{Edition: c.Edition, Limit: c.Limit,
		Crest: m.CrestOverCarrier()})
	if err != nil {
		return err
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, models.LinearityShape(l))
	}
	return terminal.OnPage(w.Stdout, func(out io.Writer) error { return models.PrintLinearity(out, l, c.Mod) })
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
		return nil, terminal.WithCode(terminal.ExitUsage,
			errors.New("give a CSV file of readings, or --job with --runs"))
	}
	data, err := terminal.ReadFile(c.File, tabular.MaximumNamed)
	if err != nil {
		return nil, fmt.Errorf("read the readings: %w", err)
	}
	levels, problems := jig.ParseLevels(c.File, data)
	return levels, problems.Err()
}
