package web_test

import (
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"provoke/internal/job/plan"
)

// commented is a grid as people write one: remarks, a list, a dense stretch, segments over several lines.
const commented = `provoke: plan 1
# why this band: see the laboratory's report
name: grid
bench: bench.yaml
kind: exposure
level: 80 dBµA
grid:
  # the whole band first
  - {from: 150 kHz, to: 79 MHz, step: 10 %}   # coarse
  - {list: [27.12 MHz, 40.68 MHz]}

  - from: 1 MHz   # the radio's band
    to: 2 MHz
    step: 50 kHz
  - {around: [13.56 MHz], span: 2 %, step: 0.5 %}
# the dwell is that of the report
dwell: 1 s
`

// A row of the grid replaces the lines of its segment, as an engineer writes it; remarks, other segments and other keys
// stay, and what the page wrote is a plan file.
func TestARowOfTheGridChangesItsSegmentAndNothingElse(t *testing.T) {
	s := serve(t, false)
	write(t, s.dir, "exposure.yaml", []byte(commented))
	form := func(page *html.Node) url.Values { return formTo(page, "/plan/save") }
	loaded := form(s.follow(t, "GET", "/plan?file=exposure.yaml", nil).page)
	if loaded.Get("g.1.list") != "27.12 MHz; 40.68 MHz" || loaded.Get("g.2.from") != "1 MHz" ||
		loaded.Get("g.3.text") == "" || !loaded.Has("g.4.from") {
		t.Fatalf("the rows are %v", loaded)
	}
	loaded.Set("add", "list")
	if more := form(s.follow(t, "POST", "/plan/try", loaded).page); !more.Has("g.5.list") || !more.Has("og.5.list") {
		t.Error("no row for single frequencies was added")
	}
	loaded.Del("add")
	for _, edit := range []struct {
		name     string
		set      map[string]string
		old, new string // what of the file becomes what
		grid     int    // segments after it
	}{
		{"a decimal comma", map[string]string{"g.0.to": "27,12 MHz"},
			"{from: 150 kHz, to: 79 MHz, step: 10 %}", `{from: 150 kHz, to: "27,12 MHz", step: 10 %}`, 4},
		{"1M5", map[string]string{"g.0.from": "1M5", "g.0.step": "100 kHz"},
			"{from: 150 kHz, to: 79 MHz, step: 10 %}", "{from: 1M5, to: 79 MHz, step: 100 kHz}", 4},
		{"a rule", map[string]string{"g.0.step": "iec-61000-4-6"},
			"{from: 150 kHz, to: 79 MHz, step: 10 %}", "{from: 150 kHz, to: 79 MHz, steps_of: iec-61000-4-6}", 4},
		{"single frequencies", map[string]string{"g.1.list": "27,12 MHz; 13,56 MHz"},
			"{list: [27.12 MHz, 40.68 MHz]}", `{list: ["27,12 MHz", "13,56 MHz"]}`, 4},
		{"over several lines", map[string]string{"g.2.to": "3 MHz"}, "    to: 2 MHz\n", "    to: 3 MHz\n", 4},
		{"as the file has it", map[string]string{"g.3.text": "{around: [13.56 MHz], span: 4 %, step: 0.5 %}"},
			"span: 2 %", "span: 4 %", 4},
		{"a new one", map[string]string{"g.4.from": "3 MHz", "g.4.to": "4 MHz", "g.4.step": "1 %"},
			"step: 0.5 %}\n", "step: 0.5 %}\n  - {from: 3 MHz, to: 4 MHz, step: 1 %}\n", 5},
		{"single ones besides", map[string]string{"g.4.list": "3,5 MHz", "og.4.list": ""},
			"step: 0.5 %}\n", "step: 0.5 %}\n  - {list: [\"3,5 MHz\"]}\n", 5},
		{"taken out", map[string]string{"drop": "1"}, "  - {list: [27.12 MHz, 40.68 MHz]}\n", "", 3},
		{"emptied", map[string]string{"g.0.from": "", "g.0.to": "", "g.0.step": ""},
			"  - {from: 150 kHz, to: 79 MHz, step: 10 %}   # coarse\n", "", 3},
		{"nothing", nil, "", "", 4},
	} {
		f := url.Values{}
		for k, v := range loaded {
			f[k] = v
		}
		for k, v := range edit.set {
			f.Set(k, v)
		}
		page := s.follow(t, "POST", "/plan/try", f).page
		got := strings.ReplaceAll(form(page).Get("text"), "\r", "")
		if want := strings.Replace(commented, edit.old, edit.new, 1); got != want {
			t.Errorf("%s: the file becomes\n%s\nand not\n%s", edit.name, got, want)
		}
		p, list := plan.Parse("exposure.yaml", []byte(got), nil)
		if list.Err() != nil || len(p.Grid) == 0 {
			t.Errorf("%s: %v", edit.name, list)
		}
	}
}

// A new plan begins with what the bench file lets it know: it is armed after its file's name alone.
func TestANewPlanNeedsFewEntries(t *testing.T) {
	s := serve(t, false)
	page := s.follow(t, "GET", "/plan?new=1", nil).page
	form := formTo(page, "/arm")
	if form.Get("file") != "plan.yaml" || form.Get("f.bench") != "bench.yaml" || form.Get("g.0.from") != "150 kHz" {
		t.Fatalf("a new plan begins with %v", form)
	}
	if words := byID(page, "checked"); !strings.Contains(words, "within every rating") {
		t.Errorf("a new plan is %s", words)
	}
	if got := s.follow(t, "POST", "/arm", form); !strings.HasPrefix(got.path, "/arm/") {
		t.Errorf("a new plan is not armed: %d %s", got.status, byID(got.page, "checked"))
	}
	if _, err := os.Stat(filepath.Join(s.dir, "plan.yaml")); err != nil {
		t.Error(err)
	}
	// Another tab, with a name that is taken now: refused, and nothing of what was typed is lost.
	form.Set("f.level", "66,5 dBµA")
	got := s.follow(t, "POST", "/arm", form)
	if back := formTo(got.page, "/arm"); got.status != http.StatusConflict || back.Get("f.level") != "66,5 dBµA" ||
		!strings.Contains(byID(got.page, "checked"), "there already") {
		t.Errorf("under a name that is taken: %d %s", got.status, byID(got.page, "checked"))
	}
	form.Set("as", "second")
	if got := s.follow(t, "POST", "/arm", form); !strings.HasPrefix(got.path, "/arm/") ||
		!strings.Contains(byID(got.page, "wanted"), "66.5 dBµA") {
		t.Errorf("under another name: %d %s", got.status, byID(got.page, "wanted"))
	}
}
