package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"
	"sync"
	"text/tabwriter"
	"time"
)

// Fate is what came of a change.
type Fate string

// The fates.
const (
	Killed     Fate = "killed"
	TimedOut   Fate = "killed by the clock"
	Unreached  Fate = "no test reaches it"
	Survived   Fate = "survived"
	Equivalent Fate = "judged equivalent"
	NotTried   Fate = "not tried"
)

// tally is what came of the changes of one package.
type tally struct {
	pkg          string
	found, drawn int
	count        map[Fate]int
	survivors    []*mutant
	fates        map[*mutant]Fate
	took         time.Duration
}

// test is one test of the package.
type test struct {
	name  string
	took  time.Duration
	reach map[int]bool
}

// try does one package until its time is up.
func try(o options, pkg string, judged *judgements, end time.Time) (*tally, error) {
	began := time.Now()
	s, err := load(pkg)
	if err != nil {
		return nil, err
	}
	mutants := s.find(pkg)
	t := &tally{pkg: pkg, found: len(mutants), count: map[Fate]int{}, fates: map[*mutant]Fate{}}
	folder, err := os.MkdirTemp("", "mutate-"+pkg)
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	binary, err := s.build(context.Background(), pkg, folder, mutants)
	if err != nil {
		return nil, err
	}
	drawn := draw(o, mutants)
	t.drawn = len(drawn)
	if o.list {
		for _, m := range drawn {
			fmt.Println(m)
		}
		for _, m := range mutants {
			if m.droppedBecauseOfCompiler {
				fmt.Println("not compiled:", m)
			}
		}
		return t, nil
	}
	kept := keep(o, s, pkg)
	r := &runner{binary: binary, dir: s.folder, folder: folder, slowest: o.slowest}
	if err := r.survey(o.parallel); err != nil {
		return nil, err
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	work := make(chan *mutant)
	for range max(1, o.parallel) {
		wg.Go(func() {
			for m := range work {
				fate, known := kept.fate(m.key)
				switch {
				case known:
				case time.Now().After(end):
					fate = NotTried
				default:
					if fate = r.fate(m); fate != NotTried {
						kept.note(m.key, fate)
					}
				}
				mu.Lock()
				t.take(m, fate, judged)
				mu.Unlock()
			}
		})
	}
	for _, m := range drawn {
		work <- m
	}
	close(work)
	wg.Wait()
	t.took = time.Since(began)
	return t, kept.err
}

// draw takes a sample that depends on the seed and on what a change says, not on where it stands.
func draw(o options, mutants []*mutant) []*mutant {
	only := regexp.MustCompile(o.only)
	var out []*mutant
	for _, m := range mutants {
		if !m.droppedBecauseOfCompiler && only.MatchString(m.String()) {
			out = append(out, m)
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].key < out[j].key })
	rand.New(rand.NewPCG(o.seed, 0)).Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	if o.sample > 0 && len(out) > o.sample {
		out = out[:o.sample]
	}
	return out
}

// take counts a fate.
func (t *tally) take(m *mutant, fate Fate, judged *judgements) {
	if (fate == Survived || fate == Unreached) && judged.equivalent(m) {
		fate = Equivalent
	}
	t.fates[m] = fate
	t.count[fate]++
	if fate == Survived || fate == Unreached {
		t.survivors = append(t.survivors, m)
	}
}

// print says what survived, and counts.
func (t *tally) print(w io.Writer) {
	sort.Slice(t.survivors, func(i, j int) bool { return t.survivors[i].key < t.survivors[j].key })
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, m := range t.survivors {
		fmt.Fprintf(out, "%s\t%s\n", t.fates[m], m)
	}
	out.Flush()
	tried := t.drawn - t.count[NotTried]
	fmt.Fprintf(w,
		"%s: %d changes found, %d drawn, %d tried: %d killed, %d killed by the clock, %d judged equivalent, %d "+
			"survived, %d reached by no test: %.1f %% killed or judged (%v)\n",
		t.pkg, t.found, t.drawn, tried, t.count[Killed], t.count[TimedOut], t.count[Equivalent], t.count[Survived],
		t.count[Unreached], t.share(), t.took.Round(time.Second))
}

// share of those tried that are killed or judged, in per cent.
func (t *tally) share() float64 {
	tried := t.drawn - t.count[NotTried]
	if tried == 0 {
		return 0
	}
	return 100 * float64(t.count[Killed]+t.count[TimedOut]+t.count[Equivalent]) / float64(tried)
}

// String is a change as judged.tsv names it, with its place of the moment.
func (m *mutant) String() string {
	return fmt.Sprintf("%s (%s:%d)", m.key, filepath.Base(m.file), m.line)
}

// runner runs the changed tests.
type runner struct {
	binary, dir, folder string
	slowest             time.Duration
	tests               []*test
}

// survey runs each test by itself, with no change carried out, for its time and for what it reaches.
func (r *runner) survey(parallel int) error {
	list, err := r.command(context.Background(), 0, "", "-test.list", "^(Test|Fuzz|Example)").Output()
	if err != nil {
		return fmt.Errorf("list the tests: %w", err)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	var errs []error
	slots := make(chan struct{}, max(1, parallel))
	for i, name := range strings.Fields(string(list)) {
		t := &test{name: name, reach: map[int]bool{}}
		r.tests = append(r.tests, t)
		wg.Go(func() {
			slots <- struct{}{}
			defer func() { <-slots }()
			record := filepath.Join(r.folder, fmt.Sprintf("reach%d", i))
			began := time.Now()
			out, err := r.command(context.Background(), 0, record, "-test.run", "^"+name+"$", "-test.timeout",
				"5m").CombinedOutput()
			t.took = time.Since(began)
			if err != nil {
				mu.Lock()
				errs = append(errs, fmt.Errorf("%s fails with no change carried out: %w\n%s", name, err, tail(out)))
				mu.Unlock()
				return
			}
			text, _ := os.ReadFile(record)
			for _, id := range strings.Fields(string(text)) {
				n, _ := strconv.Atoi(id)
				t.reach[n] = true
			}
		})
	}
	wg.Wait()
	r.tests = slices.DeleteFunc(r.tests, func(t *test) bool { return r.slowest > 0 && t.took > r.slowest })
	sort.SliceStable(r.tests, func(i, j int) bool { return r.tests[i].took < r.tests[j].took })
	return errors.Join(errs...)
}

func tail(out []byte) []byte { return out[max(0, len(out)-2000):] }

func (r *runner) command(ctx context.Context, id int, record string, args ...string) *exec.Cmd {
	c := exec.CommandContext(ctx, r.binary, args...)
	c.Dir = r.dir
	c.Env = append(os.Environ(), "MUTANT="+strconv.Itoa(id), "MUTANT_RECORD="+record, "RAPID_NOFAILFILE=true")
	c.WaitDelay = time.Second
	return c
}

// fate runs the tests that reach a change, the quick ones first.
func (r *runner) fate(m *mutant) Fate {
	reached := false
	for quick := range 2 {
		var names []string
		var took time.Duration
		for _, t := range r.tests {
			if t.reach[m.id] && (t.took < 500*time.Millisecond) == (quick == 0) {
				names = append(names, t.name)
				took += t.took
			}
		}
		if len(names) == 0 {
			continue
		}
		reached = true
		ctx, cancel := context.WithTimeout(context.Background(), 4*took+10*time.Second)
		err := r.command(ctx, m.id, "", "-test.run", "^("+strings.Join(names, "|")+")$", "-test.failfast").Run()
		late := ctx.Err() != nil
		cancel()
		switch {
		case late:
			return TimedOut
		case err != nil:
			return Killed
		}
	}
	if !reached {
		return Unreached
	}
	return Survived
}

// results are the fates that were found out before, for one state of a package.
type results struct {
	file, tests string
	mu          sync.Mutex
	known       map[string]Fate
	err         error
}

// keep opens the results of this state of the package. What a test killed may be believed of later tests too.
func keep(o options, s *source, pkg string) *results {
	k := &results{known: map[string]Fate{}}
	if o.results == "" {
		return k
	}
	code, tests := sha256.New(), sha256.New()
	files, _ := filepath.Glob(filepath.Join(s.folder, "*.go"))
	for _, f := range files {
		text, _ := os.ReadFile(f)
		if strings.HasSuffix(f, "_test.go") {
			tests.Write(text)
		} else {
			code.Write(text)
		}
	}
	fmt.Fprint(tests, o.slowest)
	k.tests = fmt.Sprintf("%x", tests.Sum(nil)[:8])
	if k.err = os.MkdirAll(o.results, 0o700); k.err != nil {
		return k
	}
	k.file = filepath.Join(o.results, fmt.Sprintf("%s-%x.json", pkg, code.Sum(nil)[:8]))
	text, _ := os.ReadFile(k.file)
	for _, line := range bytes.Split(text, []byte("\n")) {
		var x [3]string
		if json.Unmarshal(line, &x) != nil {
			continue
		}
		if fate := Fate(x[1]); x[2] == k.tests || o.believe && (fate == Killed || fate == TimedOut) {
			k.known[x[0]] = fate
		}
	}
	return k
}

func (k *results) fate(key string) (Fate, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	f, ok := k.known[key]
	return f, ok
}

func (k *results) note(key string, fate Fate) {
	if k.file == "" {
		return
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	line, _ := json.Marshal([3]string{key, string(fate), k.tests})
	f, err := os.OpenFile(k.file, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err == nil {
		_, err = f.Write(append(line, '\n'))
		err = errors.Join(err, f.Close())
	}
	k.err = errors.Join(k.err, err)
}
