package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"provoke/internal/bench/claim"
	"provoke/internal/faces/recall"
	"provoke/internal/files/catalog"
	"provoke/internal/job/archive"
	"provoke/internal/job/store"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/curve"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type archiveCommand struct {
	At string `required:"" env:"PROVOKE_ARCHIVE" placeholder:"FOLDER|postgres://…" help:"Where the archive is: a folder, or a PostgreSQL server; a password belongs in PostgreSQL's password file, never here."`

	Push    archivePush    `cmd:"" help:"Copy what the archive does not have of jobs, verified, each run whole or not at all."`
	Pull    archivePull    `cmd:"" help:"Write a job of the archive as a job file, record for record."`
	List    archiveList    `cmd:"" help:"List the jobs of the archive."`
	Ask     archiveAsk     `cmd:"" help:"Ask over all jobs: fixes, upsets, runs, versions of a product, two benches, equipment."`
	Check   archiveCheck   `cmd:"" help:"Hold the equipment of a bench file against what the archive knows of it: due dates, drift."`
	Verify  archiveVerify  `cmd:"" help:"Follow the chains of all jobs, or of one, as the archive holds them."`
	Rebuild archiveRebuild `cmd:"" help:"Derive the findings of jobs anew from their records."`
	Delete  archiveDelete  `cmd:"" help:"Take a job out of the archive, and record that."`
	Roles   archiveRoles   `cmd:"" help:"Print the SQL that lets roles of a PostgreSQL server read the archive or push to it."`
}

func (c *archiveCommand) Help() string {
	return `Keeps the jobs of many benches in one place, and asks over all of them: a folder (one SQLite file, no server), or a
PostgreSQL server (15 or newer; as its own programs take an address: TLS, service and password files, PG variables). A job
comes back record for record. No bench waits for an archive: runs are made into job files, and job files are pushed when
there is time. The variable PROVOKE_ARCHIVE says where the archive is when --at does not. docs/archive.md has two walks.`
}

func (c *archiveCommand) open(w *terminal.World, create bool) (*archive.Archive, context.Context, func(), error) {
	ctx, stop := w.Interruptible()
	a, err := archive.Open(ctx, c.At, version, create)
	if err != nil {
		stop()
		return nil, nil, nil, err
	}
	return a, ctx, func() { a.Close(); stop() }, nil
}

type archivePush struct {
	Jobs   []string `arg:"" name:"job" help:"Job files."`
	By     string   `placeholder:"NAME" help:"Who pushes; your user name without it."`
	Branch bool     `help:"Keep a copy of a job that went another way than the archive's as a job of its own."`
	Again  bool     `help:"Take back a job that was deleted from the archive."`
}

// Run pushes job after job; one that is refused does not keep the others.
func (c *archivePush) Run(w *terminal.World, p *archiveCommand) error {
	a, ctx, done, err := p.open(w, true)
	if err != nil {
		return err
	}
	defer done()
	by := cmp.Or(c.By, claim.UserName())
	var failed []error
	for _, path := range c.Jobs {
		if err := c.push(ctx, w, a, path, by); err != nil {
			failed = append(failed, err)
			if ctx.Err() != nil {
				break
			}
		}
	}
	if len(failed) > 0 && len(c.Jobs) > 1 {
		fmt.Fprintf(w.Stderr, "%d of %s are not done\n", len(failed), english.Count(len(c.Jobs), "job", "jobs"))
	}
	return errors.Join(failed...)
}

func (c *archivePush) push(ctx context.Context, w *terminal.World, a *archive.Archive, path, by string) error {
	job, err := store.OpenReadOnly(path)
	if err != nil {
		return terminal.Damage(err)
	}
	defer job.Close()
	terminal.TellLeftBehind(w, job)
	p, err := a.Push(ctx, job, archive.Pushing{Name: filepath.Base(path), Who: by, Branch: c.Branch, Again: c.Again})
	if err != nil {
		return terminal.Damage(err)
	}
	words := fmt.Sprintf("%s: %s, %s, %s", path, english.Count(p.Runs, "run", "runs"),
		english.Count(int(p.Records), "new record", "new records"), english.Count(p.Files, "new file", "new files"))
	if p.Runs == 0 {
		words = path + ": the archive has all of it"
	}
	fmt.Fprintf(w.Stdout, "%s; verified in %v, sent in %v\n", words, p.Verified.Round(1e6), p.Sent.Round(1e6))
	for _, n := range p.Ahead {
		fmt.Fprintf(w.Stdout, "  run %d: the archive holds more records than this file\n", n)
	}
	for _, n := range p.Clock {
		fmt.Fprintf(w.Stderr, "provoke: note: run %d of %s begins in the future by this machine's clock: one of "+
			"the two clocks is wrong, and questions by date go by the bench's\n", n, path)
	}
	if p.Job.Stale() {
		if err := recall.Refresh(ctx, a, p.Job); err != nil {
			return fmt.Errorf("%s is in the archive, and not in answers yet; run provoke archive rebuild: %w", path,
				err)
		}
	}
	return nil
}

type archivePull struct {
	Name string `arg:"" help:"The job's name, or the first digits of the hash of one of its runs."`
	Out  string `short:"o" placeholder:"FILE.provoke" help:"The job file to write; the job's own name without it."`
}

// Run pulls a job.
func (c *archivePull) Run(w *terminal.World, p *archiveCommand) error {
	a, ctx, done, err := p.open(w, false)
	if err != nil {
		return err
	}
	defer done()
	j, err := a.Find(ctx, c.Name)
	if err != nil {
		return err
	}
	path := c.Out
	if path == "" {
		path = filepath.Base(filepath.FromSlash(strings.ReplaceAll(j.Name, `\`, "/")))
	}
	if err := a.Pull(ctx, j, path); err != nil {
		return terminal.Damage(err)
	}
	fmt.Fprintf(w.Stdout, "%s written: %s, verified, integrity hash %s\n", path, english.Count(len(j.Runs), "run",
		"runs"),
		j.Integrity())
	return nil
}

type archiveList struct {
	JSON bool `name:"json" help:"Print the list as JSON."`
}

// Run lists the jobs.
func (c *archiveList) Run(w *terminal.World, p *archiveCommand) error {
	a, ctx, done, err := p.open(w, false)
	if err != nil {
		return err
	}
	defer done()
	t, err := recall.List(ctx, a)
	if err != nil {
		return err
	}
	return printTelling(w, t, c.JSON, false)
}

func printTelling(w *terminal.World, t recall.Telling, asJSON, all bool) error {
	if asJSON {
		return terminal.PrintShape(w.Stdout, t)
	}
	return terminal.Sections(w.Stdout, t.Sections(), all)
}

type archiveAsk struct {
	Question string       `arg:"" enum:"fixes,upsets,runs,versions,agree,equipment,used,corrected" help:"fixes, upsets, runs, versions, agree, equipment, used or corrected."`
	Product  string       `placeholder:"TEXT" help:"Only products whose name holds this text."`
	Version  string       `name:"product-version" placeholder:"TEXT" help:"Only this version of the product."`
	Cable    string       `placeholder:"TEXT" help:"Only this kind of cable, e.g. RS-485."`
	Bench    []string     `sep:"none" placeholder:"TEXT" help:"Only runs of this bench; twice with agree."`
	Operator string       `placeholder:"NAME" help:"Only runs of this operator."`
	Fix      string       `placeholder:"TEXT" help:"Only changes whose words hold this text."`
	Cause    string       `placeholder:"TEXT" help:"Only runs whose evidence points to this cause."`
	Text     string       `placeholder:"WORDS" help:"Only runs with these words in labels, changes, notes or set-up; \"a phrase\" and -word work."`
	From     rf.Frequency `placeholder:"FREQUENCY" help:"From this frequency up."`
	To       rf.Frequency `placeholder:"FREQUENCY" help:"Up to this frequency."`
	Above    rf.Current   `placeholder:"CURRENT" help:"Only onsets at this current or above, e.g. \"60 dBuA\"."`
	Below    rf.Current   `placeholder:"CURRENT" help:"Only onsets at this current or below."`
	Gain     *rf.Gain     `placeholder:"'6 dB'" help:"With fixes: only gains of this much or more."`
	Since    string       `placeholder:"DATE" help:"Only runs of this day or later, e.g. 2026-03-01."`
	Until    string       `placeholder:"DATE" help:"Only runs of this day or earlier."`
	Serial   string       `placeholder:"NUMBER" help:"With equipment, used and corrected: the serial number, whole and as it is written."`
	With     string       `placeholder:"BENCH" help:"With corrected: a bench file in which the probe has the corrected curve."`
	All      bool         `help:"Print the evidence of every row too."`
	JSON     bool         `name:"json" help:"Print the answer as JSON."`
}

func (c *archiveAsk) Help() string {
	return `fixes: what changes did to failing bands, by change: how the gains lie, in how many jobs; --all: each with its runs

upsets: failing bands, the lowest onset first

runs: the runs themselves

versions: a product over its versions: exposures before which nothing was changed

agree: the same product on two benches (--bench A --bench B): En at each frequency that upset on both

equipment: certificates and due dates by serial number, and a control chart of each curve calibrated more than once

used: runs that used a piece of equipment (--serial), when its certificate turns out wrong

corrected: what the right curve of a monitoring probe (--serial, --with) makes of recorded onsets; changes no record

Texts are looked for anywhere in their field, whatever their case (on a server: as its locale knows it). A condition that
a question does not go by is refused. Every answer says what it was asked with, how many jobs it speaks from, and which
version of provoke derived their findings.`
}

// Run asks.
func (c *archiveAsk) Run(w *terminal.World, p *archiveCommand) (err error) {
	q := recall.Question{Name: c.Question, Benches: c.Bench, Gain: c.Gain, Serial: c.Serial, From: c.From, To: c.To,
		Above: c.Above, Below: c.Below, With: c.With, Now: time.Now(),
		Filter: archive.Filter{Product: c.Product, Version: c.Version, Cable: c.Cable, Operator: c.Operator, Fix: c.Fix,
			Cause: c.Cause, Text: c.Text, Since: c.Since, Until: c.Until}}
	if q.Right, err = c.corrected(); err != nil {
		return err
	}
	if err := q.Check(); err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	a, ctx, done, err := p.open(w, false)
	if err != nil {
		return err
	}
	defer done()
	t, err := q.Ask(ctx, a)
	if err != nil {
		return err
	}
	return printTelling(w, t, c.JSON, c.All)
}

// corrected reads the curve that should have been used.
func (c *archiveAsk) corrected() (none curve.Curve[rf.Transimpedance], err error) {
	if c.Question != "corrected" {
		return none, nil
	}
	if c.With == "" {
		return none, terminal.WithCode(terminal.ExitUsage, errors.New("corrected asks for the right curve: give "+
			"--with and a bench "+
			"file in which the probe has it"))
	}
	b, _, err := session.LoadBench(c.With)
	if err != nil {
		return none, err
	}
	if b.Probe == nil || b.Probe.Serial != c.Serial {
		return none, fmt.Errorf("%s: its probe has not the serial number %s", c.With, c.Serial)
	}
	return b.Probe.TransferImpedance, nil
}

type archiveCheck struct {
	Bench string `arg:"" help:"Bench file."`
	JSON  bool   `name:"json" help:"Print it as JSON."`
}

// Run checks a bench before a run.
func (c *archiveCheck) Run(w *terminal.World, p *archiveCommand) error {
	b, _, err := session.LoadBench(c.Bench)
	if err != nil {
		return err
	}
	a, ctx, done, err := p.open(w, false)
	if err != nil {
		return err
	}
	defer done()
	t, err := recall.Check(ctx, a, b, time.Now())
	if err != nil {
		return err
	}
	if err := printTelling(w, t, c.JSON, false); err != nil {
		return err
	}
	if n := len(t.Warnings); n > 0 {
		return terminal.WithCode(terminal.ExitProblems, fmt.Errorf("%s about the equipment of %s", english.Count(n,
			"warning",
			"warnings"), c.Bench))
	}
	return nil
}

// An archive has so long to say what it knows of a bench, from before the instruments are opened. No run waits longer.
const archiveAnswers = 500 * time.Millisecond

// askArchive asks an archive beside a run's preparations which parts of the bench drifted or are due.
func askArchive(at string) func(*catalog.Bench) func() []string {
	if at == "" {
		return nil
	}
	return func(b *catalog.Bench) func() []string {
		ctx, stop := context.WithTimeout(context.Background(), archiveAnswers)
		heard := make(chan []string, 1)
		go func() {
			warnings, err := warningsOf(ctx, at, b)
			if err != nil {
				warnings = []string{fmt.Sprintf("whether parts drifted is not known: %v; provoke archive check "+
					"asks again", err)}
			}
			heard <- warnings
		}()
		return func() []string {
			defer stop()
			select {
			case warnings := <-heard:
				return warnings
			case <-ctx.Done():
				return []string{fmt.Sprintf("whether parts drifted is not known: the archive did not answer within "+
					"%v; provoke archive check asks again", archiveAnswers)}
			}
		}
	}
}

func warningsOf(ctx context.Context, at string, b *catalog.Bench) ([]string, error) {
	a, err := archive.Open(ctx, at, version, false)
	if err != nil {
		return nil, err
	}
	defer a.Close()
	t, err := recall.Check(ctx, a, b, time.Now())
	return t.Warnings, err
}

type archiveVerify struct {
	Name string `arg:"" optional:"" help:"One job, by its name or a hash; all without it."`
}

// Run verifies.
func (c *archiveVerify) Run(w *terminal.World, p *archiveCommand) error {
	a, ctx, done, err := p.open(w, false)
	if err != nil {
		return err
	}
	defer done()
	var jobs []archive.Job
	if c.Name == "" {
		jobs, err = a.Jobs(ctx)
	} else {
		var j archive.Job
		j, err = a.Find(ctx, c.Name)
		jobs = []archive.Job{j}
	}
	if err != nil {
		return err
	}
	var failed []error
	runs, records := 0, int64(0)
	for _, j := range jobs {
		if err := a.Verify(ctx, j); err != nil {
			failed = append(failed, err)
		}
		runs += len(j.Runs)
		for _, r := range j.Runs {
			records += r.Count
		}
	}
	if len(failed) > 0 {
		return terminal.WithCode(terminal.ExitNotVerified, errors.Join(failed...))
	}
	fmt.Fprintf(w.Stdout, "%s, %s, %d records: every chain and every attached file verifies\n",
		english.Count(len(jobs), "job", "jobs"), english.Count(runs, "run", "runs"), records)
	return nil
}

type archiveRebuild struct {
	All bool `help:"All jobs; without it those whose findings are missing, of an earlier state, or of another version."`
}

// Run derives anew.
func (c *archiveRebuild) Run(w *terminal.World, p *archiveCommand) error {
	a, ctx, done, err := p.open(w, false)
	if err != nil {
		return err
	}
	defer done()
	var jobs []archive.Job
	if c.All {
		jobs, err = a.Jobs(ctx)
	} else {
		jobs, err = a.StaleJobs(ctx, true)
	}
	if err == nil {
		err = recall.Refresh(ctx, a, jobs...)
	}
	if err != nil {
		return terminal.Damage(err)
	}
	fmt.Fprintf(w.Stdout, "findings of %s derived by provoke %s\n", english.Count(len(jobs), "job", "jobs"), version)
	return nil
}

type archiveDelete struct {
	Name string `arg:"" help:"The job, by its name or the first digits of a hash."`
	Why  string `required:"" placeholder:"WORDS" help:"Why; it is recorded with the time, your name and the heads of the runs."`
	By   string `placeholder:"NAME" help:"Who deletes; your user name without it."`
}

// Run deletes a job.
func (c *archiveDelete) Run(w *terminal.World, p *archiveCommand) error {
	a, ctx, done, err := p.open(w, false)
	if err != nil {
		return err
	}
	defer done()
	if strings.TrimSpace(c.Why) == "" {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--why is empty: say why the job goes"))
	}
	j, err := a.Find(ctx, c.Name)
	if err != nil {
		return err
	}
	by := cmp.Or(c.By, claim.UserName())
	if err := a.Delete(ctx, j, by, c.Why); err != nil {
		return err
	}
	fmt.Fprintf(w.Stdout, "%s is out of the archive; that %s deleted it, and why, is recorded. Job files on "+
		"benches are as they were.\n",
		j.Name, by)
	return nil
}

type archiveRoles struct {
	Reader string `placeholder:"ROLE" help:"A role that reads."`
	Pusher string `placeholder:"ROLE" help:"A role that reads and pushes."`
}

// Run prints the SQL.
func (c *archiveRoles) Run(w *terminal.World, p *archiveCommand) error {
	switch {
	case !archive.OnServer(p.At):
		return terminal.WithCode(terminal.ExitUsage, errors.New("an embedded archive has no roles: who may write "+
			"its folder, may "+
			"write it"))
	case c.Reader == "" && c.Pusher == "":
		return terminal.WithCode(terminal.ExitUsage, errors.New("give --reader, --pusher or both"))
	}
	fmt.Fprint(w.Stdout, archive.Roles(c.Reader, c.Pusher))
	return nil
}
