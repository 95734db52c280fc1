package session

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/terminal"
)

// Beside returns a function that reads files by names relative to a file.
func Beside(file string) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		return terminal.ReadTable(filepath.Join(filepath.Dir(file), filepath.FromSlash(name)))
	}
}

// LoadBench reads a bench file with everything that it names.
func LoadBench(file string) (*catalog.Bench, problem.List, error) {
	data, err := terminal.ReadText(file)
	if list, ok := problem.ListOf(err); ok {
		return nil, list, err
	}
	if err != nil {
		return nil, nil, fmt.Errorf("read the bench file: %w", err)
	}
	b, list := catalog.Parse(file, data, Beside(file))
	if b != nil {
		_, tables := driver.TablesOf(b)
		list = append(list, tables...)
	}
	return b, list, list.Err()
}

// LoadPlan reads a plan file and the bench file that it names.
func LoadPlan(file string) (*plan.Plan, *catalog.Bench, problem.List, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, nil, nil, fmt.Errorf("read the plan file: %w", err)
	}
	p, list := plan.Parse(file, data, Beside(file))
	if p != nil && p.Profile.Checked.On > time.Now().Format(time.DateOnly) {
		list = append(list, problem.Problem{File: file, What: "profile_checked: on: " + p.Profile.Checked.On +
			" is a day to come", Hint: "write the day on which the profile was compared with the standard"})
	}
	if p == nil || p.BenchFile == "" {
		return p, nil, list, list.Err()
	}
	benchFile := filepath.Join(filepath.Dir(file), filepath.FromSlash(p.BenchFile))
	b, more, err := LoadBench(benchFile)
	if _, ok := problem.ListOf(err); err != nil && !ok {
		return p, nil, list, errors.Join(list.Err(), err)
	}
	list = append(list, more...)
	return p, b, list, list.Err()
}

// kindOf returns what a file says that it is: "bench", "plan", "sweep"; empty where it says nothing.
func kindOf(data []byte) string {
	for line := range strings.Lines(string(data)) {
		if rest, ok := strings.CutPrefix(line, "provoke:"); ok {
			kind, _, _ := strings.Cut(strings.Trim(rest, " \t\r\n\"'"), " ")
			return kind
		}
	}
	return ""
}

// LoadPlanAlone reads a plan file without the bench that it names.
func LoadPlanAlone(file string) (*plan.Plan, problem.List, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, nil, fmt.Errorf("read the plan file: %w", err)
	}
	p, list := plan.Parse(file, data, Beside(file))
	return p, list, list.Err()
}
