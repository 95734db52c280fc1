package report_test

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"provoke/internal/faces/report"
	"provoke/internal/job/event"
)

// The bench file of a run states the uncertainty of its onsets, its own data named.
func TestAReportStatesTheUncertaintyOfEachOnset(t *testing.T) {
	job := weigherJob()
	files := map[string][]byte{}
	for _, name := range []string{"belt-weigher.yaml", "clamp-insertion-loss.csv", "coax2.csv", "coax3.s2p",
		"probe-in-jig.s2p"} {
		data, err := os.ReadFile("../../files/catalog/testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		files[name] = data
	}
	for i := range job.Runs {
		o := &job.Runs[i].Opened
		o.Bench = event.Attachment{Name: "belt-weigher.yaml", SHA256: "belt-weigher.yaml"}
		o.Files = nil
		for name := range files {
			o.Files = append(o.Files, event.Attachment{Name: name, SHA256: name})
		}
	}
	job.Files = func(hash string) ([]byte, error) {
		if data, ok := files[hash]; ok {
			return data, nil
		}
		return nil, errors.New("not there")
	}
	var out bytes.Buffer
	if err := report.HTML(&out, job); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Uncertainty of the onsets of run 2", "contributions are assumed, not from the bench",
		"PROBE1 transfer impedance", "between the level that the product stood"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is missing", want)
		}
	}
	if strings.Contains(out.String(), "NaN") {
		t.Error("NaN is printed")
	}
}
