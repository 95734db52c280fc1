package document

import (
	"encoding"
	"fmt"
	"reflect"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// decodeRoot checks the first key and decodes the rest.
func (d *Document) decodeRoot(root ast.Node, kind string, into any) {
	v := reflect.ValueOf(into)
	if v.Kind() != reflect.Pointer || v.Elem().Kind() != reflect.Struct {
		panic(fmt.Sprintf("document: Decode needs a pointer to a struct, not %T", into))
	}
	entries := entriesOf(root)
	if len(entries) == 0 {
		d.addAt(place{}, "the file is empty", "", false)
		d.broken = true
		return
	}
	if !d.checkKind(entries[0], kind) {
		d.broken = true
		return
	}
	d.fields(v.Elem(), entries[1:], "", 1)
}

// checkKind checks that the file begins with "provoke: KIND VERSION".
func (d *Document) checkKind(first *ast.MappingValueNode, kind string) bool {
	at := nodePlace(first.Key)
	hint := fmt.Sprintf("the first line must be \"provoke: %s\"", kind)
	if keyText(first.Key) != "provoke" {
		d.addAt(at, "the file does not say what it is", hint, false)
		return false
	}
	got, ok := scalarText(first.Value)
	if !ok {
		d.addAt(at, "provoke is not followed by the kind of the file", hint, false)
		return false
	}
	if got = strings.Join(strings.Fields(got), " "); got == kind {
		return true
	}
	wantName, _, _ := strings.Cut(kind, " ")
	gotName, gotVersion, _ := strings.Cut(got, " ")
	what := fmt.Sprintf("this is a file of kind %q, not %q", got, kind)
	if gotName == wantName && gotVersion != "" {
		what = fmt.Sprintf("version %q of the %s format is not known to this program, which reads %q", gotVersion,
			wantName, kind)
	}
	d.addAt(nodePlace(first.Value), what, hint, false)
	return false
}

func entriesOf(n ast.Node) []*ast.MappingValueNode {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}
	}
	return nil
}

func isMapping(n ast.Node) bool {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return true
	}
	return false
}

// scalarText returns the text of a scalar as it was written, without quotes.
func scalarText(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return n.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true
	}
	return "", false
}

func keyText(k ast.MapKeyNode) string {
	if s, ok := scalarText(k); ok {
		return s
	}
	return k.GetToken().Value
}

// kindOf names a node for people.
func kindOf(n ast.Node) string {
	switch n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "a number"
	case *ast.BoolNode:
		return "true or false"
	}
	return "a text"
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

func named(path string) string {
	if path == "" {
		return "the file"
	}
	return path
}

var textType = reflect.TypeFor[encoding.TextUnmarshaler]()

func isText(t reflect.Type) bool { return reflect.PointerTo(t).Implements(textType) }

// field is one key that a struct reads.
type field struct {
	name     string
	required bool
	index    []int
}

// fieldsOf lists the keys of a struct, embedded structs included.
func fieldsOf(t reflect.Type) []field {
	var out []field
	for i := range t.NumField() {
		f := t.Field(i)
		tag, tagged := f.Tag.Lookup("yaml")
		if f.Anonymous && !tagged {
			for _, inner := range fieldsOf(f.Type) {
				inner.index = append([]int{i}, inner.index...)
				out = append(out, inner)
			}
			continue
		}
		if !tagged || tag == "-" {
			continue
		}
		name, options, _ := strings.Cut(tag, ",")
		out = append(out, field{name, options == "required", []int{i}})
	}
	return out
}

// fields decodes the entries of a mapping into the fields of a struct.
func (d *Document) fields(v reflect.Value, entries []*ast.MappingValueNode, path string, depth int) {
	known := fieldsOf(v.Type())
	seen := map[string]place{}
	for _, e := range entries {
		key, ok := d.key(e, path, seen)
		if !ok {
			continue
		}
		f, ok := find(known, key)
		if !ok {
			d.unknown(e, key, path, known)
			continue
		}
		at, before := join(path, key), len(d.problems)+d.untold
		d.value(v.FieldByIndex(f.index), e.Value, at, nodePlace(e.Key), depth+1)
		// An empty list is as good as none.
		if list := v.FieldByIndex(f.index); f.required && list.Kind() == reflect.Slice && list.Len() == 0 &&
			len(d.problems)+d.untold == before {
			d.add(at, at+" is empty", "write at least one entry", false)
			d.bad[at] = true
		}
	}
	for _, f := range known {
		if _, ok := seen[f.name]; f.required && !ok {
			d.add(path, fmt.Sprintf("%s has no %s", named(path), f.name), fmt.Sprintf("add the key %q", f.name+":"),
				false)
		}
	}
}

// key returns the text of an entry's key, after refusing what is no plain key.
func (d *Document) key(e *ast.MappingValueNode, path string, seen map[string]place) (string, bool) {
	at := nodePlace(e.Key)
	switch e.Key.(type) {
	case *ast.MergeKeyNode:
		d.addAt(at, "merge keys (<<) are not read", "write the values out", false)
		return "", false
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
	default:
		d.addAt(at, "a key must be a plain text", "", false)
		return "", false
	}
	key := keyText(e.Key)
	if first, twice := seen[key]; twice {
		d.addAt(at, fmt.Sprintf("%s has %s twice", named(path), key),
			fmt.Sprintf("the first is in line %d; keep one", first.line), false)
		return "", false
	}
	seen[key] = at
	return key, true
}

func find(known []field, key string) (field, bool) {
	for _, f := range known {
		if f.name == key {
			return f, true
		}
	}
	return field{}, false
}

func (d *Document) unknown(e *ast.MappingValueNode, key, path string, known []field) {
	names := make([]string, len(known))
	for i, f := range known {
		names[i] = f.name
	}
	hint := "it may have: " + strings.Join(names, ", ")
	if near := Nearest(key, names); near != "" {
		hint = fmt.Sprintf("did you mean %q?", near)
	}
	if path == "" && key == "provoke" {
		hint = "it stands once, in the first line"
	}
	d.addAt(nodePlace(e.Key), fmt.Sprintf("%s has no key %q", named(path), key), hint, false)
}

// value decodes a node into v. Key is the place of its key, or of the item in a list.
func (d *Document) value(v reflect.Value, n ast.Node, path string, key place, depth int) {
	at := key
	if _, scalar := scalarText(n); scalar {
		at = nodePlace(n)
	}
	d.places[path] = at
	if depth > MaximumDepth {
		d.addAt(at, fmt.Sprintf("nested more than %d deep", MaximumDepth), "", false)
		return
	}
	before := len(d.problems) + d.untold
	d.take(v, n, path, key, at, depth)
	// A problem inside a mapping or list is that of the inner path.
	if _, scalar := scalarText(n); len(d.problems)+d.untold > before && (scalar || v.IsZero()) {
		d.bad[path] = true
	}
}

// take decodes a node that stands at a path.
func (d *Document) take(v reflect.Value, n ast.Node, path string, key, at place, depth int) {
	if d.refused(n, path, at) {
		return
	}
	t := v.Type()
	switch {
	case t.Kind() == reflect.Pointer:
		target := reflect.New(t.Elem())
		d.value(target.Elem(), n, path, key, depth)
		v.Set(target)
	case isText(t) && !(t.Kind() == reflect.Struct && isMapping(n) && len(fieldsOf(t)) > 0):
		d.text(v, n, path, at)
	case t.Kind() == reflect.Struct:
		if d.want(isMapping(n), n, path, at, "a mapping of keys to values") {
			d.fields(v, entriesOf(n), path, depth)
		}
	case t.Kind() == reflect.Slice:
		d.list(v, n, path, at, depth)
	case t.Kind() == reflect.Map:
		d.mapping(v, n, path, at, depth)
	case t.Kind() == reflect.String:
		if s, ok := scalarText(n); d.want(ok, n, path, at, "a text") {
			v.SetString(s)
		}
	case t.Kind() == reflect.Bool:
		b, ok := n.(*ast.BoolNode)
		if d.want(ok, n, path, at, "true or false") {
			v.SetBool(b.Value)
		}
	default:
		panic(fmt.Sprintf("document: %s has type %v, which has no unit", path, t))
	}
}

// refused tells of nodes that no field takes.
func (d *Document) refused(n ast.Node, path string, at place) bool {
	switch n.(type) {
	case nil, *ast.NullNode:
		d.addAt(at, path+" has no value", "give it one or remove the key", false)
		return true
	case *ast.AnchorNode, *ast.AliasNode:
		d.addAt(nodePlace(n), path+": anchors (&) and aliases (*) are not read",
			"write the value out, or put quotes round a text that begins with & or *", false)
		return true
	case *ast.TagNode:
		d.addAt(nodePlace(n), path+": tags (!) are not read", "remove the tag", false)
		return true
	}
	s, ok := scalarText(n)
	if ok && strings.EqualFold(strings.TrimSpace(s), Blank) {
		d.addAt(at, path+" is still blank", "write the value of your own gear in place of "+Blank, false)
		return true
	}
	return false
}

// want tells of a node of the wrong kind.
func (d *Document) want(ok bool, n ast.Node, path string, at place, what string) bool {
	if !ok {
		d.addAt(at, fmt.Sprintf("%s is %s; it must be %s", path, kindOf(n), what), "", false)
	}
	return ok
}

// text decodes a scalar through encoding.TextUnmarshaler.
func (d *Document) text(v reflect.Value, n ast.Node, path string, at place) {
	s, ok := scalarText(n)
	if !d.want(ok, n, path, at, "one value") {
		return
	}
	if strings.TrimSpace(s) == "" {
		d.addAt(at, path+" is empty", "give it a value or remove the key", false)
		return
	}
	fresh := reflect.New(v.Type())
	if v.Kind() == reflect.Struct {
		fresh.Elem().Set(v)
	}
	if err := fresh.Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte(s)); err != nil {
		hint := ""
		if h, ok := err.(interface{ Hint() string }); ok {
			hint = h.Hint()
		} else if kindOf(n) == "a number" {
			hint = "write the unit behind the number: a bare number is not read"
		}
		d.addAt(at, path+": "+err.Error(), hint, false)
		return
	}
	v.Set(fresh.Elem())
}

func (d *Document) list(v reflect.Value, n ast.Node, path string, at place, depth int) {
	s, ok := n.(*ast.SequenceNode)
	if !d.want(ok, n, path, at, "a list") {
		return
	}
	out := reflect.MakeSlice(v.Type(), len(s.Values), len(s.Values))
	for i, item := range s.Values {
		itemAt := nodePlace(item)
		if itemAt.line == 0 {
			itemAt = at
		}
		d.value(out.Index(i), item, fmt.Sprintf("%s[%d]", path, i), itemAt, depth+1)
	}
	v.Set(out)
}

func (d *Document) mapping(v reflect.Value, n ast.Node, path string, at place, depth int) {
	if !d.want(isMapping(n), n, path, at, "a mapping of keys to values") {
		return
	}
	out := reflect.MakeMap(v.Type())
	seen := map[string]place{}
	for _, e := range entriesOf(n) {
		text, ok := d.key(e, path, seen)
		if !ok {
			continue
		}
		k, ok := d.mapKey(v.Type().Key(), text, path, nodePlace(e.Key))
		if !ok {
			continue
		}
		if out.MapIndex(k).IsValid() {
			d.addAt(nodePlace(e.Key), fmt.Sprintf("%s has %s twice", path, text), "two keys mean the same; keep one",
				false)
			continue
		}
		item := reflect.New(v.Type().Elem()).Elem()
		d.value(item, e.Value, join(path, text), nodePlace(e.Key), depth+1)
		out.SetMapIndex(k, item)
	}
	v.Set(out)
}

func (d *Document) mapKey(t reflect.Type, text, path string, at place) (reflect.Value, bool) {
	k := reflect.New(t)
	if u, ok := k.Interface().(encoding.TextUnmarshaler); ok {
		if err := u.UnmarshalText([]byte(text)); err != nil {
			d.addAt(at, fmt.Sprintf("%s: %v", path, err), "", false)
			return reflect.Value{}, false
		}
		return k.Elem(), true
	}
	k.Elem().SetString(text)
	return k.Elem(), true
}
