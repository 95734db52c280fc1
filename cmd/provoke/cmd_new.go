package main

import (
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"unicode"

	"provoke/internal/files/document"
	"provoke/internal/findings/remedy"
	"provoke/internal/model/cable"
	"provoke/internal/model/design"
	"provoke/internal/terminal"
)

//go:embed template/bench.yaml
var benchTemplate string

//go:embed template/plan.yaml
var planTemplate string

//go:embed template/first.yaml
var firstTemplate string

//go:embed template/about.yaml
var aboutTemplate string

type newCommand struct {
	Dir    string `arg:"" help:"Folder, made when it does not exist."`
	Models bool   `help:"Write commented, invented examples for cable, decoupling, remedy and design instead."`
}

// Help is the long help.
func (newCommand) Help() string {
	return `Writes bench.yaml, plan.yaml, for a first look in a minute or two first.yaml, and for the report about.yaml, commented. What only you know is marked ` + document.Blank + `; "provoke bench" then names
each blank with its line. Files that exist are left alone.

--models writes cable.yaml, decoupling.yaml, parts.yaml and clamp.yaml with the tables that they name: invented examples that
provoke cable, decoupling, remedy and design clamp read as they stand. docs/cable.md and docs/models.md walk through them.`
}

// Run writes the files, none where one of them exists.
func (c *newCommand) Run(w *terminal.World) error {
	files := []newFile{{"bench.yaml", benchTemplate}, {"plan.yaml", planTemplate}, {"first.yaml", firstTemplate},
		{"about.yaml", aboutTemplate}}
	if c.Models {
		files = modelFiles()
	}
	var there []string
	for _, f := range files {
		if _, err := os.Lstat(filepath.Join(c.Dir, f.name)); err == nil {
			there = append(there, filepath.Join(c.Dir, f.name))
		} else if !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("look into the folder: %w", err)
		}
	}
	if len(there) > 0 {
		return fmt.Errorf("%s already there; nothing was written: move it away or name another folder",
			alreadyThere(there))
	}
	if err := os.MkdirAll(c.Dir, 0o755); err != nil {
		return fmt.Errorf("make the folder: %w", err)
	}
	for _, f := range files {
		if err := terminal.WriteNew(filepath.Join(c.Dir, f.name), f.text); err != nil {
			return err
		}
	}
	if c.Models {
		fmt.Fprintf(w.Stdout, "wrote invented examples into %s: try provoke cable %s\n",
			c.Dir, filepath.Join(c.Dir, "cable.yaml"))
		return nil
	}
	bench := filepath.Join(c.Dir, "bench.yaml")
	blanks := strings.Count(benchTemplate, ": "+document.Blank)
	fmt.Fprintf(w.Stdout, "wrote %s, %s, %s and %s\n", bench, filepath.Join(c.Dir, "plan.yaml"),
		filepath.Join(c.Dir, "first.yaml"), filepath.Join(c.Dir, "about.yaml"))
	if strings.ContainsFunc(bench, unicode.IsSpace) {
		bench = strconv.Quote(bench)
	}
	fmt.Fprintf(w.Stdout, "fill in the %d blanks of your own gear; this names those that are left:\n"+
		"  provoke bench %s\n", blanks, bench)
	return nil
}

type newFile struct{ name, text string }

// modelFiles are the examples of the models' files, which name each other.
func modelFiles() []newFile {
	return []newFile{
		{"cable.yaml", cable.SampleCable},
		{"decoupling.yaml", strings.ReplaceAll(cable.SampleDecoupling, "belt-weigher-cable.yaml", "cable.yaml")},
		{"parts.yaml", remedy.SampleParts},
		{"clamp.yaml", design.SampleClamp},
		{"demo-nizn.csv", cable.SampleNickelZinc},
		{"invented-mnzn.csv", cable.SampleManganeseZinc},
	}
}

func alreadyThere(names []string) string {
	if len(names) == 1 {
		return names[0] + " is"
	}
	return strings.Join(names, " and ") + " are"
}
