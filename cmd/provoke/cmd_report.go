package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"provoke/internal/faces/report"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type reportCommand struct {
	Job    string   `arg:"" help:"Job file."`
	Out    []string `short:"o" sep:"none" placeholder:"FILE" help:"File to write: a page (.html), a document (.pdf) or a workbook (.xlsx), by its ending; - for the page on the standard output. May be given several times."`
	Paper  string   `default:"a4" enum:"a4,letter" help:"Paper of the PDF: a4 or letter (${default})."`
	Short  bool     `help:"Leave out the annexes with every frequency; the report says that they are left out."`
	CSV    string   `name:"csv" placeholder:"DIR" help:"Also write every table as a CSV file into this folder."`
	Runs   []int    `name:"run" placeholder:"N" help:"Runs to tell in full; the compared ones and those between, or the newest exposure, when not given."`
	Before int      `placeholder:"N" help:"Run before the change; the first exposure when not given."`
	After  int      `placeholder:"N" help:"Run after the change; the last exposure with a --changed text when not given."`
	About  string   `placeholder:"FILE" help:"What the job does not hold: client, laboratory, report number, sample and so on, in a YAML file (provoke keys about). It is told as given with the report."`
	Check  bool     `help:"Only list what the first page says is not given, and where to give it; write nothing."`
	JSON   bool     `name:"json" help:"With --check: print the list as JSON."`
	Margin rf.Gain  `placeholder:"'N dB'" default:"0 dB" help:"What the after-run has to stand above the onset before, beside the level wanted."`
}

// Help is the long help.
func (reportCommand) Help() string {
	return `The first page tells the findings and what the report is about; what neither the runs recorded nor --about gives is "not given"
there. A file that contradicts what was recorded, such as one about another sample, is refused. provoke new writes a commented
about.yaml. --check ends with exit code 3 where something is missing; with --json it prints {"missing":[{"name","means","where"}]}.`
}

// Run writes the report of a job.
func (c *reportCommand) Run(w *terminal.World) error {
	switch {
	case c.Check && (len(c.Out) > 0 || c.CSV != ""):
		return terminal.WithCode(terminal.ExitUsage,
			errors.New("report: --check writes nothing; leave -o and --csv away"))
	case c.JSON && !c.Check:
		return terminal.WithCode(terminal.ExitUsage, errors.New("report: --json goes with --check"))
	case !c.Check && len(c.Out) == 0:
		return terminal.WithCode(terminal.ExitUsage,
			errors.New("report: name the file to write with -o, such as -o report.pdf, or give --check"))
	}
	if (c.Before == 0) != (c.After == 0) {
		return terminal.WithCode(terminal.ExitUsage, errors.New("report: give both --before and --after, or neither"))
	}
	if err := c.checkOutput(); err != nil {
		return err
	}
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return terminal.Damage(err)
	}
	defer job.Close()
	terminal.TellLeftBehind(w, job)
	runs, err := terminal.Book(w, job).All()
	if err != nil {
		return err
	}
	j := tell.Job{
		Name: filepath.Base(c.Job), Runs: runs, Program: version, Margin: c.Margin, Short: c.Short,
		Files: func(hash string) ([]byte, error) { _, data, err := job.Attachment(hash); return data, err },
	}
	if err := j.Choose(c.Runs, c.Before, c.After); err != nil {
		return fmt.Errorf("report of %s: %w", c.Job, err)
	}
	if err := c.about(&j); err != nil {
		return err
	}
	if c.Check {
		return c.check(w, j)
	}
	for _, out := range c.Out {
		if err := c.write(w, j, out); err != nil {
			return err
		}
	}
	return c.writeCSV(w, j)
}

// about reads what the job does not hold; nothing of a file that has a problem or contradicts the job is told.
func (c *reportCommand) about(j *tell.Job) error {
	if c.About == "" {
		return nil
	}
	data, err := terminal.ReadText(c.About)
	if err != nil {
		return fmt.Errorf("read what the report is about: %w", err)
	}
	about, problems := tell.ParseAbout(event.Printable(c.About), data)
	about.Name = filepath.Base(about.Name)
	if err := problems.Err(); err != nil {
		return err
	}
	if problems, err = about.Contradictions(*j); err != nil {
		return fmt.Errorf("report of %s: %w", c.Job, err)
	}
	j.About = about
	return problems.Err()
}

// check lists what is missing on the first page.
func (c *reportCommand) check(w *terminal.World, j tell.Job) error {
	missing, err := tell.MissingFrom(j)
	if err != nil {
		return fmt.Errorf("report of %s: %w", c.Job, err)
	}
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, struct {
			Missing []tell.Missing `json:"missing"`
		}{append([]tell.Missing{}, missing...)})
	}
	switch {
	case err != nil:
		return err
	case c.JSON:
	case len(missing) == 0:
		fmt.Fprintf(w.Stdout, "nothing is missing on the first page of a report of %s of %s\n",
			tell.RunNumbers(j.Detailed), j.Name)
	default:
		t := terminal.Table(w.Stdout)
		fmt.Fprintln(t, "not given\twhat it is\twhere to give it")
		for _, m := range missing {
			fmt.Fprintf(t, "%s\t%s\t%s\n", m.Name, m.Means, m.Where)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	if len(missing) == 0 {
		return nil
	}
	return terminal.WithCode(terminal.ExitProblems, fmt.Errorf("report of %s: the first page lacks %s", c.Job,
		english.Count(len(missing), "field", "fields")))
}

// checkOutput refuses to write over a job, and a file whose ending names no form of the report.
func (c *reportCommand) checkOutput() error {
	in, inErr := os.Stat(c.Job)
	for _, name := range c.Out {
		out, err := os.Stat(name)
		switch {
		case name == "-":
		case err == nil && out.IsDir():
			return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("report: %s is a folder; name a file, such as %s",
				name, filepath.Join(name, "report.pdf")))
		case strings.EqualFold(filepath.Ext(name), ".provoke") || (err == nil && inErr == nil && os.SameFile(in, out)):
			return terminal.WithCode(terminal.ExitUsage,
				fmt.Errorf("report: %s is a job file and is not written over; name a file that ends in .html, .pdf "+
					"or .xlsx", name))
		case c.writer(name) == nil:
			return terminal.WithCode(terminal.ExitUsage,
				fmt.Errorf("report: what to write into %s is told by its ending; name a file that ends in .html, "+
					".pdf or .xlsx", name))
		}
	}
	return nil
}

// writer returns what writes the form of the report that a file's ending names; nil for none.
func (c *reportCommand) writer(name string) func(io.Writer, tell.Job) error {
	switch ext := strings.ToLower(filepath.Ext(name)); {
	case ext == ".html", ext == ".htm", name == "-":
		return report.HTML
	case ext == ".pdf":
		return func(w io.Writer, j tell.Job) error { return report.PDF(w, j, report.Paper(c.Paper)) }
	case ext == ".xlsx":
		return report.Workbook
	}
	return nil
}

// write writes one form of the report.
func (c *reportCommand) write(w *terminal.World, j tell.Job, out string) error {
	var b bytes.Buffer
	if err := c.writer(out)(&b, j); err != nil {
		return fmt.Errorf("report of %s: %w", c.Job, err)
	}
	if out == "-" {
		_, err := w.Stdout.Write(b.Bytes())
		return err
	}
	if err := writeWhole(out, b.Bytes()); err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	fmt.Fprintf(w.Stdout, "%s: %s of %s told in full", out, tell.RunNumbers(j.Detailed), j.Name)
	if j.Before != 0 {
		fmt.Fprintf(w.Stdout, ", run %d compared with run %d", j.Before, j.After)
	}
	fmt.Fprintln(w.Stdout)
	return nil
}

// writeCSV writes one file per table that has rows.
func (c *reportCommand) writeCSV(w *terminal.World, j tell.Job) error {
	if c.CSV == "" {
		return nil
	}
	tables, err := tell.Tables(j)
	if err != nil {
		return fmt.Errorf("tables of %s: %w", c.Job, err)
	}
	if err := os.MkdirAll(c.CSV, 0o755); err != nil {
		return fmt.Errorf("write the tables: %w", err)
	}
	for _, t := range tables {
		var b bytes.Buffer
		if err := t.CSV(&b); err != nil {
			return err
		}
		if err := writeWhole(filepath.Join(c.CSV, t.ID+".csv"), b.Bytes()); err != nil {
			return fmt.Errorf("write the tables: %w", err)
		}
	}
	fmt.Fprintf(w.Stdout, "%s: %s\n", c.CSV, english.Count(len(tables), "table", "tables"))
	return nil
}

// writeWhole puts a file in place complete or not at all: a full disk leaves the old one.
func writeWhole(path string, data []byte) (err error) {
	if _, err := os.Stat(filepath.Dir(path)); err != nil {
		return fmt.Errorf("%s: there is no folder %s to write it into", filepath.Base(path), filepath.Dir(path))
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".provoke-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			f.Close()
			os.Remove(f.Name())
		}
	}()
	if _, err = f.Write(data); err != nil {
		return err
	}
	if err = f.Chmod(0o644); err != nil {
		return err
	}
	if err = f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
