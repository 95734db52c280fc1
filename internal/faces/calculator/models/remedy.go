package models

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/remedy"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/cable"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Remedy is what the command prints.
type Remedy struct {
	file     *remedy.File
	model    *remedy.Model
	needs    []remedy.Need
	search   remedy.Search
	outcome  remedy.Outcome
	estimate *cable.Estimate
	Run      int
	remarks  []string
	kept     bool // the prediction, with the run in the job
	// Tried is a try of a fixing loop beside the prediction; nil for none.
	Tried *tell.TriedBeside
}

// OfRemedy looks for parts of a file and keeps so many combinations.
func OfRemedy(file *remedy.File, keep int) *Remedy {
	return &Remedy{file: file, search: remedy.Search{Parts: file.Parts, Most: file.Combine, Margin: file.Margin,
		Reference: file.Reference, Keep: keep}}
}

// AsStated takes what is missing from the parts file.
func (s *Remedy) AsStated() error {
	if len(s.file.Missing) == 0 {
		return errors.New("what is missing is not known: give --job JOB.provoke, or write it into the parts file " +
			"under " +
			"missing")
	}
	_, s.needs = s.file.Grid(201)
	s.remarks = append(s.remarks, "what is missing is as the parts file says; at other frequencies the product counts "+
		"as just standing the level wanted")
	return nil
}

// ErrNothingFails says that no decibel is missing in a run.
var ErrNothingFails = errors.New("nothing fails")

// Fit estimates the cable from a run first.
func (s *Remedy) Fit(r result.Run, confidence rf.Fraction) (err error) {
	readings, _ := readingsOf(r)
	s.file, s.estimate, err = s.file.Fitted(readings, float64(confidence))
	return err
}

// AsFound takes what is missing from the findings of a run. The error is errNothingFails where nothing is.
func (s *Remedy) AsFound(r result.Run, f analysis.Findings) error {
	s.Run = r.Number
	needs, left := remedy.NeedsOf(f)
	if left == 0 && !slices.ContainsFunc(needs, func(n remedy.Need) bool { return n.Failing }) {
		return ErrNothingFails
	}
	for _, n := range needs {
		if n.Frequency < s.file.Cable.Low || n.Frequency > s.file.Cable.High {
			left++
			continue
		}
		s.needs = append(s.needs, n)
	}
	if left > 0 {
		s.remarks = append(s.remarks, fmt.Sprintf("%s of run %d could not be taken whole: no margin is known there, "+
			"only a bound from above, or the frequency is not in the cable file's band",
			english.Count(left, "frequency", "frequencies"), r.Number))
	}
	if len(s.needs) == 0 {
		return fmt.Errorf("run %d has no frequency with a margin within the cable file's band, %v to %v", r.Number,
			s.file.Cable.Low, s.file.Cable.High)
	}
	if s.search.Reference == "" {
		s.search.Reference = remedy.SameDrive
		if r.Opened.Mode == plan.ClosedLoop {
			s.search.Reference = remedy.SameProbe
		}
	}
	return nil
}

// Settle takes flags over the file: how many parts are combined, the margin and the reference.
func (s *Remedy) Settle(combine int, margin *rf.Gain, reference string) error {
	if combine < 0 || combine > 8 {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--combine: from 1 to 8 parts are combined"))
	}
	if combine > 0 {
		s.search.Most = combine
	}
	if margin != nil {
		s.search.Margin = *margin
	}
	if s.search.Margin < 0 {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("a margin of %v asks for less than is missing",
			s.search.Margin))
	}
	switch reference {
	case string(remedy.SameDrive), string(remedy.SameProbe):
		s.search.Reference = remedy.Reference(reference)
	case "":
	default:
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--reference %q: it is %q or %q", reference,
			remedy.SameDrive, remedy.SameProbe))
	}
	if s.search.Reference == "" {
		s.search.Reference = remedy.SameDrive
	}
	return nil
}

// Modelled makes the model of the cable once it is known what is missing.
func (s *Remedy) Modelled() (err error) {
	var frequencies []rf.Frequency
	for _, n := range s.needs {
		frequencies = append(frequencies, n.Frequency)
	}
	s.search.Spread = s.file.Spread
	switch {
	case s.search.Spread.Known() && s.estimate == nil:
		s.remarks = append(s.remarks, "limits: from the spread that the parts file states; nothing of it was measured "+
			"(--job with --fit estimates the cable from a run)")
	case !s.search.Spread.Known():
		s.remarks = append(s.remarks, "limits: none. The parts file gives no spread and nothing was estimated from a "+
			"run (--fit), so how far the true cable lies from the model is not known")
	}
	s.model, err = remedy.NewModel(s.file.Cable, s.file.Port, frequencies)
	return err
}

// Judge judges the combination of the choices that are named.
func (s *Remedy) Judge(names []string) error {
	choices, err := pickChoices(s.file.Parts, names)
	if err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	one, err := s.model.Judge(s.search, choices, s.needs)
	if err != nil {
		return err
	}
	s.outcome = remedy.Outcome{Total: 1, Best: []remedy.Combination{one}, Needs: s.needs}
	return nil
}

// Find searches through all combinations and tells of its progress.
func (s *Remedy) Find(progress func(done, total int)) (err error) {
	s.search.Progress = progress
	s.outcome, err = s.model.Find(s.search, s.needs)
	return err
}

// Predict returns the prediction of the first combination, to be kept with the run, and what to call it.
func (s *Remedy) Predict() (data []byte, caption string, err error) {
	p, err := s.Prediction()
	if err != nil {
		return nil, "", err
	}
	if data, err = json.MarshalIndent(p, "", " "); err != nil {
		return nil, "", fmt.Errorf("keep the prediction: %w", err)
	}
	s.kept = true
	return data, "predicted: " + strings.Join(p.Change, " + "), nil
}

// Prediction is that of the first combination.
func (s *Remedy) Prediction() (remedy.Prediction, error) {
	if len(s.outcome.Best) == 0 {
		return remedy.Prediction{}, errors.New("no combination to make a prediction of")
	}
	return s.model.Predict(s.outcome.Best[0], s.Run, s.search.Spread, s.file.Cable.Hash, s.file.Hash), nil
}

// pickChoices finds the choices that the user named.
func pickChoices(parts []remedy.Part, names []string) ([]remedy.Choice, error) {
	var out []remedy.Choice
	for _, name := range names {
		var found []remedy.Choice
		for _, p := range parts {
			for _, a := range p.Alternatives {
				switch {
				case a.Name == name:
					found = []remedy.Choice{a}
				case strings.Contains(a.Name, name) && (len(found) != 1 || found[0].Name != name):
					found = append(found, a)
				}
			}
		}
		switch len(found) {
		case 1:
			out = append(out, found[0])
		case 0:
			return nil, fmt.Errorf("--use %q: no choice of the parts file has that in its name", name)
		default:
			var list []string
			for _, f := range found {
				list = append(list, f.Name)
			}
			return nil, fmt.Errorf("--use %q fits several choices: %s", name, strings.Join(list, "; "))
		}
	}
	return out, nil
}
