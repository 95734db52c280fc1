package main

import (
	"fmt"
	"io"

	"provoke/internal/faces/calculator/keys"
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

// Run prints the keys.
func (c *keysCommand) Run(w *terminal.World) error {
	if c.Table != "" {
		return keys.PrintTable(w.Stdout, c.Table)
	}
	files := keys.Files()
	if c.File != "" {
		for _, f := range keys.Files() {
			if f.Name == c.File {
				files = []keys.File{f}
			}
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, struct {
			Files []keys.File `json:"files"`
		}{files})
	}
	return terminal.OnPage(w.Stdout, func(out io.Writer) error {
		for i, f := range files {
			if i > 0 {
				fmt.Fprintln(out)
			}
			if err := f.Print(out); err != nil {
				return err
			}
		}
		return nil
	})
}
