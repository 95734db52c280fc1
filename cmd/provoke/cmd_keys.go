package main

import (
	"fmt"
	"io"
	"strings"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/model/cable"
	"provoke/internal/tell"
	"provoke/internal/terminal"
)

type keysCommand struct {
	File  string `arg:"" optional:"" enum:"bench,plan,laboratory,about,table,cable," default:"" help:"Which file: bench, plan, laboratory, about, table or cable; all when not given."`
	Table string `placeholder:"NAME" help:"Print the built-in command table of that name, such as \"signal generator\", as a file to start from."`
	JSON  bool   `name:"json" help:"Print the keys as JSON."`
}

// Help is the long help.
func (keysCommand) Help() string {
	return `Every key is read strictly: one that is not listed is refused, and so is a number without a unit. The list is made from
what the decoder itself takes. docs/files.md is the same as a page. For command tables the verbs of every role are listed too.

--table NAME prints a built-in command table as a file that is read back as the same table: change it, name it under tables: in
the bench file, and prove it with provoke try.

--json prints {"files":[{"file","first_line","sections":[{"title","keys":[{"key","takes","required","default","means"}]}]}]}.`
}

// keyedFile is one kind of file with its keys.
type keyedFile struct {
	Name     string       `json:"file"`
	First    string       `json:"first_line"`
	Sections []keySection `json:"sections"`
}

type keySection struct {
	Title string     `json:"title"`
	Keys  []keyShape `json:"keys"`
}

type keyShape struct {
	Key      string  `json:"key"`
	Takes    string  `json:"takes"`
	Required bool    `json:"required"`
	Default  *string `json:"default"`
	Means    string  `json:"means"`
}

// keyedFiles lists what every kind of file takes.
func keyedFiles() []keyedFile {
	return []keyedFile{
		{"bench", "provoke: " + catalog.Kind, []keySection{section("the file", catalog.Keys()), section("a curve, where it is no single value", catalog.CurveKeys()), section("an uncertainty, where it is no single text", catalog.UncertaintyKeys())}},
		{"plan", "provoke: plan 1", []keySection{section("the file", plan.Keys())}},
		{"laboratory", "provoke: laboratory 1", []keySection{section("the file", analysis.LaboratoryKeys())}},
		{"about", "provoke: " + tell.AboutKind, []keySection{section("the file", tell.AboutKeys())}},
		{"table", "provoke: " + driver.TableKind, append([]keySection{section("the file", driver.TableKeys())}, verbSections()...)},
		{"cable", "provoke: " + cable.Kind, []keySection{section("the file", cable.Keys()), section("a part", cable.PartKeys())}},
	}
}

// verbSections lists what an instrument of each role can be told and asked.
func verbSections() []keySection {
	var out []keySection
	for _, role := range driver.Roles {
		out = append(out, section("commands of the role "+string(role), driver.Verbs(role)))
	}
	return out
}

// printTable prints a built-in command table as a file.
func printTable(out io.Writer, name string) error {
	var names []string
	for _, t := range driver.BuiltIn() {
		if t.Name == name {
			_, err := out.Write(t.File())
			return err
		}
		names = append(names, fmt.Sprintf("%q", t.Name))
	}
	return fmt.Errorf("print a command table: none is called %q; built in are %s", name, strings.Join(names, ", "))
}

func section(title string, keys []document.Key) keySection {
	s := keySection{Title: title}
	for _, k := range keys {
		x := keyShape{Key: k.Path, Takes: k.Takes, Required: k.Required, Means: k.Says}
		if k.Default != "" {
			x.Default = &k.Default
		}
		s.Keys = append(s.Keys, x)
	}
	return s
}

// Run prints the keys.
func (c *keysCommand) Run(w *terminal.World) error {
	if c.Table != "" {
		return printTable(w.Stdout, c.Table)
	}
	files := keyedFiles()
	if c.File != "" {
		for _, f := range keyedFiles() {
			if f.Name == c.File {
				files = []keyedFile{f}
			}
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, struct {
			Files []keyedFile `json:"files"`
		}{files})
	}
	return terminal.OnPage(w.Stdout, func(out io.Writer) error {
		for i, f := range files {
			if i > 0 {
				fmt.Fprintln(out)
			}
			if err := f.print(out); err != nil {
				return err
			}
		}
		return nil
	})
}

// print prints the keys of one file; * marks what is required where its holder stands.
func (f keyedFile) print(out io.Writer) error {
	fmt.Fprintf(out, "%s file; its first line is %q; * is required\n", f.Name, f.First)
	for _, s := range f.Sections {
		fmt.Fprintf(out, "\n%s\n", s.Title)
		t := terminal.Table(out)
		fmt.Fprintln(t, "  key\ttakes\tdefault\tmeans")
		for _, k := range s.Keys {
			fmt.Fprintf(t, "  %s%s\t%s\t%s\t%s\n", k.Key, star(k), k.Takes, k.byDefault(), k.Means)
		}
		if err := t.Flush(); err != nil {
			return err
		}
	}
	return nil
}

func star(k keyShape) string {
	if k.Required {
		return " *"
	}
	return ""
}

func (k keyShape) byDefault() string {
	if k.Default == nil {
		return ""
	}
	return *k.Default
}
