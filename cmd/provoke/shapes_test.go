package main

import (
	"os"
	"runtime"
	"testing"

	"provoke/internal/terminal"
)

// The documented shape of remedy --json, byte for byte.
func TestTheShapeOfRemedyStays(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the last digits of computed values differ between processors")
	}
	job := modelJob(t)
	for name, args := range map[string][]string{
		"remedy-fit": {"--job", job, "--run", "1", "--fit", "--keep", "1"},
		"remedy":     {"--job", job, "--run", "1", "--use", "4.70 nF"},
	} {
		code, out, errs := modelRun(append([]string{"remedy", remedyFolder + "parts.yaml", "--json"}, args...)...)
		file := "testdata/shapes/" + name + ".json"
		if os.Getenv("WRITE_SHAPES") != "" {
			if err := os.WriteFile(file, []byte(out), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if want, err := os.ReadFile(file); err != nil || code != terminal.ExitDone || out != string(want) {
			t.Errorf("%s is not what it was (code %d, %v): %s%s", name, code, err, errs, out)
		}
	}
}
