package terminal_test

import (
	"fmt"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"provoke/internal/terminal"
)

// ofColumns is an output of a given width.
type ofColumns struct {
	io.Writer
	n int
}

func (o ofColumns) Columns() int { return o.n }

// widest is the longest line of a text.
func widest(text string) int {
	most := 0
	for line := range strings.Lines(text) {
		most = max(most, utf8.RuneCountInString(strings.TrimRight(line, "\n")))
	}
	return most
}

// upsetRows is a table as findings print it.
func upsetRows(out io.Writer) {
	t := terminal.Table(out)
	fmt.Fprintln(t, "  frequency\tonset\tU\trecovery\twanted\tmargin\tclass\tupsets at onset\texposures")
	for i := range 12 {
		fmt.Fprintf(t,
			"  %d.991242 MHz\t77.4 dBµA\t± 2.8 dB\t74.0 dBµA\t80.0 dBµA\t-2.6 dB\tduring, recovers when RF goes\t4 "+
				"of 4\t%d\n", i, 100+i)
	}
	t.Flush()
}

func TestATableFitsThePaperAndLosesNothing(t *testing.T) {
	for _, columns := range []int{50, 60, 80, 110, 132, 200} {
		var out strings.Builder
		upsetRows(ofColumns{&out, columns})
		text := out.String()
		if got := widest(text); got > columns {
			t.Errorf("%d columns: a line of %d\n%s", columns, got, text)
		}
		for _, word := range []string{"frequency", "wanted", "exposures", "± 2.8 dB", "77.4 dBµA", "74.0 dBµA",
			"80.0 dBµA", "-2.6 dB", "4 of 4", "9.991 MHz", "11.99 MHz"} {
			if !strings.Contains(text, word) {
				t.Errorf("%d columns: %q is lost or parted\n%s", columns, word, text)
			}
		}
		for _, word := range []string{"during,", "recovers", "goes"} {
			if n := strings.Count(text, word); n != 12 {
				t.Errorf("%d columns: %q stands %d times, not 12\n%s", columns, word, n, text)
			}
		}
	}
}

func TestATableWithRoomIsOneLineARow(t *testing.T) {
	var out strings.Builder
	upsetRows(ofColumns{&out, 200})
	if n := strings.Count(out.String(), "\n"); n != 13 {
		t.Errorf("%d lines, not 13\n%s", n, out.String())
	}
}

func TestANumberKeepsItsUnit(t *testing.T) {
	for text, want := range map[string]string{
		"72.9 dBµA at 2 MHz":              "72.9 dBµA|at|2 MHz",
		"1.943254 MHz to 2.495311 MHz":    "1.943254 MHz to|2.495311 MHz",
		"± 2.8 dB":                        "± 2.8 dB",
		"4 of 4":                          "4|of|4",
		"12.8 dBΩ (4.36 Ω), 0.6 % at 5 °": "12.8 dBΩ|(4.36 Ω),|0.6 %|at|5 °",
	} {
		if got := strings.Join(terminal.Words(text), "|"); got != want {
			t.Errorf("%q may end a line at %q, not %q", text, got, want)
		}
	}
}

func TestProseIsFoldedAndTheEndIsNotLost(t *testing.T) {
	var out strings.Builder
	long := "  " + strings.Repeat("a word and ", 20) + "the end"
	terminal.OnPage(ofColumns{&out, 60}, func(w io.Writer) error {
		for _, piece := range strings.SplitAfter(long+"\nfile:1:2: fault\n\thint: "+strings.Repeat("x ",
			60)+"\nno line feed", " ") {
			io.WriteString(w, piece)
		}
		return nil
	})
	text := out.String()
	if strings.Join(strings.Fields(text), " ") != strings.Join(
		strings.Fields(long+" file:1:2: fault hint: "+strings.Repeat("x ", 60)+" no line feed"), " ") {
		t.Errorf("the words are not the same\n%s", text)
	}
	head, _, _ := strings.Cut(text, "file:")
	if widest(head) > 60 || !strings.Contains(head, "\n    ") {
		t.Errorf("not folded to 60 columns, indented\n%s", head)
	}
}
