package event

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"unicode/utf8"

	"provoke/internal/job/plan"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// A long run is nearly all intents and closed steps, and a page or a report reads them all. These
// two kinds therefore have a reader of their own for the very form that Marshal writes. It accepts
// less than JSON and never more: at anything unexpected it gives up, and the strict reader of
// encoding/json decides. A fuzz test holds the two against each other.

// Decoder reads records that follow each other, as Unmarshal reads one. A step stands in its intent and in the record
// that closes it, a point in every step at its frequency: what the same text said in the record before is not read
// again. The zero value is ready.
type Decoder struct {
	step     remembered[plan.Step]
	point    remembered[plan.Point]
	intent   Intent
	closed   StepClosed
	readings []Reading
}

type remembered[T any] struct {
	text  string
	value T
}

// quick reads the two kinds that have a quick reader, in the form that Marshal writes.
func (d *Decoder) quick(kind, body string) (Event, bool) {
	p := scan{s: body, d: d}
	switch kind {
	case Intent{}.Kind():
		d.intent = Intent{}
		if object(&p, intentFields, &d.intent); p.done() {
			return d.intent, true
		}
	case StepClosed{}.Kind():
		d.closed = StepClosed{}
		if object(&p, closedFields, &d.closed); p.done() {
			return d.closed, true
		}
	}
	return nil, false
}

// scan walks over the text of a body; once bad it stays bad.
type scan struct {
	s   string
	i   int
	bad bool
	d   *Decoder
}

func (p *scan) done() bool { return !p.bad && p.i == len(p.s) }

func (p *scan) fail() { p.bad, p.i = true, len(p.s) }

func (p *scan) peek(c byte) bool { return p.i < len(p.s) && p.s[p.i] == c }

func (p *scan) expect(c byte) {
	if !p.peek(c) {
		p.fail()
		return
	}
	p.i++
}

func (p *scan) take(word string) bool {
	if !strings.HasPrefix(p.s[p.i:], word) {
		return false
	}
	p.i += len(word)
	return true
}

// field is a member of an object: its name as it stands in the text, and what reads it.
type field[T any] struct {
	name string // with quotes and colon
	read func(*scan, *T)
}

// object reads an object whose members come in the order of fields, each once at most.
func object[T any](p *scan, fields []field[T], into *T) {
	p.expect('{')
	if p.take("}") {
		return
	}
	for at := 0; !p.bad; at++ {
		for at < len(fields) && !p.member(fields[at].name) {
			at++
		}
		if at == len(fields) {
			p.fail()
			return
		}
		fields[at].read(p, into)
		if !p.take(",") {
			break
		}
	}
	p.expect('}')
}

// member is take for a name; most of those that are not there differ in their first letter.
func (p *scan) member(name string) bool {
	return p.i+1 < len(p.s) && p.s[p.i+1] == name[1] && p.take(name)
}

// again is object for a value that is remembered.
func again[T any](p *scan, last *remembered[T], fields []field[T], into *T) {
	if last.text != "" && p.take(last.text) {
		*into = last.value
		return
	}
	begin := p.i
	if object(p, fields, into); !p.bad {
		*last = remembered[T]{p.s[begin:p.i], *into}
	}
}

// array calls item for each element; an empty array is given up.
func (p *scan) array(item func()) {
	p.expect('[')
	for !p.bad {
		item()
		if !p.peek(',') {
			break
		}
		p.i++
	}
	p.expect(']')
}

// text reads a string without escapes.
func (p *scan) text() string {
	p.expect('"')
	every := byte(0)
	for i := p.i; i < len(p.s); i++ {
		c := p.s[i]
		if c == '"' {
			t := p.s[p.i:i]
			if every >= utf8.RuneSelf && !utf8.ValidString(t) {
				break
			}
			p.i = i + 1
			return t
		}
		if c == '\\' || c < ' ' {
			break
		}
		every |= c
	}
	p.fail()
	return ""
}

// words reads a string that may hold escapes.
func (p *scan) words() string {
	begin := p.i
	if t := p.text(); !p.bad {
		return t
	}
	for i := begin + 1; begin < len(p.s) && p.s[begin] == '"' && i < len(p.s); i++ {
		switch p.s[i] {
		case '\\':
			i++
		case '"':
			var t string
			if text := p.s[begin : i+1]; utf8.ValidString(text) && json.Unmarshal([]byte(text), &t) == nil {
				p.bad, p.i = false, i+1
				return t
			}
			return ""
		}
	}
	return ""
}

func (p *scan) boolean() bool {
	if p.take("true") {
		return true
	}
	if !p.take("false") {
		p.fail()
	}
	return false
}

// number reads a number of JSON's grammar as text.
func (p *scan) number() string {
	begin := p.i
	p.take("-")
	whole := p.digits()
	if len(whole) == 0 || len(whole) > 1 && whole[0] == '0' {
		p.fail()
		return ""
	}
	if p.take(".") && p.digits() == "" {
		p.fail()
		return ""
	}
	if p.take("e") || p.take("E") {
		_ = p.take("+") || p.take("-")
		if p.digits() == "" {
			p.fail()
			return ""
		}
	}
	return p.s[begin:p.i]
}

func (p *scan) digits() string {
	begin := p.i
	for p.i < len(p.s) && p.s[p.i]-'0' <= 9 {
		p.i++
	}
	return p.s[begin:p.i]
}

func (p *scan) integer() int {
	n, err := strconv.Atoi(p.number())
	if err != nil {
		p.fail()
	}
	return n
}

func (p *scan) float() float64 {
	text := p.number()
	if x, n := plainNumber(text); n > 0 && n == len(text) {
		return x
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		p.fail()
	}
	return x
}

// quantity reads `12.5 unit"`, one plain number, one space, that unit and the end of the string.
func (p *scan) quantity(unit string) float64 {
	if x, n := plainNumber(p.s[p.i:]); n > 0 && strings.HasPrefix(p.s[p.i+n:], unit) {
		p.i += n + len(unit)
		return x
	}
	number, _, ok := strings.Cut(p.s[p.i:min(len(p.s), p.i+64)], unit)
	for i := 0; i < len(number); i++ {
		if c := number[i]; c-'0' > 9 && c != '.' && c != '-' && c != '+' && c != 'e' {
			ok = false
		}
	}
	x, err := strconv.ParseFloat(number, 64)
	if err != nil || !ok {
		p.fail()
		return 0
	}
	p.i += len(number) + len(unit)
	return x
}

// plainNumber reads digits with an optional sign and point, exactly, and says how long they are; 0 leaves it to
// ParseFloat. Up to 15 digits and a power of ten up to 15 are both exact as float64, and one division rounds once.
func plainNumber(text string) (float64, int) {
	n, decimals, point, i := int64(0), 0, false, 0
	if strings.HasPrefix(text, "-") {
		i = 1
	}
	begin := i
	for ; i < len(text) && i-begin <= 16; i++ {
		if c := text[i]; c-'0' <= 9 {
			n = 10*n + int64(c-'0')
			if point {
				decimals++
			}
		} else if c == '.' && !point && i > begin {
			point = true
		} else {
			break
		}
	}
	if i-begin > 16 || n >= 1e15 || decimals > 15 || n == 0 { // the sign of zero is left to ParseFloat
		return 0, 0
	}
	x := float64(n) / powersOfTen[decimals]
	if begin > 0 {
		x = -x
	}
	return x, i
}

var powersOfTen = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// scanLevel reads a level in the unit that Marshal writes it in; offset is from there to the SI unit.
func scanLevel[U rf.Unit](p *scan, unit string, offset float64) rf.Level[U] {
	switch p.expect('"'); {
	case p.take(`"`):
		return rf.Level[U]{}
	case p.take(`off"`):
		return rf.Off[U]()
	}
	bound := rf.Exactly
	if p.take("at least ") {
		bound = rf.AtLeast
	} else if p.take("at most ") {
		bound = rf.AtMost
	}
	return rf.FromDB[U](p.decibels(unit) + offset).WithBound(bound)
}

// decibels leaves numbers beyond every bench to the strict reader.
func (p *scan) decibels(unit string) float64 {
	x := p.quantity(unit)
	if x < -300 || x > 300 {
		p.fail()
	}
	return x
}

func (p *scan) power() rf.Power     { return scanLevel[rf.Watt](p, ` dBm"`, -30) }
func (p *scan) current() rf.Current { return scanLevel[rf.Ampere](p, ` dBµA"`, -120) }
func (p *scan) voltage() rf.Voltage { return scanLevel[rf.Volt](p, ` dBµV"`, -120) }

func (p *scan) gain() rf.Gain {
	p.expect('"')
	return rf.Gain(p.decibels(` dB"`))
}

func (p *scan) frequency() rf.Frequency {
	if p.expect('"'); p.take(`"`) {
		return 0
	}
	f := rf.Frequency(p.quantity(` Hz"`))
	if f < 1 || f > 1e13 {
		p.fail()
	}
	return f
}

func (p *scan) resistance() rf.Resistance {
	if p.expect('"'); p.take(`"`) {
		return 0
	}
	return rf.Resistance(p.quantity(` Ω"`))
}

func (p *scan) duration() rf.Duration {
	if p.expect('"'); p.take(`"`) {
		return 0
	}
	x := p.quantity(` s"`)
	if x < 0 || x > 1e9 {
		p.fail()
	}
	return rf.Duration(math.Round(x * 1e9))
}

// since reads a duration that may be negative.
func (p *scan) since() rf.Duration {
	if !strings.HasPrefix(p.s[p.i:], `"-`) {
		return p.duration()
	}
	p.i += 2
	x := p.quantity(` s"`)
	if x < 0 || x > 1e9 {
		p.fail()
	}
	return -rf.Duration(math.Round(x * 1e9))
}

var intentFields = []field[Intent]{
	{`"step":`, func(p *scan, e *Intent) { p.step(&e.Step) }},
	{`"attempt":`, func(p *scan, e *Intent) { e.Attempt = p.integer() }},
}

var stepFields = []field[plan.Step]{
	{`"step":`, func(p *scan, s *plan.Step) { s.Number = p.integer() }},
	{`"point":`, func(p *scan, s *plan.Step) { again(p, &p.d.point, pointFields, &s.Point) }},
	{`"purpose":`, func(p *scan, s *plan.Step) { s.Purpose = plan.Purpose(p.text()) }},
	{`"offset":`, func(p *scan, s *plan.Step) { s.Offset = p.gain() }},
	{`"descend":`, func(p *scan, s *plan.Step) {
		p.array(func() { s.Descend = append(s.Descend, p.gain()) })
	}},
}

// step remembers no list: the events would share it.
func (p *scan) step(s *plan.Step) {
	if again(p, &p.d.step, stepFields, s); s.Descend != nil {
		p.d.step.text = ""
	}
}

var pointFields = []field[plan.Point]{
	{`"frequency":`, func(p *scan, pt *plan.Point) { pt.Frequency = p.frequency() }},
	{`"target":`, func(p *scan, pt *plan.Point) { pt.Target = p.current() }},
	{`"drive":`, func(p *scan, pt *plan.Point) { pt.Drive = p.power() }},
	{`"ceiling":`, func(p *scan, pt *plan.Point) { pt.Ceiling = p.power() }},
	{`"wanted":`, func(p *scan, pt *plan.Point) { object(p, askFields, &pt.Wanted) }},
}

var askFields = []field[level.Ask]{
	{`"current":`, func(p *scan, a *level.Ask) { a.Current = p.current() }},
	{`"emf":`, func(p *scan, a *level.Ask) { a.EMF = p.voltage() }},
	{`"loop":`, func(p *scan, a *level.Ask) { a.LoopImpedance = p.resistance() }},
	{`"interpolated":`, func(p *scan, a *level.Ask) { a.Interpolated = p.boolean() }},
	{`"limit":`, func(p *scan, a *level.Ask) { a.Limit = p.current() }},
}

var outcomeFields = []field[plan.Outcome]{
	{`"step":`, func(p *scan, o *plan.Outcome) { o.Number = p.integer() }},
	{`"upset":`, func(p *scan, o *plan.Outcome) { o.Upset = p.boolean() }},
	{`"latched":`, func(p *scan, o *plan.Outcome) { o.Latched = p.boolean() }},
	{`"notReached":`, func(p *scan, o *plan.Outcome) { o.NotReached = p.boolean() }},
	{`"skipped":`, func(p *scan, o *plan.Outcome) { o.Skipped = p.boolean() }},
	{`"recoveredAt":`, func(p *scan, o *plan.Outcome) { g := p.gain(); o.RecoveredAt = &g }},
	{`"exposures":`, func(p *scan, o *plan.Outcome) { o.Exposures = p.integer() }},
	{`"graded":`, func(p *scan, o *plan.Outcome) {
		o.Graded = new(plan.Graded)
		object(p, gradedFields, o.Graded)
	}},
	{`"lower":`, func(p *scan, o *plan.Outcome) { g := p.gain(); o.Lower = &g }},
}

var gradedFields = []field[plan.Graded]{
	{`"onset":`, func(p *scan, g *plan.Graded) { g.Onset = p.gain() }},
	{`"low":`, func(p *scan, g *plan.Graded) { g.Low = p.gain() }},
	{`"high":`, func(p *scan, g *plan.Graded) { g.High = p.gain() }},
}

var readingFields = []field[Reading]{
	{`"monitor":`, func(p *scan, r *Reading) { r.Monitor = p.words() }},
	{`"after":`, func(p *scan, r *Reading) { r.After = p.since() }},
	{`"text":`, func(p *scan, r *Reading) { r.Text = p.words() }},
	{`"value":`, func(p *scan, r *Reading) { r.Value, r.HasValue = p.float(), true }},
	{`"bad":`, func(p *scan, r *Reading) { r.Bad = p.boolean() }},
	{`"why":`, func(p *scan, r *Reading) { r.Why = p.words() }},
	{`"rfOn":`, func(p *scan, r *Reading) { r.RFOn = p.boolean() }},
}

var closedFields = []field[StepClosed]{
	{`"step":`, func(p *scan, e *StepClosed) { p.step(&e.Step) }},
	{`"attempt":`, func(p *scan, e *StepClosed) { e.Attempt = p.integer() }},
	{`"outcome":`, func(p *scan, e *StepClosed) { object(p, outcomeFields, &e.Outcome) }},
	{`"drive":`, func(p *scan, e *StepClosed) { e.Drive = p.power() }},
	{`"current":`, func(p *scan, e *StepClosed) { e.Current = p.current() }},
	{`"highest":`, func(p *scan, e *StepClosed) { e.Highest = p.current() }},
	{`"forward":`, func(p *scan, e *StepClosed) { e.Forward = p.power() }},
	{`"reverse":`, func(p *scan, e *StepClosed) { e.Reverse = p.power() }},
	{`"forwardPredicted":`, func(p *scan, e *StepClosed) { e.ForwardPredicted = p.boolean() }},
	{`"predicted":`, func(p *scan, e *StepClosed) { e.Predicted = p.current() }},
	{`"means":`, func(p *scan, e *StepClosed) { e.Means = p.words() }},
	{`"class":`, func(p *scan, e *StepClosed) { e.Class = Class(p.words()) }},
	{`"recoveredAfter":`, func(p *scan, e *StepClosed) { e.RecoveredAfter = p.duration() }},
	{`"readings":`, func(p *scan, e *StepClosed) { e.Readings = p.readings() }},
	{`"limited":`, func(p *scan, e *StepClosed) { e.Limited = p.words() }},
	{`"onFor":`, func(p *scan, e *StepClosed) { e.OnFor = p.duration() }},
	{`"note":`, func(p *scan, e *StepClosed) { e.Note = p.words() }},
	{`"descent":`, func(p *scan, e *StepClosed) {
		p.array(func() { e.Descent = append(e.Descent, p.current()) })
	}},
}

func (p *scan) readings() []Reading {
	list := p.d.readings[:0]
	p.array(func() {
		list = append(list, Reading{})
		object(p, readingFields, &list[len(list)-1])
	})
	p.d.readings = list
	return append(make([]Reading, 0, len(list)), list...)
}
