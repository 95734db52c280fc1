// Package internal_test holds what is true of the source tree as a whole: which package may import
// which, that every exported name says what it is, and that no file names the machine it was
// written on.
package internal_test

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"net/url"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"unicode/utf8"
)

const module = "provoke/internal/"

// rooms is the way the data flows: a package imports only what stands before it, in its own room or in one
// above. Packages below a directory (scpi/vxi11) stand where the directory stands, after it. A room without
// packages is one itself.
var rooms = []struct {
	name     string
	packages []string
}{
	{"units", []string{"english", "rf", "curve", "fit"}},
	{"files", []string{"problem", "document", "resource", "touchstone", "tabular", "trace", "catalog"}},
	{"model", []string{"sweep", "threshold", "tracking", "graded", "twoport", "ferrite", "cable", "chain", "level",
		"design", "sight", "hearing"}},
	{"job", []string{"plan", "event", "result", "fixing", "lockfile", "store", "archive"}},
	{"findings", []string{"analysis", "evidence", "uncertainty", "jig", "remedy", "joined"}},
	{"tell", nil},
	{"terminal", nil},
	{"bench", []string{"scpi", "guard", "driver", "access", "program", "camera", "dut", "simbench",
		"claim"}},
	{"run", []string{"engine", "watcher", "session", "rehearsal", "selftest"}},
	{"faces", []string{"report", "recall", "calculator", "web", "demo", "journal"}},
}

// order is the packages of all rooms by their names; no two rooms have one of the same name.
var order = func() (out []string) {
	for _, r := range rooms {
		if r.packages == nil {
			out = append(out, r.name)
		}
		out = append(out, r.packages...)
	}
	return out
}()

// impurePackages reach outside the program: files, instruments, the network, the time.
var impurePackages = []string{"lockfile", "store", "archive", "terminal", "scpi", "guard", "driver", "access",
	"program", "camera",
	"dut", "simbench", "claim", "engine", "watcher", "session", "rehearsal", "selftest", "web", "demo", "journal"}

// home is the directory of a package of the map below internal.
func home(pkg string) string {
	for _, r := range rooms {
		if slices.Contains(r.packages, pkg) {
			return r.name + "/" + pkg
		}
	}
	return pkg
}

// placeOf is the package of the map that a directory below internal belongs to; "" for none.
func placeOf(dir string) string {
	for _, pkg := range order {
		if at := home(pkg); dir == at || strings.HasPrefix(dir, at+"/") {
			return pkg
		}
	}
	return ""
}

// only says what a package may import of this program where that is less than all that stands
// before it.
var only = map[string]struct {
	allowed []string
	why     string
}{
	"rf":      {nil, "the quantities stand on nothing"},
	"problem": {nil, "a fault in a file is told in the same way whatever the file is"},
	"fit":     {nil, "least squares knows no model"},
	"sight":   {[]string{"english"}, "what a picture shows depends on pictures alone"},
	"twoport": {[]string{"rf", "problem", "curve", "touchstone", "fit"},
		"network mathematics knows no file and no bench"},
	"simbench": {[]string{"rf", "curve"},
		"a simulator that computes with the tool's own formulas, or parses with its own parser, agrees with its " +
			"faults"},
}

// never are edges that the order would allow and that are forbidden all the same.
var never = []struct{ from, to, why string }{
	{"web", "guard", "a handler reaches an instrument only through the engine"},
	{"web", "driver", "a handler reaches an instrument only through the engine"},
	{"web", "scpi", "a handler reaches an instrument only through the engine"},
	{"web", "watcher", "a handler silences a bench through the program that serves it, which knows what is being done"},
	{"web", "claim", "a handler silences a bench through the program that serves it, which knows what is being done"},
	{"web", "selftest", "the page must not know whether the bench is simulated"},
	{"web", "simbench", "the page must not know whether the bench is simulated"},
	{"store", "guard", "a job file is opened to be read where no instrument is"},
	{"store", "driver", "a job file is opened to be read where no instrument is"},
	{"store", "scpi", "a job file is opened to be read where no instrument is"},
	{"store", "engine", "the journal is the truth: it must be readable without the engine that wrote it"},
	{"engine", "scpi", "the engine knows instruments by their role; drivers speak to them"},
	{"watcher", "engine", "it can only lower: what runs a run is not its business"},
	{"watcher", "store", "another process writes the job"},
	{"scpi", "guard", "a transport carries bytes; what may be sent is decided above it"},
}

// impure are the imports that a pure package may not have.
var impure = []struct{ name, why string }{
	{"os", "it takes bytes, readers, writers and file-reading functions from its caller"},
	{"net", "it reaches nothing outside the process"},
	{"log", "it returns what it has to say"},
	{"syscall", "it reaches nothing outside the process"},
	{"io/ioutil", "it takes bytes, readers, writers and file-reading functions from its caller"},
	{"math/rand",
		"the same input gives the same output; a seeded math/rand/v2 source is handed in where chance is wanted"},
	{"crypto/rand", "the same input gives the same output"},
	{"database/sql", "only the store and the archive open a database"},
}

// seeded may use a math/rand/v2 source that is handed in and journalled.
var seeded = []string{"plan", "uncertainty", "calculator"}

// seededNames are the names of math/rand/v2 that do not draw from the global source.
var seededNames = []string{"New", "NewPCG", "NewChaCha8", "NewZipf", "Rand", "Source", "PCG", "ChaCha8", "Zipf"}

// clock are the names of package time that read the clock or wait for it.
var clock = []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"}

// source is one Go file that is not a test.
type source struct {
	dir  string // below internal, e.g. "bench/scpi/vxi11"
	name string // below internal
	file *ast.File
}

// place is the package of the map that a file belongs to.
func (s source) place() string { return placeOf(s.dir) }

// position says where in the tree a node stands.
func (s source) position(n ast.Node) string {
	p := files.Position(n.Pos())
	return fmt.Sprintf("internal/%s:%d", s.name, p.Line)
}

var files = token.NewFileSet()

// sources parses the tree once.
var sources = sync.OnceValues(func() ([]source, error) {
	var out []source
	err := fs.WalkDir(os.DirFS("."), ".", func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && (d.Name() == "testdata" || name == "tools"):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go"):
			return nil
		}
		f, err := parser.ParseFile(files, filepath.FromSlash(name), nil,
			parser.ParseComments|parser.SkipObjectResolution)
		out = append(out, source{path.Dir(name), name, f})
		return err
	})
	return out, err
})

func tree(t *testing.T) []source {
	t.Helper()
	all, err := sources()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// imports returns the import paths of a file with the names that they are used by.
func (s source) imports() map[string]string {
	out := map[string]string{}
	for _, i := range s.file.Imports {
		p, _ := strconv.Unquote(i.Path.Value)
		name := path.Base(p)
		if name == "v2" {
			name = path.Base(path.Dir(p))
		}
		if i.Name != nil {
			name = i.Name.Name
		}
		out[p] = name
	}
	return out
}

func isPure(pkg string) bool {
	return slices.Contains(order, pkg) && !slices.Contains(impurePackages, pkg)
}

func TestEveryPackageStandsInTheMap(t *testing.T) {
	for _, s := range tree(t) {
		if s.place() == "" {
			t.Errorf("%s: internal/%s does not stand in the rooms: add it where its data flows from and to",
				s.position(s.file), s.dir)
		}
	}
}

func TestAPackageImportsOnlyWhatStandsBeforeIt(t *testing.T) {
	for _, s := range tree(t) {
		for _, i := range s.file.Imports {
			p, _ := strconv.Unquote(i.Path.Value)
			if strings.HasPrefix(p, "provoke/cmd/") {
				t.Errorf("%s imports %s: commands stand last, nothing imports them", s.position(i), p)
			}
			to, ok := strings.CutPrefix(p, module)
			if !ok {
				continue
			}
			if why := forbidden(s.dir, to); why != "" {
				t.Errorf("%s: %s must not import %s: %s", s.position(i), s.dir, to, why)
			}
		}
	}
}

// forbidden returns why one directory must not import another, or "".
func forbidden(fromDir, toDir string) string {
	from, to := placeOf(fromDir), placeOf(toDir)
	if from == to && from != "" {
		if strings.HasPrefix(toDir, fromDir+"/") && from == "scpi" {
			return "transports stand on scpi and not the reverse"
		}
		return ""
	}
	for _, n := range never {
		if n.from == from && n.to == to {
			return n.why
		}
	}
	if o, ok := only[from]; ok && !slices.Contains(o.allowed, to) {
		return o.why
	}
	a, b := slices.Index(order, from), slices.Index(order, to)
	switch {
	case b < 0:
		return "it does not stand in the order of packages"
	case b > a:
		return fmt.Sprintf("data flows one way, and %s stands after %s", to, from)
	}
	return ""
}

// dirOf is the directory of a package, or of one below it.
func dirOf(pkg string) string {
	first, rest, below := strings.Cut(pkg, "/")
	if below {
		return home(first) + "/" + rest
	}
	return home(first)
}

// The map itself must refuse what the design refuses; this guards against a map that lets
// everything through.
func TestTheMapRefusesTheEdgesThatTheDesignForbids(t *testing.T) {
	for _, e := range [][2]string{
		{"rf", "curve"}, {"problem", "rf"}, {"chain", "level"}, {"plan", "engine"}, {"result", "store"}, {"chain",
			"guard"},
		{"simbench", "chain"}, {"simbench", "twoport"}, {"simbench", "catalog"}, {"simbench", "driver"}, {"simbench",
			"scpi"},
		{"web", "guard"}, {"web", "driver"}, {"web", "scpi"}, {"web", "watcher"}, {"web/browser", "guard"}, {"guard",
			"engine"}, {"scpi", "scpi/vxi11"}, {"rf", "tools"},
	} {
		if forbidden(dirOf(e[0]), dirOf(e[1])) == "" {
			t.Errorf("%s may import %s", e[0], e[1])
		}
	}
	for _, e := range [][2]string{{"curve", "rf"}, {"guard", "chain"}, {"engine", "guard"}, {"web", "engine"},
		{"simbench", "curve"}, {"scpi/vxi11", "scpi"}} {
		if why := forbidden(dirOf(e[0]), dirOf(e[1])); why != "" {
			t.Errorf("%s may not import %s: %s", e[0], e[1], why)
		}
	}
}

func TestPurePackagesTouchNothingOutsideTheProgram(t *testing.T) {
	for _, s := range tree(t) {
		if !isPure(s.place()) {
			continue
		}
		for p := range s.imports() {
			if p == "math/rand/v2" && slices.Contains(seeded, s.place()) {
				continue
			}
			for _, i := range impure {
				if p == i.name || strings.HasPrefix(p, i.name+"/") {
					t.Errorf("%s: %s is pure and must not import %s: %s", s.position(s.file), s.place(), p, i.why)
				}
			}
		}
		for _, use := range s.uses("time", clock) {
			t.Errorf("%s: %s is pure and must not use time.%s: the same input gives the same output, today and in "+
				"ten years", s.position(use), s.place(), use.Sel.Name)
		}
	}
}

func TestChanceIsSeededWhereItIsAllowed(t *testing.T) {
	for _, s := range tree(t) {
		if !isPure(s.place()) {
			continue
		}
		for _, use := range s.uses("math/rand/v2", nil) {
			if !slices.Contains(seededNames, use.Sel.Name) {
				t.Errorf("%s: rand.%s draws from the global source: take a seeded one that is journalled",
					s.position(use), use.Sel.Name)
			}
		}
	}
}

// uses returns the places where a file uses one of the names of an imported package; nil names mean
// any.
func (s source) uses(importPath string, names []string) []*ast.SelectorExpr {
	alias, ok := s.imports()[importPath]
	if !ok {
		return nil
	}
	var out []*ast.SelectorExpr
	ast.Inspect(s.file, func(n ast.Node) bool {
		if sel, ok := n.(*ast.SelectorExpr); ok {
			if x, ok := sel.X.(*ast.Ident); ok && x.Name == alias &&
				(names == nil || slices.Contains(names, sel.Sel.Name)) {
				out = append(out, sel)
			}
		}
		return true
	})
	return out
}

// A dot import would hide time.Now and rand.IntN from the checks above.
func TestNoFileHidesWhereItsNamesComeFrom(t *testing.T) {
	for _, s := range tree(t) {
		for p, name := range s.imports() {
			if name == "." {
				t.Errorf("%s imports %s with a dot", s.position(s.file), p)
			}
		}
	}
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	said := map[string]bool{}
	for _, s := range tree(t) {
		said[s.dir] = said[s.dir] || s.file.Doc != nil && strings.HasPrefix(s.file.Doc.Text(),
			"Package "+s.file.Name.Name+" ")
	}
	for _, dir := range slices.Sorted(maps.Keys(said)) {
		if !said[dir] {
			t.Errorf("internal/%s has no package comment that starts with \"Package %s\"", dir, path.Base(dir))
		}
	}
}

// standardMethods mean what the interface says that they satisfy.
var standardMethods = []string{"Error", "Unwrap", "Is", "As", "Len", "Less", "Swap"}

func TestEveryExportedNameSaysWhatItIs(t *testing.T) {
	for _, s := range tree(t) {
		for _, d := range s.file.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				method := d.Recv != nil
				if d.Name.IsExported() && d.Doc == nil &&
					!(method && (slices.Contains(standardMethods, d.Name.Name) || !ast.IsExported(receiver(d)))) {
					t.Errorf("%s: %s has no doc comment", s.position(d), d.Name.Name)
				}
			case *ast.GenDecl:
				for _, name := range undocumented(d) {
					t.Errorf("%s: %s has no doc comment", s.position(name), name.Name)
				}
			}
		}
	}
}

// receiver returns the name of a method's type.
func receiver(d *ast.FuncDecl) string {
	x := d.Recv.List[0].Type
	for {
		switch y := x.(type) {
		case *ast.StarExpr:
			x = y.X
		case *ast.IndexExpr:
			x = y.X
		case *ast.IndexListExpr:
			x = y.X
		case *ast.Ident:
			return y.Name
		default:
			return ""
		}
	}
}

// undocumented returns the exported names of a declaration that neither they nor their group
// comment on.
func undocumented(d *ast.GenDecl) []*ast.Ident {
	var out []*ast.Ident
	if d.Doc != nil {
		return nil
	}
	for _, spec := range d.Specs {
		switch spec := spec.(type) {
		case *ast.TypeSpec:
			if spec.Name.IsExported() && spec.Doc == nil && spec.Comment == nil {
				out = append(out, spec.Name)
			}
		case *ast.ValueSpec:
			for _, n := range spec.Names {
				if n.IsExported() && spec.Doc == nil && spec.Comment == nil {
					out = append(out, n)
				}
			}
		}
	}
	return out
}

// widest is how many columns a line of Go or of a template may take, a tab counting as four. Texts in backquotes are
// as they are: help,
// and the tags of flags.
const widest = 120

func TestNoLineIsTooWide(t *testing.T) {
	root, names := tracked(t)
	for _, name := range names {
		template := strings.HasSuffix(name, ".html") && !strings.Contains(name, "testdata")
		if !strings.HasSuffix(name, ".go") && !template {
			continue
		}
		content, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if os.IsNotExist(err) {
			continue // removed and not yet committed
		}
		if err != nil {
			t.Error(err)
			continue
		}
		raw := false
		for i, line := range strings.Split(string(content), "\n") {
			within := !template && (raw || strings.Contains(line, "`"))
			if strings.Count(line, "`")%2 == 1 {
				raw = !raw
			}
			if n := utf8.RuneCountInString(strings.ReplaceAll(line, "\t", "    ")); n > widest && !within {
				t.Errorf("%s:%d: %d columns, at most %d", name, i+1, n, widest)
			}
		}
	}
}

// The words below are put together here so that this file does not contain them.
func machineWords() map[string]string {
	words := map[string]string{}
	for _, w := range [][2]string{
		{"proxy.", "golang.org"}, {"sum.", "golang.org"}, {"registry.", "npmjs.org"}, {"py", "pi.org"}, {"files.",
			"pythonhosted.org"},
		{"deb.", "debian.org"}, {"archive.", "ubuntu.com"}, {"static.", "crates.io"}, {"index.", "crates.io"},
		{"ghcr", ".io/"}, {"docker", ".io/"},
	} {
		words[w[0]+w[1]] = "the host of a package registry"
	}
	for _, v := range []string{"GOPROXY", "GOSUMDB", "PIP_INDEX_URL", "npm_config_registry"} {
		for _, part := range strings.FieldsFunc(os.Getenv(v),
			func(r rune) bool { return r == ',' || r == '|' || r == ' ' }) {
			if u, err := url.Parse(part); err == nil && strings.Contains(u.Hostname(), ".") {
				words[u.Hostname()] = "the host of a package registry"
			}
		}
	}
	return words
}

// machinePaths are absolute paths that belong to one machine.
func machinePaths(root string) []*regexp.Regexp {
	paths := []string{"/wo" + "rk/", "/ro" + "ot/", "/ho" + "me/", "/Us" + "ers/", "C:" + `\\?Us` + "ers"}
	if home, err := os.UserHomeDir(); err == nil && len(home) > 4 {
		paths = append(paths, regexp.QuoteMeta(home)+`\b`)
	}
	if len(root) > 4 {
		paths = append(paths, regexp.QuoteMeta(root)+`\b`)
	}
	var out []*regexp.Regexp
	for _, p := range paths {
		out = append(out, regexp.MustCompile(`(^|[^A-Za-z0-9_.\-/:])`+p))
	}
	return out
}

func TestNoFileNamesTheMachineOrARegistry(t *testing.T) {
	root, names := tracked(t)
	words, paths := machineWords(), machinePaths(root)
	for _, name := range names {
		content, err := os.ReadFile(filepath.Join(root, filepath.FromSlash(name)))
		if os.IsNotExist(err) {
			continue // removed and not yet committed
		}
		if err != nil {
			t.Error(err)
			continue
		}
		for w, what := range words {
			if i := bytes.Index(content, []byte(w)); i >= 0 {
				t.Errorf("%s:%d names %s", name, 1+bytes.Count(content[:i], []byte("\n")), what)
			}
		}
		for _, p := range paths {
			if i := p.FindIndex(content); i != nil {
				t.Errorf("%s:%d holds an absolute path of one machine", name,
					1+bytes.Count(content[:i[1]], []byte("\n")))
			}
		}
	}
}

// tracked returns the root of the work tree and the names of its files.
func tracked(t *testing.T) (root string, names []string) {
	t.Helper()
	git := func(args ...string) string {
		out, err := exec.Command("git", args...).Output()
		if err != nil {
			if os.Getenv("CI") == "true" {
				t.Fatalf("git %s: %v", args[0], err)
			}
			t.Skipf("outside check skipped: git %s: %v", args[0], err)
		}
		return string(out)
	}
	root = strings.TrimRight(git("rev-parse", "--show-toplevel"), "\r\n")
	for _, n := range strings.Split(git("-C", root, "ls-files", "-z"), "\x00") {
		if n != "" {
			names = append(names, n)
		}
	}
	if len(names) < 20 {
		t.Fatalf("only %d files are tracked", len(names))
	}
	return root, names
}
