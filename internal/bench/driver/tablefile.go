package driver

import (
	"fmt"
	"slices"
	"sort"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/units/rf"
)

// TableKind is the first line's value of a file with a command table.
const TableKind = "commands 1"

// tableFile is a command table as written.
type tableFile struct {
	Name     string            `yaml:"name,required" says:"name by which a bench file calls the table"`
	Role     roleWord          `yaml:"role,required" says:"what instrument it is for"`
	About    string            `yaml:"about" says:"for people: which instruments"`
	CountsIn countsWord        `yaml:"counts_in" says:"unit of a source's level"`
	Assumes  assumesWord       `yaml:"assumes" says:"load that a source always assumes"`
	AMLevel  amLevelWord       `yaml:"am_level" says:"what a source's level means while AM is on"`
	Reads    readsWord         `yaml:"reads" says:"how an analyser measures"`
	ReadsIn  string            `yaml:"reads_in" says:"unit of the readings and of a trace, with a factor before it or none: dBµV, 0.01 dBm"`
	Start    []string          `yaml:"start" says:"messages that are sent once after connecting"`
	Commands map[string]string `yaml:"commands,required" says:"message for each verb, {} is where the value goes, {MHz} in another unit, {10 Hz} or {0.001} with a factor; the verbs are listed below"`
	Answers  map[string]string `yaml:"answers_in" says:"unit of an answer, by verb, with a factor before it or a factor alone: kHz, 10 Hz, 0.001"`
	Patterns map[string]string `yaml:"answer_patterns" says:"regular expression for a verb's own answer, in place of answer_pattern; its first group is the answer"`
	Yes      []string          `yaml:"answers_yes" says:"answers that mean on"`
	No       []string          `yaml:"answers_no" says:"answers that mean off"`
	Quirks   quirksFile        `yaml:"quirks" says:"where the instrument differs from the common way"`
}

type quirksFile struct {
	Terminator        terminatorWord `yaml:"terminator" says:"end of what it sends"`
	MessageTerminator terminatorWord `yaml:"message_terminator" says:"end of what is sent to it"`
	Timeout           rf.Duration    `yaml:"timeout" says:"longest wait for an answer"`
	Delay             rf.Duration    `yaml:"delay" says:"pause after each message that sets something, before the next question: for settings that take effect late"`
	OneCommandALine   bool           `yaml:"one_command_a_line" says:"it takes one command in a message"`
	JoinedQuestions   bool           `yaml:"joined_questions" says:"beside one_command_a_line or acknowledge: it takes several questions in a message (A?;B?) and answers them in one line with ; between"`
	NoErrorQueue      bool           `yaml:"no_error_queue" says:"it has no SYST:ERR?"`
	NoOverload        bool           `yaml:"no_overload_status" says:"it does not tell an overload"`
	NoClear           bool           `yaml:"no_clear" says:"it does not know *CLS"`
	NoEventEnable     bool           `yaml:"no_event_enable" says:"it does not know *ESE"`
	KeepInput         bool           `yaml:"keep_input" says:"what it sent before is not thrown away after connecting"`
	Decimal           decimalWord    `yaml:"decimal" says:"decimal sign of its answers, and of messages where message_decimal is not given"`
	MessageDecimal    decimalWord    `yaml:"message_decimal" says:"decimal sign of what is sent to it, where that is another"`
	EndsBy            endsByWord     `yaml:"ends_by" says:"how the end of an answer is known"`
	ByteOrder         byteOrderWord  `yaml:"byte_order" says:"byte order of binary blocks"`
	TraceAs           traceAsWord    `yaml:"trace_as" says:"how an analyser's trace is answered: a block of numbers of 32 bit, which is the default, or of 64 bit, or a list in text"`
	OverloadBits      document.Count `yaml:"overload_bits" says:"bits of the status that mean overload"`
	AnswerPattern     string         `yaml:"answer_pattern" says:"regular expression, its first group is the answer; with alternatives the first group that takes part"`
	Acknowledge       string         `yaml:"acknowledge" says:"what it answers to each setting, such as OK; another answer or none is an error"`
	Echo              bool           `yaml:"echo" says:"it sends back what is typed before it answers; what comes before the echo is thrown away"`
	Prompt            string         `yaml:"prompt" says:"what it prints when it is ready, at the beginning of a line: the end of each answer, and all that answers a setting"`
	PlainQuestions    bool           `yaml:"questions_without_mark" says:"its questions need no question mark"`
}

// The closed sets of words.
type (
	roleWord       string
	countsWord     string
	assumesWord    string
	amLevelWord    string
	readsWord      string
	terminatorWord string
	decimalWord    string
	endsByWord     string
	byteOrderWord  string
	traceAsWord    string
)

func oneOf(into *string, t []byte, words ...string) error {
	*into = strings.TrimSpace(string(t))
	return document.OneOf(*into, words...)
}

// Roles lists every role that a command table can fill.
var Roles = []Role{RoleSource, RoleAmplifier, RoleAnalyser, RolePowerMeter, RoleMeter, RoleInterlock, RoleSwitch,
	RoleRelay, RoleCapture}

// UnmarshalText reads a role.
func (r *roleWord) UnmarshalText(t []byte) error {
	words := make([]string, len(Roles))
	for i, role := range Roles {
		words[i] = string(role)
	}
	return oneOf((*string)(r), t, words...)
}

// UnmarshalText reads the unit of a source's level.
func (c *countsWord) UnmarshalText(t []byte) error {
	return oneOf((*string)(c), t, string(catalog.CountsDBm), string(catalog.CountsVpp))
}

// UnmarshalText reads the load that a source always assumes.
func (a *assumesWord) UnmarshalText(t []byte) error {
	var r rf.Resistance
	if r.UnmarshalText(t) == nil && r == rf.Z0 {
		*a = assumesWord(catalog.Load50)
		return nil
	}
	return oneOf((*string)(a), t, string(catalog.Load50), string(catalog.LoadHighZ))
}

// UnmarshalText reads what a source's level is when AM is on.
func (a *amLevelWord) UnmarshalText(t []byte) error {
	return oneOf((*string)(a), t, "carrier", "twice the carrier")
}

// UnmarshalText reads how an analyser comes to its reading.
func (r *readsWord) UnmarshalText(t []byte) error {
	return oneOf((*string)(r), t, string(ReadsZeroSpan), string(ReadsPeakSearch), string(ReadsReceiver),
		string(ReadsBroadband))
}

// UnmarshalText reads an end of line.
func (w *terminatorWord) UnmarshalText(t []byte) error {
	var name string
	if err := oneOf(&name, t, "LF", "CR", "CR LF"); err != nil {
		return err
	}
	*w = terminatorWord(map[string]string{"LF": "\n", "CR": "\r", "CR LF": "\r\n"}[name])
	return nil
}

// UnmarshalText reads a decimal sign.
func (d *decimalWord) UnmarshalText(t []byte) error {
	return oneOf((*string)(d), t, "comma", "point")
}

// UnmarshalText reads how an answer ends.
func (e *endsByWord) UnmarshalText(t []byte) error {
	return oneOf((*string)(e), t, string(EndsByTerminator), string(EndsByEOI))
}

// UnmarshalText reads the order of bytes in a block.
func (b *byteOrderWord) UnmarshalText(t []byte) error {
	return oneOf((*string)(b), t, string(BigEndian), string(LittleEndian))
}

// UnmarshalText reads how a trace is answered.
func (w *traceAsWord) UnmarshalText(t []byte) error {
	return oneOf((*string)(w), t, string(Trace32), string(Trace64), string(TraceList))
}

// ParseTable reads a command table. File is its name for problems; all of them come back at once.
// The table is good only when the list has no error. Every key is shown, with a comment, in
// docs/instruments.md.
func ParseTable(file string, data []byte) (Table, problem.List) {
	var raw tableFile
	doc := document.Decode(file, data, TableKind, &raw)
	if !doc.Readable() {
		return Table{}, doc.Problems()
	}
	q := raw.Quirks
	t := Table{Name: strings.TrimSpace(raw.Name), Role: Role(raw.Role), About: raw.About,
		CountsIn: catalog.CountsIn(raw.CountsIn),
		Assumes:  catalog.LoadSetting(raw.Assumes), AMHalves: raw.AMLevel == "twice the carrier",
		Reads: Reads(raw.Reads), ReadsIn: raw.ReadsIn,
		Start: raw.Start, Commands: map[Verb]string{}, AnswersIn: map[Verb]string{}, Yes: raw.Yes, No: raw.No,
		Terminator: string(q.Terminator), MessageTerminator: string(q.MessageTerminator), Timeout: q.Timeout,
		Delay:           q.Delay,
		OneCommandALine: q.OneCommandALine, JoinedQuestions: q.JoinedQuestions, NoErrorQueue: q.NoErrorQueue,
		NoOverload: q.NoOverload, NoClear: q.NoClear, NoEventEnable: q.NoEventEnable,
		KeepInput: q.KeepInput, DecimalComma: q.Decimal == "comma", MessageComma: q.MessageDecimal == "comma" ||
			q.MessageDecimal == "" && q.Decimal == "comma", EndsBy: EndsBy(q.EndsBy), ByteOrder: ByteOrder(q.ByteOrder),
		OverloadBits: int(q.OverloadBits), AnswerPattern: q.AnswerPattern, Patterns: map[Verb]string{},
		Acknowledge: q.Acknowledge, Echo: q.Echo, Prompt: q.Prompt, PlainQuestions: q.PlainQuestions,
		TraceAs: TraceAs(q.TraceAs)}
	for v, c := range raw.Commands {
		t.Commands[Verb(v)] = strings.TrimSpace(c)
	}
	for v, unit := range raw.Answers {
		t.AnswersIn[Verb(v)] = unit
	}
	for v, pattern := range raw.Patterns {
		t.Patterns[Verb(v)] = pattern
	}
	if t.ReadsIn == "dBuV" {
		t.ReadsIn = "dBµV"
	}
	t.tell(doc)
	return t, doc.Problems()
}

// tell adds what is wrong with a table to the problems of its file.
func (t Table) tell(doc *document.Document) {
	if doc.Problems().Err() != nil {
		return
	}
	if t.Name == "" {
		doc.Problem("name", "the table has no name", "the bench file calls it by its name")
	}
	for _, b := range builtIn {
		if b.Name == t.Name && b.Role != t.Role {
			doc.Problem("name", fmt.Sprintf("%q is the name of the built-in table of the role %s", t.Name, b.Role),
				"give it a name of its own")
		}
	}
	faults := t.faults()
	sort.Slice(faults, func(i, j int) bool { return faults[i].what < faults[j].what })
	for _, f := range faults {
		hint := ""
		if strings.HasPrefix(f.at, "commands.") {
			hint = t.nearest(strings.TrimPrefix(f.at, "commands."))
		}
		doc.Problem(f.at, f.what, hint)
	}
	if t.NoErrorQueue {
		doc.Warning("quirks.no_error_queue",
			"without an error queue a refused command shows only where it is read back", "")
	}
	for key, role := range map[string]Role{"counts_in": RoleSource, "assumes": RoleSource, "am_level": RoleSource,
		"reads": RoleAnalyser} {
		if doc.Has(key) && t.Role != role {
			doc.Problem(key, fmt.Sprintf("%s belongs to the role %s", key, role), "remove it")
		}
	}
	if doc.Has("reads_in") && t.Role != RoleAnalyser && t.Role != RolePowerMeter {
		doc.Problem("reads_in", "reads_in belongs to the roles analyser and power meter", "remove it")
	}
}

// nearest hints at the verb that was probably meant.
func (t Table) nearest(verb string) string {
	w, _ := t.wants()
	known := append(slices.Clone(w.must), w.may...)
	for _, g := range w.groups {
		known = append(known, g...)
	}
	words := make([]string, len(known))
	for i, v := range known {
		words[i] = string(v)
	}
	if slices.Contains(words, verb) {
		return ""
	}
	if near := document.Nearest(verb, words); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	return "it can be told or asked: " + strings.Join(words, ", ")
}

// TablesOf reads the command tables that a bench file names.
func TablesOf(b *catalog.Bench) ([]Table, problem.List) {
	var out []Table
	var list problem.List
	for _, name := range b.Tables {
		t, more := ParseTable(name, b.Files[name])
		list = append(list, more...)
		for _, other := range out {
			if other.Name == t.Name && other.Role == t.Role {
				list = append(list, problem.Problem{File: name,
					What: fmt.Sprintf("a second table is called %q for the role %s", t.Name, t.Role)})
			}
		}
		out = append(out, t)
	}
	return out, list
}
