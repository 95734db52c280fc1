package touchstone

import (
	"bytes"
	"fmt"
	"path"
	"strconv"
	"strings"

	"provoke/internal/files/problem"
)

// highest is the frequency in hertz above which a file surely has the wrong unit.
const highest = 1e15

// maximumProblems ends the reading of a file that is wrong all over, and the list of its warnings.
const maximumProblems = 50

// stage is the part of the file that the parser is in.
type stage int

const (
	before      stage = iota // nothing but option line and keywords so far
	references               // behind [Reference]
	modes                    // behind [Mixed-Mode Order]
	information              // between [Begin Information] and [End Information]
	network
	noise
	ended
)

// layer is the part of the parser that tells a problem.
type layer string

const (
	inText       layer = "text"       // the bytes of the file as a whole
	inOption     layer = "option"     // the option line
	inKeyword    layer = "keyword"    // a line with a bracket, and what its data need
	inData       layer = "data"       // rows of numbers
	inCounts     layer = "counts"     // what the file says of itself, at its end
	inConversion layer = "conversion" // to S-parameters
)

// parser reads one file in a single pass over its bytes.
type parser struct {
	data      []byte
	pos       int
	line      int
	lineStart int
	name      string
	problems  problem.List
	told      map[string]bool
	stop      bool
	warnings  int
	layer     layer
	by        map[problem.Problem]layer // who told what

	n        *Network
	two      bool // version 2
	stage    stage
	option   bool // the option line was read
	scale    float64
	option1  []float64 // resistances on the option line
	fileN    int       // ports by the name of the file, 0 when it does not tell
	swapped  bool      // a two-port's second number is S21
	triangle string    // "", "lower" or "upper"
	seen     map[string]int
	counted  int // [Number of Frequencies], -1 when absent
	noises   int // [Number of Noise Frequencies], -1 when absent

	need     int       // numbers of a matrix with its frequency
	rec      []float64 // the numbers of the matrix being read
	recLine  int
	recStart int
	recBad   bool
	lines    []int32 // line of each point
	triWork  []complex128
}

// Parse reads a Touchstone file. The ending of the name (".s2p") gives the number of ports of a version 1
// file. All problems come back at once, in order of place, warnings among them; the network is nil when
// one of them is more than a warning, and else holds the warnings too. Time and memory are proportional
// to the size of the file.
func Parse(name string, data []byte) (*Network, problem.List) {
	p := newParser(name, data)
	if p.isText() {
		p.run()
		p.finish()
	}
	p.problems.Sort()
	if p.problems.Err() != nil {
		return nil, p.problems
	}
	p.n.Warnings = p.problems
	return p.n, p.problems
}

func newParser(name string, data []byte) *parser {
	return &parser{
		data: data, name: name, scale: 1e9, fileN: portsOfName(name), swapped: true, counted: -1, noises: -1,
		told: map[string]bool{}, seen: map[string]int{}, by: map[problem.Problem]layer{}, layer: inText,
		n: &Network{Name: name, Version: "1.0", Parameter: "S", Format: "MA", Unit: "GHz"},
	}
}

// portsOfName returns N of a name that ends in ".sNp", or 0.
func portsOfName(name string) int {
	ending := strings.ToLower(path.Ext(strings.ReplaceAll(name, `\`, "/")))
	if len(ending) < 4 || ending[1] != 's' || ending[len(ending)-1] != 'p' {
		return 0
	}
	n, err := strconv.Atoi(ending[2 : len(ending)-1])
	if err != nil || n < 1 {
		return 0
	}
	return n
}

func (p *parser) add(line, column int, warning bool, what, hint string) {
	if p.stop {
		return
	}
	told := problem.Problem{File: p.name, Line: line, Column: column, What: what, Hint: hint, Warning: warning}
	switch {
	case warning && p.warnings >= maximumProblems:
		return
	case warning:
		p.warnings++
	case len(p.problems)-p.warnings >= maximumProblems:
		told = problem.Problem{File: p.name, Line: line, What: "more problems follow; they are not listed"}
		p.stop = true
	}
	p.problems = append(p.problems, told)
	p.by[told] = p.layer
}

func (p *parser) fail(column int, what, hint string) { p.add(p.line, column, false, what, hint) }

// failOnce and warnOnce tell a thing of its kind only where it comes first.
func (p *parser) failOnce(kind string, column int, what, hint string) {
	if !p.told[kind] {
		p.told[kind] = true
		p.fail(column, what, hint)
	}
}

func (p *parser) warnOnce(kind string, line, column int, what, hint string) {
	if !p.told[kind] {
		p.told[kind] = true
		p.add(line, column, true, what, hint)
	}
}

// isText drops a byte order mark and an old end-of-file mark, and refuses what is not a text of bytes.
func (p *parser) isText() bool {
	p.data = bytes.TrimPrefix(p.data, []byte("\xef\xbb\xbf"))
	p.data = bytes.TrimSuffix(p.data, []byte{0x1a})
	switch {
	case len(p.data) > MaximumBytes:
		p.add(0, 0, false, fmt.Sprintf("the file is larger than %d MiB", MaximumBytes>>20), "thin out its frequencies")
	case bytes.HasPrefix(p.data, []byte{0xff, 0xfe}), bytes.HasPrefix(p.data, []byte{0xfe, 0xff}):
		p.add(1, 1, false, "the file is UTF-16", "save it as plain text (ASCII or UTF-8)")
	case bytes.IndexByte(p.data, 0) >= 0:
		p.add(0, 0, false, "the file is not text", "")
	default:
		return true
	}
	return false
}

// run goes through the file line by line.
func (p *parser) run() {
	for p.line = 1; p.pos < len(p.data) && !p.stop; p.line++ {
		p.lineStart = p.pos
		p.blanks()
		switch c := p.peek(); {
		case c == '\n' || c == '\r' || c == 0:
		case c == '!':
			p.comment()
		case p.stage == information && c != '[':
		case c == '[':
			p.layer = inKeyword
			p.keyword(p.rest())
		case p.stage == ended:
			p.warnOnce("ended", p.line, p.column(), "data after [End] are ignored", "")
		case c == '#':
			p.layer = inOption
			p.optionLine(p.rest())
		default:
			p.layer = inData
			p.dataLine()
		}
		p.skipLine()
	}
}

// peek returns the byte at the position, 0 at the end.
func (p *parser) peek() byte {
	if p.pos < len(p.data) {
		return p.data[p.pos]
	}
	return 0
}

func (p *parser) column() int { return p.pos - p.lineStart + 1 }

func (p *parser) blanks() {
	for p.pos < len(p.data) && (p.data[p.pos] == ' ' || p.data[p.pos] == '\t') {
		p.pos++
	}
}

// skipLine goes behind the end of the line: LF, CR or CRLF.
func (p *parser) skipLine() {
	for p.pos < len(p.data) {
		switch c := p.data[p.pos]; c {
		case '\n':
			p.pos++
			return
		case '\r':
			p.pos++
			if p.peek() == '\n' {
				p.pos++
			}
			return
		}
		p.pos++
	}
}

// rest returns the line from the position to its end or comment.
func (p *parser) rest() []byte {
	i := bytes.IndexAny(p.data[p.pos:], "!\r\n")
	if i < 0 {
		return p.data[p.pos:]
	}
	return p.data[p.pos : p.pos+i]
}

// comment is passed over, but for the habit of some field solvers to hide other impedances in comments.
func (p *parser) comment() {
	const words = "port impedance"
	at := p.pos + 1
	for at < len(p.data) && (p.data[at] == ' ' || p.data[at] == '\t') {
		at++
	}
	if !p.told[words] && at+len(words) <= len(p.data) && strings.EqualFold(string(p.data[at:at+len(words)]), words) {
		p.warnOnce(words, p.line, p.column(),
			"comments give port impedances; they are no part of the format and are ignored",
			"see that the reference on the option line is the one that the figures were computed for")
	}
}

// word is a run of bytes without blanks, with its column.
type word struct {
	text   string
	column int
}

// words cuts bytes that begin at a column of the line.
func words(b []byte, column int) []word {
	var out []word
	for i := 0; i < len(b); {
		if b[i] == ' ' || b[i] == '\t' {
			i++
			continue
		}
		j := i
		for j < len(b) && b[j] != ' ' && b[j] != '\t' {
			j++
		}
		out = append(out, word{string(b[i:j]), column + i})
		i = j
	}
	return out
}

// number reads a whole word as a number.
func number(s string) (float64, bool) {
	x, next, _, ok := scanNumber([]byte(s), 0)
	return x, ok && next == len(s)
}
