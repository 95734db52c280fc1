package main

import (
	"bufio"
	"context"
	"fmt"
	"strings"
	"testing"
)

const listed = `{"ImportPath":"m/a","Module":{"Path":"m"},"TestGoFiles":["a_test.go"],"EmbedFiles":["words.md"]}
{"ImportPath":"m/b","Module":{"Path":"m"},"Imports":["fmt","m/a"],"TestGoFiles":["b_test.go"]}
{"ImportPath":"m/c","Module":{"Path":"m"},"Imports":["m/b"],"TestGoFiles":["c_test.go"]}
{"ImportPath":"m/cmd/x","Module":{"Path":"m"},"Imports":["m/a"],"TestGoFiles":["x_test.go"]}
{"ImportPath":"m/d","Module":{"Path":"m"},"XTestImports":["m/a"],"XTestGoFiles":["d_test.go"]}
{"ImportPath":"m/e","Module":{"Path":"m"},"Imports":["m/d"],"TestGoFiles":["e_test.go"]}`

func TestWhatAChangeConcerns(t *testing.T) {
	all, err := packages([]byte(listed))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ files, want string }{
		{"a/a.go", "[a] [] [b d cmd/x] [c]"},
		{"a/testdata/deep/x.txt README.md", "[a] [README.md] [b d cmd/x] [c]"},
		{"a/words.md a/other.md", "[a] [a/other.md] [b d cmd/x] [c]"},
		{"b/gone.go", "[b] [] [c] []"},
		{"test.sh", "[] [test.sh] [] []"},
		{"go.sum", "[a b c cmd/x d e] [] [] []"},
	} {
		changed, nowhere := all.of(strings.Fields(c.files))
		direct, far := all.importers(changed)
		if got := fmt.Sprint(changed, nowhere, direct, far); got != c.want {
			t.Errorf("%s: %s, want %s", c.files, got, c.want)
		}
	}
}

func TestWhatHasNotEndedIsLeftOpen(t *testing.T) {
	const said = `{"Action":"pass","Package":"m/a","Test":"TestA","Elapsed":0.1}
{"Action":"pass","Package":"m/a","Elapsed":0.2}
{"Action":"pass","Package":"m/b","Test":"TestB"}
`
	open := map[string]int{"a": 0, "b": 0, "c": 0}
	if follow(context.Background(), bufio.NewScanner(strings.NewReader(said)), open) || fmt.Sprint(open) != "map[b:1 c:0]" {
		t.Errorf("open: %v", open)
	}
	if !follow(context.Background(), bufio.NewScanner(strings.NewReader(`{"Action":"fail","Package":"m/c","Test":"TestC"}`)), open) {
		t.Error("a failure is none")
	}
	if !follow(context.Background(), bufio.NewScanner(strings.NewReader(`{"Action":"build-fail","ImportPath":"m/c [m/c.test]"}`)), open) {
		t.Error("a package that cannot be built is no failure")
	}
}
