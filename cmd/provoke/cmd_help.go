package main

import (
	"fmt"
	"runtime/debug"
	"strings"

	"github.com/alecthomas/kong"

	"provoke/internal/terminal"
)

// version is the program's version, set by the linker for a release. Another build calls itself what Go found in the
// source's tags and changes, where it did.
var version = ""

func init() {
	if version != "" {
		return
	}
	version = "0.1-dev"
	if info, ok := debug.ReadBuildInfo(); ok {
		if v, found := strings.CutPrefix(info.Main.Version, "v"); found {
			version = v
		}
	}
}

type versionCommand struct{}

func (c *versionCommand) Run(w *terminal.World) error {
	_, err := fmt.Fprintln(w.Stdout, "provoke", version)
	return err
}

type helpCommand struct {
	Command []string `arg:"" optional:"" help:"The command, e.g. \"run\" or \"design clamp\"."`
}

func (c *helpCommand) Run(ctx *kong.Context) error {
	at, err := kong.Trace(ctx.Kong, c.Command)
	if err == nil {
		err = at.Error
	}
	if err != nil {
		return terminal.WithCode(terminal.ExitUsage, fmt.Errorf("%w\n\tsee: provoke help", err))
	}
	return at.PrintUsage(false)
}

// begin says where to begin, to whoever typed nothing but the program's name.
func begin(w *terminal.World) int {
	fmt.Fprint(w.Stdout, `provoke reproduces a radio-frequency immunity failure on your own bench, finds
its threshold, and proves the fix. Where to begin:

  provoke demo          do the whole job on a simulated bench, without hardware,
                        in under a minute
  provoke new mybench   set up your own bench: writes its files, with comments
                        and blanks to fill in
  provoke serve         do either on a page: prints its address for your browser

provoke help            lists all commands; provoke help COMMAND tells one
`)
	return terminal.ExitUsage
}
