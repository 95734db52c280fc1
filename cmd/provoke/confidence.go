package main

import (
	"errors"
	"fmt"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// confidenceCommands are the commands that say how sure a number is.
type confidenceCommands struct {
	Uncertainty uncertaintyCommand `cmd:"" help:"Work out the uncertainty of the injected current, contribution by contribution."`
	Study       studyCommand       `cmd:"" help:"Random thresholds, time to upset, modulation, repeatability: expose as a study asks, and say what was shown."`
	Laboratory  laboratoryCommand  `cmd:"" help:"Hold a laboratory's failures against a run of the bench, and say what a fix must show."`
}

// benchOfRun reads the bench file that a run used, out of the job.
func benchOfRun(job *store.Job, r result.Run) (*catalog.Bench, error) {
	o := r.Opened
	if o.Bench.SHA256 == "" {
		return nil, errors.New("the job does not hold the bench file")
	}
	_, data, err := job.Attachment(o.Bench.SHA256)
	if err != nil {
		return nil, fmt.Errorf("read the bench file as used: %w", err)
	}
	bench, list := catalog.Parse(o.Bench.Name, data, func(name string) ([]byte, error) {
		for _, a := range o.Files {
			if a.Name == name {
				_, data, err := job.Attachment(a.SHA256)
				return data, err
			}
		}
		return nil, fmt.Errorf("%s is not in the job", name)
	})
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("this program does not read the bench file as used: %w", err)
	}
	return bench, nil
}

// repeatsOf returns the runs of a job that repeat a run, that run among them.
func repeatsOf(w *terminal.World, job *store.Job, r result.Run) ([]result.Run, error) {
	infos, err := job.Runs()
	if err != nil {
		return nil, damage(err)
	}
	out := []result.Run{}
	for _, i := range infos {
		a, b := i.Opened, r.Opened
		if a.RunKind != b.RunKind || a.Plan.SHA256 != b.Plan.SHA256 || a.Bench.SHA256 != b.Bench.SHA256 {
			continue
		}
		q := r
		if i.Run != r.Number {
			if q, err = readRun(w, job, i.Run); err != nil {
				return nil, err
			}
		}
		out = append(out, q)
	}
	return analysis.Repeatable(out, r), nil
}

// mayRepeat reads the runs of a job that may repeat one another.
func mayRepeat(job *store.Job) ([]result.Run, error) {
	infos, err := job.Runs()
	if err != nil {
		return nil, damage(err)
	}
	var all, out []result.Run
	for _, i := range infos {
		all = append(all, result.Run{Number: i.Run, Opened: i.Opened})
	}
	for _, n := range analysis.MayRepeat(all) {
		r, err := result.All(job.Records(n, 1))
		if err != nil {
			return nil, damage(err)
		}
		out = append(out, r)
	}
	return out, nil
}

// onsets is how well the onsets of a run are known.
type onsets struct {
	bench *catalog.Bench
	at    map[rf.Frequency]uncertainty.Onset
	// worst is the largest of them; check is the current at the check point for drift.
	worst, check uncertainty.Current
	why          string // why there is none
}

// onsetsOf works out the uncertainty of the onsets of a run from the bench file as used, and the decision with it.
func onsetsOf(w *terminal.World, job *store.Job, r result.Run, f *analysis.Findings) onsets {
	o := onsets{at: map[rf.Frequency]uncertainty.Onset{}}
	if r.Opened.RunKind != plan.Exposure && r.Opened.RunKind != plan.Control {
		return o
	}
	var err error
	if o.bench, err = benchOfRun(job, r); err != nil {
		f.Decide(uncertainty.KnownOf(nil, r.Opened.Mode, nil))
		o.why = err.Error()
		return o
	}
	same, err := repeatsOf(w, job, r)
	if err != nil {
		o.why = err.Error()
		return o
	}
	var spread analysis.Transfers
	if len(same) > 1 {
		spread = analysis.RepeatedTransfer(same)
	}
	f.Decide(uncertainty.KnownOf(o.bench, r.Opened.Mode, spread.At))
	for _, p := range f.Points {
		if !p.Upset {
			continue
		}
		u, err := uncertainty.OfOnset(o.bench, r.Opened.Mode, p, spread.At, uncertainty.DefaultConfidence)
		if err != nil {
			o.why = err.Error()
			continue
		}
		o.at[p.Frequency] = u
		if o.worst.Components == nil || u.U() > o.worst.U() {
			o.worst = u.Current
		}
	}
	if f.Stability != nil {
		if u, err := uncertainty.OfCurrent(o.bench, f.Stability.Frequency, uncertainty.Conditions{Repeated: spread.At}, uncertainty.DefaultConfidence); err == nil {
			o.check = u
		}
	}
	return o
}

// uncertaintyAtCheck returns the expanded uncertainty of the current at the check point of a run.
func uncertaintyAtCheck(w *terminal.World, job *store.Job, r result.Run) (rf.Gain, error) {
	bench, err := benchOfRun(job, r)
	if err != nil {
		return 0, err
	}
	s, _ := analysis.StabilityOf(r)
	u, err := uncertainty.OfCurrent(bench, s.Frequency, uncertainty.Conditions{}, uncertainty.DefaultConfidence)
	return u.U(), err
}

// words is the cell of a table.
func (o onsets) words(f rf.Frequency) string {
	u, ok := o.at[f]
	if !ok {
		return "–"
	}
	return u.Between()
}

// remark says what the figures rest on.
func (o onsets) remark() string {
	if o.worst.Components == nil {
		if o.why == "" {
			return ""
		}
		return "uncertainty of the onsets: not stated, " + o.why
	}
	return fmt.Sprintf("the onset lies from … to … with a confidence of %v: between stood and upset, each current known to %s, from bench %q; %s", o.worst.Expanded.Confidence, o.worst.Says(), o.bench.Name, o.worst.Rests())
}

// fill puts the figures into the JSON of the findings.
func (o onsets) fill(j *tell.FindingsJSON) {
	if o.worst.Components == nil {
		return
	}
	j.Uncertainty = &tell.UncertaintyJSON{Confidence: rounded(float64(o.worst.Expanded.Confidence)), Bench: o.bench.Name, SHA256: o.bench.Hash, Rests: o.worst.Rests()}
	for i, p := range j.Points {
		if u, ok := o.at[rf.Frequency(p.Hz)]; ok {
			j.Points[i].UDB, j.Points[i].K = rf.OrNull(u.U(), 3), rf.OrNull(u.K(), 4)
			j.Points[i].Low, j.Points[i].High = u.Low.Quantity(), u.High.Quantity()
		}
	}
}
