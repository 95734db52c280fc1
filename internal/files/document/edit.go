package document

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/parser"
)

// A form that edits a file changes the lines of the keys that a person changed and nothing else: comments, order
// and spelling of the rest stay. Paths are those of problems: "amplifier.gain", "to_clamp[1].loss".

// Written is a value as it stands in a file.
type Written struct {
	Text        string // a scalar without its quotes; what is written over several lines without its indentation
	First, Last int    // its lines, from 1
}

// Layout is where the keys of a file stand.
type Layout struct{ root *written }

// LayoutOf reads where the keys of a file stand.
func LayoutOf(text string) Layout { return Layout{outline(strings.Split(text, "\n"))} }

// Find returns what a file has at a path; false where it has nothing there.
func (l Layout) Find(path string) (Written, bool) {
	n := l.root.find(path)
	if n == nil {
		return Written{}, false
	}
	return Written{n.text, n.first + 1, n.last + 1}, true
}

// Size returns how many items a list has; 0 where there is none.
func (l Layout) Size(list string) int {
	if n := l.root.find(list); n != nil && n.list {
		return len(n.kids)
	}
	return 0
}

// Keys are the keys of a mapping, in their order; what stands in brackets and is no key with its value is told as it
// is written.
func (l Layout) Keys(path string) (keys []string) {
	if n := l.root.find(path); n != nil && !n.list {
		for _, k := range n.kids {
			keys = append(keys, k.key)
		}
	}
	return keys
}

// Find returns what a file has at a path; false where it has nothing there.
func Find(text, path string) (Written, bool) { return LayoutOf(text).Find(path) }

// Listed are the items of a list in brackets, "[a, b]"; ok is false where a value is no such list.
func Listed(value string) (items []string, ok bool) {
	if !strings.HasPrefix(value, "[") || !strings.HasSuffix(value, "]") || strings.Contains(value, "\n") {
		return nil, false
	}
	for _, x := range commas(value[1 : len(value)-1]) {
		items = append(items, unquoted(strings.TrimSpace(x)))
	}
	return items, true
}

// Inline is a value as it is written inside brackets.
func Inline(value string) string {
	if strings.ContainsAny(value, ",[]{}:#\"'") || needsQuotes.MatchString(value) {
		return strconv.Quote(value)
	}
	return value
}

// Set returns the text with a value at a path, in one line or several; an empty value takes the key or the item out. A
// value that begins with a bracket, or has several lines, is meant as YAML where it is YAML; with plain it is a text
// whatever it looks like. What is above the key is made where it is not there.
func Set(text, path, value string, plain bool) (string, error) {
	value = strings.TrimSpace(strings.ReplaceAll(value, "\r\n", "\n"))
	lines := strings.Split(text, "\n")
	above, key := split(path)
	if key == "" {
		return "", fmt.Errorf("%q names no key", path)
	}
	at := outline(lines).find(path)
	if at != nil && at.flow && at.parent.flow {
		return Set(at.parent.unfold(lines), path, value, plain)
	}
	if value == "" {
		if at == nil {
			return text, nil
		}
		return Remove(text, path)
	}
	if at != nil {
		put := form(at.key, value, plain)
		if !at.item() || at.first == at.last { // the text of an item of several lines holds its comments
			put[0] += at.comment
		}
		head := lines[at.first][:at.indent] // with the dash of an item
		return replaced(lines, at.first, at.last, indented(put, at.indent, head)), nil
	}
	if !newKey.MatchString(key) {
		return "", fmt.Errorf("there is no %q in the file", path)
	}
	root := outline(lines)
	holder := root.find(above)
	if holder == nil {
		made, err := Set(text, above, "{}", false)
		if err != nil {
			return "", err
		}
		return Set(made, path, value, plain)
	}
	if holder.flow || holder.text == "{}" {
		return replaced(lines, holder.first, holder.last, append(
			[]string{strings.TrimRight(lines[holder.first][:holder.colon], " ") + holder.comment},
			append(holder.block(), indented(form(key, value, plain), holder.indent+2, "")...)...)), nil
	}
	if holder.list || len(holder.kids) == 0 && holder != root {
		return "", fmt.Errorf("%s is written in a way that holds no %s; change it in the text", above, key)
	}
	after, indent := len(lines)-1, 0
	if n := len(holder.kids); n > 0 {
		after, indent = holder.kids[n-1].last, holder.kids[0].indent
	}
	for holder == root && after >= 0 && strings.TrimSpace(lines[after]) == "" {
		after--
	}
	return replaced(lines, after+1, after, indented(form(key, value, plain), indent, "")), nil
}

var newKey = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)

// Remove takes a key, an item or a whole piece out.
func Remove(text, path string) (string, error) {
	lines := strings.Split(text, "\n")
	n := outline(lines).find(path)
	if n == nil || n.parent == nil {
		return text, nil
	}
	if n.flow && n.parent.flow {
		return Remove(n.parent.unfold(lines), path)
	}
	p := n.parent
	if p.list && len(p.kids) == 1 && p.key != "" { // a list without items would be a key without a value
		lines[p.first] = lines[p.first][:p.colon] + " []" + p.comment
	}
	if p.item() && p.kids[0] == n { // its line holds the dash of the item
		if len(p.kids) == 1 {
			return Remove(text, pathOf(p))
		}
		next := p.kids[1]
		lines[next.first] = lines[n.first][:n.indent] + lines[next.first][next.indent:]
	}
	return replaced(lines, n.first, n.last, nil), nil
}

// Add puts an item of several keys, one a line, at the end of a list, or makes a mapping of them at a path that
// is no list.
func Add(text, path string, keys []string, list bool) (string, error) {
	lines := strings.Split(text, "\n")
	n := outline(lines).find(path)
	item := indented(keys, 2, "  ")
	if list {
		item[0] = "- " + item[0][2:]
	}
	switch {
	case n == nil:
		for len(lines) > 0 && strings.TrimSpace(lines[len(lines)-1]) == "" {
			lines = lines[:len(lines)-1]
		}
		return strings.Join(lines, "\n") + "\n" + path + ":\n" + strings.Join(indented(item, 2*btoi(list), ""),
			"\n") + "\n", nil
	case !list:
		return "", fmt.Errorf("%s is there already", path)
	case n.list:
		last := n.kids[len(n.kids)-1]
		return replaced(lines, last.last+1, last.last, indented(item, column(lines[last.first]), "")), nil
	case strings.TrimSpace(n.text) == "[]" || n.text == "":
		return replaced(lines, n.first, n.last, append([]string{strings.TrimRight(lines[n.first][:n.colon], " ") +
			n.comment}, indented(item, n.indent+2, "")...)), nil
	}
	return "", fmt.Errorf("%s is written in a way that takes no further item; change it in the text", path)
}

// Move changes the places of an item of a list and its neighbour, by -1 toward the front or by 1.
func Move(text, path string, by int) (string, error) {
	lines := strings.Split(text, "\n")
	n := outline(lines).find(path)
	if n == nil || !n.item() {
		return text, nil
	}
	i := 0
	for n.parent.kids[i] != n {
		i++
	}
	j := i + by
	if j < 0 || j >= len(n.parent.kids) {
		return text, nil
	}
	a, b := n.parent.kids[min(i, j)], n.parent.kids[max(i, j)]
	var out []string
	out = append(out, lines[:a.first]...)
	out = append(out, lines[b.first:b.last+1]...)
	out = append(out, lines[a.last+1:b.first]...)
	out = append(out, lines[a.first:a.last+1]...)
	return strings.Join(append(out, lines[b.last+1:]...), "\n"), nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

// written is a key or an item with its lines, counted from 0.
type written struct {
	key         string // "" for an item
	parent      *written
	kids        []*written
	list        bool // kids are items
	flow        bool // written in brackets, or inside of them
	first, last int
	indent      int // column of the key, or of what the item holds
	colon       int // column behind the colon
	text        string
	comment     string // behind the value, with the space before it
}

func (n *written) item() bool { return n.parent != nil && n.parent.list }

func pathOf(n *written) string {
	switch {
	case n.parent == nil:
		return ""
	case n.item():
		for i, k := range n.parent.kids {
			if k == n {
				return fmt.Sprintf("%s[%d]", pathOf(n.parent), i)
			}
		}
	}
	return join(pathOf(n.parent), n.key)
}

var pathStep = regexp.MustCompile(`\[\d+\]|[^.\[\]]+`)

func split(path string) (above, last string) {
	steps := pathStep.FindAllStringIndex(path, -1)
	if len(steps) == 0 {
		return "", ""
	}
	at := steps[len(steps)-1]
	return strings.TrimSuffix(path[:at[0]], "."), path[at[0]:at[1]]
}

func (n *written) find(path string) *written {
steps:
	for _, step := range pathStep.FindAllString(path, -1) {
		if i, err := strconv.Atoi(strings.Trim(step, "[]")); err == nil && step[0] == '[' {
			if !n.list || i >= len(n.kids) {
				return nil
			}
			n = n.kids[i]
			continue
		}
		for _, k := range n.kids {
			if !n.list && k.key == step {
				n = k
				continue steps
			}
		}
		return nil
	}
	return n
}

// outline reads the lines of a file as keys and items, without judging them: what it does not understand is the
// text of what stands above it.
func outline(lines []string) *written {
	root := &written{first: 0, last: len(lines) - 1, indent: -1}
	root.read(append([]string(nil), lines...), 0, len(lines)-1)
	return root
}

var keyLine = regexp.MustCompile(`^([A-Za-z0-9_][^:#\[\]{},"']*):( .*|\s*)$`)

func empty(line string) bool {
	t := strings.TrimSpace(line)
	return t == "" || t[0] == '#'
}

func column(line string) int { return len(line) - len(strings.TrimLeft(line, " ")) }

// read finds the keys or items in lines; they are changed.
func (n *written) read(lines []string, first, last int) {
	for first <= last && empty(lines[first]) {
		first++
	}
	if first > last {
		return
	}
	at := column(lines[first])
	dash := func(l string) bool { return strings.HasPrefix(l[min(at, len(l)):], "- ") }
	n.list = dash(lines[first])
	for i := first; i <= last; i++ {
		l := lines[i]
		if empty(l) {
			continue
		}
		m := []int(nil)
		if column(l) == at && !n.list {
			m = keyLine.FindStringSubmatchIndex(l[at:])
		}
		switch {
		case n.list && column(l) == at && dash(l):
			lines[i] = l[:at] + " " + l[at+1:]
			n.kids = append(n.kids, &written{parent: n, first: i, last: i, indent: at + 1 + len(l[at+1:]) -
				len(strings.TrimLeft(l[at+1:], " "))})
		case m != nil:
			k := &written{key: strings.TrimSpace(l[at+m[2] : at+m[3]]), parent: n, first: i, last: i, indent: at,
				colon: at + m[3] + 1}
			n.kids = append(n.kids, k)
			k.text, k.comment = uncommented(l[k.colon:])
		case len(n.kids) > 0:
			n.kids[len(n.kids)-1].last = i
		}
	}
	for _, k := range n.kids {
		k.inside(lines)
	}
}

// inside reads what a key or an item holds.
func (n *written) inside(lines []string) {
	below, one := n.first+1, n.first == n.last
	if n.item() {
		below = n.first
		n.text, n.comment = uncommented(lines[n.first])
	}
	switch whole := lines[below : n.last+1]; {
	case one && strings.HasPrefix(n.text, "{"):
		n.unbracket()
	case n.text == "" || n.item() && keyLine.MatchString(n.text):
		n.read(lines, below, n.last)
		if !one {
			n.text = strings.TrimSpace(outdent(whole))
		}
	case one:
		n.text = unquoted(n.text)
	case n.item():
		n.text = strings.TrimSpace(outdent(whole))
	default:
		n.text = strings.TrimSpace(n.text + "\n" + outdent(whole))
	}
}

// unbracket reads a mapping that is written in brackets in one line.
func (n *written) unbracket() {
	n.flow = true
	for _, part := range commas(strings.TrimSuffix(strings.TrimPrefix(n.text, "{"), "}")) {
		k := &written{key: strings.TrimSpace(part), parent: n, first: n.first, last: n.first, flow: true}
		if m := keyLine.FindStringSubmatch(k.key); m != nil {
			k.key, k.text = strings.TrimSpace(m[1]), unquoted(strings.TrimSpace(m[2]))
		}
		n.kids = append(n.kids, k)
	}
}

// block is a mapping in brackets as lines below its key.
func (n *written) block() []string {
	var out []string
	if n.text == "{}" {
		return nil
	}
	for _, part := range commas(strings.TrimSuffix(strings.TrimPrefix(n.text, "{"), "}")) {
		out = append(out, strings.Repeat(" ", n.indent+2*btoi(!n.item()))+strings.TrimSpace(part))
	}
	return out
}

// unfold writes a mapping in brackets over several lines.
func (n *written) unfold(lines []string) string {
	out := n.block()
	if n.item() {
		out[0] = lines[n.first][:n.indent] + strings.TrimSpace(out[0]) + n.comment
	} else {
		out = append([]string{strings.TrimRight(lines[n.first][:n.colon], " ") + n.comment}, out...)
	}
	return replaced(lines, n.first, n.last, out)
}

// commas cuts at the commas that stand in no bracket and no quotes.
func commas(text string) []string {
	var out []string
	depth, from := 0, 0
	quote := byte(0)
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case quote == '"' && c == '\\':
			i++ // what follows does not end the text
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == '{' || c == '[':
			depth++
		case c == '}' || c == ']':
			depth--
		case c == ',' && depth == 0:
			out, from = append(out, text[from:i]), i+1
		}
	}
	if strings.TrimSpace(text[from:]) != "" {
		out = append(out, text[from:])
	}
	return out
}

// uncommented takes a comment off the end of a line.
func uncommented(line string) (text, comment string) {
	quote := byte(0)
	for i := 0; i < len(line); i++ {
		switch c := line[i]; {
		case quote == '"' && c == '\\':
			i++ // what follows does not end the text
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case (c == '"' || c == '\'') && strings.TrimLeft(line[:i], " {[,:") == "",
			(c == '"' || c == '\'') && i > 0 && strings.IndexByte(" {[", line[i-1]) >= 0:
			quote = c
		case c == '#' && (i == 0 || line[i-1] == ' '):
			cut := len(strings.TrimRight(line[:i], " "))
			return strings.TrimSpace(line[:cut]), line[cut:]
		}
	}
	return strings.TrimSpace(line), ""
}

func unquoted(text string) string {
	n := len(text)
	if n < 2 || text[0] != text[n-1] {
		return text
	}
	switch text[0] {
	case '"':
		if s, err := strconv.Unquote(text); err == nil {
			return s
		}
		return text[1 : n-1]
	case '\'':
		return strings.ReplaceAll(text[1:n-1], "''", "'")
	}
	return text
}

// outdent takes the common indentation away; comments may stand further to the left.
func outdent(lines []string) string {
	least := -1
	for _, l := range lines {
		if !empty(l) && (least < 0 || column(l) < least) {
			least = column(l)
		}
	}
	out := make([]string, len(lines))
	for i, l := range lines {
		out[i] = strings.TrimRight(l[min(column(l), max(least, 0)):], " ")
	}
	return strings.Join(out, "\n")
}

// indented are lines with an indentation, the first behind head where there is one.
func indented(lines []string, by int, head string) []string {
	out := make([]string, len(lines))
	for i, l := range lines {
		if out[i] = strings.TrimRight(strings.Repeat(" ", by)+l, " "); i == 0 && head != "" {
			out[i] = head + l
		}
	}
	return out
}

// form are the lines of a key with its value, or of an item, which has no key.
func form(key, value string, plain bool) []string {
	head := ""
	if key != "" {
		head = key + ": "
	}
	several := strings.Contains(value, "\n") || strings.HasPrefix(value, "- ")
	if !plain && (several || strings.ContainsAny(value[:1], "[{") || head == "" && keyLine.MatchString(value)) {
		out := strings.Split(head+value, "\n")
		if several && head != "" {
			out = append([]string{key + ":"}, indented(strings.Split(value, "\n"), 2, "")...)
		}
		if readable(out) {
			return out
		}
	}
	if plain := head + value; !strings.Contains(value, "\n") && !needsQuotes.MatchString(value) &&
		readable([]string{plain}) {
		return []string{plain}
	}
	return []string{head + strconv.Quote(value)}
}

// needsQuotes matches scalars that YAML would take for something else.
var needsQuotes = regexp.MustCompile("^[%@&*!|>,?'\"`#\\[\\]{}~]|^[-:]($|\\s)|: | #|:$|^(?i:true|false|null|yes|no)$")

func readable(lines []string) (ok bool) {
	defer func() {
		if recover() != nil { // the YAML library is not proof against every text
			ok = false
		}
	}()
	f, err := parser.ParseBytes([]byte(strings.Join(lines, "\n")+"\n"), 0)
	return err == nil && len(f.Docs) == 1
}

// replaced is the text with lines in place of those from first to last; none where last lies before first.
func replaced(lines []string, first, last int, by []string) string {
	out := append([]string(nil), lines[:first]...)
	out = append(out, by...)
	return strings.Join(append(out, lines[last+1:]...), "\n")
}
