package driver

import (
	"fmt"
	"strconv"
	"strings"
)

// File writes a table as a file that is read back as the same table. What is not printable stands as an
// escape.
func (t Table) File() []byte {
	var b strings.Builder
	key := func(indent, name, value string, given bool) {
		if given {
			fmt.Fprintf(&b, "%s%s: %s\n", indent, name, value)
		}
	}
	text := func(indent, name, value string) { key(indent, name, strconv.Quote(value), value != "") }
	b.WriteString("provoke: " + TableKind + "\n")
	text("", "name", t.Name)
	key("", "role", string(t.Role), true)
	text("", "about", t.About)
	text("", "counts_in", string(t.CountsIn))
	text("", "assumes", string(t.Assumes))
	key("", "am_level", "twice the carrier", t.AMHalves)
	text("", "reads", string(t.Reads))
	text("", "reads_in", t.ReadsIn)
	key("", "start", quotedList(t.Start), len(t.Start) > 0)
	writeVerbs(&b, "commands", t.Commands)
	writeVerbs(&b, "answers_in", t.AnswersIn)
	writeVerbs(&b, "answer_patterns", t.Patterns)
	key("", "answers_yes", quotedList(t.Yes), len(t.Yes) > 0)
	key("", "answers_no", quotedList(t.No), len(t.No) > 0)

	ends := map[string]string{"\n": "LF", "\r": "CR", "\r\n": "CR LF"}
	sign := map[bool]string{true: "comma", false: "point"}
	before := b.Len()
	b.WriteString("quirks:\n")
	began := b.Len()
	quirk := func(name, value string, given bool) { key("  ", name, value, given) }
	quirk("terminator", ends[t.Terminator], t.Terminator != "")
	quirk("message_terminator", ends[t.MessageTerminator], t.MessageTerminator != "")
	quirk("timeout", t.Timeout.String(), t.Timeout > 0)
	quirk("delay", t.Delay.String(), t.Delay > 0)
	for _, x := range []struct {
		name string
		is   bool
	}{{"one_command_a_line", t.OneCommandALine},
		{"joined_questions", t.JoinedQuestions}, {"no_error_queue", t.NoErrorQueue},
		{"no_overload_status", t.NoOverload}, {"no_clear", t.NoClear},
		{"no_event_enable", t.NoEventEnable}, {"keep_input", t.KeepInput}, {"echo", t.Echo},
		{"questions_without_mark", t.PlainQuestions}} {
		quirk(x.name, "true", x.is)
	}
	quirk("decimal", sign[t.DecimalComma], t.DecimalComma)
	quirk("message_decimal", sign[t.MessageComma], t.MessageComma != t.DecimalComma)
	quirk("overload_bits", strconv.Itoa(t.OverloadBits), t.OverloadBits != 0)
	for _, x := range [][2]string{{"ends_by", string(t.EndsBy)}, {"byte_order", string(t.ByteOrder)},
		{"trace_as", string(t.TraceAs)},
		{"answer_pattern", t.AnswerPattern}, {"acknowledge", t.Acknowledge}, {"prompt", t.Prompt}} {
		text("  ", x[0], x[1])
	}
	if b.Len() == began {
		return []byte(b.String()[:before])
	}
	return []byte(b.String())
}

func quotedList(words []string) string {
	out := make([]string, len(words))
	for i, w := range words {
		out[i] = strconv.Quote(w)
	}
	return "[" + strings.Join(out, ", ") + "]"
}

// writeVerbs writes texts by verb in the order in which verbs are listed.
func writeVerbs(b *strings.Builder, key string, m map[Verb]string) {
	if len(m) == 0 {
		return
	}
	fmt.Fprintf(b, "%s:\n", key)
	for _, x := range verbSays {
		if m[x.verb] != "" {
			fmt.Fprintf(b, "  %s: %s\n", x.verb, strconv.Quote(m[x.verb]))
		}
	}
}
