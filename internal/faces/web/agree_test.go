package web_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// face is what one face shows of a job, as text without spaces, and whom it speaks for.
type face struct {
	name  string
	to    tell.Audience
	whole bool // rows stand in it as wholes; else only cells do
	text  string
	round func(string) string // how the face rounds
}

var (
	scripts = regexp.MustCompile(`(?s)<(script|style)[ >].*?</(script|style)>`)
	tags    = regexp.MustCompile(`<[^>]*>`)
	spaces  = regexp.MustCompile(`[\s\x{00a0}]+`)
	hertz   = regexp.MustCompile(`\d+(?:\.\d+)? (?:Hz|kHz|MHz|GHz)`)
)

func squeezed(s string) string { return spaces.ReplaceAllString(s, "") }

func shownText(page string) string {
	return squeezed(html.UnescapeString(tags.ReplaceAllString(scripts.ReplaceAllString(page, ""), "")))
}

// fourDigits is how the terminal rounds frequencies.
func fourDigits(s string) string {
	return hertz.ReplaceAllStringFunc(s, func(text string) string {
		cut := strings.IndexFunc(text, func(r rune) bool { return r != '.' && (r < '0' || r > '9') })
		x, _ := strconv.ParseFloat(text[:cut], 64)
		return strconv.FormatFloat(x, 'g', 4, 64) + text[cut:]
	})
}

func same(s string) string { return s }

// One job is rendered to every face, and what one face tells the others tell too, each after its own rounding, or the
// gap stands in tell.Kinds with its reason.
func TestEveryFaceTellsTheSame(t *testing.T) {
	t.Parallel()
	s := serve(t, true)
	s.sweeps(t)
	loop := s.loops()
	job, err := store.OpenReadOnly(s.job)
	if err != nil {
		t.Fatal(err)
	}
	defer job.Close()
	var said bytes.Buffer
	book := terminal.Book(&terminal.World{Stderr: &said}, job)
	heads, err := book.Heads()
	if err != nil {
		t.Fatal(err)
	}
	cells, numbers := 0, 0
	for _, h := range heads {
		if h.Opened.RunKind == event.LaboratoryKind {
			continue
		}
		told, err := book.Tell(h.Number)
		if err != nil {
			t.Fatal(err)
		}
		sections := told.Sections()
		query := fmt.Sprintf("?run=%d", h.Number)
		faces := facesOf(t, s, sections, "/findings"+query, query)
		for _, f := range faces {
			cells += f.tells(t, h.Number, sections)
		}
		numbers += s.files(t, query, sections)
		shape, err := tell.Encode(told)
		if err != nil {
			t.Fatal(err)
		}
		if text := fmt.Sprint(sections); h.Number == loop {
			for _, table := range []string{"followed", "effects", "tries", "moved", "held", "hands", "onsets"} {
				if id := fmt.Sprintf("%s-run-%d", table, loop); !slices.ContainsFunc(sections[0].Blocks,
					func(b tell.Block) bool { return b.Table != nil && b.Table.ID == id }) {
					t.Errorf("no table %s is told: %s", id, text)
				}
			}
			for _, want := range []string{`"pairs": 2`, `"followed_run": 3`, `"change": "ferrite at the transmitter"`} {
				if !strings.Contains(string(shape), want) {
					t.Errorf("--json does not tell %s: %s", want, shape)
				}
			}
		}
		for _, p := range told.Findings.Points {
			for _, l := range []rf.Current{p.Onset, p.Wanted, p.Recovery} {
				if q := l.Quantity(); q != nil && !strings.Contains(string(shape), mustText(q.Text)) {
					t.Errorf("run %d: --json does not tell %s", h.Number, q.Text)
				}
			}
		}
	}
	c, err := book.Compared(3, 4, 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	sections := []tell.Section{c.Section()}
	query := "?run=3&run=4&before=3&after=4"
	for _, f := range facesOf(t, s, sections, "/compare?before=3&after=4", query) {
		cells += f.tells(t, 4, sections)
	}
	lab, _, err := book.Laboratory()
	if err != nil {
		t.Fatal(err)
	}
	l, err := book.Beside(lab, 3, 0.95, nil)
	if err != nil {
		t.Fatal(err)
	}
	_, findings, err := book.Findings(3)
	if err != nil {
		t.Fatal(err)
	}
	after, err := book.Run(4)
	if err != nil {
		t.Fatal(err)
	}
	sections = []tell.Section{tell.BesideSection(l, findings, &after)}
	for _, f := range facesOf(t, s, sections, "/beside?run=3&after=4", query) {
		cells += f.tells(t, 3, sections)
	}
	if cells < 3000 || numbers < 1000 {
		t.Errorf("only %d cells and %d numbers were compared", cells, numbers)
	}
	t.Logf("figure: %d cells and sentences, and %d numbers of CSV files and workbook, agree on terminal, page, HTML "+
		"and PDF", cells, numbers)
}

func mustText(s string) string { return string(must(json.Marshal(s))) }

// facesOf renders sections to a terminal, and asks the server for the page and the report.
func facesOf(t *testing.T, s *site, sections []tell.Section, page, query string) []face {
	t.Helper()
	var out bytes.Buffer
	if err := terminal.Sections(wideAs{&out}, sections, true); err != nil {
		t.Fatal(err)
	}
	get := func(path string) string {
		status, text := s.get(t, path)
		if status != http.StatusOK {
			t.Fatalf("%s: %d", path, status)
		}
		return text
	}
	faces := []face{
		{"the terminal", tell.OnTerminal, true, squeezed(fourDigits(out.String())), fourDigits},
		{"the page", tell.OnPage, true, shownText(get(page)), same},
		{"the HTML report", tell.InPrint, true, shownText(get("/report/report.html" + query)), same},
	}
	if _, err := exec.LookPath("pdftotext"); err != nil {
		t.Log("outside check skipped: pdftotext is not installed")
		return faces
	}
	file := filepath.Join(t.TempDir(), "report.pdf")
	if err := os.WriteFile(file, []byte(get("/report/report.pdf"+query)), 0o644); err != nil {
		t.Fatal(err)
	}
	text, err := exec.Command("pdftotext", "-raw", file, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	return append(faces, face{"the PDF", tell.InPrint, false, squeezed(string(text)), same})
}

// wideAs is a terminal on which nothing is folded.
type wideAs struct{ *bytes.Buffer }

func (wideAs) Columns() int { return 4000 }

// tells checks that a face tells every block that is for it, and returns how many pieces that were.
func (f face) tells(t *testing.T, run int, sections []tell.Section) (n int) {
	t.Helper()
	missing := 0
	want := func(what, text string) {
		n++
		if text = squeezed(f.round(event.Printable(text))); !strings.Contains(f.text, text) {
			if missing++; missing < 5 {
				t.Errorf("run %d: %s does not tell %s %q", run, f.name, what, text)
			}
		}
	}
	for _, s := range sections {
		for _, b := range s.Blocks {
			if !b.Kind.Reaches(f.to) || b.Brief {
				continue
			}
			if b.Verdict != nil {
				want("the verdict", b.Verdict.Words)
			}
			if f.whole { // in print a long line is hyphenated and set beside others
				want("the sentence", b.Text)
			}
			if b.Table == nil || b.Table.FileOnly {
				continue
			}
			for _, row := range b.Table.Rows {
				whole := ""
				for _, c := range row {
					whole += event.Printable(c.Text) + " "
					for _, word := range strings.Fields(c.Text) {
						if !f.whole && len(word) < 20 { // a cell is folded, beside others
							want("the word", word)
						}
					}
				}
				if f.whole {
					want("the row", whole)
				}
			}
		}
	}
	return n
}

// files checks that every number of a table stands in its CSV file and in the workbook, and that it is the one that
// people read.
func (s *site) files(t *testing.T, query string, sections []tell.Section) (n int) {
	t.Helper()
	_, data := s.get(t, "/report/report.xlsx"+query)
	book, err := excelize.OpenReader(strings.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	defer book.Close()
	for _, section := range sections {
		for _, b := range section.Blocks {
			if b.Table == nil || !b.Kind.Reaches(tell.InPrint) {
				continue
			}
			status, text := s.get(t, "/report/"+b.Table.ID+".csv"+query)
			if status != http.StatusOK {
				t.Errorf("%s.csv%s: %d", b.Table.ID, query, status)
				continue
			}
			rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
			if err != nil || len(rows) != len(b.Table.Rows)+1 {
				t.Errorf("%s.csv: %d rows for %d: %v", b.Table.ID, len(rows), len(b.Table.Rows), err)
				continue
			}
			for i, row := range b.Table.Rows {
				for k, c := range row {
					if c.Number == "" || b.Table.Columns[k].Unit == "" {
						continue
					}
					n++
					if !slices.Contains(rows[i+1], c.Number) {
						t.Errorf("%s.csv, row %d: %s is missing", b.Table.ID, i+1, c.Number)
					}
					if !agrees(c, b.Table.Columns[k].Unit) {
						t.Errorf("%s, row %d: people read %q where the file has %s %s", b.Table.ID, i+1, c.Text,
							c.Number, b.Table.Columns[k].Unit)
					}
				}
			}
			if !slices.ContainsFunc(book.GetSheetList(), func(name string) bool {
				return strings.HasPrefix(b.Table.ID, strings.TrimSuffix(name, "…")) ||
					strings.HasPrefix(name, b.Table.ID[:min(len(b.Table.ID), 20)])
			}) {
				t.Errorf("the workbook has no sheet for %s: %v", b.Table.ID, book.GetSheetList())
			}
		}
	}
	return n
}

var leading = regexp.MustCompile(`-?\d+(?:\.\d+)?`)

// agrees reports that a cell's text is its number, rounded and in a unit of its own.
func agrees(c tell.Cell, unit string) bool {
	number, err := strconv.ParseFloat(c.Number, 64)
	if err != nil {
		return c.Text == c.Number // "off"
	}
	switch unit {
	case "Hz":
		f, err := rf.ParseFrequency(strings.TrimPrefix(c.Text, "± "))
		return err == nil && math.Abs(f.Hz()-number) <= 1e-3*math.Abs(number)
	case "s":
		return true // hours and minutes are written as people do
	}
	text := leading.FindString(strings.ReplaceAll(c.Text, "−", "-"))
	x, err := strconv.ParseFloat(text, 64)
	return err == nil && math.Abs(x-number) <= 0.0501
}

// Every gap between faces has its reason.
func TestEveryGapBetweenFacesHasAReason(t *testing.T) {
	for kind, k := range tell.Kinds {
		if k.For == 0 || k.For == tell.OnTerminal|tell.OnPage|tell.InPrint || len(k.Why) < 15 {
			t.Errorf("%s is for %b because %q", kind, k.For, k.Why)
		}
	}
}
