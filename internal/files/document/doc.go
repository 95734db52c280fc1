// Package document reads the program's YAML files strictly: every key is known, every quantity has
// its unit, and all problems of a file are found in one reading, each with its line and column. It
// knows YAML and structs; what a bench or a plan means is known by the packages that use it. It
// opens no file.
//
// Use:
//
//	type pad struct {
//		ID   string  `yaml:"id,required"`
//		Loss rf.Gain `yaml:"loss,required"`
//	}
//	type file struct {
//		Name string `yaml:"name"`
//		Pads []pad  `yaml:"pads"`
//	}
//	var f file
//	doc := document.Decode("bench.yaml", data, "bench 1", &f)
//	if f.Pads[0].Loss < 0 { // checks that decoding cannot know
//		doc.Problem("pads[0].loss", "a pad has no gain", "write the loss as a positive number")
//	}
//	return doc.Problems()
//
// The first key of every file is "provoke" with the kind and version of the format ("bench 1");
// Decode checks it, the struct does not have it.
//
// A field may be a string, a bool, a struct, a pointer, a slice, a map with string or
// TextUnmarshaler keys, or anything whose pointer is an encoding.TextUnmarshaler (all rf types,
// Date, Count). An embedded struct without a tag is read inline. A struct that is a TextUnmarshaler
// too may be written as one scalar or as a mapping. Integers and floats are no fields: a bare
// number has no unit; a number of things is a Count.
//
// Refused: unknown and repeated keys, keys without a value, anchors, aliases, merge keys, tags,
// several documents in one file, tabs in the indentation, text that is not UTF-8, files over
// MaximumSize, nesting over MaximumDepth. A value that is still Blank is one problem and nothing
// else.
package document

import (
	"bytes"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"

	"provoke/internal/files/problem"
)

// Limits of a file.
const (
	MaximumSize  = 1 << 17 // bytes; longer curves belong into a CSV or Touchstone file
	MaximumDepth = 24      // nested mappings and lists
	maximumTold  = 200     // problems that are told before the rest is only counted
)

// Blank is what stands in a template for a value that the user must write.
const Blank = "FILL IN"

// Document is one file that was read: its problems, and where its values stand.
type Document struct {
	file     string
	problems problem.List
	places   map[string]place
	bad      map[string]bool // paths whose value could not be taken
	untold   int
	broken   bool
}

type place struct{ line, column int }

// Decode reads data into the struct that into points at. Kind is the format and version that the
// first key must name, for example "bench 1". It always returns a Document; look at Problems. A
// field that has a problem keeps its zero value.
func Decode(file string, data []byte, kind string, into any) *Document {
	d := &Document{file: file, places: map[string]place{"": {1, 1}}, bad: map[string]bool{}}
	text, ok := d.clean(data)
	if !ok {
		d.broken = true
		return d
	}
	root, ok := d.parse(text)
	if !ok {
		d.broken = true
		return d
	}
	d.decodeRoot(root, kind, into)
	return d
}

// Problems returns every problem so far, ordered by place.
func (d *Document) Problems() problem.List {
	out := append(problem.List(nil), d.problems...)
	out.Sort()
	if d.untold > 0 {
		out = append(out, problem.Problem{File: d.file, What: fmt.Sprintf("and %d more problems", d.untold)})
	}
	return out
}

// Readable reports that the file was YAML of the right kind, so that checks of its content make
// sense even where single values have problems.
func (d *Document) Readable() bool { return !d.broken }

// Has reports that a path such as "amplifier.gain" or "monitors[1].query" stands in the file.
func (d *Document) Has(path string) bool { _, ok := d.places[path]; return ok }

// Taken reports that a path stands in the file and its value was taken: it is neither blank nor of
// the wrong kind.
func (d *Document) Taken(path string) bool { return d.Has(path) && !d.bad[path] }

// TroubleBelow reports that a value inside the mapping or list at a path was not taken.
func (d *Document) TroubleBelow(path string) bool {
	for bad := range d.bad {
		if strings.HasPrefix(bad, path+".") || strings.HasPrefix(bad, path+"[") {
			return true
		}
	}
	return false
}

// At returns the place of a path: of the value where it is a scalar, else of its key. Where the
// path does not stand in the file it is the place of the nearest part that does.
func (d *Document) At(path string) (line, column int) {
	for {
		if p, ok := d.places[path]; ok {
			return p.line, p.column
		}
		i := strings.LastIndexAny(path, ".[")
		if i < 0 {
			return 1, 1
		}
		path = path[:i]
	}
}

// Problem adds a problem at a path.
func (d *Document) Problem(path, what, hint string) { d.add(path, what, hint, false) }

// Warning adds what the user should know but what does not stop the work.
func (d *Document) Warning(path, what, hint string) { d.add(path, what, hint, true) }

// Aside adds a warning that no rating and no watching rests on.
func (d *Document) Aside(path, what, hint string) {
	n := len(d.problems)
	if d.Warning(path, what, hint); len(d.problems) > n {
		d.problems[n].Aside = true
	}
}

func (d *Document) add(path, what, hint string, warning bool) {
	line, column := d.At(path)
	d.addAt(place{line, column}, what, hint, warning)
}

func (d *Document) addAt(at place, what, hint string, warning bool) {
	if len(d.problems) >= maximumTold {
		d.untold++
		return
	}
	d.problems = append(d.problems, problem.Problem{
		File: d.file, Line: at.line, Column: at.column, What: shortened(what), Hint: shortened(hint), Warning: warning,
	})
}

// shortened takes the middle out of what a long key or value of the file made long.
func shortened(text string) string {
	const most, each = 1200, 400
	if r := []rune(text); len(r) > most {
		return string(r[:each]) + " … " + string(r[len(r)-each:])
	}
	return text
}

// clean checks what can be said of the bytes before YAML is looked at, and evens out line ends.
func (d *Document) clean(data []byte) ([]byte, bool) {
	switch {
	case len(data) > MaximumSize:
		d.addAt(place{}, fmt.Sprintf("the file has %d bytes; at most %d are read", len(data), MaximumSize),
			"put long curves into a CSV or Touchstone file beside it", false)
		return nil, false
	case bytes.HasPrefix(data, []byte{0xFF, 0xFE}), bytes.HasPrefix(data, []byte{0xFE, 0xFF}):
		d.addAt(place{1, 1}, "the file is UTF-16", "save it as UTF-8", false)
		return nil, false
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	data = bytes.ReplaceAll(data, []byte("\r\n"), []byte("\n"))
	data = bytes.ReplaceAll(data, []byte("\r"), []byte("\n"))
	sound := true
	for i, line := range bytes.Split(data, []byte("\n")) {
		if !d.cleanLine(i+1, line) {
			sound = false
		}
	}
	if sound && flowDepth(data) > MaximumDepth {
		d.addAt(place{}, fmt.Sprintf("brackets are nested more than %d deep", MaximumDepth), "", false)
		sound = false
	}
	return data, sound
}

func (d *Document) cleanLine(number int, line []byte) bool {
	if !utf8.Valid(line) {
		column := 1
		for len(line) > 0 {
			r, n := utf8.DecodeRune(line)
			if r == utf8.RuneError && n <= 1 {
				break
			}
			line, column = line[n:], column+1
		}
		d.addAt(place{number, column}, "this is not UTF-8 text", "save the file as UTF-8", false)
		return false
	}
	for i, r := range []rune(string(line)) {
		if r < 0x20 && r != '\t' || r == 0x7F {
			d.addAt(place{number, i + 1}, fmt.Sprintf("control character U+%04X", r), "remove it", false)
			return false
		}
	}
	indent := line[:len(line)-len(bytes.TrimLeft(line, " \t"))]
	if i := bytes.IndexByte(indent, '\t'); i >= 0 && len(indent) < len(line) {
		d.addAt(place{number, i + 1}, "a tab in the indentation", "indent with spaces", false)
		return false
	}
	rest, dashes := line[len(indent):], 0
	for bytes.HasPrefix(rest, []byte("- ")) || bytes.HasPrefix(rest, []byte("? ")) ||
		bytes.HasPrefix(rest, []byte(": ")) {
		rest, dashes = bytes.TrimLeft(rest[2:], " "), dashes+1
	}
	if len(indent) > 8*MaximumDepth || dashes > MaximumDepth {
		d.addAt(place{number, 1}, fmt.Sprintf("nested more than %d deep", MaximumDepth), "", false)
		return false
	}
	return true
}

// flowDepth returns the deepest nesting of brackets, brackets in comments and quotes included: it
// only guards the parser.
func flowDepth(data []byte) int {
	depth, deepest := 0, 0
	for _, c := range data {
		switch c {
		case '[', '{':
			depth++
			deepest = max(deepest, depth)
		case ']', '}':
			depth = max(0, depth-1)
		}
	}
	return deepest
}

// parse returns the one mapping of the file.
func (d *Document) parse(text []byte) (root ast.Node, ok bool) {
	defer func() {
		if r := recover(); r != nil { // the YAML library is not proof against every text
			d.addAt(place{}, "this is not YAML that can be read", "compare it with a file that `provoke new` writes",
				false)
			root, ok = nil, false
		}
	}()
	f, err := parser.ParseBytes(text, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		d.syntax(err)
		return nil, false
	}
	var body ast.Node
	for _, doc := range f.Docs {
		if doc.Body == nil {
			continue
		}
		if body != nil {
			d.addAt(tokenPlace(doc.Start), "a second document begins here",
				"one file holds one document; remove the line ---", false)
			return nil, false
		}
		body = doc.Body
	}
	if body == nil {
		d.addAt(place{}, "the file is empty", "`provoke new DIR` writes commented files to start from", false)
		return nil, false
	}
	switch body.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return body, true
	}
	d.addAt(nodePlace(body), "the file does not hold a mapping of keys to values",
		"begin with a line such as \"provoke: bench 1\"", false)
	return nil, false
}

// syntax tells the parser's first complaint; behind it nothing is known.
func (d *Document) syntax(err error) {
	at, what := place{}, strings.TrimSpace(err.Error())
	if e, ok := err.(interface {
		GetToken() *token.Token
		GetMessage() string
	}); ok {
		at, what = tokenPlace(e.GetToken()), e.GetMessage()
	}
	if i := strings.IndexByte(what, '\n'); i >= 0 {
		what = what[:i]
	}
	d.addAt(at, "YAML: "+what, "look at the indentation, the colons and the quotes here and in the line above", false)
}

func tokenPlace(t *token.Token) place {
	if t == nil || t.Position == nil {
		return place{}
	}
	return place{t.Position.Line, t.Position.Column}
}

// nodePlace returns where a node begins.
func nodePlace(n ast.Node) place {
	switch n := n.(type) {
	case nil:
		return place{}
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return nodePlace(n.Values[0].Key)
		}
	case *ast.MappingValueNode:
		return nodePlace(n.Key)
	}
	return tokenPlace(n.GetToken())
}
