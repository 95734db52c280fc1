// Command quick runs the tests that a change most likely concerns, within a time:
//
//	go run ./internal/tools/quick -within 55s
//
// A change is what differs from where this branch left main, uncommitted files included. It checks the
// packages with a changed file with gofmt and go vet, then runs their tests, and then those of the packages
// that import them, with -short; last the tests of the tree as a whole. What is left out is always named.
package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"os/signal"
	"path"
	"slices"
	"strings"
	"time"
)

func main() {
	within := flag.Duration("within", 55*time.Second, "when to stop")
	base := flag.String("base", "main", "the branch that the change is compared with")
	flag.Parse()
	ctx, cancel := context.WithTimeout(context.Background(), *within)
	defer cancel()
	ctx, stop := signal.NotifyContext(ctx, os.Interrupt)
	defer stop()
	if err := run(ctx, *base); err != nil {
		fmt.Fprintln(os.Stderr, "quick:", err)
		os.Exit(1)
	}
}

// tree is the package with the tests of the whole source tree, which import nothing of what they look at.
const tree = "internal"

func run(ctx context.Context, base string) error {
	begun := time.Now()
	files, since, err := changedFiles(ctx, base)
	if err != nil {
		return err
	}
	listed, err := output(ctx, "go", "list", "-json=ImportPath,Module,Imports,TestImports,XTestImports,EmbedFiles,TestGoFiles,XTestGoFiles", "./...")
	if err != nil {
		return err
	}
	all, err := packages(listed)
	if err != nil {
		return err
	}
	changed, nowhere := all.of(files)
	fmt.Printf("%d files differ from %s\n", len(files), since)
	if len(nowhere) > 0 {
		fmt.Printf("of no package: %s\n", strings.Join(nowhere, " "))
	}
	importers, far := all.importers(changed)
	failed := checked(ctx, files, changed)
	if !all.has(tree) || slices.Contains(changed, tree) {
		importers = slices.DeleteFunc(importers, func(p string) bool { return p == tree })
	} else {
		importers = append([]string{tree}, slices.DeleteFunc(importers, func(p string) bool { return p == tree })...)
	}
	var left []string
	for _, level := range [][]string{changed, importers} {
		got := test(ctx, level)
		failed = failed || got.failed
		left = append(left, got.left...)
	}
	fmt.Printf("%.0f s\n", time.Since(begun).Seconds())
	if len(far) > 0 {
		fmt.Printf("left out, as they import the change only through others: %s\n", strings.Join(far, " "))
	}
	if len(left) > 0 {
		fmt.Printf("left out, as the time was up: %s\n", strings.Join(left, ", "))
	}
	fmt.Println("left out, as always: tests that skip with -short, outside checks of other packages, builds for other systems; ./test.sh runs them")
	if failed {
		return errors.New("something failed")
	}
	return nil
}

// changedFiles returns the files that differ from where this branch left base, and says what that is.
func changedFiles(ctx context.Context, base string) (files []string, since string, err error) {
	commit, err := output(ctx, "git", "merge-base", base, "HEAD")
	since = "where this branch left " + base
	if err != nil {
		commit, since = []byte("HEAD"), "the last commit (there is no "+base+")"
	}
	differ, err := output(ctx, "git", "diff", "--name-only", "--no-renames", strings.TrimSpace(string(commit)))
	if err != nil {
		return nil, "", err
	}
	fresh, err := output(ctx, "git", "ls-files", "--others", "--exclude-standard")
	if err != nil {
		return nil, "", err
	}
	files = strings.Fields(string(differ) + "\n" + string(fresh))
	slices.Sort(files)
	return slices.Compact(files), since, nil
}

// pkg is a package of the module.
type pkg struct {
	dir      string // below the module, as "internal/units/rf"
	imports  []string
	testing  []string // what its tests import besides
	embedded map[string]bool
	tested   bool
}

type module map[string]pkg // by dir

// packages reads what go list -json prints.
func packages(listed []byte) (module, error) {
	all := module{}
	for d := json.NewDecoder(bytes.NewReader(listed)); d.More(); {
		var p struct {
			ImportPath                                     string
			Module                                         struct{ Path string }
			Imports, TestImports, XTestImports, EmbedFiles []string
			TestGoFiles, XTestGoFiles                      []string
		}
		if err := d.Decode(&p); err != nil {
			return nil, fmt.Errorf("read what go list prints: %w", err)
		}
		below := func(imports []string) (out []string) {
			for _, i := range imports {
				if dir, ok := strings.CutPrefix(i, p.Module.Path+"/"); ok {
					out = append(out, dir)
				}
			}
			return out
		}
		x := pkg{dir: strings.TrimPrefix(p.ImportPath, p.Module.Path+"/"), imports: below(p.Imports),
			testing: below(slices.Concat(p.TestImports, p.XTestImports)), embedded: map[string]bool{}, tested: len(p.TestGoFiles)+len(p.XTestGoFiles) > 0}
		for _, f := range p.EmbedFiles {
			x.embedded[f] = true
		}
		all[x.dir] = x
	}
	return all, nil
}

func (m module) has(dir string) bool { _, ok := m[dir]; return ok }

// of returns the packages that files belong to: their folder's, or that of the folder above that is one. A
// document belongs to one only where it is embedded. nowhere are the others.
func (m module) of(files []string) (changed, nowhere []string) {
	found := map[string]bool{}
	for _, f := range files {
		if f == "go.mod" || f == "go.sum" {
			for dir := range m {
				found[dir] = true
			}
			continue
		}
		dir := path.Dir(f)
		for dir != "." && !m.has(dir) {
			dir = path.Dir(dir)
		}
		if dir == "." || strings.HasSuffix(f, ".md") && !m[dir].embedded[strings.TrimPrefix(f, dir+"/")] {
			nowhere = append(nowhere, f)
			continue
		}
		found[dir] = true
	}
	return slices.Sorted(maps.Keys(found)), nowhere
}

// importers returns the packages that import one of those, themselves or in their tests, and those that do so
// only through others. Commands come last: their tests take longest.
func (m module) importers(changed []string) (direct, far []string) {
	reached, inTests := map[string]int{}, map[string]bool{}
	for _, c := range changed {
		reached[c] = 0
	}
	for depth, more := 1, true; more; depth++ {
		more = false
		before := func(i string) bool { d, ok := reached[i]; return ok && d == depth-1 && !inTests[i] }
		for dir, p := range m {
			if _, ok := reached[dir]; ok {
				continue
			}
			code := slices.ContainsFunc(p.imports, before)
			if code || depth == 1 && slices.ContainsFunc(p.testing, before) {
				reached[dir], inTests[dir], more = depth, !code, true
			}
		}
	}
	for _, dir := range slices.SortedFunc(maps.Keys(reached), func(a, b string) int {
		if x, y := strings.HasPrefix(a, "cmd/"), strings.HasPrefix(b, "cmd/"); x != y {
			return map[bool]int{true: 1, false: -1}[x]
		}
		return strings.Compare(a, b)
	}) {
		switch {
		case reached[dir] == 1:
			direct = append(direct, dir)
		case reached[dir] > 1 && m[dir].tested:
			far = append(far, dir)
		}
	}
	return direct, far
}

// checked formats and vets what changed, and reports that something is wrong.
func checked(ctx context.Context, files, changed []string) (failed bool) {
	args := []string{"-l"}
	for _, f := range files {
		if _, err := os.Stat(f); err == nil && strings.HasSuffix(f, ".go") && !strings.Contains(f, "testdata/") {
			args = append(args, f)
		}
	}
	if len(args) > 1 {
		if out, err := output(ctx, "gofmt", args...); err != nil || len(out) > 0 {
			fmt.Printf("FAIL  gofmt %s%v\n", out, orNothing(err))
			failed = true
		}
	}
	if len(changed) > 0 {
		if _, err := output(ctx, "go", append([]string{"vet"}, paths(changed)...)...); err != nil {
			fmt.Printf("FAIL  go vet: %v\n", err)
			failed = true
		}
	}
	return failed
}

// tested is what came of some tests.
type tested struct {
	failed bool
	left   []string
}

// event is what go test -json prints.
type event struct {
	Action, Package, Test, Output, ImportPath string
	Elapsed                                   float64
}

// test runs the tests of packages until the time is up.
func test(ctx context.Context, dirs []string) (got tested) {
	if len(dirs) == 0 {
		return got
	}
	open := map[string]int{} // packages that have not ended, with the tests that have
	for _, d := range dirs {
		open[d] = 0
	}
	if ctx.Err() == nil {
		cmd := exec.CommandContext(ctx, "go", append([]string{"test", "-short", "-json"}, paths(dirs)...)...)
		grouped(cmd)
		cmd.WaitDelay = 3 * time.Second
		out, err := cmd.StdoutPipe()
		if err == nil {
			err = cmd.Start()
		}
		if err != nil {
			fmt.Printf("FAIL  go test: %v\n", err)
			return tested{failed: true}
		}
		got.failed = follow(ctx, bufio.NewScanner(out), open)
		if err := cmd.Wait(); err != nil && ctx.Err() == nil {
			got.failed = true
		}
	}
	for _, d := range dirs {
		if n, ok := open[d]; ok && n > 0 {
			got.left = append(got.left, fmt.Sprintf("%s after %d tests of it", d, n))
		} else if ok {
			got.left = append(got.left, d)
		}
	}
	return got
}

// follow reads what go test says, prints what is worth it, and takes what has ended out of open.
func follow(ctx context.Context, lines *bufio.Scanner, open map[string]int) (failed bool) {
	lines.Buffer(nil, 1<<20)
	said := map[[2]string]string{}
	for lines.Scan() {
		var e event
		if json.Unmarshal(lines.Bytes(), &e) != nil {
			continue
		}
		if e.Package == "" {
			e.Package, _, _ = strings.Cut(e.ImportPath, " ")
		}
		_, dir, _ := strings.Cut(e.Package, "/")
		key := [2]string{dir, e.Test}
		switch {
		case e.Action == "output" || e.Action == "build-output":
			said[key] += e.Output
		case ctx.Err() != nil: // what is broken off is no failure
		case e.Action == "fail" || e.Action == "build-fail":
			failed = true
			fmt.Printf("FAIL  %s %s\n%s", dir, e.Test, said[key])
		}
		ended := e.Action == "pass" || e.Action == "fail" || e.Action == "skip"
		switch {
		case ended && e.Test != "":
			open[dir]++
			delete(said, key)
		case ended && ctx.Err() == nil:
			delete(open, dir)
			if e.Action == "pass" {
				fmt.Printf("ok    %s (%.1f s%s)\n", dir, e.Elapsed, map[bool]string{true: ", as before"}[strings.Contains(said[key], "(cached)")])
			}
		}
	}
	return failed
}

func paths(dirs []string) (out []string) {
	for _, d := range dirs {
		out = append(out, "./"+d)
	}
	return out
}

// output runs a program and returns what it prints; the error holds what it complains of.
func output(ctx context.Context, name string, args ...string) ([]byte, error) {
	cmd := exec.CommandContext(ctx, name, args...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if err != nil {
		return out, fmt.Errorf("%s %s: %w: %s", name, args[0], err, complaints.String())
	}
	return out, nil
}

func orNothing(err error) any {
	if err == nil {
		return ""
	}
	return err
}
