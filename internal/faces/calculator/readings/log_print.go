package readings

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"provoke/internal/files/trace"
	"provoke/internal/job/event"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
)

// Print says what was read, then what it shows.
func (l *Log) Print(out io.Writer) error {
	tellReading(out, l.entries, l.unit)
	return printLog(out, l.Read)
}

// tellReading says by an example which number of the lines was read.
func tellReading(w io.Writer, entries []trace.Entry, unit string) {
	var first *trace.Entry
	for i, e := range entries {
		if e.HasValue && (first == nil || e.Line < first.Line) {
			first = &entries[i]
		}
	}
	if first == nil {
		fmt.Fprintln(w, "no number was read in any line")
		return
	}
	text := []rune(first.Text)
	if len(text) > 60 {
		text = append(text[:60:60], '…')
	}
	fmt.Fprintf(w, "read in line %d: %s of %q\n", first.Line, logValue(&first.Value, unit), string(text))
}

// printLog prints the steps in which the log shows something, or says that none does.
func printLog(w io.Writer, l event.LogRead) error {
	if l.Width > 0 {
		fmt.Fprintf(w, "the stamps tell the time to %v only: a line counts in every step it may belong to, which can "+
			"be more than one, and a step that is told need not be the bad one\n", l.Width)
	}
	t := terminal.Table(w)
	bad, empty := 0, 0
	for _, s := range l.Steps {
		if s.Entries == 0 {
			empty++
		}
		if s.Bad == 0 {
			continue
		}
		if bad++; bad == 1 {
			fmt.Fprintln(t, "step\tfrequency\tlines\tbad\tlowest\thighest\tfirst bad line")
		}
		fmt.Fprintf(t, "%d\t%v\t%d\t%d\t%s\t%s\t%s\n", s.Step, s.Frequency, s.Entries, s.Bad, logValue(s.Low, l.Unit),
			logValue(s.High, l.Unit), event.Printable(s.First))
	}
	if bad == 0 {
		fmt.Fprintf(t, "no bad line in %s\n", english.Count(len(l.Steps), "step", "steps"))
	}
	if empty > 0 {
		fmt.Fprintf(t, "no line at all in %s of %d: of these the log says nothing\n",
			english.Count(empty, "step", "steps"), len(l.Steps))
	}
	return t.Flush()
}

func logValue(x *float64, unit string) string {
	if x == nil {
		return "–"
	}
	return strings.TrimSpace(strconv.FormatFloat(*x, 'g', 6, 64) + " " + unit)
}
