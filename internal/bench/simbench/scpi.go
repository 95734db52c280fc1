package simbench

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// scpiError is an entry of an error queue (SCPI-1999, volume 2, section 21.8).
type scpiError struct {
	code int
	text string
}

func (e *scpiError) Error() string { return fmt.Sprintf("%d,\"%s\"", e.code, e.text) }

var (
	errDataType   = &scpiError{-104, "Data type error"}
	errExtra      = &scpiError{-108, "Parameter not allowed"}
	errMissing    = &scpiError{-109, "Missing parameter"}
	errHeader     = &scpiError{-113, "Undefined header"}
	errSuffix     = &scpiError{-131, "Invalid suffix"}
	errConflict   = &scpiError{-221, "Settings conflict"}
	errRange      = &scpiError{-222, "Data out of range"}
	errIllegal    = &scpiError{-224, "Illegal parameter value"}
	errHardware   = &scpiError{-241, "Hardware missing"}
	errSystem     = &scpiError{-310, "System error"}
	errOverflowed = &scpiError{-350, "Queue overflow"}
)

// command is one header of an instrument. Either function may be nil.
type command struct {
	header string // in SCPI notation: "[SOURce:]FREQuency[:CW]"
	set    func(args []string) error
	query  func(args []string) (string, error)
}

// instrument is the message side of a face: headers, error queue, status.
type instrument struct {
	name     string
	identity string
	commands []command
	matched  map[string]*command
	queue    []*scpiError
	event    byte // standard event status register
	enable   byte
	service  byte
	reset    func()
	settled  func() // called after every unit that was executed
}

// execution says what part of a message is carried out; faults need parts of it.
type execution int

const (
	whole execution = iota
	queriesOnly
	setsOnly
	setsFail
	innerFails // the question in the middle of three or more
)

// unit is one program message unit.
type unit struct {
	header string
	query  bool
	args   []string
}

// execute carries out a program message and returns the response without its terminator.
func (in *instrument) execute(message string, how execution) (response string, answered bool) {
	var answers []string
	var path []string
	fails := -1
	if how == innerFails {
		fails = queriesIn(message)/2 + queriesIn(message)%2 - 1
	}
	for _, text := range splitOutsideQuotes(message, ';') {
		u, ok := parseUnit(text)
		if !ok {
			continue
		}
		answer, err := in.perform(u, &path, how)
		if u.query && err == nil && fails > 0 && len(answers) == fails {
			in.fail(errSystem)
			answer = ""
		}
		if u.query && err == nil && how != setsOnly {
			answers = append(answers, answer)
		}
		if err != nil {
			in.fail(err)
			if err.code <= -100 && err.code > -200 {
				break // IEEE 488.2: a command error ends the message
			}
		}
	}
	return strings.Join(answers, ";"), len(answers) > 0
}

// perform carries out one unit. A header without a leading colon continues at the path of the unit
// before it (SCPI-1999, volume 1, section 6.2.4).
func (in *instrument) perform(u unit, path *[]string, how execution) (string, *scpiError) {
	if strings.HasPrefix(u.header, "*") {
		return in.common(u, how)
	}
	words := strings.Split(strings.TrimPrefix(u.header, ":"), ":")
	if !strings.HasPrefix(u.header, ":") {
		words = append(append([]string(nil), *path...), words...)
	}
	c := in.find(words, u.query)
	if c == nil {
		return "", errHeader
	}
	*path = words[:len(words)-1]
	switch {
	case u.query && how == setsOnly, !u.query && how == queriesOnly:
		return "", nil
	case !u.query && how == setsFail:
		return "", errSystem
	case u.query:
		answer, err := c.query(u.args)
		in.settled()
		return answer, asSCPI(err)
	}
	err := c.set(u.args)
	in.settled()
	return "", asSCPI(err)
}

func asSCPI(err error) *scpiError {
	if err == nil {
		return nil
	}
	if e, ok := err.(*scpiError); ok {
		return e
	}
	return &scpiError{-200, err.Error()}
}

// common carries out the commands that IEEE 488.2 gives every instrument.
func (in *instrument) common(u unit, how execution) (string, *scpiError) {
	if u.query {
		switch u.header {
		case "*IDN":
			return in.identity, nil
		case "*OPC", "*TST":
			return map[string]string{"*OPC": "1", "*TST": "0"}[u.header], nil
		case "*ESR":
			v := in.event
			in.event = 0
			return strconv.Itoa(int(v)), nil
		case "*ESE":
			return strconv.Itoa(int(in.enable)), nil
		case "*SRE":
			return strconv.Itoa(int(in.service)), nil
		case "*STB":
			return strconv.Itoa(int(in.status())), nil
		}
		return "", errHeader
	}
	if how == queriesOnly {
		return "", nil
	}
	switch u.header {
	case "*RST":
		in.reset()
		in.settled()
	case "*CLS":
		in.queue, in.event = nil, 0
	case "*OPC":
		in.event |= 1
	case "*WAI":
	case "*ESE", "*SRE":
		v, err := oneNumber(u.args, nil, 0, 255)
		if err != nil {
			return "", asSCPI(err)
		}
		if u.header == "*ESE" {
			in.enable = byte(v)
		} else {
			in.service = byte(v)
		}
	default:
		return "", errHeader
	}
	return "", nil
}

// status is the status byte: error queue (4), event summary (32).
func (in *instrument) status() byte {
	var b byte
	if len(in.queue) > 0 {
		b |= 4
	}
	if in.event&in.enable != 0 {
		b |= 32
	}
	return b
}

// fail puts an error into the queue and sets its class in the event status register.
func (in *instrument) fail(e *scpiError) {
	switch {
	case e.code <= -400:
		in.event |= 4
	case e.code <= -300:
		in.event |= 8
	case e.code <= -200:
		in.event |= 16
	case e.code <= -100:
		in.event |= 32
	}
	if len(in.queue) >= queueDepth {
		in.queue[queueDepth-1] = errOverflowed
		return
	}
	in.queue = append(in.queue, e)
}

// overflow puts more into the error queue than it holds.
func (in *instrument) overflow() {
	for range 2 * queueDepth {
		in.fail(errSystem)
	}
}

// queueDepth is how many entries an error queue holds; the last is then "Queue overflow".
const queueDepth = 20

// system are the headers that SCPI requires of every instrument.
func (in *instrument) system() []command {
	next := func([]string) (string, error) {
		if len(in.queue) == 0 {
			return `0,"No error"`, nil
		}
		e := in.queue[0]
		in.queue = in.queue[1:]
		return e.Error(), nil
	}
	return []command{
		{header: "SYSTem:ERRor[:NEXT]", query: next},
		{header: "SYSTem:ERRor:COUNt", query: func([]string) (string, error) {
			return strconv.Itoa(len(in.queue)),
				nil
		}},
		{header: "DIAGnostic:BLOCk", query: testBlock},
		{header: "SYSTem:VERSion", query: func([]string) (string, error) { return "1999.0", nil }},
	}
}

// testBlock answers a definite block of so many bytes that count from 0 to 255 and over, so that it
// holds every byte that could be taken for an end. (No standard names such a query; many an
// instrument has one under DIAGnostic, which SCPI-1999 leaves to it.)
func testBlock(args []string) (string, error) {
	n, err := oneNumber(args, nil, 0, 8<<20)
	if err != nil {
		return "", err
	}
	data := make([]byte, int(n))
	for i := range data {
		data[i] = byte(i)
	}
	length := strconv.Itoa(len(data))
	return "#" + strconv.Itoa(len(length)) + length + string(data), nil
}

// find looks a header up, in any mix of short and long forms.
func (in *instrument) find(words []string, query bool) *command {
	key := strings.Join(words, ":")
	if query {
		key += "?"
	}
	if c, ok := in.matched[key]; ok {
		return c
	}
	for i := range in.commands {
		c := &in.commands[i]
		if query && c.query == nil || !query && c.set == nil {
			continue
		}
		if matches(splitHeader(c.header), words) {
			if len(in.matched) < 1000 {
				in.matched[key] = c
			}
			return c
		}
	}
	return nil
}

// node is a word of a header in SCPI notation.
type node struct {
	word     string
	optional bool
}

var colonsOutside = strings.NewReplacer("[:", ":[", ":]", "]:")

func splitHeader(header string) []node {
	var nodes []node
	for _, w := range strings.Split(colonsOutside.Replace(header), ":") {
		if w == "" {
			continue
		}
		bare := strings.Trim(w, "[]")
		nodes = append(nodes, node{bare, bare != w})
	}
	return nodes
}

// matches tells whether words spell a header whose optional nodes may be left out.
func matches(nodes []node, words []string) bool {
	if len(nodes) == 0 {
		return len(words) == 0
	}
	if len(words) > 0 && spells(nodes[0].word, words[0]) && matches(nodes[1:], words[1:]) {
		return true
	}
	return nodes[0].optional && matches(nodes[1:], words)
}

// spells tells whether a word is the short or the long form of a node; the suffix 1 may be added
// to a node that has none.
func spells(node, word string) bool {
	short := strings.TrimRight(node, "abcdefghijklmnopqrstuvwxyz")
	if i := strings.IndexAny(node, "abcdefghijklmnopqrstuvwxyz"); i >= 0 {
		short = node[:i]
		if digits := strings.TrimLeft(node[i:], "abcdefghijklmnopqrstuvwxyz"); digits != "" {
			short += digits
		}
	}
	long := strings.ToUpper(node)
	return word == short || word == long || word == short+"1" || word == long+"1"
}

// parseUnit splits a unit into header, question mark and parameters; false for an empty one.
func parseUnit(text string) (unit, bool) {
	text = strings.TrimSpace(text)
	if text == "" {
		return unit{}, false
	}
	head, rest, _ := strings.Cut(strings.ReplaceAll(text, "\t", " "), " ")
	u := unit{header: strings.ToUpper(head)}
	if h, found := strings.CutSuffix(u.header, "?"); found {
		u.header, u.query = h, true
	}
	if rest = strings.TrimSpace(rest); rest != "" {
		for _, a := range splitOutsideQuotes(rest, ',') {
			u.args = append(u.args, strings.TrimSpace(a))
		}
	}
	return u, true
}

func splitOutsideQuotes(text string, separator byte) []string {
	var parts []string
	var quote byte
	start := 0
	for i := 0; i < len(text); i++ {
		switch c := text[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == separator:
			parts, start = append(parts, text[start:i]), i+1
		}
	}
	return append(parts, text[start:])
}

// queriesIn counts what a message asks.
func queriesIn(message string) (n int) {
	for _, text := range splitOutsideQuotes(message, ';') {
		if u, ok := parseUnit(text); ok && u.query {
			n++
		}
	}
	return n
}

func one(args []string) (string, error) {
	switch len(args) {
	case 0:
		return "", errMissing
	case 1:
		return strings.ToUpper(args[0]), nil
	}
	return "", errExtra
}

var (
	frequencyUnits = map[string]float64{"": 1, "HZ": 1, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9}
	percentUnits   = map[string]float64{"": 1, "PCT": 1, "%": 1}
	decibelUnits   = map[string]float64{"": 1, "DB": 1, "DBM": 1}
)

// oneNumber reads one number with an optional unit between two limits, or the words MIN and MAX.
func oneNumber(args []string, units map[string]float64, low, high float64) (float64, error) {
	text, err := one(args)
	if err != nil {
		return 0, err
	}
	switch text {
	case "MIN", "MINIMUM":
		return low, nil
	case "MAX", "MAXIMUM":
		return high, nil
	}
	x, unit, err := number(text)
	if err != nil {
		return 0, err
	}
	if units == nil {
		units = map[string]float64{"": 1}
	}
	scale, ok := units[unit]
	if !ok {
		return 0, errSuffix
	}
	x *= scale
	const slack = 1e-9
	if x < low-slack*math.Abs(low) || x > high+slack*math.Abs(high) {
		return 0, errRange
	}
	return x, nil
}

// wanted is a number among the parameters of a command: its units, its limits, what counts where it is left out.
type wanted struct {
	units                map[string]float64
	low, high, otherwise float64
}

// numbers reads parameters of which all but the first may be left out.
func numbers(args []string, want ...wanted) ([]float64, error) {
	if len(args) == 0 {
		return nil, errMissing
	}
	if len(args) > len(want) {
		return nil, errExtra
	}
	out := make([]float64, len(want))
	for i, w := range want {
		out[i] = w.otherwise
		if i < len(args) {
			var err error
			if out[i], err = oneNumber(args[i:i+1], w.units, w.low, w.high); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// number splits a decimal number from its unit.
func number(text string) (float64, string, error) {
	end := len(text)
	for end > 0 {
		x, err := strconv.ParseFloat(strings.TrimSpace(text[:end]), 64)
		if err == nil && !math.IsNaN(x) && !math.IsInf(x, 0) && !strings.ContainsAny(text[:end], "XxNnIiPp_") {
			return x, strings.TrimSpace(text[end:]), nil
		}
		end--
	}
	return 0, "", errDataType
}

func oneBool(args []string) (bool, error) {
	text, err := one(args)
	if err != nil {
		return false, err
	}
	switch text {
	case "ON", "1":
		return true, nil
	case "OFF", "0":
		return false, nil
	}
	return false, errIllegal
}

func showBool(b bool) string {
	if b {
		return "1"
	}
	return "0"
}

func show(x float64) string { return strconv.FormatFloat(x, 'E', 9, 64) }

// limited answers a query that may ask for MIN or MAX.
func limited(args []string, value, low, high float64) (string, error) {
	if len(args) == 0 {
		return show(value), nil
	}
	switch strings.ToUpper(args[0]) {
	case "MIN", "MINIMUM":
		return show(low), nil
	case "MAX", "MAXIMUM":
		return show(high), nil
	}
	return "", errIllegal
}
