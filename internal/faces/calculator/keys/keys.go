// Package keys lists the keys of the program's own files, from what their decoders take.
package keys

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

// File is one kind of file with its keys.
type File struct {
	Name     string    `json:"file"`
	First    string    `json:"first_line"`
	Sections []Section `json:"sections"`
}

// Section is a part of a file with its keys.
type Section struct {
	Title string `json:"title"`
	Keys  []Key  `json:"keys"`
}

// Key is one key: what it takes, and what it means.
type Key struct {
	Key      string  `json:"key"`
	Takes    string  `json:"takes"`
	Required bool    `json:"required"`
	Default  *string `json:"default"`
	Means    string  `json:"means"`
}

// Files lists what every kind of file takes.
func Files() []File {
	return []File{
		{"bench", "provoke: " + catalog.Kind, []Section{section("the file", catalog.Keys()),
			section("the kinds of monitors", catalog.MonitorKeys()),
			section("a curve, where it is no single value", catalog.CurveKeys()),
			section("an uncertainty, where it is no single text", catalog.UncertaintyKeys())}},
		{"plan", "provoke: plan 1", []Section{section("the file", plan.Keys())}},
		{"laboratory", "provoke: laboratory 1", []Section{section("the file", analysis.LaboratoryKeys())}},
		{"about", "provoke: " + tell.AboutKind, []Section{section("the file", tell.AboutKeys())}},
		{"table", "provoke: " + driver.TableKind, append([]Section{section("the file", driver.TableKeys())},
			verbSections()...)},
		{"cable", "provoke: " + cable.Kind, []Section{section("the file", cable.Keys()),
			section("a part", cable.PartKeys())}},
	}
}

// verbSections lists what an instrument of each role can be told and asked.
func verbSections() []Section {
	var out []Section
	for _, role := range driver.Roles {
		out = append(out, section("commands of the role "+string(role), driver.Verbs(role)))
	}
	return out
}

// PrintTable prints a built-in command table as a file.
func PrintTable(out io.Writer, name string) error {
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

func section(title string, keys []document.Key) Section {
	s := Section{Title: title}
	for _, k := range keys {
		x := Key{Key: k.Path, Takes: k.Takes, Required: k.Required, Means: k.Says}
		if k.Default != "" {
			x.Default = &k.Default
		}
		s.Keys = append(s.Keys, x)
	}
	return s
}

// Print prints the keys of one file; * marks what is required where its holder stands.
func (f File) Print(out io.Writer) error {
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

func star(k Key) string {
	if k.Required {
		return " *"
	}
	return ""
}

func (k Key) byDefault() string {
	if k.Default == nil {
		return ""
	}
	return *k.Default
}

// Page is docs/files.md.
func Page() string {
	var b strings.Builder
	b.WriteString("# The keys of the files\n\nMade from what the decoders take (`provoke keys` prints the same; a test " +
		"fails when this page is stale). " +
		"Files are YAML, read strictly: a key that is\nnot listed is refused, and so is a number without its unit. " +
		"Prefixes go with units (kHz, mA, ms). " +
		"A list has `[]` behind its name, a mapping of names `.NAME`.\nRequired means: where what holds it stands in " +
		"the file. `provoke new DIR` writes commented files to begin with.\n")
	for _, f := range Files() {
		fmt.Fprintf(&b, "\n## %s file\n\nIts first line is `%s`.\n", strings.ToUpper(f.Name[:1])+f.Name[1:], f.First)
		for _, s := range f.Sections {
			if len(f.Sections) > 1 {
				fmt.Fprintf(&b, "\n### %s\n", strings.ToUpper(s.Title[:1])+s.Title[1:])
			}
			b.WriteString("\n| key | takes | required | default | means |\n| --- | --- | --- | --- | --- |\n")
			for _, k := range s.Keys {
				required := ""
				if k.Required {
					required = "yes"
				}
				fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", k.Key, inCell(k.Takes), required,
					inCell(k.byDefault()), inCell(k.Means))
			}
		}
	}
	return b.String()
}

func inCell(s string) string { return strings.ReplaceAll(s, "|", `\|`) }
