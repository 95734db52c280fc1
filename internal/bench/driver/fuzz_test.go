package driver

import (
	"context"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"provoke/internal/bench/scpi"
)

// FuzzTranscript: a transcript that is read writes itself so that it is read again as the same.
func FuzzTranscript(f *testing.F) {
	names, _ := filepath.Glob("testdata/*.transcript")
	for _, n := range names {
		data, err := os.ReadFile(n)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(data))
	}
	f.Add("> *IDN?\n< \"a\\x1b[2J\\n\"\n")
	f.Add("# remark\n>\n<\n")
	f.Fuzz(func(t *testing.T, text string) {
		first, err := ParseTranscript(text)
		if err != nil {
			return
		}
		second, err := ParseTranscript(first.String())
		if err != nil {
			t.Fatalf("what it writes is not read: %v\n%q", err, first.String())
		}
		if !reflect.DeepEqual(first.Lines, second.Lines) {
			t.Errorf("%+v came back as %+v", first.Lines, second.Lines)
		}
	})
}

// FuzzTable: a command table has a problem with its place, or writes nothing that is no program message.
func FuzzTable(f *testing.F) {
	f.Add([]byte("provoke: commands 1\nname: mine\nrole: meter\ncommands: {read: \"READ?\"}\n"))
	f.Add([]byte("provoke: commands 1\nname: mine\nrole: interlock\ncommands: {read: \"IN?\"}\nanswers_yes: " +
		"[a]\nanswers_no: [a]\nquirks: {answer_pattern: \"((((\"}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		table, list := ParseTable("t.yaml", data)
		for _, p := range list {
			if p.What == "" || p.File != "t.yaml" {
				t.Fatalf("%+v", p)
			}
		}
		if list.Err() == nil && (table.Name == "" || table.Role == "") {
			t.Errorf("accepted %+v", table)
		}
	})
}

// chunks is a Port that gives text in pieces and then falls silent.
type chunks struct {
	scpi.Port
	pieces [][]byte
}

func (c *chunks) Send(context.Context, []byte) error { return nil }

func (c *chunks) Framed() bool { return false }

func (c *chunks) Receive(ctx context.Context) ([]byte, bool, error) {
	if len(c.pieces) == 0 {
		return nil, false, scpi.ErrTimeout
	}
	p := c.pieces[0]
	c.pieces = c.pieces[1:]
	return p, false, nil
}

// FuzzConsole: whatever comes, in whatever pieces, an answer is taken from behind the echo and from before a
// prompt, and comes on one line.
func FuzzConsole(f *testing.F) {
	f.Add("noise\r\nch> marker 1\r\n-43.1\r\nch> ", 3)
	f.Add("marker 1\rch> 5\r\nch> \r\nlate\r\nch> ", 1)
	f.Add("marker 1\n\n\nch> ", 7)
	f.Fuzz(func(t *testing.T, came string, size int) {
		table := &Table{Echo: true, Prompt: "ch> "}
		var pieces [][]byte
		for rest := []byte(came); len(rest) > 0; {
			n := min(max(size, 1), len(rest))
			pieces, rest = append(pieces, rest[:n]), rest[n:]
		}
		p := &quirkPort{Port: &chunks{pieces: pieces}, table: table}
		if p.Send(t.Context(), []byte("marker 1\n")) != nil {
			if strings.Contains(came, "marker 1\r") || strings.Contains(came, "marker 1\n") {
				t.Fatalf("the echo in %q is not found", came)
			}
			return
		}
		answer, last, err := p.Receive(t.Context())
		if err != nil {
			return
		}
		_, behind, _ := strings.Cut(came, "marker 1")
		if !last || strings.ContainsAny(string(answer), "\r\n") || !strings.Contains(behind, "ch> ") {
			t.Errorf("%q is answered by %q, %v", came, answer, last)
		}
		for _, word := range strings.Fields(string(answer)) {
			if !strings.Contains(behind, word) {
				t.Errorf("%q of the answer %q does not stand behind the echo in %q", word, answer, came)
			}
		}
	})
}

// FuzzTraceBlock: a block that is taken holds levels and nothing else; one that is refused says why.
func FuzzTraceBlock(f *testing.F) {
	f.Add([]byte("\xc2\xa6\xd5\x60\xc2\xa6\xd5\x61"), "", "")
	f.Add([]byte("\xc0\x54\xd7\xae\x14\x7a\xe1\x48"), "64 bit", "little")
	f.Fuzz(func(t *testing.T, block []byte, as, order string) {
		levels, err := (&Table{TraceAs: TraceAs(as), ByteOrder: ByteOrder(order)}).judged(block)
		if err != nil && !strings.Contains(err.Error(), "quirks.") {
			t.Errorf("no key: %v", err)
		}
		for _, x := range levels {
			if err == nil && !isLevel(x) {
				t.Errorf("%v is taken for a level", x)
			}
		}
	})
}

// FuzzPrintedTable: a table that is read is printed so that it is read as the same.
func FuzzPrintedTable(f *testing.F) {
	for _, b := range builtIn {
		f.Add(b.File())
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		table, list := ParseTable("t.yaml", data)
		if list.Err() != nil {
			return
		}
		again, list := ParseTable("t.yaml", table.File())
		if err := list.Err(); err != nil {
			t.Fatalf("what it prints is not read: %v\n%s", err, table.File())
		}
		if string(again.File()) != string(table.File()) {
			t.Errorf("printed\n%s\nand then\n%s", table.File(), again.File())
		}
	})
}
