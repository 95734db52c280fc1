package session

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
)

func TestAResumedRunNeedsTheFilesAndTheCalibrationOfItsFirstPart(t *testing.T) {
	curve, level := []byte("clamp as measured in May"), []byte("level")
	was := event.Opened{Calibration: 2, Files: []event.Attachment{
		{Name: "clamp.csv", SHA256: sha256Of(curve)}, {Name: "level.csv", SHA256: sha256Of(level)}}}
	for _, c := range []struct {
		what        string
		curve       []byte
		calibration int
		refused     string
	}{
		{"the same", curve, 2, ""},
		{"the clamp was measured anew meanwhile", []byte("clamp as measured in June"), 2, "another clamp.csv"},
		{"the jig was calibrated anew meanwhile", curve, 5, "calibration run 2"},
	} {
		pr := &Prepared{Bench: &catalog.Bench{Files: map[string][]byte{"clamp.csv": c.curve}},
			Plan: &plan.Plan{Files: map[string][]byte{"level.csv": level}}, cal: &plan.Calibrated{Run: c.calibration}}
		err := sameInputs(7, was, pr)
		if (err != nil) != (c.refused != "") || err != nil && !strings.Contains(err.Error(), c.refused) {
			t.Errorf("%s: %v", c.what, err)
		}
	}
}

// The engine cannot go on in the middle of a sweep, so nobody may be led to think that it does.
func TestASweepIsNotGoneOnWithWhereItWasCutOff(t *testing.T) {
	job, err := store.Create(filepath.Join(t.TempDir(), "j.provoke"))
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	if _, err := job.NewRun(time.Now(), event.Opened{Version: event.Version, RunKind: plan.FreeSweepRun}); err != nil {
		t.Fatal(err)
	}
	if _, err := resumed(job, Order{Resume: true}, &Prepared{Sweep: &plan.FreeSweep{}}); err == nil ||
		!strings.Contains(err.Error(), "begin it anew") {
		t.Errorf("resumed: %v", err)
	}
}
