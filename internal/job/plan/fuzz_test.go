package plan

import (
	"bytes"
	"testing"
)

// FuzzParseFreeSweep: a sweep file is refused with its place, or the span rises and has a level; changed
// by Rewrite, a file keeps every line that was not asked for.
func FuzzParseFreeSweep(f *testing.F) {
	f.Add([]byte("provoke: sweep 1\nbench: bench.yaml\nfrom: 150 kHz\nto: 80 MHz\nlevel: 3 V emf\ntime: 60 s\n"))
	f.Add([]byte("provoke: sweep 1\nfrom: 1 MHz\nto: 1 MHz\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, list := ParseFreeSweep("s.yaml", data)
		for _, p := range list {
			if p.What == "" || p.Line < 0 {
				t.Fatalf("%+v", p)
			}
		}
		if list.Err() == nil && s == nil {
			t.Error("no sweep and no problem")
		}
		if got, _ := Rewrite(data, Change{Key: "dwell", Value: "2 s"}); len(got) > len(data)+64 ||
			bytes.Count(got, []byte("\n")) > bytes.Count(data, []byte("\n"))+2 {
			t.Errorf("%q became %q", data, got)
		}
	})
}
