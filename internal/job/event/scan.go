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

func decodeIntent(body string) (Event, error) {
	p, e := newScan(body), Intent{}
	if p.intent(&e); p.done() {
		return e, nil
	}
	return decode[Intent](body)
}

func decodeStepClosed(body string) (Event, error) {
	p, e := newScan(body), StepClosed{}
	if p.stepClosed(&e); p.done() {
		return e, nil
	}
	return decode[StepClosed](body)
}

// scan walks over the text of a body; once bad it stays bad.
type scan struct {
	s   string
	i   int
	bad bool
}

func newScan(body string) *scan { return &scan{s: body, bad: !utf8.ValidString(body)} }

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

// object calls field for each member; the members must come in the order of names, each once.
func (p *scan) object(names []string, field func(name string)) {
	p.expect('{')
	for first, at := true, 0; !p.bad; first = false {
		if first && p.peek('}') {
			break
		}
		name := p.text()
		for at < len(names) && names[at] != name {
			at++
		}
		if at == len(names) {
			p.fail()
			return
		}
		at++
		p.expect(':')
		field(name)
		if !p.peek(',') {
			break
		}
		p.i++
	}
	p.expect('}')
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
	n := strings.IndexByte(p.s[p.i:], '"')
	if n < 0 {
		p.fail()
		return ""
	}
	t := p.s[p.i : p.i+n]
	for i := 0; i < len(t); i++ {
		if t[i] == '\\' || t[i] < ' ' {
			p.fail()
			return ""
		}
	}
	p.i += n + 1
	return t
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
			if json.Unmarshal([]byte(p.s[begin:i+1]), &t) == nil {
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
	x, err := strconv.ParseFloat(p.number(), 64)
	if err != nil {
		p.fail()
	}
	return x
}

// quantity reads "12.5 unit" where the text is one plain number, one space and that unit.
func (p *scan) quantity(text, unit string) float64 {
	number, ok := strings.CutSuffix(text, unit)
	if !ok || len(text) > 64 {
		p.fail()
		return 0
	}
	if x, ok := plainNumber(number); ok {
		return x
	}
	for i := 0; i < len(number); i++ {
		if c := number[i]; c-'0' > 9 && c != '.' && c != '-' && c != '+' && c != 'e' {
			p.fail()
			return 0
		}
	}
	x, err := strconv.ParseFloat(number, 64)
	if err != nil {
		p.fail()
	}
	return x
}

// plainNumber reads digits with an optional sign and point, exactly: up to 15 digits and a power of
// ten up to 15 are both exact as float64, and one division rounds once.
func plainNumber(text string) (float64, bool) {
	digits := strings.TrimPrefix(text, "-")
	if len(digits) == 0 || len(digits) > 16 {
		return 0, false
	}
	n, decimals, point := int64(0), 0, false
	for i := 0; i < len(digits); i++ {
		switch c := digits[i]; {
		case c-'0' <= 9:
			n = 10*n + int64(c-'0')
			if point {
				decimals++
			}
		case c == '.' && !point && i > 0:
			point = true
		default:
			return 0, false
		}
	}
	if n >= 1e15 || decimals > 15 || n == 0 { // the sign of zero is left to ParseFloat
		return 0, false
	}
	x := float64(n) / powersOfTen[decimals]
	if len(digits) < len(text) {
		x = -x
	}
	return x, true
}

var powersOfTen = [...]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// level reads a level in the unit that Marshal writes it in; offset is from there to the SI unit.
func scanLevel[U rf.Unit](p *scan, unit string, offset float64) rf.Level[U] {
	text := p.text()
	switch text {
	case "":
		return rf.Level[U]{}
	case "off":
		return rf.Off[U]()
	}
	bound := rf.Exactly
	if rest, ok := strings.CutPrefix(text, "at least "); ok {
		text, bound = rest, rf.AtLeast
	} else if rest, ok := strings.CutPrefix(text, "at most "); ok {
		text, bound = rest, rf.AtMost
	}
	return rf.FromDB[U](p.decibels(text, unit) + offset).WithBound(bound)
}

// decibels leaves numbers beyond every bench to the strict reader.
func (p *scan) decibels(text, unit string) float64 {
	x := p.quantity(text, unit)
	if x < -300 || x > 300 {
		p.fail()
	}
	return x
}

func (p *scan) power() rf.Power     { return scanLevel[rf.Watt](p, " dBm", -30) }
func (p *scan) current() rf.Current { return scanLevel[rf.Ampere](p, " dBµA", -120) }
func (p *scan) voltage() rf.Voltage { return scanLevel[rf.Volt](p, " dBµV", -120) }
func (p *scan) gain() rf.Gain       { return rf.Gain(p.decibels(p.text(), " dB")) }

func (p *scan) frequency() rf.Frequency {
	text := p.text()
	if text == "" {
		return 0
	}
	f := rf.Frequency(p.quantity(text, " Hz"))
	if f < 1 || f > 1e13 {
		p.fail()
	}
	return f
}

func (p *scan) resistance() rf.Resistance {
	text := p.text()
	if text == "" {
		return 0
	}
	return rf.Resistance(p.quantity(text, " Ω"))
}

func (p *scan) duration(negative bool) rf.Duration {
	text := p.text()
	if text == "" {
		return 0
	}
	sign := rf.Duration(1)
	if negative && text[0] == '-' {
		text, sign = text[1:], -1
	}
	x := p.quantity(text, " s")
	if x < 0 || x > 1e9 {
		p.fail()
	}
	return sign * rf.Duration(math.Round(x*1e9))
}

var (
	intentNames  = []string{"step", "attempt"}
	stepNames    = []string{"step", "point", "purpose", "offset", "descend"}
	pointNames   = []string{"frequency", "target", "drive", "ceiling", "wanted"}
	askNames     = []string{"current", "emf", "loop", "interpolated", "limit"}
	outcomeNames = []string{"step", "upset", "latched", "notReached", "skipped", "recoveredAt", "exposures",
		"graded", "lower"}
	gradedNames  = []string{"onset", "low", "high"}
	readingNames = []string{"monitor", "after", "text", "value", "bad", "why", "rfOn"}
	closedNames  = []string{"step", "attempt", "outcome", "drive", "current", "highest", "forward", "reverse",
		"forwardPredicted",
		"predicted", "means", "class", "recoveredAfter", "readings", "limited", "onFor", "note", "descent"}
)

func (p *scan) intent(e *Intent) {
	p.object(intentNames, func(name string) {
		switch name {
		case "step":
			p.step(&e.Step)
		case "attempt":
			e.Attempt = p.integer()
		}
	})
}

func (p *scan) step(s *plan.Step) {
	p.object(stepNames, func(name string) {
		switch name {
		case "step":
			s.Number = p.integer()
		case "point":
			p.point(&s.Point)
		case "purpose":
			s.Purpose = plan.Purpose(p.text())
		case "offset":
			s.Offset = p.gain()
		case "descend":
			p.array(func() { s.Descend = append(s.Descend, p.gain()) })
		}
	})
}

func (p *scan) point(pt *plan.Point) {
	p.object(pointNames, func(name string) {
		switch name {
		case "frequency":
			pt.Frequency = p.frequency()
		case "target":
			pt.Target = p.current()
		case "drive":
			pt.Drive = p.power()
		case "ceiling":
			pt.Ceiling = p.power()
		case "wanted":
			p.ask(&pt.Wanted)
		}
	})
}

func (p *scan) ask(a *level.Ask) {
	p.object(askNames, func(name string) {
		switch name {
		case "current":
			a.Current = p.current()
		case "emf":
			a.EMF = p.voltage()
		case "loop":
			a.LoopImpedance = p.resistance()
		case "interpolated":
			a.Interpolated = p.boolean()
		case "limit":
			a.Limit = p.current()
		}
	})
}

func (p *scan) outcome(o *plan.Outcome) {
	p.object(outcomeNames, func(name string) {
		switch name {
		case "step":
			o.Number = p.integer()
		case "upset":
			o.Upset = p.boolean()
		case "latched":
			o.Latched = p.boolean()
		case "notReached":
			o.NotReached = p.boolean()
		case "skipped":
			o.Skipped = p.boolean()
		case "recoveredAt":
			g := p.gain()
			o.RecoveredAt = &g
		case "exposures":
			o.Exposures = p.integer()
		case "graded":
			o.Graded = &plan.Graded{}
			p.graded(o.Graded)
		case "lower":
			g := p.gain()
			o.Lower = &g
		}
	})
}

func (p *scan) graded(g *plan.Graded) {
	p.object(gradedNames, func(name string) {
		switch name {
		case "onset":
			g.Onset = p.gain()
		case "low":
			g.Low = p.gain()
		case "high":
			g.High = p.gain()
		}
	})
}

func (p *scan) reading(r *Reading) {
	p.object(readingNames, func(name string) {
		switch name {
		case "monitor":
			r.Monitor = p.words()
		case "after":
			r.After = p.duration(true)
		case "text":
			r.Text = p.words()
		case "value":
			r.Value, r.HasValue = p.float(), true
		case "bad":
			r.Bad = p.boolean()
		case "why":
			r.Why = p.words()
		case "rfOn":
			r.RFOn = p.boolean()
		}
	})
}

func (p *scan) stepClosed(e *StepClosed) {
	p.object(closedNames, func(name string) {
		switch name {
		case "step":
			p.step(&e.Step)
		case "attempt":
			e.Attempt = p.integer()
		case "outcome":
			p.outcome(&e.Outcome)
		case "drive":
			e.Drive = p.power()
		case "current":
			e.Current = p.current()
		case "highest":
			e.Highest = p.current()
		case "forward":
			e.Forward = p.power()
		case "reverse":
			e.Reverse = p.power()
		case "forwardPredicted":
			e.ForwardPredicted = p.boolean()
		case "predicted":
			e.Predicted = p.current()
		case "means":
			e.Means = p.words()
		case "class":
			e.Class = Class(p.words())
		case "recoveredAfter":
			e.RecoveredAfter = p.duration(false)
		case "readings":
			e.Readings = make([]Reading, 0, 1+strings.Count(p.s[p.i:], `},{"monitor"`))
			p.array(func() {
				var r Reading
				p.reading(&r)
				e.Readings = append(e.Readings, r)
			})
		case "limited":
			e.Limited = p.words()
		case "onFor":
			e.OnFor = p.duration(false)
		case "note":
			e.Note = p.words()
		case "descent":
			p.array(func() { e.Descent = append(e.Descent, p.current()) })
		}
	})
}
