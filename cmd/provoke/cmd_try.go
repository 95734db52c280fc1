package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/run/session"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// tryCommand proves a command table on the instrument that it is for.
type tryCommand struct {
	Bench     string `arg:"" type:"path" help:"Bench file."`
	Role      string `arg:"" help:"Role or id of the instrument: source, amplifier, analyser, \"power meter\", meter, interlock, switch, relay, capture, or its id; or the id of a camera or microphone."`
	Output    string `short:"o" placeholder:"FILE" type:"path" help:"Write the transcript here; it is the table's test from then on. Of a camera: the picture with its regions."`
	DummyLoad bool   `name:"dummy-load" help:"I confirm that nothing but a dummy load hangs on the source's output: prove that off changes it."`
	Latency   bool   `help:"Of a camera or microphone: measure how late it is. The power relay switches the product off and on, five times."`
	Against   string `placeholder:"FILE" type:"path" help:"Play the instrument's part from this transcript; no instrument is touched."`
}

// Help is the long help.
func (tryCommand) Help() string {
	return `Asks each query of the table, sets each setting at a harmless level with the output off, and reads everything back. What would
raise RF is left out: output on, operate. A source ends at its lowest level, off. With --dummy-load the output goes on once, at the
lowest level, and off again: a source that refuses or ignores its off command is found. The slowest answer is measured and compared
with the time in which RF must be off.

The transcript is the conversation as it went over the connection: "> " before what was sent, "< " before what was answered.
With --against it stands in for the instrument, so that a table that is changed later still says what it said when it was proved.
Exit code 1 when anything did not read back.

A monitor of kind camera is switched on for five seconds, and what each of its regions shows is told; one of kind
sound, and how loud its band is.`
}

// tryLimit bounds the whole trial of one instrument.
const tryLimit = 2 * time.Minute

// Run tries one instrument.
func (c *tryCommand) Run(w *terminal.World) error {
	b, list, err := session.LoadBench(c.Bench)
	if err != nil {
		return err
	}
	for _, p := range list.Warnings().Folded() {
		fmt.Fprintln(w.Stderr, p)
	}
	if m := session.CameraOf(b, c.Role); m != nil {
		return session.TryCamera(w, b, *m, c.Latency, c.Output)
	}
	if m := session.MicrophoneOf(b, c.Role); m != nil {
		return session.TryMicrophone(w, b, *m, c.Latency)
	}
	if c.Latency {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--latency is for a monitor of kind camera or "+
			"sound, and %s is neither", c.Role))
	}
	var against *driver.Transcript
	if c.Against != "" {
		text, err := terminal.ReadText(c.Against)
		if err != nil {
			return fmt.Errorf("read the transcript: %w", err)
		}
		if against, err = driver.ParseTranscript(string(text)); err != nil {
			return fmt.Errorf("%s: %w", c.Against, err)
		}
	}
	ctx, cancel := context.WithTimeout(w.Ctx, tryLimit)
	defer cancel()
	trial, err := driver.Try(ctx, b, c.Role, driver.Options{DummyLoad: c.DummyLoad}, against)
	if trial.Name == "" {
		return err
	}
	trial.Print(w.Stdout)
	if werr := c.write(w, trial, against != nil); werr != nil {
		return errors.Join(err, werr)
	}
	if err != nil {
		return err
	}
	if against != nil {
		if err := against.Differs(); err != nil {
			return fmt.Errorf("%s: %w", c.Against, err)
		}
		fmt.Fprintln(w.Stdout, "\nthe table says what the transcript says")
	}
	if n := trial.Failed(); n > 0 {
		return fmt.Errorf("%s of the table %q did not work on this instrument", english.Count(n, "thing", "things"),
			trial.Table.Name)
	}
	return nil
}

// write writes the transcript to its file, or prints it.
func (c *tryCommand) write(w *terminal.World, trial driver.Trial, played bool) error {
	switch {
	case played:
		return nil
	case c.Output != "":
		if err := os.WriteFile(c.Output, []byte(trial.Transcript.String()), 0o644); err != nil {
			return fmt.Errorf("write the transcript: %w", err)
		}
		fmt.Fprintf(w.Stdout, "\ntranscript: %s\n", c.Output)
		return nil
	}
	fmt.Fprintln(w.Stdout)
	for _, line := range trial.Transcript.Shortened() {
		fmt.Fprintln(w.Stdout, line)
	}
	return nil
}
