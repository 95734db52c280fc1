package driver

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/terminal"
)

// Shortened returns the lines of a transcript as they are shown: long ones, such as blocks of binary data, are cut.
func (t *Transcript) Shortened() (lines []string) {
	for line := range strings.Lines(t.String()) {
		lines = append(lines, shortened(strings.TrimSuffix(line, "\n")))
	}
	return lines
}

// mostOfLine is how much of a line of the transcript is printed.
const mostOfLine = 160

// shortened cuts a long line of a transcript, such as a block of binary data, and says how long the message was.
func shortened(line string) string {
	if len(line) <= mostOfLine {
		return line
	}
	message := strings.TrimPrefix(strings.TrimPrefix(line, "< "), "> ")
	if plain, err := strconv.Unquote(message); err == nil {
		message = plain
	}
	return fmt.Sprintf("%s … (%d bytes in all; --output FILE writes them)",
		strings.ToValidUTF8(line[:mostOfLine/2], ""), len(message))
}

// Print prints what was tried and what came of it.
func (trial Trial) Print(out io.Writer) {
	fmt.Fprintf(out, "%s, command table %q\n\n", trial.Name, trial.Table.Name)
	t := terminal.Table(out)
	for _, x := range trial.Tried {
		mark, came := "ok", x.Came
		switch {
		case x.Left:
			mark = "–"
		case x.Err != nil:
			mark, came = "NO", strings.ReplaceAll(x.Err.Error(), "\n", "; ")
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", mark, x.What, event.Printable(came))
	}
	t.Flush()
}
