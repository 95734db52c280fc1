// Command mutate changes the program in small ways, one at a time, and tells which changes no test of the
// package notices:
//
//	go run ./internal/tools/mutate -n 200 guard chain plan
//	go run ./internal/tools/mutate -within 60s guard
//
// All changes of a package are compiled into one test binary that carries out none of them until it is told
// which; so a change costs the time of the tests that reach it, and not that of a compiler. Which tests those
// are the binary tells too. A change that survives is printed by function, operator and text, unless judged.tsv
// says why it may. What was found out is kept under -results, and a second call goes on from there as long as
// the package has not changed. It exits with 1 when fewer than -least per cent are killed or judged.
package main

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

func main() {
	var o options
	flag.IntVar(&o.sample, "n", 200, "how many changes of each package are tried; 0 for all")
	flag.Uint64Var(&o.seed, "seed", 1, "which sample is drawn")
	flag.DurationVar(&o.within, "within", 90*time.Minute, "time for all of it; what is not tried by then is counted")
	flag.IntVar(&o.parallel, "parallel", 2, "how many test binaries run at once")
	flag.StringVar(&o.results, "results", filepath.Join(os.TempDir(), "provoke-mutants"),
		"folder in which results are kept; empty for none")
	flag.StringVar(&o.only, "only", "", "regular expression; only changes whose description it finds")
	flag.BoolVar(&o.believe, "believe", false,
		"while tests are being added: a change that was killed by earlier tests of this code is not tried again")
	flag.DurationVar(&o.slowest, "slowest", 0,
		"leave out tests that take longer than this alone; 0 for none. What only they kill counts as survived")
	flag.Float64Var(&o.least, "least",
		100, "exit with 1 when fewer than so many per cent of the changes that were tried are killed or judged")
	flag.BoolVar(&o.list, "list", false, "print the changes and try none")
	flag.Parse()
	enough, err := run(o, flag.Args())
	if err != nil {
		fmt.Fprintln(os.Stderr, "mutate:", err)
		os.Exit(2)
	}
	if !enough {
		os.Exit(1)
	}
}

type options struct {
	sample, parallel int
	seed             uint64
	within, slowest  time.Duration
	results, only    string
	list, believe    bool
	least            float64
}

// run tries the changes of each package and says whether enough of each are killed or judged.
func run(o options, packages []string) (enough bool, err error) {
	if len(packages) == 0 {
		packages = []string{"guard", "chain", "plan", "threshold", "uncertainty", "engine", "rf"}
	}
	judged, err := readJudged(judgedFile)
	if err != nil {
		return false, err
	}
	enough = true
	end := time.Now().Add(o.within)
	for i, name := range packages {
		// What is left is shared out among the packages that are left.
		share := time.Until(end) / time.Duration(len(packages)-i)
		t, err := try(o, name, judged, time.Now().Add(share))
		if err != nil {
			return false, fmt.Errorf("%s: %w", name, err)
		}
		t.print(os.Stdout)
		enough = enough && t.share() >= o.least
	}
	for _, j := range judged.unused(packages) {
		if o.sample > 0 {
			break // a sample does not draw all of them
		}
		fmt.Printf("judged.tsv: no such change any more: %s\n", j)
	}
	return enough, nil
}
