package report_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"testing"

	. "provoke/internal/faces/report"
)

func TestCurvesStandAloneAndLeaveGaps(t *testing.T) {
	s := Curve{Name: "current <at> the DUT", Hz: []float64{1e6, 2e6, 3e6, 4e6, 5e6},
		Y: []float64{1, 2, math.Inf(-1), 3, 4}}
	out, err := Curves("current (dBµA)", s)
	if err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(out))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("the file is no XML: %v", err)
		}
	}
	if bytes.Contains(out, []byte("NaN")) || bytes.Contains(out, []byte("Inf")) ||
		!bytes.Contains(out, []byte("xmlns")) {
		t.Errorf("%s", out)
	}
	again, err := Curves("current (dBµA)", s)
	if err != nil || !bytes.Equal(out, again) {
		t.Error("the same figures give other bytes")
	}
	if _, err := Curves("y", Curve{Name: "nothing", Hz: []float64{1e6}, Y: []float64{math.NaN()}}); err == nil {
		t.Error("a figure without a value was drawn")
	}
}
