package main

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sort"
	"strconv"
	"strings"
)

//go:embed carrier.go.txt
var carrier string

// build compiles the package's tests with every change in them, and drops the changes that the compiler does
// not take, such as a number where only a constant may stand.
func (s *source) build(ctx context.Context, pkg, folder string, mutants []*mutant) (binary string, err error) {
	binary = filepath.Join(folder, pkg+".test")
	for range 12 {
		replace, err := s.overlay(folder, mutants)
		if err != nil {
			return "", err
		}
		c := exec.CommandContext(ctx, "go", "test", "-c", "-vet=off", "-gcflags=-e", "-overlay", replace, "-o",
			binary, home(pkg))
		var said bytes.Buffer
		c.Stdout, c.Stderr = &said, &said
		if err = c.Run(); err == nil {
			return binary, nil
		}
		if !drop(said.String(), folder, mutants) {
			return "", fmt.Errorf("compile the changed package: %w\n%s", err, said.String())
		}
	}
	return "", fmt.Errorf("compile the changed package: the compiler takes offence again and again")
}

// overlay writes the changed files and the one that says which lies where.
func (s *source) overlay(folder string, mutants []*mutant) (string, error) {
	replace := map[string]string{}
	put := func(original string, text []byte) error {
		changed := filepath.Join(folder, filepath.Base(original))
		replace[original] = changed
		return os.WriteFile(changed, text, 0o600)
	}
	for file, text := range s.changed(mutants) {
		if err := put(file, text); err != nil {
			return "", err
		}
	}
	text := strings.NewReplacer("PACKAGE", s.name, "COUNT", strconv.Itoa(len(mutants)+1)).Replace(carrier)
	if err := put(filepath.Join(s.folder, "zz_mutant_carrier.go"), []byte(text)); err != nil {
		return "", err
	}
	list, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	file := filepath.Join(folder, "overlay.json")
	return file, os.WriteFile(file, list, 0o600)
}

var complaint = regexp.MustCompile(`(?m)([^\s:]+\.go):(\d+):(\d+): `)

// drop takes out what the compiler complained of: of the changes on that line of the file the one that
// begins nearest before the place. It reports whether there was any.
func drop(said, folder string, mutants []*mutant) bool {
	dropped := false
	for _, m := range complaint.FindAllStringSubmatch(said, -1) {
		line, _ := strconv.Atoi(m[2])
		column, _ := strconv.Atoi(m[3])
		text, err := os.ReadFile(filepath.Join(folder, filepath.Base(m[1])))
		if err != nil {
			continue
		}
		if lines := strings.Split(string(text), "\n"); line <= len(lines) {
			if x := blamed(lines[line-1], column, mutants); x != nil {
				x.droppedBecauseOfCompiler, dropped = true, true
			}
		}
	}
	return dropped
}

var call = regexp.MustCompile(`mutant[A-Za-z]+(?:\[[^\]]*\])?\((\d+)`)

func blamed(line string, column int, mutants []*mutant) *mutant {
	places := call.FindAllStringSubmatchIndex(line, -1)
	sort.SliceStable(places, func(i, j int) bool {
		return apart(places[i][0]+1, column) < apart(places[j][0]+1,
			column)
	})
	for _, p := range places {
		id, _ := strconv.Atoi(line[p[2]:p[3]])
		if id > 0 && id <= len(mutants) && !mutants[id-1].droppedBecauseOfCompiler {
			return mutants[id-1]
		}
	}
	return nil
}

// apart prefers what begins before the place.
func apart(at, column int) int {
	if at <= column {
		return column - at
	}
	return 1000 + at - column
}
