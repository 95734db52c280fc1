package watcher

import (
	"bufio"
	"bytes"
	"strings"
	"testing"
)

// FuzzReport: what lies beside a job in place of a watcher's report is a report or is refused, and a line
// from a run is bounded.
func FuzzReport(f *testing.F) {
	f.Add([]byte(`{"process":7,"cause":"the run's process ended","at":"2026-11-25T12:00:00Z","done":true,"quiet":true,"how":"read back","took":"0.2 s"}`))
	f.Add([]byte(`{"steps":[{"what":"x"}]}`))
	f.Add([]byte("f 27120000\nhung 500\ndone"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := parseReport("job", data)
		if (r == nil) != (err != nil) {
			t.Fatalf("%+v beside %v", r, err)
		}
		if err != nil && !strings.Contains(err.Error(), "job-watcher is no report of a watcher") {
			t.Errorf("%v", err)
		}
		in := bufio.NewReaderSize(bytes.NewReader(data), 16)
		for {
			line, err := readLine(in, 64)
			if len(line) > 64 {
				t.Fatalf("a line of %d bytes", len(line))
			}
			if err != nil {
				return
			}
			(&server{}).take(line)
		}
	})
}
