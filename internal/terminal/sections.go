package terminal

import (
	"fmt"
	"io"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/tell"
)

// Sections prints what is told, as far as it is for a terminal; with all, the rows of annexes too.
func Sections(out io.Writer, sections []tell.Section, all bool) error {
	return OnPage(out, func(w io.Writer) error {
		for i, s := range tell.Reaching(tell.OnTerminal, sections) {
			if i > 0 {
				fmt.Fprintln(w)
			}
			if s.Title != "" && s.Blocks[0].Verdict == nil { // the answer comes first
				fmt.Fprintln(w, event.Printable(s.Title))
			}
			for _, b := range s.Blocks {
				if b.Annex && !all || b.Brief && all {
					continue
				}
				if err := printBlock(w, b); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

func printBlock(w io.Writer, b tell.Block) error {
	switch {
	case b.Table != nil:
		return printTold(w, *b.Table)
	case b.Verdict != nil:
		v := b.Verdict
		fmt.Fprintln(w, event.Printable(v.Words))
		for _, s := range append([]string{v.Of}, v.Reasons...) {
			if s != "" {
				fmt.Fprintln(w, "  "+event.Printable(s))
			}
		}
		for _, s := range v.Reservations {
			fmt.Fprintln(w, "  reservation: "+event.Printable(s))
		}
	case b.Mark == "warning":
		fmt.Fprintln(w, "! "+event.Printable(b.Text))
	case b.Text != "":
		fmt.Fprintln(w, event.Printable(b.Text))
	}
	for _, s := range b.List {
		fmt.Fprintln(w, "  "+event.Printable(s))
	}
	return nil
}

// printTold prints a table under its title, between empty lines.
func printTold(w io.Writer, t tell.Table) error {
	if t.FileOnly || len(t.Rows) == 0 {
		return nil
	}
	fmt.Fprintln(w)
	if t.Title != "" {
		fmt.Fprintln(w, event.Printable(t.Title))
	}
	sheet := Table(w)
	var cells []string
	for _, c := range t.Columns {
		cells = append(cells, c.Name)
	}
	fmt.Fprintln(sheet, "  "+strings.Join(cells, "\t"))
	for _, row := range t.Rows {
		cells = cells[:0]
		for _, c := range row {
			cells = append(cells, event.Printable(c.Text))
		}
		fmt.Fprintln(sheet, "  "+strings.Join(cells, "\t"))
	}
	if err := sheet.Flush(); err != nil {
		return err
	}
	if t.Note != "" {
		fmt.Fprintln(w, "  "+event.Printable(t.Note))
	}
	return nil
}
