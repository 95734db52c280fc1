package plan

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/units/rf"
)

// A study's plan is the plan with other frequencies, search and dwell, and nothing else changed.
func TestAPlanRewrittenForAStudyKeepsAllElse(t *testing.T) {
	samples, err := filepath.Glob("testdata/*.yaml")
	if err != nil {
		t.Fatal(err)
	}
	read := func(name string) ([]byte, error) { return os.ReadFile(filepath.Join("testdata", name)) }
	for _, name := range samples {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		before, _ := Parse(name, data, read)
		changed, err := Rewrite(data, Change{"grid", "[{list: [30 MHz]}]"},
			Change{"search", "{method: repeat, trials: 7, below: 2 dB}"},
			Change{"edges", ""}, Change{"drift_check", ""}, Change{"dwell", "9 s"})
		if err != nil {
			t.Fatal(err)
		}
		after, list := Parse(name, changed, read)
		if before.Kind == Baseline || before.Kind == Calibration || before.Kind == Control {
			continue // a study exposes
		}
		if err := list.Err(); err != nil {
			t.Errorf("%s: %v\n%s", name, err, changed)
			continue
		}
		if len(after.Grid) != 1 || after.Grid[0] != 30*rf.Megahertz || after.Search.Method != Repeated ||
			after.Search.Trials != 7 || after.Edges != 0 || after.Dwell.Std().Seconds() != 9 || after.Drift.At.Known() {
			t.Errorf("%s: %+v", name, after)
		}
		if after.BenchFile != before.BenchFile || after.Mode != before.Mode || after.Profile.ID != before.Profile.ID ||
			after.Levelling != before.Levelling || after.TripAbove != before.TripAbove || after.Name != before.Name {
			t.Errorf("%s: something else changed", name)
		}
		if again, _ := Rewrite(changed, Change{"dwell", "9 s"}); string(again) != string(changed) {
			t.Errorf("%s: the same change twice is not the same", name)
		}
		if n := strings.Count(string(data), "#") - strings.Count(string(changed), "#"); n > 20 {
			t.Errorf("%s: %d comments are lost", name, n)
		}
	}
}
