package main

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/printer"
	"go/token"
	"go/types"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
)

// mutant is one change.
type mutant struct {
	id                       int
	pkg, function            string
	operator, text           string
	ordinal                  int // among changes of the same function, operator and text
	file                     string
	line                     int
	edits                    []edit
	key                      string
	droppedBecauseOfCompiler bool
}

// edit is a piece of text put in, or, with length, put in place of another.
type edit struct {
	at, length int
	text       string
	end        bool // closes what was opened further to the left
	order      int
}

// source is a package as it lies on the disk.
type source struct {
	folder, name string
	fset         *token.FileSet
	files        []*ast.File
	names        []string
	text         map[string][]byte
	info         *types.Info
	pkg          *types.Package
}

// home is where a package lies, whichever room it is in: "./internal/bench/guard" for "guard".
func home(pkg string) string {
	if found, _ := filepath.Glob("internal/*/" + pkg); len(found) == 1 {
		return "./" + filepath.ToSlash(found[0])
	}
	return "./internal/" + pkg
}

// load reads and checks a package. Files of other platforms are left out by go list.
func load(name string) (*source, error) {
	s := &source{fset: token.NewFileSet(), text: map[string][]byte{}}
	out, err := output("go", "list", "-f", `{{.Dir}}{{range .GoFiles}}{{"\n"}}{{.}}{{end}}`, home(name))
	if err != nil {
		return nil, err
	}
	lines := strings.Split(strings.TrimSpace(out), "\n")
	s.folder = lines[0]
	for _, f := range lines[1:] {
		path := filepath.Join(s.folder, f)
		text, err := os.ReadFile(path)
		if err != nil {
			return nil, err
		}
		file, err := parser.ParseFile(s.fset, path, text, 0)
		if err != nil {
			return nil, err
		}
		s.files, s.names, s.text[path] = append(s.files, file), append(s.names, path), text
	}
	s.name = s.files[0].Name.Name
	return s, s.check(name)
}

// check finds out the types, from the export data of what the package imports.
func (s *source) check(name string) error {
	out, err := output("go", "list", "-export", "-deps", "-f", "{{.ImportPath}}\t{{.Export}}", home(name))
	if err != nil {
		return err
	}
	exports := map[string]string{}
	for _, line := range strings.Split(out, "\n") {
		path, file, _ := strings.Cut(strings.TrimSpace(line), "\t")
		exports[path] = file
	}
	imports := importer.ForCompiler(s.fset, "gc",
		func(path string) (io.ReadCloser, error) { return os.Open(exports[path]) })
	s.info = &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{},
		Defs: map[*ast.Ident]types.Object{}}
	s.pkg, err = (&types.Config{Importer: imports}).Check(name, s.fset, s.files, s.info)
	return err
}

func output(command string, args ...string) (string, error) {
	c := exec.Command(command, args...)
	var errs bytes.Buffer
	c.Stderr = &errs
	out, err := c.Output()
	if err != nil {
		return "", fmt.Errorf("%s %s: %w\n%s", command, strings.Join(args, " "), err, errs.String())
	}
	return string(out), nil
}

// finder walks one file.
type finder struct {
	*source
	file     *ast.File
	path     string
	function string
	out      []*mutant
	order    int
}

// find returns every change of the package.
func (s *source) find(pkg string) []*mutant {
	var out []*mutant
	for i, file := range s.files {
		f := &finder{source: s, file: file, path: s.names[i]}
		for _, d := range file.Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Body != nil {
				f.function = functionName(fn)
				f.walk(fn.Body)
			}
		}
		out = append(out, f.out...)
	}
	seen := map[string]int{}
	for i, m := range out {
		m.id, m.pkg = i+1, pkg
		k := m.function + "\t" + m.operator + "\t" + m.text
		seen[k]++
		m.ordinal = seen[k]
		m.key = fmt.Sprintf("%s\t%s\t%d", pkg, k, m.ordinal)
		for j := range m.edits {
			m.edits[j].text = strings.ReplaceAll(m.edits[j].text, "ID", fmt.Sprint(m.id))
		}
	}
	return out
}

func functionName(fn *ast.FuncDecl) string {
	if fn.Recv == nil || len(fn.Recv.List) == 0 {
		return fn.Name.Name
	}
	t := fn.Recv.List[0].Type
	if p, ok := t.(*ast.StarExpr); ok {
		t = p.X
	}
	if x, ok := t.(*ast.IndexExpr); ok {
		t = x.X
	}
	if id, ok := t.(*ast.Ident); ok {
		return id.Name + "." + fn.Name.Name
	}
	return fn.Name.Name
}

// add notes a change at a node.
func (f *finder) add(n ast.Node, operator, text string, edits ...edit) {
	for i := range edits {
		f.order++
		edits[i].order = f.order
	}
	f.out = append(f.out, &mutant{function: f.function, operator: operator, text: text, file: f.path,
		line: f.fset.Position(n.Pos()).Line, edits: edits})
}

func (f *finder) offset(p token.Pos) int { return f.fset.Position(p).Offset }

// words is a node as it is written, on one line.
func (f *finder) words(n ast.Node) string {
	var b bytes.Buffer
	printer.Fprint(&b, f.fset, n)
	text := strings.Join(strings.Fields(b.String()), " ")
	if r := []rune(text); len(r) > 110 {
		text = string(r[:107]) + "..."
	}
	return text
}

func (f *finder) around(n ast.Node, before, after string) []edit {
	return []edit{{at: f.offset(n.Pos()), text: before}, {at: f.offset(n.End()), text: after, end: true}}
}

// walk visits a node before what is in it, so that what is put in for it stands outside.
func (f *finder) walk(n ast.Node) {
	ast.Inspect(n, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.BlockStmt:
			f.statements(n.List)
		case *ast.CaseClause:
			f.statements(n.Body)
		case *ast.CommClause:
			f.statements(n.Body)
		case *ast.IfStmt:
			f.add(n.Cond, "negate", f.words(n.Cond), f.around(n.Cond, "mutantNot(ID, ", ")")...)
		case *ast.GenDecl:
			return n.Tok != token.CONST
		case *ast.ArrayType:
			return false
		case *ast.ReturnStmt:
			return !f.fails(n)
		case *ast.AssignStmt:
			f.assignment(n)
		case *ast.CallExpr:
			f.call(n)
		case *ast.BinaryExpr:
			return f.expression(n)
		case ast.Expr:
			return f.constant(n)
		}
		return true
	})
}

// statements notes which statements of a list can be left out.
func (f *finder) statements(list []ast.Stmt) {
	for _, s := range list {
		switch s := s.(type) {
		case *ast.AssignStmt:
			if s.Tok == token.DEFINE {
				continue
			}
		case *ast.ReturnStmt:
			if len(s.Results) > 0 {
				continue
			}
		case *ast.ExprStmt, *ast.IncDecStmt, *ast.DeferStmt, *ast.GoStmt, *ast.SendStmt, *ast.BranchStmt:
		default:
			continue
		}
		f.add(s, "delete", f.words(s), f.around(s, "if !mutantIs(ID) { ", " }")...)
	}
}

// fails reports a return of an error beside nothing but blanks: those are not to be looked at.
func (f *finder) fails(n *ast.ReturnStmt) bool {
	if len(n.Results) < 2 {
		return false
	}
	last := n.Results[len(n.Results)-1]
	if v := f.info.Types[last]; v.IsNil() || v.Type == nil ||
		!types.AssignableTo(v.Type, types.Universe.Lookup("error").Type()) {
		return false
	}
	if _, made := last.(*ast.CallExpr); made {
		return true
	}
	for _, r := range n.Results[:len(n.Results)-1] {
		if v := f.info.Types[r]; v.Value == nil && !v.IsNil() {
			return false
		}
	}
	return true
}

// assignment: += becomes -= by its right side.
func (f *finder) assignment(n *ast.AssignStmt) {
	if n.Tok == token.ADD_ASSIGN || n.Tok == token.SUB_ASSIGN {
		if f.numeric(n.Rhs[0], false) {
			f.add(n, "arithmetic", f.words(n), f.around(n.Rhs[0], "mutantMinus(ID, ", ")")...)
		}
	}
}

// call: min becomes max, and adding a gain to a level taking it off.
func (f *finder) call(n *ast.CallExpr) {
	switch fun := n.Fun.(type) {
	case *ast.Ident:
		if _, builtin := f.info.Uses[fun].(*types.Builtin); builtin && (fun.Name == "min" || fun.Name == "max") &&
			f.info.Types[n].Value == nil {
			f.add(n, "min/max", f.words(n), edit{at: f.offset(fun.Pos()), length: 3, text: "mutantM" + fun.Name[1:]},
				edit{at: f.offset(n.Lparen) + 1, text: "ID, "})
		}
	case *ast.SelectorExpr:
		if (fun.Sel.Name == "Add" || fun.Sel.Name == "Sub") && len(n.Args) == 1 && f.numeric(n.Args[0], false) &&
			!strings.HasSuffix(f.typeOf(fun.X), "WaitGroup") {
			f.add(n, "arithmetic", f.words(n), f.around(n.Args[0], "mutantMinus(ID, ", ")")...)
		}
	}
}

func (f *finder) typeOf(e ast.Expr) string {
	if t := f.info.Types[e].Type; t != nil {
		return t.String()
	}
	return ""
}

var swapped = map[token.Token]string{token.LSS: "Less", token.LEQ: "LessOrEqual", token.GTR: "Greater",
	token.GEQ: "GreaterOrEqual",
	token.ADD: "Plus", token.SUB: "Difference", token.MUL: "Times", token.QUO: "Over"}

// expression changes a comparison or a sum. It returns whether the parts are looked at too.
func (f *finder) expression(n *ast.BinaryExpr) bool {
	if f.info.Types[n].Value != nil {
		return f.constant(n)
	}
	name := swapped[n.Op]
	switch n.Op {
	case token.EQL, token.NEQ:
		f.add(n, "comparison", f.words(n), f.around(n, "mutantNot(ID, ", ")")...)
	case token.LSS, token.LEQ, token.GTR, token.GEQ:
		f.add(n, "comparison", f.words(n), f.replaced(n, name)...)
	case token.ADD, token.SUB, token.MUL, token.QUO:
		if f.numeric(n, true) {
			f.add(n, "arithmetic", f.words(n), f.replaced(n, name)...)
		}
	}
	return true
}

// replaced writes a op b as name(id, a, b).
func (f *finder) replaced(n *ast.BinaryExpr, name string) []edit {
	return []edit{{at: f.offset(n.Pos()), text: "mutant" + name + "(ID, "},
		{at: f.offset(n.OpPos), length: len(n.Op.String()), text: ","},
		{at: f.offset(n.End()), text: ")", end: true}}
}

// numeric reports a number; signed and not a constant unless any will do.
func (f *finder) numeric(e ast.Expr, any bool) bool {
	b := f.basic(e)
	if b == nil || b.Info()&types.IsNumeric == 0 || b.Info()&types.IsComplex != 0 {
		return false
	}
	return any || b.Info()&types.IsUnsigned == 0
}

func (f *finder) basic(e ast.Expr) *types.Basic {
	t := f.info.Types[e].Type
	if t == nil {
		return nil
	}
	if _, parameter := t.(*types.TypeParam); parameter {
		return nil
	}
	b, _ := t.Underlying().(*types.Basic)
	return b
}

// constant changes a number that is written down, or named by a constant of this package. It returns
// whether the parts are looked at too.
func (f *finder) constant(e ast.Expr) bool {
	v := f.info.Types[e]
	if v.Value == nil || v.IsType() {
		return true
	}
	if !f.numeric(e, true) || !f.written(e) {
		return false
	}
	name, ok := f.typeName(v.Type)
	if ok {
		f.add(e, "constant", f.words(e), f.around(e, "mutantConstant["+name+"](ID, ", ")")...)
	}
	return false
}

// written reports that a constant expression holds a number, or is a real one with a name.
func (f *finder) written(e ast.Expr) bool {
	found := false
	ast.Inspect(e, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.BasicLit:
			found = true
		case *ast.Ident:
			if c, ok := f.info.Uses[n].(*types.Const); ok && c.Pkg() == f.pkg {
				b, _ := c.Type().Underlying().(*types.Basic)
				found = found || b != nil && (b.Info()&types.IsFloat != 0 || strings.HasSuffix(c.Type().String(),
					"time.Duration"))
			}
		}
		return !found
	})
	return found
}

// typeName is how a type is written in this file; false where it cannot be.
func (f *finder) typeName(t types.Type) (string, bool) {
	ok := true
	name := types.TypeString(types.Default(t), func(p *types.Package) string {
		if p == f.pkg {
			return ""
		}
		for _, i := range f.file.Imports {
			path := strings.Trim(i.Path.Value, `"`)
			switch {
			case path != p.Path():
			case i.Name != nil:
				return i.Name.Name
			default:
				return p.Name()
			}
		}
		ok = false
		return "?"
	})
	return name, ok && !strings.Contains(name, "{")
}

// changed returns the files with all of the changes in them.
func (s *source) changed(mutants []*mutant) map[string][]byte {
	by := map[string][]edit{}
	for _, m := range mutants {
		if !m.droppedBecauseOfCompiler {
			by[m.file] = append(by[m.file], m.edits...)
		}
	}
	out := map[string][]byte{}
	for file, edits := range by {
		sort.SliceStable(edits, func(i, j int) bool {
			a, b := edits[i], edits[j]
			switch {
			case a.at != b.at:
				return a.at < b.at
			case a.end != b.end:
				return a.end // what ends here ends before anything begins
			case a.end:
				return a.order > b.order // the inner one first
			}
			return a.order < b.order
		})
		out[file] = apply(s.text[file], edits)
	}
	return out
}

func apply(text []byte, edits []edit) []byte {
	var b bytes.Buffer
	at := 0
	for _, e := range edits {
		if e.at > at {
			b.Write(text[at:e.at])
			at = e.at
		}
		b.WriteString(e.text)
		at = max(at, e.at+e.length)
	}
	b.Write(text[at:])
	return b.Bytes()
}
