package tell

import (
	_ "embed"
	"errors"
	"fmt"
	"slices"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
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
	// Why says why these runs are compared, where nobody named them.
	Why    string
	Margin rf.Gain
	// Short leaves out the annexes with every frequency, and the report says so.
	Short   bool
	Program string // version of the program that writes the report
	About   *About // what the job does not hold; nil for nothing
	// Files returns the bytes of a file of the job by its hash; nil when there is no way to
	// them. Pictures among the attachments are put into the report, and the bench file is drawn.
	Files func(hash string) ([]byte, error)
}

// Choose fills in which runs are told in full and which are compared: those named, else what analysis.Told says. It
// is what command and page both ask.
func (j *Job) Choose(detailed []int, before, after int) error {
	for _, n := range append(append([]int{}, detailed...), before, after) {
		if _, ok := runOf(j.Runs, n); !ok && n != 0 {
			return noRun(fmt.Sprintf("there is no run %d; the job holds %s", n, RunNumbers(Numbers(j.Runs))))
		}
	}
	among := j.Runs
	if len(detailed) > 0 {
		among = slices.DeleteFunc(slices.Clone(j.Runs),
			func(r result.Run) bool { return !slices.Contains(detailed, r.Number) })
	}
	if j.Before, j.After, j.Detailed = analysis.Told(among); j.After != 0 {
		j.Why = fmt.Sprintf("run %d is the newest exposure before which something was changed, and run %d ", j.After,
			j.Before)
		if r, _ := runOf(j.Runs, j.After); r.Opened.Again == j.Before {
			j.Why += "the one whose frequencies it exposed again"
		} else {
			j.Why += "the first exposure"
		}
	}
	if before != 0 && after != 0 {
		j.Before, j.After, j.Why = before, after, ""
		if len(detailed) == 0 {
			j.Detailed = analysis.Between(j.Runs, before, after)
		}
	}
	if len(detailed) > 0 {
		j.Detailed = detailed
	}
	return nil
}

// Heads are the runs of the job.
func (j Job) Heads() ([]result.Run, error) { return j.Runs, nil }

// Run is a run of the job.
func (j Job) Run(number int) (result.Run, error) {
	if r, ok := runOf(j.Runs, number); ok {
		return r, nil
	}
	return result.Run{}, fmt.Errorf("write a report of run %d: %w", number, ErrNoRun)
}

// Attachment is a file of the job by its hash.
func (j Job) Attachment(hash string) ([]byte, error) {
	if j.Files == nil {
		return nil, ErrNoBench
	}
	return j.Files(hash)
}

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
		tables = append(tables, p.Comparison.Section().tables()...)
	}
	if p.Setup != nil {
		tables = append(tables, p.Setup.Fields, p.Setup.Equipment, p.Setup.Curves, p.Setup.Monitors, p.Setup.Exposure)
	}
	for _, r := range p.Detailed {
		tables = append(tables, r.section().tables()...)
		tables = append(tables, stepsTable(r.Run), readingsTable(r.Run))
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
	book       *Book
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
	Comparison *CompareTold
	Detailed   []RunTold
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
		Job: j, book: Open(j), Made: LastRecord(j.Runs).Format(minute), Integrity: result.Integrity(j.Runs),
		Runs: runsTable(j.Runs), Journal: journalTable(j.Runs), Cautions: cautions, told: detailed,
	}
	for _, r := range j.Runs {
		if r.RFNotKnownOff() {
			p.RFUnknown = append(p.RFUnknown, runName(r.Number))
		}
	}
	if j.Before != 0 {
		c, err := p.book.Compared(j.Before, j.After, j.Margin, nil)
		if err != nil {
			return nil, err
		}
		p.Comparison = &c
	}
	for _, r := range detailed {
		t, err := p.book.Tell(r.Number)
		if err != nil {
			return nil, err
		}
		t.drive = driveTable(t.Onsets.Bench, r)
		p.Detailed = append(p.Detailed, t)
	}
	p.Deviations = DeviationsTable(p.Detailed)
	p.Setup = newSetupPart(p.book, detailed)
	p.Bench = p.Setup.bench
	p.Files, p.Laboratory = filesTable(j.Runs), laboratoryTable(j.Runs)
	if p.Studies, err = p.book.studies(); err != nil {
		return nil, err
	}
	if l, ok := p.beside(); ok {
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
