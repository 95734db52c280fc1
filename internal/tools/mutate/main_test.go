package main

import (
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const sample = `package sample

func pick(a, b float64, on bool) float64 {
	if a < b && on {
		a += 2 * b
		return min(a, b-1)
	}
	return a / 4
}
`

// found walks the sample as a package of its own.
func found(t *testing.T) (*source, []*mutant) {
	t.Helper()
	s := &source{fset: token.NewFileSet(), name: "sample", text: map[string][]byte{"sample.go": []byte(sample)},
		names: []string{"sample.go"}}
	file, err := parser.ParseFile(s.fset, "sample.go", sample, 0)
	if err != nil {
		t.Fatal(err)
	}
	s.files = []*ast.File{file}
	s.info = &types.Info{Types: map[ast.Expr]types.TypeAndValue{}, Uses: map[*ast.Ident]types.Object{},
		Defs: map[*ast.Ident]types.Object{}}
	if s.pkg, err = (&types.Config{Importer: importer.Default()}).Check("sample", s.fset, s.files, s.info); err != nil {
		t.Fatal(err)
	}
	return s, s.find("sample")
}

func TestEveryKindOfChangeIsFoundAndWrittenWhereItBelongs(t *testing.T) {
	s, mutants := found(t)
	count, keys := map[string]int{}, map[string]bool{}
	for _, m := range mutants {
		count[m.operator]++
		if keys[m.key] {
			t.Errorf("%s is found twice", m.key)
		}
		keys[m.key] = true
	}
	// if; a < b; 2*b, a += …, b-1, a/4; a += …; 2, 1, 4; min.
	for operator, want := range map[string]int{"negate": 1, "comparison": 1, "arithmetic": 4, "delete": 1,
		"constant": 3, "min/max": 1} {
		if count[operator] != want {
			t.Errorf("%d changes of kind %q, want %d", count[operator], operator, want)
		}
	}
	text := string(s.changed(mutants)["sample.go"])
	if _, err := parser.ParseFile(token.NewFileSet(), "changed.go", text, 0); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	for _, want := range []string{"if mutantNot(", "mutantLess(", "mutantMin(", "if !mutantIs("} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
}

func TestAJudgementIsKnownByFunctionAndNotByFile(t *testing.T) {
	_, mutants := found(t)
	file := filepath.Join(t.TempDir(), "judged.tsv")
	if err := os.WriteFile(file, []byte("# remark\n"+mutants[0].key+"\tno test can notice it\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	j, err := readJudged(file)
	if err != nil {
		t.Fatal(err)
	}
	mutants[0].file = "elsewhere.go"
	if !j.equivalent(mutants[0]) || j.equivalent(mutants[1]) || len(j.unused([]string{"sample"})) != 0 {
		t.Errorf("%+v", j)
	}
	for _, bad := range []string{"a\tb\n", mutants[0].key + "\t \n", strings.Repeat(mutants[0].key+"\ttwice\n", 2)} {
		os.WriteFile(file, []byte(bad), 0o600)
		if _, err := readJudged(file); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
}

func TestTheKeptJudgementsAreRead(t *testing.T) {
	if _, err := readJudged("judged.tsv"); err != nil {
		t.Error(err)
	}
}
