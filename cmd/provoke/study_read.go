package main

import (
	"errors"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

// read folds the runs of a study out of the job.
func (f studyFlags) read(w *terminal.World, numbers []int) (*store.Job, []result.Run, error) {
	job, err := store.OpenReadOnly(f.Job)
	if err != nil {
		return nil, nil, terminal.Damage(err)
	}
	terminal.TellLeftBehind(w, job)
	var out []result.Run
	for _, n := range numbers {
		r, err := readRun(w, job, n)
		if err != nil {
			job.Close()
			return nil, nil, err
		}
		out = append(out, r)
	}
	return job, out, nil
}

// newest returns the newest exposure that fits; any exposure where fits is nil.
func (f studyFlags) newest(w *terminal.World, fits func(event.Opened) bool) (*store.Job, result.Run, error) {
	job, err := store.OpenReadOnly(f.Job)
	if err != nil {
		return nil, result.Run{}, terminal.Damage(err)
	}
	terminal.TellLeftBehind(w, job)
	infos, err := job.Runs()
	if err != nil {
		job.Close()
		return nil, result.Run{}, terminal.Damage(err)
	}
	for i := len(infos) - 1; i >= 0; i-- {
		if infos[i].Opened.RunKind == plan.Exposure && (fits == nil || fits(infos[i].Opened)) {
			r, err := readRun(w, job, infos[i].Run)
			if err != nil {
				job.Close()
			}
			return job, r, err
		}
	}
	job.Close()
	return nil, result.Run{}, errors.New("the job holds no run that this study can work from: give --plan PLAN.yaml " +
		"to expose, or --run N")
}

// single reads the one run that a study works from.
func (f studyFlags) single(w *terminal.World, fits func(event.Opened) bool) (*store.Job, result.Run, error) {
	if len(f.Runs) == 0 {
		return f.newest(w, fits)
	}
	if len(f.Runs) > 1 {
		return nil, result.Run{}, terminal.WithCode(terminal.ExitUsage, errors.New("this study works from one run: "+
			"give one --run"))
	}
	job, runs, err := f.read(w, f.Runs)
	if err != nil {
		return nil, result.Run{}, err
	}
	return job, runs[0], nil
}

// chosen returns the runs named, or the newest of each modulation on the bench of the newest exposure.
func (c *modulationStudy) chosen(w *terminal.World) ([]result.Run, error) {
	if len(c.Runs) > 0 {
		job, runs, err := c.read(w, c.Runs)
		if err == nil {
			job.Close()
		}
		return runs, err
	}
	job, newest, err := c.newest(w, nil)
	if err != nil {
		return nil, err
	}
	defer job.Close()
	infos, err := job.Runs()
	if err != nil {
		return nil, terminal.Damage(err)
	}
	var known []result.Run
	for _, i := range infos {
		known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
	}
	var out []result.Run
	for _, n := range analysis.OneOfEachModulation(known, newest) {
		r, err := readRun(w, job, n)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}
