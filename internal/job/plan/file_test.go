package plan

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

func readTestdata(name string) ([]byte, error) {
	if strings.ContainsAny(name, `/\`) {
		return nil, fmt.Errorf("%s: no such file", name)
	}
	return os.ReadFile(filepath.Join("testdata", name))
}

func parseSample(t *testing.T, name string) *Plan {
	t.Helper()
	data, err := readTestdata(name)
	if err != nil {
		t.Fatal(err)
	}
	p, wrong := Parse(name, data, readTestdata)
	if len(wrong) > 0 {
		t.Fatalf("%s has problems:\n%v", name, wrong)
	}
	return p
}

func TestEverySampleFileIsRead(t *testing.T) {
	for name, want := range map[string]struct {
		kind    RunKind
		mode    Mode
		fixture catalog.Fixture
	}{
		"exposure.yaml":          {Exposure, ClosedLoop, catalog.OnCable},
		"baseline.yaml":          {Baseline, ClosedLoop, catalog.OnCable},
		"control.yaml":           {Control, ClosedLoop, catalog.OnCable},
		"calibration.yaml":       {Calibration, ClosedLoop, catalog.Jig50},
		"substitution.yaml":      {Exposure, Substitution, catalog.OnCable},
		"constant-drive.yaml":    {Exposure, ConstantDrive, catalog.OnCable},
		"laboratory-report.yaml": {Exposure, ClosedLoop, catalog.OnCable},
		"own-curve.yaml":         {Exposure, ClosedLoop, catalog.OnCable},
	} {
		t.Run(name, func(t *testing.T) {
			p := parseSample(t, name)
			if p.Kind != want.kind || p.Mode != want.mode || p.Fixture != want.fixture {
				t.Errorf("read %s, %s, %s", p.Kind, p.Mode, p.Fixture)
			}
			if len(p.Grid) == 0 || p.BenchFile != "belt-weigher.yaml" || len(p.Hash) != 64 {
				t.Errorf("grid of %d, bench %q, hash %q", len(p.Grid), p.BenchFile, p.Hash)
			}
		})
	}
}

func TestAPlanThatSaysLittleHasTheDocumentedDefaults(t *testing.T) {
	p, wrong := Parse("dir/short.yaml", []byte(
		"provoke: plan 1\nbench: b.yaml\nkind: exposure\nlevel: 10 V emf\ngrid:\n  - {list: [1 MHz]}\n"), readTestdata)
	if wrong.Err() != nil {
		t.Fatal(wrong.Err())
	}
	s := Search{Onset: true, Recovery: true, Resolution: 0.5, Range: 40, Approach: 3, Confirm: 1, Window: 6,
		Method: Bracket, Trials: 30, Probability: 0.5, Step: 1}
	if p.Search != s {
		t.Errorf("search %+v, want %+v", p.Search, s)
	}
	if p.Levelling.Window != 0.3 || p.Levelling.AboveBudget != 6 || p.Levelling.Ceiling.Text(2) != "6.02 dB" {
		t.Errorf("levelling %+v", p.Levelling)
	}
	if p.FirstLightBelow != 20 || p.FirstLightAllowed != 4 || p.TripAbove != 6 {
		t.Errorf("first light %v, %v, trip %v", p.FirstLightBelow, p.FirstLightAllowed, p.TripAbove)
	}
	if p.RecoverWithin.Std() != 10*time.Second || p.DeadMan.Std() != 2*time.Second || p.Dwell.Std() != time.Second {
		t.Errorf("recover within %v, dead-man %v, dwell %v", p.RecoverWithin, p.DeadMan, p.Dwell)
	}
	if p.Name != "short" || p.Edges != 0 || p.Descending {
		t.Errorf("name %q, edges %v, descending %v", p.Name, p.Edges, p.Descending)
	}
}

func TestTheDefaultModulationAndDwellAreThoseOfTheLevel(t *testing.T) {
	p, wrong := Parse("p",
		[]byte("provoke: plan 1\nbench: b\nkind: exposure\nlevel: iec-61000-4-6/level-3\ngrid: [{from: 150 kHz, to: "+
			"80 MHz, step: 1 %}]\n"), readTestdata)
	if wrong.Err() != nil {
		t.Fatal(wrong.Err())
	}
	// IEC 61000-4-6 (from memory): AM 80 % 1 kHz, carrier held; 150 kHz to 80 MHz in 1 % steps has 633
	// frequencies (check value T11).
	if m := p.Modulation; m.Kind != level.AM || m.Depth != 0.8 || m.Rate != 1000 || m.Hold != level.CarrierHeld {
		t.Errorf("modulation %v", m)
	}
	if len(p.Grid) != 633 {
		t.Errorf("%d frequencies, want 633", len(p.Grid))
	}
	calibration := "provoke: plan 1\nbench: b\nkind: calibration\nfixture: jig150\nlevel: " +
		"iec-61000-4-6/level-3\ngrid: [{list: [1 MHz]}]\n"
	if p, _ := Parse("p", []byte(calibration), readTestdata); !p.Modulation.IsCW() {
		t.Errorf("a calibration is modulated with %v", p.Modulation)
	}
}

func TestThresholdsAreNotSearchedInAControlRunUnlessAsked(t *testing.T) {
	if p := parseSample(t, "control.yaml"); p.Search.Onset || p.Search.Recovery {
		t.Errorf("search %+v", p.Search)
	}
	data, _ := readTestdata("control.yaml")
	p, wrong := Parse("c", append(data, "search: {onset: true}\n"...), readTestdata)
	if wrong.Err() != nil || !p.Search.Onset || !p.Search.Recovery {
		t.Errorf("search %+v, %v", p.Search, wrong)
	}
}

func TestEveryProblemIsToldAtItsPlace(t *testing.T) {
	const head = "provoke: plan 1\nbench: b.yaml\nkind: exposure\n"
	const body = "level: 60 mA\ngrid: [{list: [1 MHz]}]\n"
	for _, c := range []struct {
		name, text string
		want       []string // "line:column text"
	}{
		{"unknown key", head + body + "dwel: 2 s\n", []string{"6:1 dwel"}},
		{"no unit", head + body + "dwell: 2\n", []string{"6:8 unit"}},
		{"kind", "provoke: plan 1\nbench: b\nkind: exposition\n" + body, []string{"3:7 exposition"}},
		{"level missing", head + "grid: [{list: [1 MHz]}]\n", []string{"1:1 the level is missing"}},
		{"level unknown", head + "level: iec-61000-4-6/level-9\ngrid: [{list: [1 MHz]}]\n",
			[]string{"4:8 unknown level profile"}},
		{"voltage that may be anything", head + "level: 10 V\ngrid: [{list: [1 MHz]}]\n", []string{"4:8 emf"}},
		{"drive missing", head + "mode: constant drive\n" + body, []string{"4:7 needs the drive"}},
		{"drive in closed loop", head + body + "drive: -20 dBm\n", []string{"6:8 follows from the level"}},
		{"calibration on the cable", "provoke: plan 1\nbench: b\nkind: calibration\n" + body,
			[]string{"a calibration is made in a jig"}},
		{"step without unit", head + "level: 60 mA\ngrid:\n  - {from: 1 MHz, to: 2 MHz, step: \"1\"}\n",
			[]string{"6:5 unit"}},
		{"ends swapped", head + "level: 60 mA\ngrid:\n  - {from: 2 MHz, to: 1 MHz, step: 1 %}\n", []string{"6:5"}},
		{"empty grid", head + "level: 60 mA\ngrid: []\n", []string{"5:1 grid"}},
		{"first twice", head + body + "first: [1 MHz, 2 MHz, 1000 kHz]\n", []string{"6:23 twice"}},
		{"first of nothing", head + body + "first: [\"\"]\n", []string{"6:9 empty"}},
		{"first without unit", head + body + "first: [27 MHz, 41]\n", []string{"6:17 unit"}},
		{"first that is no list", head + body + "first: 27 MHz\n", []string{"6:8 a list"}},
		{"edges of nothing", head + body + "edges: 0 %\n", []string{"6:8 edges"}},
		{"resolution too fine", head + body + "search: {resolution: 0.001 dB}\n", []string{"6:22 resolution"}},
		{"recovery without onset", head + body + "search: {onset: false, recovery: true}\n", []string{"6:34 onset"}},
		{"two at once", head + body + "dead_man: 1 h\ntrip_above: 100 dB\n",
			[]string{"6:11 dead_man", "7:13 trip_above"}},
		{"tolerance without unit", head + body + "monitors: {SHOWN: {tolerance: \"0.1\"}}\n",
			[]string{"6:31 tolerance"}},
		{"curve file missing", head + "level: {curve: {csv: nowhere.csv}}\ngrid: [{list: [1 MHz]}]\n",
			[]string{"nowhere.csv"}},
		{"list and curve",
			head +
				"level: {list: [{at: 1 MHz, level: 3 V emf}], curve: {points: {1 MHz: 60 mA}}}\ngrid: [{list: [1 " +
				"MHz]}]\n", []string{"list and as curve"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, wrong := Parse("plan.yaml", []byte(c.text), readTestdata)
			if wrong.Err() == nil {
				t.Fatalf("no problem; warnings: %v", wrong)
			}
			for _, want := range c.want {
				place, words, ok := strings.Cut(want, " ")
				if !strings.Contains(place, ":") {
					place, words, ok = "", want, true
				}
				if !told(wrong, place, words) {
					t.Errorf("%q is not among (%v)\n%v", want, ok, wrong.Err())
				}
			}
		})
	}
}

func told(wrong problem.List, place, words string) bool {
	for _, p := range wrong {
		at := fmt.Sprintf("%d:%d", p.Line, p.Column)
		if !p.Warning && (place == "" || place == at) && strings.Contains(p.What+" "+p.Hint, words) {
			return true
		}
	}
	return false
}

func TestAPlanChangesAMonitorInItsOwnUnitOnly(t *testing.T) {
	p := parseSample(t, "exposure.yaml")
	bench := &catalog.Bench{Monitors: []catalog.Monitor{{Identity: catalog.Identity{ID: "SHOWN"}, Unit: "kg",
		Tolerance: 0.05}}}
	m, wrong := p.MonitorsOf(bench)
	if len(wrong) > 0 || m[0].Tolerance != 0.1 || m[0].Silence.Std() != 4*time.Second ||
		bench.Monitors[0].Tolerance != 0.05 {
		t.Errorf("monitor %+v, bench %+v, %v", m[0], bench.Monitors[0], wrong)
	}
	bench.Monitors[0].Unit = "mA"
	if _, wrong := p.MonitorsOf(bench); wrong.Err() == nil {
		t.Error("a tolerance in kg was taken for a monitor in mA")
	}
	bench.Monitors[0].ID = "OTHER"
	if _, wrong := p.MonitorsOf(bench); wrong.Err() == nil {
		t.Error("a change of a monitor that the bench does not have was taken")
	}
}

func TestWhatIsVisitedFirstIsAddedToTheGrid(t *testing.T) {
	p, wrong := Parse("p.yaml", []byte("provoke: plan 1\nbench: b.yaml\nkind: exposure\nlevel: 60 mA\n"+
		"first: [27.12 MHz, 2 MHz, 1.5 MHz]\ngrid: [{from: 1 MHz, to: 4 MHz, step: 100 %}]\n"), readTestdata)
	if wrong.Err() != nil {
		t.Fatal(wrong.Err())
	}
	if got := fmt.Sprint(p.First, p.Grid, p.Stretches); got !=
		"[27.12 MHz 2 MHz 1.5 MHz] [1 MHz 1.5 MHz 2 MHz 4 MHz 27.12 MHz] [{1 MHz 4 MHz 100 %}]" {
		t.Error(got)
	}
}

// Harmonics of the product's clocks that lie within what is stepped through come behind what is named, the first of all
// clocks before the second; one that the grid has within a crystal's tolerance is the grid's.
func TestHarmonicsOfClocksAreVisitedFirst(t *testing.T) {
	p, wrong := Parse("p.yaml", []byte("provoke: plan 1\nbench: b.yaml\nkind: exposure\nlevel: 60 mA\n"+
		"first: [30 MHz]\nclocks: [9 MHz, 14.7456 MHz, 45 kHz, 18 MHz]\ntime_limit: 20 min\n"+
		"grid: [{from: 9.0004 MHz, to: 44 MHz, step: 50 %}, {list: [50 MHz, 63 MHz]}]\n"), readTestdata)
	if wrong.Err() != nil {
		t.Fatal(wrong.Err())
	}
	if got := fmt.Sprint(p.First, p.Grid, p.TimeLimit); got != "[30 MHz 9.0004 MHz 14.7456 MHz 18 MHz 29.4912 MHz "+
		"36 MHz 27 MHz] [9.0004 MHz 13.5006 MHz 14.7456 MHz 18 MHz 20.2509 MHz 27 MHz 29.4912 MHz 30 MHz "+
		"30.37635 MHz 36 MHz 44 MHz 50 MHz 63 MHz] 20 min" {
		t.Error(got)
	}
	for text, want := range map[string]string{"exposure\ntime_limit: 0 s": "time_limit of 0 s",
		"exposure\ntime_limit: 2 days": "time_limit", "baseline\ntime_limit: 5 min": "no meaning",
		"exposure\nclocks: [12]": "clocks"} {
		p, list := Parse("p.yaml", []byte("provoke: plan 1\nbench: b.yaml\nlevel: 60 mA\ngrid: [{list: [1 MHz]}]\n"+
			"kind: "+text+"\n"), readTestdata)
		if !strings.Contains(fmt.Sprint(list), want) || p.timed() && want != "time_limit of 0 s" {
			t.Errorf("%q: %v, time limit %v", text, list, p.TimeLimit)
		}
	}
}

func TestTheHashCoversTheFilesThatThePlanNames(t *testing.T) {
	data, _ := readTestdata("own-curve.yaml")
	one, _ := Parse("p", data, readTestdata)
	two, _ := Parse("p", data, func(name string) ([]byte, error) {
		return []byte("frequency [MHz];current [dBµA]\n1;70\n60;95\n"), nil
	})
	if one.Hash == two.Hash || one.Files["own-level.csv"] == nil {
		t.Error("another curve file gives the same hash")
	}
}

// Whatever the bytes, reading does not panic, tells its problems at places inside the file, and a plan
// without problems makes a program whose first step is not above the level wanted.
func FuzzParse(f *testing.F) {
	samples, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(samples) == 0 {
		f.Fatal("no samples")
	}
	for _, s := range samples {
		data, err := os.ReadFile(s)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("provoke: plan 1\nbench: b\nkind: exposure\nlevel: {list: [{at: 1 MHz, level: 1 V emf}]}\ngrid: " +
		"[{around: [1 MHz], span: 1 kHz, step: 1 Hz}]\nedges: 50 %\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, wrong := Parse("fuzz.yaml", data, func(string) ([]byte, error) { return nil, os.ErrNotExist })
		lines := strings.Count(strings.ReplaceAll(string(data), "\r", "\n"), "\n") + 1
		for _, w := range wrong {
			if w.Line > lines || w.Line < 0 || w.What == "" {
				t.Fatalf("problem at line %d of %d: %v", w.Line, lines, w)
			}
		}
		if wrong.Err() != nil {
			return
		}
		for i := 1; i < len(p.Grid); i++ {
			if p.Grid[i] <= p.Grid[i-1] {
				t.Fatalf("the grid is not ascending at %v", p.Grid[i])
			}
		}
		g, err := NewProgram(p, func(f rf.Frequency) (Point, error) { return Point{Frequency: f}, nil })
		if err != nil {
			t.Fatal(err)
		}
		if s, ok := g.Next(nil); !ok || s.Offset > 0 {
			t.Fatalf("first step %v", s)
		}
	})
}
