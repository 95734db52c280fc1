package tabular

import (
	"fmt"
	"strconv"
	"strings"

	"provoke/internal/units/rf"
)

// block turns what an instrument answers when it is asked for a trace, one line of figures behind a header or
// none, into a line for each figure. Such a block has no x: it is declared by its first and last one.
func (r *Reader) block(lines []Line) []Line {
	if text := lines[0].Text; len(text) > 2 && text[0] == '#' && text[1] >= '0' && text[1] <= '9' {
		lines = r.blockHeader(lines)
		if r.Problems.Err() != nil {
			return nil
		}
		if r.Declared.Start == "" && len(lines) == 1 {
			hint := "declare its start and stop, or export it as a table"
			if r.Want != "" {
				hint = tableInstead
			}
			r.Fail(lines[0].Number, 1, fmt.Sprintf(
				"the file is a block of %d bytes as an instrument sends it: figures without their frequencies or times",
				len(lines[0].Text)), hint)
			return nil
		}
	}
	if r.Declared.Start == "" || len(lines) != 1 {
		return lines
	}
	for _, s := range separators {
		if s == ',' && r.Declared.Decimal == "," {
			continue
		}
		if cells, _ := split(lines[0].Text, s); len(cells) > 2 {
			var out []Line
			for _, c := range cells {
				if c.Text != "" {
					out = append(out, Line{lines[0].Number, c.Text})
				}
			}
			return out
		}
	}
	return lines
}

// blockHeader takes the header of a definite-length block (IEEE 488.2, 8.7.9): "#", how many digits, and how
// many bytes follow.
func (r *Reader) blockHeader(lines []Line) []Line {
	text := lines[0].Text
	n := int(text[1] - '0')
	if n == 0 || len(text) < 2+n {
		r.Fail(lines[0].Number, 1, "the file begins with a block header of an instrument, of no stated length",
			"ask the instrument for its trace as text, and write the figures alone")
		return nil
	}
	want, err := strconv.Atoi(text[2 : 2+n])
	rest := text[2+n:]
	have := len(rest)
	for _, l := range lines[1:] {
		have += 1 + len(l.Text)
	}
	if first := strings.TrimLeft(rest, " \t"); err != nil || first == "" ||
		strings.Trim(first[:1], "+-.0123456789") != "" {
		r.Fail(lines[0].Number, 1, fmt.Sprintf(
			"the file is a block of %d bytes as an instrument sends it, and not text", want),
			"ask the instrument for its trace as text (in SCPI: FORMat ASCii)")
		return nil
	}
	if have != want {
		r.Fail(lines[0].Number, 1, fmt.Sprintf("the block header says that %d bytes follow, and %d do", want, have),
			"the file was cut off or changed; export it again")
		return nil
	}
	return append([]Line{{lines[0].Number, rest}}, lines[1:]...)
}

// tellBlock tells the mark of a block in an export of a network analyser: BEGIN, perhaps with a name, or END.
func (r *Reader) tellBlock(l Line) bool {
	first, _, _ := strings.Cut(strings.TrimSpace(l.Text), " ")
	verb := map[string]string{"BEGIN": "begins", "END": "ends"}[first]
	if verb != "" {
		r.Fail(l.Number,
			1, fmt.Sprintf("a block of a network analyser's export %s here, and the file is no plain table", verb),
			tableInstead)
	}
	return verb != ""
}

const tableInstead = "export one trace as a table of frequencies and values with their units, or save the " +
	"measurement as a Touchstone file (.s1p, .s2p)"

// checkEnds reads the declared first and last x.
func (r *Reader) checkEnds() {
	d := r.Declared
	if d.Start == "" && d.Stop == "" {
		return
	}
	start, _, ok1 := end(d.Start)
	stop, _, ok2 := end(d.Stop)
	switch {
	case !ok1 || !ok2:
		r.Fail(0, 0, fmt.Sprintf("start %q and stop %q are declared", d.Start, d.Stop),
			"give both with a unit, for example 150 kHz and 80 MHz, or 0 s and 2 s")
	case stop <= start:
		r.Fail(0, 0, fmt.Sprintf("the stop %s must lie above the start %s", d.Stop, d.Start), "")
	}
}

// end reads a declared end of x in hertz or seconds.
func end(text string) (x float64, unit string, ok bool) {
	if f, err := rf.ParseFrequency(text); err == nil {
		_, unit, _ = Figure(strings.TrimSpace(text), '.')
		u, _ := UnitOf(unit)
		return f.Hz(), u, true
	}
	x, unit, ok = Figure(strings.TrimSpace(text), '.')
	u, _ := UnitOf(unit)
	return x * TimeScale[u], u, ok && TimeScale[u] > 0
}

// declaredEnds are facts like those that stand above a table.
func (t *Table) declaredEnds() {
	for key, text := range map[string]string{"start": t.Declared.Start, "stop": t.Declared.Stop} {
		if text == "" {
			continue
		}
		if f, ok := t.FactFor(func(f Fact) bool { return f.Key == key && f.Value.Kind == Number }); ok {
			t.Fail(f.Line, f.Column, fmt.Sprintf("the file gives a %s of its own here, and one is declared", key),
				"leave the declaration out")
		}
		x, unit, _ := end(text)
		scale := FrequencyScale[unit] + TimeScale[unit]
		_, of := UnitOf(unit)
		t.facts = append(t.facts, Fact{Key: key, text: text, Value: Value{Kind: Number, X: x / scale}, Unit: unit,
			Quantity: of})
	}
}
