// Command provoke reproduces a radio-frequency immunity failure on a bench of one's own: it plans,
// protects, drives, records, finds thresholds, compares and reports.
//
// This package holds the flags, the wiring of the internal packages, the exit codes and how the
// program speaks. Everything that reaches outside the process hangs on a world, so that a test
// runs the very commands the user runs.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"regexp"
	"runtime/debug"
	"strings"
	"sync"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"provoke/internal/job/event"
	"provoke/internal/terminal"
)

// commands is the whole command line.
type commands struct {
	Demo       demoCommand       `cmd:"" help:"Do the whole job on the simulated bench: reproduce, find thresholds, fix, prove, report."`
	New        newCommand        `cmd:"" help:"Write commented bench and plan files for your own gear into a folder."`
	Bench      benchCommand      `cmd:"" help:"Check a bench file, then print the chain and its ratings."`
	Budget     budgetCommand     `cmd:"" help:"Compute the chain before switching on: level, peak and headroom at every node over frequency."`
	Plan       planCommand       `cmd:"" help:"Dry run of a plan: frequencies, levels, worst case at every rating, duration; its quick look and close look."`
	Run        runCommand        `cmd:"" help:"Expose the product as the plan says, guarded, and journal every point."`
	Fix        fixCommand        `cmd:"" help:"Follow the onset live while you change the product: hands in, a try, what it did."`
	Serve      serveCommand      `cmd:"" help:"Do the whole job on a web page, on this computer."`
	Findings   findingsCommand   `cmd:"" help:"Print upsets, immunity profile and margin of a run."`
	Compare    compareCommand    `cmd:"" help:"Compare two runs, before and after: gain per frequency, verdict."`
	Report     reportCommand     `cmd:"" help:"Write the report of a job."`
	Journal    journalCommand    `cmd:"" help:"Print, verify or copy the journal of a job."`
	Archive    archiveCommand    `cmd:"" help:"Keep the jobs of many benches in one place, and ask over all of them."`
	Note       noteCommand       `cmd:"" help:"Add a remark to a run."`
	Attach     attachCommand     `cmd:"" help:"Add a photo or file to a run."`
	Keys       keysCommand       `cmd:"" help:"List the keys of bench, plan, laboratory, about, table and cable files."`
	Level      levelCommand      `cmd:"" help:"The desk calculator of the trade: levels, currents, peaks, conversions."`
	Touchstone touchstoneCommand `cmd:"" help:"Print what is in a Touchstone file."`
	Find       findCommand       `cmd:"" help:"Find instruments on the network, on USB and on serial ports, and ask who they are."`
	Simulate   simulateCommand   `cmd:"" help:"Serve the simulated bench for any SCPI client."`
	Off        offCommand        `cmd:"" help:"Silence everything on a bench now, and read back that it is silent."`

	gearCommands
	modelCommands
	confidenceCommands

	Rehearse rehearseCommand `cmd:"" help:"Go through arming, trip, dead-man, watcher and off on your own bench, at its lowest level."`
	Selftest selftestCommand `cmd:"" help:"Show on this machine what a run survives: faults and kills, on the simulated bench."`
	Hold     holdCommand     `cmd:"" hidden:"" help:"Keep RF on at the lowest level until it is killed; started by a rehearsal."`
	Watch    watchCommand    `cmd:"" hidden:"" help:"Watch a run from a second process; started by the run itself."`

	Help       helpCommand       `cmd:"" help:"Print the help of a command, or this list."`
	Completion completionCommand `cmd:"" help:"Print a script with which a shell completes commands, flags and files."`
	Complete   completeCommand   `cmd:"" hidden:"" help:"Print what may follow; asked by a shell's script."`
	Man        manCommand        `cmd:"" hidden:"" help:"Write the manual pages into a folder; for a release."`
	Told       versionCommand    `cmd:"" name:"version" help:"Print the version."`

	Version kong.VersionFlag `help:"Print the version."`
}

// begun is called once the command line is known.
var begun = func() {}

func main() {
	collect := debug.SetGCPercent(-1) // what is made until then lives on, and is little
	begun = sync.OnceFunc(func() { debug.SetGCPercent(collect) })
	signals := make(chan os.Signal, 4)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	ignoreFileLimit()
	info, err := os.Stderr.Stat()
	w := &terminal.World{
		Ctx:   context.Background(),
		Stdin: os.Stdin, Stdout: terminal.Screen{File: os.Stdout}, Stderr: terminal.Screen{File: os.Stderr},
		Terminal: err == nil && info.Mode()&os.ModeCharDevice != 0,
		Now:      time.Now,
		Signals:  signals,
	}
	os.Exit(run(w, os.Args[1:]))
}

// run runs one command line and returns its exit code.
func run(w *terminal.World, args []string) (code int) {
	out, said := &terminal.Writer{To: w.Stdout}, &terminal.Writer{To: w.Stderr}
	defer out.Flush()
	defer said.Flush()
	safe := *w
	w = &safe
	w.Stdout, w.Stderr, w.Program = out, said, version
	var cli commands
	exited := -1
	parser, err := kong.New(&cli,
		kong.Name("provoke"),
		kong.Description("Reproduce a radio-frequency immunity failure on your own bench, find its threshold, prove "+
			"the fix."),
		kong.Vars{"version": "provoke " + version},
		kong.Writers(w.Stdout, w.Stderr),
		kong.Exit(func(c int) { exited = c; panic(exitNow{}) }),
		kong.UsageOnError(),
	)
	if err != nil {
		fmt.Fprintln(w.Stderr, "provoke:", err)
		return terminal.ExitError
	}
	defer func() {
		if r := recover(); r != nil {
			if _, ok := r.(exitNow); !ok {
				panic(r)
			}
			code = exited
		}
	}()
	if len(args) == 0 && thisDesktop.alone() {
		begun()
		return thisDesktop.open(w)
	} else if len(args) == 0 {
		return begin(w)
	}
	ctx, err := parser.Parse(minusSigns(args))
	begun()
	if err != nil {
		fmt.Fprintf(w.Stderr, "provoke: %s\n",
			event.Printable(plainly.Replace(err.Error())))
		var pe *kong.ParseError
		if errors.As(err, &pe) && pe.Context != nil && pe.Context.Command() != "" {
			fmt.Fprintf(w.Stderr, "\tsee: provoke %s --help\n", strings.Fields(pe.Context.Command())[0])
		} else {
			fmt.Fprintln(w.Stderr, "\tsee: provoke --help")
		}
		return terminal.ExitUsage
	}
	if err := ctx.Run(w); err != nil {
		return terminal.Speak(w, err)
	}
	if err := out.Lost(); err != nil { // where a command writes on, it is done all the same
		return terminal.Speak(w, fmt.Errorf("the command is done, but not all that it prints was written: %w", err))
	}
	return terminal.ExitDone
}

// plainly rewords what the library says of flags.
var plainly = strings.NewReplacer(`,"" but got `, ` but got `, ` but got "EOL" (<EOL>)`, ", and nothing follows",
	`expected int value but got "EOL" (<EOL>)`, "a number has to follow",
	`expected string value but got "EOL" (<EOL>)`, "something has to follow")

// negativeQuantity is a negative number with one unit or none.
var negativeQuantity = regexp.MustCompile(`^-[0-9.,][^\s]*( [^\s]+)?$`)

// minusSigns turns the hyphen of an argument such as "-20 dBm" into a minus sign, so that a negative
// quantity is not taken for a flag. Every quantity is read with either. What follows "--" stays.
func minusSigns(args []string) []string {
	out := append([]string(nil), args...)
	for i, a := range out {
		if a == "--" {
			break
		}
		if negativeQuantity.MatchString(a) {
			out[i] = "\u2212" + a[1:]
		}
	}
	return out
}

type exitNow struct{}
