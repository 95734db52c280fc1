package driver_test

import (
	"bufio"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"net"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// lineInstrument answers each line that it hears with as many lines as hear returns.
func lineInstrument(hear func(line string) []string) func(context.Context, string) (io.ReadWriteCloser, error) {
	return func(context.Context, string) (io.ReadWriteCloser, error) {
		here, there := net.Pipe()
		go func() {
			defer there.Close()
			for lines := bufio.NewScanner(there); lines.Scan(); {
				for _, a := range hear(strings.TrimRight(lines.Text(), "\r")) {
					if _, err := fmt.Fprintln(there, a); err != nil {
						return
					}
				}
			}
		}()
		return here, nil
	}
}

const quirkyMeter = `provoke: commands 1
name: quirky meter
role: meter
commands: {read?: "MEAS?"}
quirks: {no_error_queue: true, no_clear: true, %s}
`

func readMeter(t *testing.T, table, answer string) (float64, error) {
	t.Helper()
	spec := catalog.Monitor{Identity: catalog.Identity{ID: "M1"},
		Connection: catalog.Connection{Address: address, Table: "quirky meter"}}
	m, err := driver.OpenMeter(t.Context(), spec,
		driver.Options{Tables: []driver.Table{parsed(t, table)}, Timeout: 300 * time.Millisecond,
			Dial: lineInstrument(func(string) []string { return []string{answer} })})
	must(t, err)
	defer m.Close()
	return m.Read(t.Context())
}

func TestAnAnswerPatternTakesItsFirstGroup(t *testing.T) {
	for _, c := range []struct {
		pattern, answer string
		want            float64
	}{
		{`([0-9.]+)( [A-Z]+)?`, "12.5", 12.5}, // the second group takes no part
		{`([0-9.]+) ([A-Z]+)`, "12.5 V", 12.5},
		{`U=([0-9.]+)|I=([0-9.]+)`, "I=0.5", 0.5}, // the first that took part
		{`[0-9.]+`, "reads 7 V", 7},
	} {
		x, err := readMeter(t, fmt.Sprintf(quirkyMeter, "answer_pattern: '"+c.pattern+"'"), c.answer)
		if err != nil || x != c.want {
			t.Errorf("%s of %q: %v, %v", c.pattern, c.answer, x, err)
		}
	}
}

func TestReadingsAreScaled(t *testing.T) {
	table := strings.Replace(fmt.Sprintf(quirkyMeter, "timeout: 1 s"), "quirks:", "answers_in: {read?: 0.001}\nquirks:",
		1)
	if x, err := readMeter(t, table, "1250"); err != nil || math.Abs(x-1.25) > 1e-12 {
		t.Errorf("1250 thousandths: %v, %v", x, err)
	}
}

const acknowledgingRelay = `provoke: commands 1
name: acknowledging relay
role: relay
commands: {on: "CLOSE 1", off: "OPEN 1", on?: "CLOSED?"}
quirks: {no_error_queue: true, no_clear: true, %s}
`

func setRelay(t *testing.T, quirk string, hear func(string) []string) error {
	t.Helper()
	spec := catalog.Relay{Identity: catalog.Identity{ID: "K1"},
		Connection: catalog.Connection{Address: address, Table: "acknowledging relay"}}
	r, err := driver.OpenRelay(t.Context(), spec,
		driver.Options{Tables: []driver.Table{parsed(t, fmt.Sprintf(acknowledgingRelay, quirk))},
			Timeout: 200 * time.Millisecond, Dial: lineInstrument(hear)})
	must(t, err)
	defer r.Close()
	return r.Set(t.Context(), true)
}

func TestEachSettingIsAcknowledgedOrItIsAnError(t *testing.T) {
	relay := func(acknowledgement ...string) func(string) []string {
		on := "0"
		return func(line string) []string {
			if line == "CLOSED?" {
				return []string{on}
			}
			on = "1"
			return acknowledgement
		}
	}
	if err := setRelay(t, "acknowledge: OK", relay("OK")); err != nil {
		t.Errorf("acknowledged: %v", err)
	}
	for name, c := range map[string]struct {
		hear func(string) []string
		want []string
	}{
		"missing": {relay(), []string{"CLOSE 1", "no answer in time", "acknowledge"}},
		"another": {relay("ERR 7"), []string{"CLOSE 1", `"ERR 7"`, `"OK"`, "acknowledge"}},
		"question answered by an acknowledgement": {func(string) []string { return []string{"OK"} },
			[]string{"CLOSED?", "acknowledgement"}},
		"acknowledged by a number": {relay("1"), []string{"CLOSE 1", `"1"`}},
	} {
		err := setRelay(t, "acknowledge: OK", c.hear)
		if err == nil {
			t.Errorf("%s: no error", name)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %q is not in: %v", name, w, err)
			}
		}
	}
}

// A relay that takes effect 60 ms late, in one message or one command a line.
func TestADelayHoldsWhereSettingsTakeEffectLate(t *testing.T) {
	for _, quirk := range []string{"one_command_a_line: false", "one_command_a_line: true"} {
		var on atomic.Bool
		late := func(line string) (out []string) {
			for _, unit := range strings.Split(line, ";") {
				switch strings.TrimPrefix(unit, ":") {
				case "CLOSE 1":
					time.AfterFunc(60*time.Millisecond, func() { on.Store(true) })
				case "CLOSED?":
					out = append(out, map[bool]string{true: "1", false: "0"}[on.Load()])
				}
			}
			return out
		}
		if err := setRelay(t, quirk, late); err == nil {
			t.Errorf("%s: read back before it took effect, and nothing is said", quirk)
		}
		time.Sleep(100 * time.Millisecond)
		on.Store(false)
		if err := setRelay(t, "delay: 120 ms, "+quirk, late); err != nil {
			t.Errorf("%s: %v", quirk, err)
		}
	}
}

func TestTheDecimalSignOfMessagesIsApartFromThatOfAnswers(t *testing.T) {
	for quirk, want := range map[string]struct{ answer, told string }{
		"decimal: comma":                          {"27,12", "FREQ 27,12"},
		"decimal: comma, message_decimal: point":  {"27,12", "FREQ 27.12"},
		"decimal: point, message_decimal: comma":  {"27.12", "FREQ 27,12"},
		"message_decimal: comma":                  {"27.12", "FREQ 27,12"},
		"decimal: comma, message_decimal: comma ": {"27,12", "FREQ 27,12"},
	} {
		table := parsed(t, `provoke: commands 1
name: comma meter
role: power meter
commands: {frequency: "FREQ {MHz}", forward?: "A?", reverse?: "B?"}
quirks: {one_command_a_line: true, no_error_queue: true, no_clear: true, `+quirk+"}\n")
		var told string
		spec := thePowerMeter()
		spec.Table, spec.MaximumInput = "comma meter", rf.DBm(60)
		m, err := driver.OpenPowerMeter(t.Context(),
			spec, driver.Options{Tables: []driver.Table{table}, Timeout: time.Second,
				Dial: lineInstrument(func(line string) []string {
					if strings.HasPrefix(line, "FREQ") {
						told = line
						return nil
					}
					return []string{want.answer}
				})})
		must(t, err)
		p, _, err := m.Read(t.Context(), 27.12*rf.Megahertz)
		m.Close()
		if err != nil || told != want.told || math.Abs(p.In()-27.12) > 1e-9 {
			t.Errorf("%s: told %q, reads %v, %v", quirk, told, p, err)
		}
	}
}

// levels are those of a trace with digits to the last bit, as a real one has.
func levels(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = -83.417 + 1.7*math.Sin(1.9*float64(i))
	}
	return out
}

func blockOf(order binary.AppendByteOrder, bits int, levels []float64) string {
	var data []byte
	for _, x := range levels {
		if bits == 64 {
			data = order.AppendUint64(data, math.Float64bits(x))
		} else {
			data = order.AppendUint32(data, math.Float32bits(float32(x)))
		}
	}
	length := fmt.Sprint(len(data))
	return "#" + fmt.Sprint(len(length)) + length + string(data)
}

func listOf(separator string, levels []float64) string {
	out := make([]string, len(levels))
	for i, x := range levels {
		out[i] = fmt.Sprintf("%.3f", x)
	}
	return strings.Join(out, separator)
}

const tracingAnalyser = `provoke: commands 1
name: tracing
role: analyser
reads: receiver
commands: {frequency: "FREQ {}", read?: "READ?", trace format: "FORM", trace?: "TRAC?"%s}
quirks: {no_overload_status: true%s}
`

func traceOf(t *testing.T, verbs, quirks string, answers map[string]string) (driver.Trace, error) {
	t.Helper()
	spec := theAnalyser()
	spec.Table = "tracing"
	all := map[string]string{"SYST:ERR?": `0,"No error"`, "READ?": "-83.4"}
	for k, v := range answers {
		all[k] = v
	}
	a, err := driver.OpenAnalyser(t.Context(), spec,
		driver.Options{Tables: []driver.Table{parsed(t, fmt.Sprintf(tracingAnalyser, verbs, quirks))},
			Dial: standIn(all), Timeout: 500 * time.Millisecond})
	must(t, err)
	defer a.Close()
	must(t, a.Setup(t.Context(), driver.AnalyserSetup{Frequency: 10 * rf.Megahertz, Bandwidth: rf.Kilohertz}))
	return a.Trace(t.Context())
}

func TestATraceIsReadAsItsTableSays(t *testing.T) {
	big, little := binary.BigEndian, binary.LittleEndian
	for name, c := range map[string]struct{ quirks, answer string }{
		"32 bit, big":            {"", blockOf(big, 32, levels(11))},
		"32 bit, little":         {", byte_order: little", blockOf(little, 32, levels(11))},
		"64 bit, big":            {", trace_as: 64 bit", blockOf(big, 64, levels(11))},
		"64 bit, little":         {", trace_as: 64 bit, byte_order: little", blockOf(little, 64, levels(11))},
		"a list":                 {", trace_as: list", listOf(",", levels(11))},
		"a list with blanks":     {", trace_as: list", listOf(" ", levels(11)) + " "},
		"a list with semicolons": {", trace_as: list", listOf(";", levels(11))},
		"a list of decimal commas": {", trace_as: list, decimal: comma",
			strings.ReplaceAll(listOf(";", levels(11)), ".", ",")},
	} {
		trace, err := traceOf(t, "", c.quirks, map[string]string{"TRAC?": c.answer})
		if err != nil || len(trace.Points) != 11 {
			t.Errorf("%s: %d points, %v", name, len(trace.Points), err)
			continue
		}
		for i, x := range levels(11) {
			if math.Abs(trace.Points[i].In()-x) > 1e-3 {
				t.Errorf("%s: point %d is %v, want %v", name, i, trace.Points[i], x)
			}
		}
	}
}

// Each says what is wrong, and the key that mends it. Flat are levels without digits behind the point,
// whose other halves are 0 and look like levels.
func TestATraceThatIsReadWronglyIsRefused(t *testing.T) {
	big, little := binary.BigEndian, binary.LittleEndian
	flat := make([]float64, 11)
	for i := range flat {
		flat[i] = -80
	}
	for name, c := range map[string]struct {
		quirks, answer string
		want           []string
	}{
		"wrong order":       {"", blockOf(little, 32, levels(11)), []string{"byte_order: little"}},
		"wrong order, flat": {"", blockOf(little, 32, flat), []string{"byte_order: little"}},
		"wrong order other": {", byte_order: little", blockOf(big, 32, levels(11)), []string{"byte_order: big"}},
		"64 bit":            {"", blockOf(big, 64, levels(11)), []string{"trace_as: 64 bit"}},
		"64 bit, flat":      {"", blockOf(big, 64, flat), []string{"trace_as: 64 bit"}},
		"64 bit, little": {"", blockOf(little, 64, levels(11)),
			[]string{"trace_as: 64 bit", "byte_order: little"}},
		"32 bit told as 64":    {", trace_as: 64 bit", blockOf(big, 32, levels(12)), []string{"trace_as: 32 bit"}},
		"empty block":          {"", "#10", []string{"no point", "single sweep"}},
		"empty list":           {", trace_as: list", " ", []string{"no point", "single sweep"}},
		"a list told as block": {"", listOf(",", levels(11)), []string{"trace_as: list"}},
		"a block told as list": {", trace_as: list", blockOf(big, 32, flat), []string{"trace_as: 32 bit"}},
		"half a number":        {"", "#15" + "\xc2\xa0\x00\x00\xc2", []string{"5 bytes", "trace_as"}},
		"no level at all":      {", trace_as: list", "-8341,-8342,-8343", []string{"-8341", "reads_in"}},
		"no number":            {", trace_as: list", "-83.1,?,-83.2", []string{"point 2", `"?"`}},
	} {
		_, err := traceOf(t, "", c.quirks, map[string]string{"TRAC?": c.answer})
		if err == nil {
			t.Errorf("%s: no error", name)
			continue
		}
		for _, w := range c.want {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %q is not in: %v", name, w, err)
			}
		}
	}
}

func TestATraceSaysWhereItBeginsAndEndsAndHowManyPointsItHas(t *testing.T) {
	const verbs = `, trace start?: "START?", trace stop?: "STOP?", trace points?: "POIN?"`
	answers := map[string]string{"TRAC?": listOf(",", levels(11)), "START?": "9500000", "STOP?": "10500000",
		"POIN?": "11"}
	trace, err := traceOf(t, verbs, ", trace_as: list", answers)
	if err != nil || trace.Start != 9.5*rf.Megahertz || trace.Stop != 10.5*rf.Megahertz {
		t.Errorf("%v to %v, %v", trace.Start, trace.Stop, err)
	}
	for change, want := range map[string]string{"POIN?=401": "401", "STOP?=9000000": "9.5 MHz",
		"START?=10100000": "10 MHz", "STOP?=10.5": "answers_in"} {
		key, value, _ := strings.Cut(change, "=")
		other := map[string]string{}
		for k, v := range answers {
			other[k] = v
		}
		other[key] = value
		if _, err := traceOf(t, verbs, ", trace_as: list", other); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", change, err)
		}
	}
}

func TestEveryBuiltInTableIsPrintedAsAFileThatActsAsIt(t *testing.T) {
	for _, b := range driver.BuiltIn() {
		text := b.File()
		got, list := driver.ParseTable(b.Name+".yaml", text)
		if err := list.Err(); err != nil {
			t.Errorf("%s: %v\n%s", b.Name, err, text)
			continue
		}
		if same(t, b) != same(t, got) {
			t.Errorf("%s comes back as\n%s\nwant\n%s", b.Name, same(t, got), same(t, b))
		}
	}
	b, o := tryBench(t)
	for _, role := range []string{"source", "amplifier", "analyser", "power meter", "meter", "interlock"} {
		first, err := driver.Try(t.Context(), b, role, o, nil)
		must(t, err)
		printed, list := driver.ParseTable("printed.yaml", first.Table.File())
		must(t, list.Err())
		o := o
		o.Tables = []driver.Table{printed}
		again, err := driver.ParseTranscript(first.Transcript.String())
		must(t, err)
		if _, err := driver.Try(t.Context(), b, role, o, again); err != nil || again.Differs() != nil {
			t.Errorf("%s: %v, %v", role, err, again.Differs())
		}
	}
}

// same writes all of a table, with nothing in place of an empty list or mapping.
func same(t *testing.T, x driver.Table) string {
	t.Helper()
	return strings.NewReplacer("map[]", "", "[]", "", "(nil)", "").Replace(fmt.Sprintf("%+v", x))
}

// A table with every key comes back too, with control characters as escapes that read.
func TestAPrintedTableHoldsEveryKey(t *testing.T) {
	const full = `provoke: commands 1
name: "all \"of\" it"
role: source
about: "two\nlines and \u001b[2J"
counts_in: Vpp
assumes: 50 Ω
am_level: twice the carrier
start: ["DISP ON"]
commands: {frequency: "FREQ {MHz}", frequency?: "FREQ", level: "VOLT {0.001}", level?: "VOLT", output on: "R1", output off: "R0", output?: "R"}
answers_in: {frequency?: 10 kHz, level?: 0.001}
answer_patterns: {frequency?: '^\S+ (\S+)'}
answers_yes: [RUN]
answers_no: [STOP]
quirks: {terminator: CR, message_terminator: CR LF, timeout: 3 s, delay: 20 ms, one_command_a_line: true, no_error_queue: true, no_overload_status: true,
  no_clear: true, no_event_enable: true, keep_input: true, ends_by: eoi, decimal: comma, message_decimal: point, byte_order: little, overload_bits: 6,
  answer_pattern: '=(\S+)', acknowledge: OK, echo: true, prompt: "ch> ", questions_without_mark: true}
`
	text := ""
	for _, whole := range []string{full, fmt.Sprintf(tracingAnalyser, "", ", trace_as: 64 bit"),
		fmt.Sprintf(tracingAnalyser, "", ", acknowledge: OK, joined_questions: true")} {
		want, list := driver.ParseTable("table.yaml", []byte(whole))
		must(t, list.Err())
		text += string(want.File())
		if got := parsed(t, string(want.File())); same(t, got) != same(t, want) {
			t.Errorf("comes back as\n%s\nwant\n%s", same(t, got), same(t, want))
		}
	}
	if strings.ContainsAny(text, "\x1b\r") || strings.Contains(text, "u000a") || !strings.Contains(text, `two\nlines`) {
		t.Errorf("printed:\n%s", text)
	}
}

func TestEveryVerbOfEveryRoleSaysWhatItIs(t *testing.T) {
	for _, role := range driver.Roles {
		verbs := driver.Verbs(role)
		if len(verbs) < 2 {
			t.Errorf("%s: %d verbs", role, len(verbs))
		}
		for _, v := range verbs {
			if v.Says == "" || v.Takes == "" {
				t.Errorf("%s: %q takes %q and says %q", role, v.Path, v.Takes, v.Says)
			}
		}
	}
}
