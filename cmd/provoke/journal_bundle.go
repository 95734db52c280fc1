package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// bundleJSON is what --export and --import print with --json.
type bundleJSON struct {
	Run         int    `json:"run"`
	Records     int64  `json:"records"`
	Head        string `json:"head"`
	Attachments int    `json:"attachments"`
	Manifest    string `json:"manifest"`
}

// export writes a run as a bundle, whole or not at all.
func (c *journalCommand) export(w *terminal.World, job *store.Job) error {
	run := c.Number
	if run == 0 {
		var err error
		if run, err = job.Newest(); err != nil {
			return err
		}
	}
	f, err := os.OpenFile(c.Export, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return fmt.Errorf("make the bundle: %w", err)
	}
	b, err := job.Export(run, f)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(c.Export)
		return err
	}
	return c.tellBundle(w, b, "written to "+event.Printable(c.Export))
}

// importRun verifies a bundle and takes its run in.
func (c *journalCommand) importRun(w *terminal.World) error {
	if c.Export != "" || c.Copy != "" || c.Verify {
		return terminal.WithCode(terminal.ExitUsage, errors.New("--import is done by itself: leave --export, --copy and --verify away"))
	}
	f, err := os.Open(c.Import)
	if err != nil {
		return fmt.Errorf("open the bundle: %w", err)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("open the bundle: %w", err)
	}
	job, leave, err := openJob(c.Job, false)
	if err != nil {
		return err
	}
	defer leave()
	b, err := job.Import(f, info.Size(), w.Now(), filepath.Base(c.Import))
	if errors.Is(err, store.ErrBundle) {
		return terminal.WithCode(terminal.ExitNotVerified, err)
	}
	if err != nil {
		return err
	}
	return c.tellBundle(w, b, "verified and taken into "+event.Printable(c.Job))
}

func (c *journalCommand) tellBundle(w *terminal.World, b store.Bundle, what string) error {
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, bundleJSON{b.Run, b.Records, b.Head, b.Attachments, b.Manifest})
	}
	fmt.Fprintf(w.Stdout, "run %d %s: %s, head %s, %s\nmanifest %s (hashes, no signature: note head or manifest elsewhere)\n",
		b.Run, what, english.Count(int(b.Records), "record", "records"), b.Head, english.Count(b.Attachments, "attachment", "attachments"), b.Manifest)
	return nil
}
