package driver

import (
	"os"
	"path/filepath"
	"reflect"
	"testing"
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
	f.Add([]byte("provoke: commands 1\nname: mine\nrole: interlock\ncommands: {read: \"IN?\"}\nanswers_yes: [a]\nanswers_no: [a]\nquirks: {answer_pattern: \"((((\"}\n"))
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
