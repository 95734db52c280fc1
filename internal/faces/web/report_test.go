package web_test

import (
	"bytes"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// fetch gets a file as a browser that keeps it does.
func (s *site) fetch(t *testing.T, path string) (name string, body []byte) {
	t.Helper()
	r := must(s.client.Get(s.URL + path))
	defer r.Body.Close()
	var b bytes.Buffer
	b.ReadFrom(r.Body)
	if r.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s: %.300s", path, r.Status, b.String())
	}
	return r.Header.Get("Content-Disposition"), b.Bytes()
}

// Letter is 612 by 792 points, A4 595.28 by 841.89 (ISO 216; ANSI/ASME Y14.1).
func TestTheReportIsAsChosen(t *testing.T) {
	s := serve(t, true)
	box := regexp.MustCompile(`/MediaBox ?\[0 0 ([0-9.]+) ([0-9.]+)`)
	for paper, want := range map[string]string{"a4": "595.28 841.89", "letter": "612.00 792.00", "": "595.28 841.89"} {
		name, pdf := s.fetch(t, "/report/report.pdf?paper="+paper+"&name=weigher+A%2F3")
		if m := box.FindSubmatch(pdf); m == nil || string(m[1])+" "+string(m[2]) != want {
			t.Errorf("paper %q: %q", paper, m)
		}
		if name != `attachment; filename="weigher A-3.pdf"` {
			t.Errorf("it is kept as %s", name)
		}
	}
	whole, short := 0, 0
	for query, size := range map[string]*int{"": &whole, "?short=yes": &short} {
		_, page := s.fetch(t, "/report/report.html"+query)
		if left := strings.Contains(string(page), "left out of this report"); left != (query != "") {
			t.Errorf("%q: it says that something is left out: %v", query, left)
		}
		*size = len(page)
	}
	if short > whole*3/4 {
		t.Errorf("without its annexes the report has %d bytes, with them %d", short, whole)
	}
	if _, page := s.get(t, "/report"); !strings.Contains(page, "run 4 is the newest exposure before which something "+
		"was changed, and run 3 the first exposure") {
		t.Error("the page does not say why it compares these two")
	}
	if _, page := s.get(t, "/report?run=3&run=4&before=3&after=4"); strings.Contains(page, "Why these two") {
		t.Error("the page gives a reason of its own where a person chose")
	}
}

// What a job holds beside itself is told in the report of the page as in that of the command, and not told where it
// contradicts what was recorded.
func TestTheReportTellsTheFactsOfTheJob(t *testing.T) {
	s := serve(t, true)
	file := filepath.Join(s.dir, "belt-weigher.about.yaml")
	for text, told := range map[string]bool{
		"provoke: about 1\nclient: Gravel and Sand (invented)\n":                   true,
		"provoke: about 1\nclient: Gravel and Sand (invented)\nclients: another\n": false,
	} {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		_, report := s.fetch(t, "/report/report.html")
		if is := strings.Contains(string(report), "Gravel and Sand (invented)"); is != told {
			t.Errorf("%q told: %v", text, is)
		}
		if _, page := s.get(t, "/report"); strings.Contains(page, "is not told in the report") == told {
			t.Errorf("%q: the page says whether it is told the wrong way round", text)
		}
	}
}

func TestTheWeakestBandStandsFirst(t *testing.T) {
	s := serve(t, true)
	_, page := s.get(t, "/findings?run=3")
	table := page[strings.Index(page, "Failing bands of run 3"):]
	worst, other := strings.Index(table, ">-9.5 dB<"), strings.Index(table, ">-7.5 dB<")
	if worst < 0 || other < 0 || worst > other {
		t.Errorf("the band with 9.5 dB missing stands at %d, that with 7.5 dB at %d", worst, other)
	}
	heading := regexp.MustCompile(`(?s)<h1>.*?</h1>`).FindString(page)
	if !strings.Contains(heading, "2 failing bands; onset 70.5") {
		t.Errorf("the heading is %q", heading)
	}
	if !strings.Contains(page, "dB below the level wanted.</p>") {
		t.Error("the margin of the worst onset has no limits")
	}
}
