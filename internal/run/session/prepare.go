package session

import (
	"errors"
	"fmt"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Prepared is everything that a run needs before an instrument is touched.
type Prepared struct {
	Plan    *plan.Plan
	Sweep   *plan.FreeSweep // of a source that sweeps by itself; nil otherwise
	Bench   *catalog.Bench
	Chain   *chain.Chain
	Checked plan.Checked
	points  func(rf.Frequency) (plan.Point, error)
	cal     *plan.Calibrated
	// warnings of the files and of the check.
	Warnings problem.List
	// Fixing is what a fixing loop follows; nil for other runs.
	Fixing *event.Fixing
	// asked is what a page asked for.
	Asked Request
	// jobFile is the job for which it was checked.
	jobFile string
}

// prepare reads, checks and refuses; job may be nil. It prints the warnings.
func prepare(w *terminal.World, asked Request, job *store.Job, overTest string) (*Prepared, error) {
	pr, err := readAndCheck(asked, job, overTest)
	if pr != nil {
		for _, warning := range pr.Warnings.Folded() {
			fmt.Fprintln(w.Stderr, warning)
		}
	}
	if err != nil {
		return nil, err
	}
	return pr, nil
}

// readAndCheck reads a plan with its bench and checks it against every rating; job may be nil. What
// was found out comes back with an error too, as far as it goes.
func readAndCheck(asked Request, job *store.Job, overTest string) (*Prepared, error) {
	p, b, list, err := LoadPlan(asked.PlanFile)
	if err != nil {
		return nil, err
	}
	again := asked.Again
	var follows *event.Fixing
	var before analysis.Findings // that it follows
	if asked.Fix != nil {
		if follows, before, err = tracked(*asked.Fix, job, p); err != nil {
			return nil, err
		}
	}
	if again > 0 {
		if err := exposeAgain(job, p, again); err != nil {
			return nil, err
		}
	}
	if overTest != "" {
		p.OverTest = overTest
	}
	raising, err := raise(job, p, b, again)
	if err != nil {
		return nil, err
	}
	pr := &Prepared{Plan: p, Bench: b, Chain: chain.New(b)}
	if p.Replays() {
		if pr.cal, err = CalibrationOf(job, p); err != nil {
			return nil, err
		}
	}
	checked, more := plan.Check(p, pr.Chain, pr.cal)
	pr.Checked = checked
	pr.Warnings = append(append(list.Warnings(), raising...), more.Warnings()...)
	if len(checked.Refusals) > 0 {
		return pr, terminal.WithCode(terminal.ExitRefused, fmt.Errorf("refused before RF: the plan would exceed a "+
			"rating\n%w", more.Err()))
	}
	if err := more.Err(); err != nil {
		return pr, err
	}
	if pr.points, err = plan.Points(p, pr.Chain, pr.cal); err != nil {
		return pr, fmt.Errorf("compute the plan's levels: %w", err)
	}
	if pr.Fixing = follows; follows != nil {
		err = expect(before, follows, pr.points)
	}
	return pr, err
}

// CalibrationOf returns the calibration run of a job that a plan replays.
func CalibrationOf(job *store.Job, p *plan.Plan) (*plan.Calibrated, error) {
	if job == nil {
		return nil, errors.New("substitution replays a calibration run of the same job: name the job with --job")
	}
	runs, err := job.Runs()
	if err != nil {
		return nil, err
	}
	for i := len(runs) - 1; i >= 0; i-- {
		n := runs[i].Run
		if p.CalibrationRun != 0 && p.CalibrationRun != n {
			continue
		}
		r, err := result.All(job.Records(n, 1))
		if err != nil {
			return nil, fmt.Errorf("read run %d: %w", n, err)
		}
		if r.Opened.RunKind != plan.Calibration || r.Verdict != event.Done && r.Verdict != event.Incomplete {
			continue
		}
		cal := &plan.Calibrated{Run: n, Loop: catalog.Fixture(r.Opened.Fixture).LoopImpedance(),
			Bench: r.Opened.Bench.SHA256,
			Label: r.Opened.Label, At: r.OpenedAt, Fixture: catalog.Fixture(r.Opened.Fixture)}
		for _, s := range r.Steps {
			if !s.Outcome.NotReached && !s.Outcome.Skipped && s.Step.Purpose != plan.DriftCheck {
				cal.Points = append(cal.Points, plan.CalibratedAt{Frequency: s.Step.Point.Frequency, Drive: s.Drive,
					Current: s.Current, Forward: s.Forward})
			}
		}
		return cal, nil
	}
	if p.CalibrationRun != 0 {
		return nil, fmt.Errorf("the plan replays calibration run %d, and the job has no finished calibration run of "+
			"that number", p.CalibrationRun)
	}
	return nil, errors.New("substitution replays a calibration run, and this job has none that finished: run a plan " +
		"of kind calibration first")
}

// checkBaseline refuses an exposure whose newest baseline had more false alarms than the plan
// accepts.
func checkBaseline(job *store.Job, p *plan.Plan) error {
	if p.Kind != plan.Exposure && p.Kind != plan.Control {
		return nil
	}
	runs, err := job.Runs()
	if err != nil {
		return err
	}
	for i := len(runs) - 1; i >= 0; i-- {
		r, err := result.All(job.Records(runs[i].Run, 1))
		if err != nil {
			return fmt.Errorf("read run %d: %w", runs[i].Run, err)
		}
		if r.Opened.RunKind != plan.Baseline {
			continue
		}
		if r.Upsets > p.AcceptFalseAlarms {
			return fmt.Errorf("refused: baseline run %d had %s without any RF: widen the monitor's tolerance, quiet "+
				"the product, or accept them with accept_false_alarms: %d in the plan",
				r.Number, english.Count(r.Upsets, "false alarm", "false alarms"), r.Upsets)
		}
		return nil
	}
	return nil
}

// openMonitors makes the monitors of the bench as the plan changes them.
func openMonitors(pr *Prepared, rig *driver.Rig, page *camera.Handed) ([]dut.Monitor, error) {
	if pr.Plan.Kind == plan.Calibration {
		return nil, nil // nothing is connected to the jig
	}
	specs, list := pr.Plan.MonitorsOf(pr.Bench)
	if err := list.Err(); err != nil {
		return nil, err
	}
	var out []dut.Monitor
	for _, s := range specs {
		m, err := dut.New(s, dut.Options{Meter: rig.Meters[s.ID], Capture: rig.Captures[s.ID], Page: page})
		if err != nil {
			return nil, fmt.Errorf("monitor %s: %w", s.ID, err)
		}
		out = append(out, m)
	}
	if len(out) == 0 {
		return nil, errors.New("the bench has no monitor of the product: an exposure that nobody watches shows " +
			"nothing; add one under monitors")
	}
	return out, nil
}
