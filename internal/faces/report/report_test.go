package report_test

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"provoke/internal/faces/report"
	"provoke/internal/tell"
)

var update = flag.Bool("update", false, "write the golden files anew")

func htmlOf(t *testing.T, j tell.Job) string {
	t.Helper()
	var b bytes.Buffer
	if err := report.HTML(&b, j); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestReportIsTheGoldenOne(t *testing.T) {
	for name, job := range map[string]tell.Job{"belt-weigher": weigherJob(), "trouble": troubledJob()} {
		got := htmlOf(t, job)
		if again := htmlOf(t, job); again != got {
			t.Errorf("%s: the same job gives two reports", name)
		}
		golden(t, filepath.Join("testdata", name+".html"), got)
	}
}

func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got == string(want) {
		return
	}
	a, b := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range a {
		if i >= len(b) || a[i] != b[i] {
			t.Fatalf("%s differs from line %d: %.200q; run the test with -update and look at the difference", path, i+1,
				a[i])
		}
	}
	t.Fatalf("%s differs: it is shorter", path)
}

// walk reads the page with the standard library's forgiving XML reader, which knows nothing of the
// code under test, and calls visit with the path of elements at every start tag and text.
func walk(t *testing.T, page string, visit func(path []xml.StartElement, text string)) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(page))
	d.Strict, d.AutoClose, d.Entity = false, xml.HTMLAutoClose, xml.HTMLEntity
	var path []xml.StartElement
	for {
		tok, err := d.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("the page is not well formed: %v", err)
		}
		switch x := tok.(type) {
		case xml.StartElement:
			path = append(path, x.Copy())
			visit(path, "")
		case xml.EndElement:
			path = path[:len(path)-1]
		case xml.CharData:
			visit(path, string(x))
		}
	}
	if len(path) != 0 {
		t.Errorf("%d elements are not closed", len(path))
	}
}

func TestReportHasNoScriptAndNoAddressOfAnythingOutside(t *testing.T) {
	for _, job := range []tell.Job{weigherJob(), troubledJob()} {
		page := htmlOf(t, job)
		walk(t, page, func(path []xml.StartElement, text string) {
			if text != "" || len(path) == 0 {
				return
			}
			e := path[len(path)-1]
			switch name := strings.ToLower(e.Name.Local); name {
			case "script", "link", "iframe", "object", "embed", "form", "base", "image", "use", "foreignobject", "a":
				t.Errorf("the page has a %s element", name)
			}
			for _, a := range e.Attr {
				key := strings.ToLower(a.Name.Local)
				if strings.HasPrefix(key, "on") {
					t.Errorf("%s has the attribute %s", e.Name.Local, key)
				}
				if (key == "src" || key == "href") && !strings.HasPrefix(a.Value, "data:image/") {
					t.Errorf("%s points to %q", e.Name.Local, a.Value)
				}
			}
		})
		if i := strings.Index(page, "url("); i >= 0 {
			t.Errorf("the page names a url: %.60q", page[i:])
		}
	}
}

func TestNamesThatTryToBeMarkupStayText(t *testing.T) {
	page := htmlOf(t, troubledJob())
	for _, s := range []string{"<script", "<img src=x", "<b>bold", "</text><", `<a href`} {
		if strings.Contains(page, s) {
			t.Errorf("the page contains %q", s)
		}
	}
	for _, s := range []string{"&lt;script&gt;alert(", "&lt;img src=x onerror", "&lt;a href="} {
		if !strings.Contains(page, s) {
			t.Errorf("the page does not show %q as text", s)
		}
	}
}

// Counts of exposures, frequencies and records stand in columns that say what is counted.
var countColumns = map[string]bool{"exposures": true, "frequencies": true, "records": true}

func TestEveryNumberInATableHasItsUnit(t *testing.T) {
	bare := regexp.MustCompile(`^(at least |at most )?[-−+]?[0-9.,]{1,15}$`)
	var heads []string
	column := 0
	cells := 0
	walk(t, htmlOf(t, weigherJob()), func(path []xml.StartElement, text string) {
		name := ""
		if len(path) > 0 {
			name = path[len(path)-1].Name.Local
		}
		switch {
		case text == "" && name == "table":
			heads = nil
		case text == "" && name == "tr":
			column = -1
		case text == "" && name == "td":
			column++
		case text != "" && name == "th":
			heads = append(heads, text)
		case text != "" && name == "td":
			cells++
			if bare.MatchString(strings.TrimSpace(text)) && !countColumns[heads[column]] && heads[column] != "serial" {
				t.Errorf("column %q has the bare number %q", heads[column], text)
			}
		}
	})
	if cells < 500 {
		t.Errorf("only %d cells were looked at", cells)
	}
}

func TestCSVHasUnitsInItsHeaderAndBareNumbersBelow(t *testing.T) {
	tables, err := tell.Tables(weigherJob())
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	for _, table := range tables {
		var b bytes.Buffer
		if err := table.CSV(&b); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatalf("%s: %v", table.ID, err)
		}
		if len(rows) != len(table.Rows)+1 {
			t.Errorf("%s: %d lines for %d rows", table.ID, len(rows), len(table.Rows))
		}
		if seen[table.ID] {
			t.Errorf("two tables are called %s", table.ID)
		}
		seen[table.ID] = true
		for i, head := range rows[0] {
			if !strings.HasSuffix(head, ")") {
				continue
			}
			for _, r := range rows[1:] {
				if !regexp.MustCompile(`^(-?[0-9.]+|off|)$`).MatchString(r[i]) && strings.Contains(head, " (") &&
					unitOf(head) != "" {
					t.Errorf("%s, %s: %q is no bare number", table.ID, head, r[i])
				}
			}
		}
	}
	for _, id := range []string{"runs", "compared", "profile-run-2", "steps-run-3", "readings-run-2", "equipment",
		"curves", "journal"} {
		if !seen[id] {
			t.Errorf("there is no table %s", id)
		}
	}
}

func unitOf(head string) string {
	for _, u := range []string{"dBµA", "dBm", "dB", "Hz", "s"} {
		if strings.HasSuffix(head, "("+u+")") {
			return u
		}
	}
	return ""
}

func TestCSVFieldsAreNoFormulas(t *testing.T) {
	tables, err := tell.Tables(troubledJob())
	if err != nil {
		t.Fatal(err)
	}
	for _, table := range tables {
		for _, row := range table.Rows {
			for _, c := range row {
				if strings.HasPrefix(c.Number, "=") {
					var b bytes.Buffer
					if err := table.CSV(&b); err != nil || strings.Contains(b.String(), ",=HYP") {
						t.Errorf("%s: a field begins with = (%v)", table.ID, err)
					}
				}
			}
		}
	}
}

func TestReportSaysWhatMatters(t *testing.T) {
	page := strings.ReplaceAll(htmlOf(t, weigherJob()), "\u00a0", " ")
	for what, s := range map[string]string{
		"the mark of the level profile": "not verified against the standard&#39;s text",
		"the overdue probe":             "PROBE1 was due for calibration on 2026-01-17, before the run of 2026-03-02",
		"the assumption of the search":  "monotone assumed",
		"the cautions":                  "RF burns",
		"the verdict":                   "Fix shown, with reservations",
		"the head of a journal":         "hash of the journal",
		"the curve's hash":              "2222222222222222",
		"a note":                        "ferrite sits 30 mm from the gland",
		"what is not reached":           "level not reached",
	} {
		if !strings.Contains(page, s) {
			t.Errorf("%s is missing: %q", what, s)
		}
	}
	if strings.Contains(page, "fixed") {
		t.Error("the report calls something fixed")
	}
	trouble := htmlOf(t, troubledJob())
	for _, s := range []string{"Level not proved in the dwell", "the amplifier says nothing of itself"} {
		if !strings.Contains(strings.ReplaceAll(trouble, "\u00a0", " "), s) {
			t.Errorf("the report does not say %q", s)
		}
	}
	if !strings.Contains(trouble, `class="rf-unknown"`) {
		t.Error("RF not known to be off is not shown in the largest words")
	}
}

func TestPicturesAreInThePageAndOtherFilesAreNot(t *testing.T) {
	job := weigherJob()
	job.Runs[1] = withAttachments(job.Runs[1])
	job.Files = func(hash string) ([]byte, error) {
		return map[string][]byte{"p": []byte("\x89PNG\r\n\x1a\nrest"), "h": []byte("<svg onload=alert(1)>")}[hash], nil
	}
	page := htmlOf(t, job)
	if strings.Count(page, "data:image/png;base64,") != 1 || strings.Contains(page, "svg onload") {
		t.Error("a PNG is in the page once, an SVG never")
	}
}

func BenchmarkReport(b *testing.B) {
	job := weigherJob()
	for b.Loop() {
		if err := report.HTML(io.Discard, job); err != nil {
			b.Fatal(err)
		}
	}
}
