package session

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// derive writes the plan of a study beside the plan that it was made from, and returns its name. A
// file that is there is never replaced.
func derive(w *terminal.World, planFile, study string, changes ...plan.Change) (string, error) {
	data, err := terminal.ReadText(planFile)
	if err != nil {
		return "", fmt.Errorf("read the plan file: %w", err)
	}
	text, err := plan.Rewrite(data, changes...)
	if err != nil {
		return "", fmt.Errorf("make the plan of the study from %s: %w", planFile, err)
	}
	return WriteBeside(w, planFile, study, text)
}

// WriteBeside writes a plan that was made from a file beside it, under its name with a word behind, and returns the
// name. A file that is there is never replaced; one that holds the same is used as it is.
func WriteBeside(w *terminal.World, file, word string, text []byte) (string, error) {
	base := strings.TrimSuffix(file, filepath.Ext(file)) + "-" + word
	for n := 1; n < 1000; n++ {
		name := base + ".yaml"
		if n > 1 {
			name = fmt.Sprintf("%s-%d.yaml", base, n)
		}
		if there, err := terminal.ReadText(name); err == nil {
			if bytes.Equal(there, text) {
				return name, nil
			}
			continue
		}
		if err := terminal.WriteNew(name, string(text)); err != nil {
			return "", err
		}
		fmt.Fprintf(w.Stderr, "wrote %s\n", name)
		return name, nil
	}
	return "", fmt.Errorf("write %s.yaml: a thousand files of such a name are there", base)
}

// listOf writes frequencies as a segment of a grid.
func listOf(at []rf.Frequency) string {
	var out []string
	for _, f := range at {
		text, _ := f.MarshalText()
		out = append(out, string(text))
	}
	return "[{list: [" + strings.Join(out, ", ") + "]}]"
}

// Study is the exposing half of a study: runs of plans that are made from one plan. Of its order the plan file is that
// one, and the label is the study's own.
type Study struct {
	Order
	At []rf.Frequency // in place of the plan's
}

// expose does one run of a study and returns its number. A run that did not close all points is
// reported and counts.
func (s Study) expose(w *terminal.World, planFile, label string) (number int, incomplete error, err error) {
	o := s.Order
	o.PlanFile, o.Label, o.Begun = planFile, label, func(n int, _ *store.Job) { number = n }
	res, err := Perform(w, o)
	if err != nil {
		return number, nil, err
	}
	fmt.Fprintf(w.Stderr, "run %d, %s: %s, %d of %s upset\n", number, label, res.Verdict, res.Upsets,
		english.Count(res.Exposures, "exposure", "exposures"))
	if res.Verdict == event.Incomplete {
		incomplete = terminal.WithCode(terminal.ExitIncomplete, fmt.Errorf("run %d: %s", number, res.Why))
	}
	return number, incomplete, nil
}

// derived writes the plan of a study: at its frequencies alone, without edges and drift check, and with changes.
func (s Study) derived(w *terminal.World, study string, changes ...plan.Change) (string, error) {
	return derive(w, s.PlanFile, study, append([]plan.Change{{Key: "grid", Value: listOf(s.At)}, {Key: "first"},
		{Key: "clocks"}, {Key: "time_limit"}, {Key: "edges"}, {Key: "drift_check"}}, changes...)...)
}

func (s Study) somewhere() error {
	if len(s.At) == 0 {
		return terminal.WithCode(terminal.ExitUsage, errors.New("say where with --at FREQUENCY"))
	}
	return nil
}

// Threshold looks for random thresholds with so many exposures at each frequency, and returns the number of the run.
func (s Study) Threshold(w *terminal.World, method plan.Method, trials int, probability rf.Fraction,
	step rf.Gain) (run int, incomplete error, err error) {
	if err := s.somewhere(); err != nil {
		return 0, nil, err
	}
	file, err := s.derived(w, "threshold", plan.Change{Key: "search",
		Value: fmt.Sprintf("{method: %s, trials: %d, probability: %v, step: %v}", method, trials, probability, step)})
	if err != nil {
		return 0, nil, err
	}
	return s.expose(w, file, "threshold study")
}

// Dwell exposes so many times at one level below the level wanted, each time until the product upsets or the dwell is
// over, which is ten times the plan's where it is not given.
func (s Study) Dwell(w *terminal.World, dwell rf.Duration, trials int, below rf.Gain) (run int, incomplete error,
	err error) {
	if err := s.somewhere(); err != nil {
		return 0, nil, err
	}
	p, _, err := LoadPlanAlone(s.PlanFile)
	if err != nil {
		return 0, nil, err
	}
	if dwell <= 0 {
		dwell = 10 * p.Dwell
	}
	text, _ := dwell.MarshalText() // as a plan reads it
	file, err := s.derived(w, "dwell", plan.Change{Key: "dwell", Value: string(text)},
		plan.Change{Key: "search", Value: fmt.Sprintf("{method: repeat, trials: %d, below: %v}", trials, below)})
	if err != nil {
		return 0, nil, err
	}
	return s.expose(w, file, "dwell study")
}

// usualModulations are those of a study that does not say otherwise.
var usualModulations = []string{"CW", "AM 80 % 1 kHz", "AM 30 % 1 kHz", "AM 80 % 400 Hz", "pulse 1 kHz 50 %"}

// Modulation finds the onsets under several modulations, the usual ones where none is given, one run each.
func (s Study) Modulation(w *terminal.World, all []string) (runs []int, incomplete error, err error) {
	if err := s.somewhere(); err != nil {
		return nil, nil, err
	}
	if len(all) == 0 {
		all = usualModulations
	}
	for _, text := range all {
		if _, err := level.ParseModulation(text); err != nil {
			return nil, nil, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--modulation: %w", err))
		}
	}
	for i, text := range all {
		file, err := s.derived(w, fmt.Sprintf("modulation-%d", i+1), plan.Change{Key: "modulation", Value: text},
			plan.Change{Key: "search", Value: "{recovery: false}"})
		if err != nil {
			return runs, nil, err
		}
		number, short, err := s.expose(w, file, "modulation study: "+text)
		if err != nil {
			return runs, nil, err
		}
		incomplete, runs = errors.Join(incomplete, short), append(runs, number)
	}
	return runs, incomplete, nil
}

// Repeat does the same run several times; with reclamp it stops before each further run until the clamp was taken off
// the cable and put on again.
func (s Study) Repeat(w *terminal.World, times int, reclamp bool) (runs []int, incomplete error, err error) {
	if times < 2 || times > 100 {
		return nil, nil, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--times %d: between 2 and 100 runs show "+
			"a spread", times))
	}
	file := s.PlanFile
	if len(s.At) > 0 {
		if file, err = s.derived(w, "repeat"); err != nil {
			return nil, nil, err
		}
	}
	for i := range times {
		if i > 0 && reclamp {
			fmt.Fprintf(w.Stdout, "RF is off. Take the clamp off the cable and put it on again as it was, then "+
				"press Enter (q and Enter ends): ")
			if text, ok := w.Line(w.Ctx); !ok || strings.TrimSpace(text) == "q" {
				return runs, nil, terminal.WithCode(terminal.ExitStopped,
					fmt.Errorf("ended after %s", english.Count(i, "run", "runs")))
			}
		}
		number, short, err := s.expose(w, file, fmt.Sprintf("repeat %d of %d", i+1, times))
		if err != nil {
			return runs, nil, err
		}
		incomplete, runs = errors.Join(incomplete, short), append(runs, number)
	}
	return runs, incomplete, nil
}
