package main

import (
	"errors"
	"slices"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/terminal"
)

// single reads the one run that a study works from: the one named, or the newest exposure that fits.
func (f studyFlags) single(w *terminal.World, fits func(event.Opened) bool) (result.Run, error) {
	if len(f.Runs) > 1 {
		return result.Run{}, terminal.WithCode(terminal.ExitUsage,
			errors.New("this study works from one run: give one --run"))
	}
	book, close, err := terminal.OpenBook(w, f.Job)
	if err != nil {
		return result.Run{}, err
	}
	defer close()
	if len(f.Runs) == 1 {
		return book.Run(f.Runs[0])
	}
	return newestOf(book, fits)
}

// newestOf reads the newest exposure that fits; any exposure where fits is nil.
func newestOf(book *tell.Book, fits func(event.Opened) bool) (result.Run, error) {
	heads, err := book.Heads()
	if err != nil {
		return result.Run{}, err
	}
	for _, h := range slices.Backward(heads) {
		if h.Opened.RunKind == plan.Exposure && (fits == nil || fits(h.Opened)) {
			return book.Run(h.Number)
		}
	}
	return result.Run{},
		errors.New("the job holds no run that this study can work from: give --plan PLAN.yaml to expose, or --run N")
}

// chosen returns the runs named, or the newest of each modulation on the bench of the newest exposure.
func (c *modulationStudy) chosen(w *terminal.World) (out []result.Run, err error) {
	book, close, err := terminal.OpenBook(w, c.Job)
	if err != nil {
		return nil, err
	}
	defer close()
	named := c.Runs
	if len(named) == 0 {
		newest, err := newestOf(book, nil)
		if err != nil {
			return nil, err
		}
		heads, err := book.Heads()
		if err != nil {
			return nil, err
		}
		named = analysis.OneOfEachModulation(heads, newest)
	}
	for _, n := range named {
		r, err := book.Run(n)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}
