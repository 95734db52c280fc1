// Command fuzz runs every fuzz target of the module, one after the other, each for the same time, and
// prints what came of it:
//
//	go run ./internal/tools/fuzz -time 30s
//	go run ./internal/tools/fuzz -time 5m -only 'store|web'
//
// A failing input stays where go test writes it, in testdata/fuzz beside the target: keep it, mend the
// cause, and every later go test tries it again. It exits with 1 when a target failed.
package main

import (
	"context"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"text/tabwriter"
	"time"
)

func main() {
	each := flag.Duration("time", 30*time.Second, "how long each target runs")
	parallel := flag.Int("parallel", 2, "how many processes try inputs")
	only := flag.String("only", "", "regular expression; only targets whose folder or name it finds")
	flag.Parse()
	if err := run(*each, *parallel, *only); err != nil {
		fmt.Fprintln(os.Stderr, "fuzz:", err)
		os.Exit(1)
	}
}

func run(each time.Duration, parallel int, only string) error {
	wanted, err := regexp.Compile(only)
	if err != nil {
		return err
	}
	list, err := targets(".")
	if err != nil {
		return err
	}
	out := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', 0)
	defer out.Flush()
	fmt.Fprintln(out, "target\texecutions\tnew inputs\tcorpus\tfailures")
	var failed []string
	var all tally
	for _, t := range list {
		if !wanted.MatchString(t.folder + " " + t.name) {
			continue
		}
		got, said := t.run(each, parallel)
		fmt.Fprintf(out, "%s %s\t%d\t%d\t%d\t%d\n", t.folder, t.name, got.executions, got.fresh, got.corpus,
			got.failures)
		fmt.Fprintf(os.Stderr, "%s %s: %d executions, %d failures\n", t.folder, t.name, got.executions, got.failures)
		all.executions, all.fresh, all.corpus, all.failures = all.executions+got.executions, all.fresh+got.fresh,
			all.corpus+got.corpus, all.failures+got.failures
		if got.failures > 0 {
			failed = append(failed, t.folder+" "+t.name)
			fmt.Fprintln(os.Stderr, said)
		}
	}
	fmt.Fprintf(out, "all\t%d\t%d\t%d\t%d\n", all.executions, all.fresh, all.corpus, all.failures)
	if len(failed) > 0 {
		return fmt.Errorf("failed: %s", strings.Join(failed, ", "))
	}
	return nil
}

// target is one fuzz target; folder is relative to the module, with slashes.
type target struct{ folder, name string }

// targets finds the fuzz targets below a folder by their names.
func targets(root string) ([]target, error) {
	var out []target
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "testdata" || strings.HasPrefix(d.Name(), ".") && path != root):
			return filepath.SkipDir
		case d.IsDir() || !strings.HasSuffix(path, "_test.go"):
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		for _, decl := range file.Decls {
			if f, ok := decl.(*ast.FuncDecl); ok && f.Recv == nil && strings.HasPrefix(f.Name.Name, "Fuzz") {
				out = append(out, target{filepath.ToSlash(filepath.Dir(path)), f.Name.Name})
			}
		}
		return nil
	})
	return out, err
}

// tally is what came of a target.
type tally struct{ executions, fresh, corpus, failures int }

// run tries one target. What it said comes back for when it failed.
func (t target) run(each time.Duration, parallel int) (tally, string) {
	// building, and trying the corpus first
	ctx, cancel := context.WithTimeout(context.Background(), 2*each+5*time.Minute)
	defer cancel()
	c := exec.CommandContext(ctx, "go", "test", "-run", "^$", "-fuzz", "^"+t.name+"$", "-fuzztime", each.String(),
		"-parallel", fmt.Sprint(parallel), "./"+t.folder)
	c.WaitDelay = 10 * time.Second
	said, err := c.CombinedOutput()
	got := read(string(said))
	if err != nil && got.failures == 0 {
		got.failures = 1 // it did not build, or could not go on
	}
	return got, string(said)
}

var (
	gathering = regexp.MustCompile(`gathering baseline coverage: (\d+)/\d+ completed`)
	progress  = regexp.MustCompile(`fuzz: elapsed: .*execs: (\d+) .*new interesting: (\d+) \(total: (\d+)\)`)
	failing   = regexp.MustCompile(`(?m)^\s*Failing input written to `)
)

// read takes the last line of progress and the failing inputs out of what go test says. Where the time
// was up before the corpus had been tried, the inputs of the corpus that were count.
func read(said string) tally {
	var got tally
	if lines := gathering.FindAllStringSubmatch(said, -1); lines != nil {
		fmt.Sscan(lines[len(lines)-1][1], &got.executions)
	}
	if lines := progress.FindAllStringSubmatch(said, -1); lines != nil {
		last := lines[len(lines)-1]
		fmt.Sscan(last[1]+" "+last[2]+" "+last[3], &got.executions, &got.fresh, &got.corpus)
	}
	got.failures = len(failing.FindAllString(said, -1))
	return got
}
