package tell

import (
	_ "embed"
	"errors"
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Job is what a report tells of: the runs of a job and which of them to tell in full.
type Job struct {
	Name string       // of the job file
	Runs []result.Run // every run of the job, by number
	// Detailed are the numbers of the runs told in full.
	Detailed []int
	// Before and After are the runs compared; 0 for none.
	Before, After int
	Margin        rf.Gain
	Program       string // version of the program that writes the report
	About         *About // what the job does not hold; nil for nothing
	// Attachment returns the bytes of a file of the job by its hash; nil when there is no way to
	// them. Pictures among the attachments are put into the report, and the bench file is drawn.
	Attachment func(hash string) ([]byte, error)
}

// ErrNoRun is wrapped when a run that is named is not in the job.
var ErrNoRun = errors.New("no such run in the job")

// Tables returns every table of the report, those too long for people included, as the CSV files
// hold them.
func Tables(j Job) ([]Table, error) {
	p, err := Tell(j)
	if err != nil {
		return nil, err
	}
	return p.Tables(), nil
}

// Tables are all tables that have rows, those too long for people included.
func (p *Report) Tables() []Table {
	tables := []Table{p.Runs}
	if p.Beside != nil {
		tables = append(tables, LaboratoryTables(*p.Beside)...)
	}
	if p.Comparison != nil {
		tables = append(tables, p.Comparison.Tables()...)
	}
	if p.Setup != nil {
		tables = append(tables, p.Setup.Fields, p.Setup.Equipment, p.Setup.Curves, p.Setup.Monitors, p.Setup.Exposure)
	}
	for _, r := range p.Detailed {
		tables = append(tables, r.Bands, r.Evidence, r.Random, r.Upsets, r.Uncertain, r.Profile, r.Drive, stepsTable(r.run), readingsTable(r.run), r.Safing)
	}
	for _, s := range p.Studies {
		tables = append(tables, s.Tables...)
	}
	tables = append(tables, p.Deviations, p.Journal, p.Attachments, p.Files, p.Laboratory)
	var out []Table
	for _, t := range tables {
		if len(t.Rows) > 0 {
			out = append(out, t)
		}
	}
	return out
}

// Report is what HTML, PDF and workbook are written from.
type Report struct {
	Title      string
	Job        Job
	Made       string   // of the job's newest record
	Integrity  string   // hash of the job
	RFUnknown  []string // runs after which RF is not known to be off
	Sentence   string
	Facts      []Fact
	About      []Fact // what the report is about: client, laboratory, sample, …
	AboutNote  string // what the mark in it means
	U          string // the largest uncertainty of the runs told; "" where the bench file is not to be had
	uncertain  Section
	told       []result.Run // in full
	Setup      *setupPart
	Bench      *catalog.Bench // as used in the first run told in full; nil where it cannot be read
	Runs       Table
	Comparison *comparisonPart
	Detailed   []runPart
	Deviations Table
	Cautions   []string
	Journal    Table
	Pictures   []Picture
	Studies    []Study                    // of every run of the job
	Beside     *analysis.BesideLaboratory // the laboratory's report beside the bench; nil for none
	// Attachments lists every file that joined the runs.
	Attachments, Files, Laboratory Table
	Sections                       []Section
}

// Fact is one line of the summary.
type Fact struct{ Name, Text, Mark string }

// Tell works out the report of a job.
func Tell(j Job) (*Report, error) {
	detailed, err := pick(j.Runs, j.Detailed)
	if err != nil {
		return nil, err
	}
	if len(detailed) == 0 {
		return nil, errors.New("write a report: the job holds no run to tell of")
	}
	p := &Report{
		Job: j, Made: LastRecord(j.Runs).Format(minute), Integrity: Integrity(j.Runs),
		Runs: runsTable(j.Runs), Journal: journalTable(j.Runs), Cautions: cautions,
		Deviations: DeviationsTable(detailed, j.Runs), told: detailed,
	}
	for _, r := range j.Runs {
		if r.RFNotKnownOff() {
			p.RFUnknown = append(p.RFUnknown, runName(r.Number))
		}
	}
	if j.Before != 0 {
		if p.Comparison, err = compare(j); err != nil {
			return nil, err
		}
	}
	for _, r := range detailed {
		part := newRunPart(j, r, analysis.ControlFor(j.Runs, r), p.Comparison)
		part.Evidence = evidenceTable(j, r)
		p.Detailed = append(p.Detailed, part)
	}
	p.Setup = newSetupPart(j, detailed)
	p.Bench = p.Setup.bench
	p.Files, p.Laboratory = filesTable(j.Runs), laboratoryTable(j.Runs)
	p.Studies = studies(j.Runs)
	if l, _, ok := beside(j); ok {
		p.Beside = &l
	}
	p.uncertain = p.uncertaintySection()
	p.summarise()
	p.tell()
	p.attach(j)
	p.Sections = p.sections()
	return p, nil
}

// pick returns the runs with the given numbers, in that order.
func pick(runs []result.Run, numbers []int) ([]result.Run, error) {
	var out []result.Run
next:
	for _, n := range numbers {
		for _, r := range runs {
			if r.Number == n {
				out = append(out, r)
				continue next
			}
		}
		return nil, fmt.Errorf("write a report of run %d: %w", n, ErrNoRun)
	}
	return out, nil
}

func compare(j Job) (*comparisonPart, error) {
	pair, err := pick(j.Runs, []int{j.Before, j.After})
	if err != nil {
		return nil, err
	}
	part := newComparisonPart(analysis.Compare(pair[0], pair[1], uncertainty.BasisOf(pair[0], pair[1], j.Runs, func(r result.Run) (*catalog.Bench, error) { return benchOf(j, r) }, j.Margin)))
	part.Predicted = predictedTable(j, pair[0], part.Comparison)
	return part, nil
}

// setupPart is the setup and equipment of the first run told in full.
type setupPart struct {
	Run                                           int
	Mark                                          string // of an unverified level profile
	Fields, Equipment, Curves, Monitors, Exposure Table
	Overdue                                       []string
	Sketch                                        *Sketch
	NoSketch                                      string // why there is none
	bench                                         *catalog.Bench
}

// comparisonPart is before and after.
type comparisonPart struct {
	analysis.Comparison
	Words                      string // the verdict
	Mark                       string
	Differences, Bands, Points Table
	Predicted                  Table // beside measured; empty where nothing was predicted
	Charts                     []Chart
}

// Tables returns the tables of the part.
func (c *comparisonPart) Tables() []Table {
	return []Table{c.Differences, c.Bands, c.Points, c.Predicted}
}

func newComparisonPart(c analysis.Comparison) *comparisonPart {
	part := &comparisonPart{
		Comparison: c, Words: strings.Replace(VerdictWords(c), string(c.Verdict), fixWords(c.Verdict), 1),
		Mark:        map[analysis.Judgement]string{analysis.Shown: "good", analysis.NotShown: "warn", analysis.NoDifference: "warn", analysis.Worse: "bad"}[c.Verdict],
		Differences: differencesTable(c), Bands: comparedBandsTable(c), Points: comparedTable(c),
	}
	if f, ok := profileChart(c.Before, &c.After); ok {
		part.Charts = append(part.Charts, f)
	}
	return part
}

// runPart is one run told in full.
type runPart struct {
	run                            result.Run
	Findings                       analysis.Findings
	Heading                        string
	Words                          []string
	Bands, Upsets, Profile, Safing Table
	Evidence                       Table // on the cause of the failing bands
	Random                         Table // where the product is not deterministic
	Drive                          Table // generator setting and power at every frequency
	Uncertain                      Table // uncertainty of the onsets
	Charts                         []Chart
}

func newRunPart(j Job, r result.Run, control *result.Run, c *comparisonPart) runPart {
	f := analysis.Of(r, control)
	uncertainty.Decide(&f, r, j.Runs, func(r result.Run) (*catalog.Bench, error) { return benchOf(j, r) })
	part := runPart{
		run: r, Findings: f, Heading: heading(r), Words: runWords(r, f),
		Bands: bandsTable(f), Random: NotDeterministicTable(f), Upsets: upsetsTable(f), Profile: profileTable(f), Drive: driveTable(j, r), Safing: safingTable(r),
	}
	add := func(c Chart, ok bool) {
		if ok {
			part.Charts = append(part.Charts, c)
		}
	}
	add(reachedChart(f))
	compared := c != nil && (c.Before.Run == r.Number || c.After.Run == r.Number)
	if !compared && r.Opened.RunKind != plan.Calibration && r.Opened.RunKind != plan.Baseline {
		add(profileChart(f, nil))
	}
	part.Charts = append(part.Charts, readingCharts(r, f)...)
	return part
}
