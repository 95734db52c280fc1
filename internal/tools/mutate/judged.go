package main

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
)

// judgedFile holds the changes that may survive, a line each: package, function, operator, text and ordinal as
// the tool prints them, and the reason why no test can notice it, separated by tabs. The function's name and not
// its file identifies a change, so that a move of a file loses nothing.
const judgedFile = "internal/tools/mutate/judged.tsv"

// judgements are the lines of the file.
type judgements struct {
	reasons map[string]string
	used    map[string]bool
}

func readJudged(file string) (*judgements, error) {
	j := &judgements{reasons: map[string]string{}, used: map[string]bool{}}
	text, err := os.ReadFile(file)
	if errors.Is(err, os.ErrNotExist) {
		return j, nil
	}
	if err != nil {
		return nil, err
	}
	for i, line := range strings.Split(string(text), "\n") {
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		parts := strings.Split(line, "\t")
		if len(parts) != 6 || strings.TrimSpace(parts[5]) == "" {
			return nil,
				fmt.Errorf("%s:%d: want package, function, operator, text, ordinal and a reason, separated by tabs",
					file, i+1)
		}
		key := strings.Join(parts[:5], "\t")
		if _, twice := j.reasons[key]; twice {
			return nil, fmt.Errorf("%s:%d: this change is judged twice", file, i+1)
		}
		j.reasons[key] = parts[5]
	}
	return j, nil
}

// equivalent reports that a change was judged, and notes that the judgement was needed.
func (j *judgements) equivalent(m *mutant) bool {
	_, ok := j.reasons[m.key]
	if ok {
		j.used[m.key] = true
	}
	return ok
}

// unused returns judgements of the packages that nothing needed.
func (j *judgements) unused(packages []string) []string {
	var out []string
	for key := range j.reasons {
		if pkg, _, _ := strings.Cut(key, "\t"); !j.used[key] && slices.Contains(packages, pkg) {
			out = append(out, key)
		}
	}
	slices.Sort(out)
	return out
}
