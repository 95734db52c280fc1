package web_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/docs"
	"provoke/internal/faces/web"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/units/rf"
)

// The sums are those of the published package uplot 1.6.32 (npm), computed with sha256sum.
func TestTheVendoredFilesAreThePublishedOnes(t *testing.T) {
	for name, want := range map[string]string{
		"uPlot.iife.min.js": "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f",
		"uPlot.min.css":     "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04",
	} {
		data, err := os.ReadFile(filepath.Join("vendored", name))
		if err != nil {
			t.Fatal(err)
		}
		if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != want {
			t.Errorf("%s is %x", name, sum)
		}
	}
	if license, err := os.ReadFile("vendored/uPlot.LICENSE"); err != nil ||
		!bytes.Contains(license, []byte("MIT License")) {
		t.Errorf("the licence of uPlot: %v", err)
	}
}

func TestThePagesReachNothingElsewhere(t *testing.T) {
	elsewhere := regexp.MustCompile(`(src|href|url|from|import|fetch|action)\s*[=(]?\s*["'(]?(https?:)?//`)
	for _, dir := range []string{"templates", "static"} {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			data, err := os.ReadFile(filepath.Join(dir, e.Name()))
			if err != nil {
				t.Fatal(err)
			}
			if m := elsewhere.Find(data); m != nil {
				t.Errorf("%s reaches elsewhere: %s", e.Name(), m)
			}
			if strings.HasSuffix(e.Name(), ".html") &&
				(bytes.Contains(data, []byte(" style=")) || bytes.Contains(data, []byte("<style")) ||
					bytes.Contains(data, []byte(" onclick="))) {
				t.Errorf("%s has an inline style or script", e.Name())
			}
		}
	}
}

func TestTheProductShowsNoCannedState(t *testing.T) {
	s := limited(t, 0, nil) // the server as provoke makes it
	for _, path := range []string{"/_states", "/_states/" + web.StateNames()[0]} {
		if status, _ := s.get(t, path); status != http.StatusNotFound {
			t.Errorf("%s: %d", path, status)
		}
	}
}

func TestTheWordsAreExplainedOnAPage(t *testing.T) {
	s := serve(t, true)
	words := must(docs.Words())
	_, body := s.get(t, "/words")
	shown := html.UnescapeString(strings.NewReplacer("<code>", "`", "</code>", "`").Replace(body))
	ids := map[string]bool{}
	for _, w := range words {
		if !strings.Contains(shown, ">"+w.Name+"</dt><dd>"+w.Means+"</dd>") {
			t.Errorf("%q is not shown as it stands in docs/glossary.md", w.Name)
		}
	}
	for _, m := range regexp.MustCompile(`<dt id="([^"]*)"`).FindAllStringSubmatch(body, -1) {
		if ids[m[1]] || strings.ContainsAny(m[1], " ,.()%") {
			t.Errorf("two words have the anchor %q, or it cannot be one", m[1])
		}
		ids[m[1]] = true
	}
	if len(ids) != len(words) {
		t.Errorf("%d anchors for %d words", len(ids), len(words))
	}
	if _, body := s.get(t, "/"); !strings.Contains(body, `<a href="/words">Words</a>`) {
		t.Error("the foot of a page does not lead to the words")
	}
	if answer := must(http.Get(s.URL + "/words")); answer.StatusCode == http.StatusOK {
		t.Error("the words are shown to somebody who was not let in")
	}
}

// message is one message of a stream.
type message struct{ kind, id, data string }

// listen reads messages of a stream until enough says that it is enough.
func (s *site) listen(t *testing.T, path, lastID string, enough func(message) bool) []message {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, "GET", s.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if lastID != "" {
		r.Header.Set("Last-Event-ID", lastID)
	}
	answer, err := s.client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	var out []message
	var m message
	lines := bufio.NewScanner(answer.Body)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		key, value, _ := strings.Cut(lines.Text(), ": ")
		switch key {
		case "event":
			m.kind = value
		case "id":
			m.id = value
		case "data":
			m.data = value
		case "":
			if m.kind != "" {
				out = append(out, m)
				if enough(m) {
					return out
				}
			}
			m = message{}
		}
	}
	t.Fatalf("the stream ended after %d messages", len(out))
	return nil
}

func TestAStreamGoesOnWhereTheBrowserWas(t *testing.T) {
	s := serve(t, true)
	count := func(n int) func(message) bool {
		return func(m message) bool {
			if m.kind == "record" {
				n--
			}
			return n == 0
		}
	}
	var ids []string
	for _, m := range s.listen(t, "/live/stream?run=3&from=10", "", count(5)) {
		if m.kind == "record" {
			ids = append(ids, m.id)
		}
	}
	if fmt.Sprint(ids) != "[11 12 13 14 15]" {
		t.Errorf("from 10: %v", ids)
	}
	ids = nil
	for _, m := range s.listen(t, "/live/stream?run=3&from=10", "15", count(3)) {
		if m.kind == "record" {
			ids = append(ids, m.id)
		}
	}
	if fmt.Sprint(ids) != "[16 17 18]" {
		t.Errorf("after the browser had 15: %v", ids)
	}
}

func TestARecordReachesTheStreamWhenItIsWritten(t *testing.T) {
	s := serve(t, true)
	j, err := store.Open(s.job)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Exposure, Label: "live", Points: 10}))
	s.runner.mu.Lock()
	s.runner.state = web.State{Underway: true, Run: w.Run(), Began: time.Now(),
		Status: engine.Status{Phase: "exposing", RFOn: true, Frequency: 27.12e6}}
	s.runner.mu.Unlock()
	go func() {
		time.Sleep(100 * time.Millisecond)
		must(w.Append(time.Now(), event.StepClosed{Step: plan.Step{Number: 1, Point: plan.Point{Frequency: 27.12e6}},
			Attempt: 1, Current: rf.DBuA(77.7), Outcome: plan.Outcome{Upset: true, Exposures: 1}}))
	}()
	var seen, on bool
	s.listen(t, "/live/stream", "", func(m message) bool {
		if m.kind == "record" && strings.Contains(m.data, `"kind":"step"`) {
			seen = strings.Contains(m.data, `"upset":true`) && strings.Contains(m.data, `"x":27.12,"y":77.7`)
		}
		on = on || m.kind == "now" && strings.Contains(m.data, `"rf":"on"`)
		return seen && on
	})
}

// save posts a bench or plan file as the page does.
func (s *site) save(t *testing.T, page, file, text, stamp string) *http.Response {
	return s.ask(t, s.client, "POST", "/"+page+"/save", url.Values{"file": {file}, "text": {text}, "stamp": {stamp}},
		s.own())
}

func stampOf(t *testing.T, page string) string {
	t.Helper()
	m := regexp.MustCompile(`name="stamp" value="([0-9a-f]*)"`).FindStringSubmatch(page)
	if m == nil {
		t.Fatal("the page has no stamp")
	}
	return m[1]
}

func TestAFileIsEditedInPlaceAndNobodyOverwritesAnother(t *testing.T) {
	s := serve(t, false)
	_, page := s.get(t, "/plan?file=exposure.yaml")
	stamp := stampOf(t, page)
	changed := strings.Replace(exposurePlan, "dwell: 1 s", "dwell: 2 s", 1)
	if r := s.save(t, "plan", "exposure.yaml", strings.ReplaceAll(changed, "\n", "\r\n"),
		stamp); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("save: %s", r.Status)
	}
	if data := must(os.ReadFile(filepath.Join(s.dir, "exposure.yaml"))); string(data) != changed {
		t.Errorf("the file is\n%q", data)
	}
	if r := s.save(t, "plan", "exposure.yaml", exposurePlan, stamp); r.StatusCode != http.StatusConflict {
		t.Errorf("saved over a newer one: %s", r.Status)
	}
	if r := s.save(t, "plan", "exposure.yaml", exposurePlan, ""); r.StatusCode != http.StatusConflict {
		t.Errorf("a new file under an old name: %s", r.Status)
	}
	if r := s.save(t, "plan", "second.yaml", exposurePlan, ""); r.StatusCode != http.StatusSeeOther {
		t.Errorf("a new file: %s", r.Status)
	}
}

func TestEveryProblemStandsBesideItsLineAndField(t *testing.T) {
	s := serve(t, false)
	text := strings.NewReplacer("dwell: 1 s", "dwell: 1", "edges: 1 %", "edgs: 1 %").Replace(exposurePlan)
	r := s.ask(t, s.client, "POST", "/plan/try", url.Values{"file": {"exposure.yaml"}, "text": {text}}, s.own())
	var b bytes.Buffer
	b.ReadFrom(r.Body)
	page := b.String()
	field := regexp.MustCompile(`(?s)<div id="p-dwell".*?</div>`).FindString(page)
	if !strings.Contains(field, "line 9") {
		t.Errorf("beside the dwell stands %q", field)
	}
	besides := regexp.MustCompile(`(?s)<ol id="besides".*?</ol>`).FindString(page)
	lines := regexp.MustCompile(`(?s)<li>.*?</li>`).FindAllString(besides, -1)
	if len(lines) < 11 || !strings.Contains(lines[8], "fault") || !strings.Contains(lines[10], "edges") ||
		strings.Contains(lines[0], "fault") {
		t.Errorf("beside the lines stands %q", lines)
	}
}

func TestThePageTellsThatACalibrationWasMadeWithAnotherBenchFile(t *testing.T) {
	s := serve(t, false)
	s.runner.calibration = &plan.Calibrated{Run: 1, Loop: 300, Bench: strings.Repeat("0", 64)}
	text := strings.Replace(exposurePlan, "kind: exposure", "kind: exposure\nmode: substitution", 1)
	r := s.ask(t, s.client, "POST", "/plan/try", url.Values{"file": {"exposure.yaml"}, "text": {text}}, s.own())
	var b bytes.Buffer
	b.ReadFrom(r.Body)
	field := regexp.MustCompile(`(?s)<div id="p-mode".*?</div>`).FindString(b.String())
	if !strings.Contains(field, "calibration run 1 was made with another bench file") {
		t.Errorf("beside the mode stands %q", field)
	}
}

func TestAFieldChangesItsLinesAndNothingElse(t *testing.T) {
	s := serve(t, false)
	for key, change := range map[string][2]string{
		"dwell": {"500 ms", "dwell: 500 ms\n"}, "level": {"3 V emf", "level: 3 V emf\n"}, "mode": {"constant drive",
			"mode: constant drive\n"},
		"grid": {"- {from: 1M5, to: 27,12 MHz, step: 2 %}", "grid:\n  - {from: 1M5, to: 27,12 MHz, step: 2 %}\n"},
	} {
		old := map[string]string{"dwell": "1 s", "level": "iec-61000-4-6/level-2", "mode": "",
			"grid": "{from: 150 kHz, to: 79 MHz, step: 5 %}"}[key]
		form := url.Values{"file": {"exposure.yaml"}, "text": {exposurePlan}, "f." + key: {change[0]},
			"o." + key: {old}, "f.kind": {"exposure"}, "o.kind": {"exposure"}}
		r := s.ask(t, s.client, "POST", "/plan/try", form, s.own())
		var b bytes.Buffer
		b.ReadFrom(r.Body)
		text := regexp.MustCompile(`(?s)<textarea id="text".*?>(.*?)</textarea>`).FindStringSubmatch(b.String())[1]
		if !strings.Contains(text, change[1]) || !strings.Contains(text, "kind: exposure\n") ||
			strings.Count(text, "\n") < strings.Count(exposurePlan, "\n") {
			t.Errorf("%s: the text is\n%s", key, text)
		}
	}
}

func TestTheChainIsComputedByTheServerAsTheEngineerWritesIt(t *testing.T) {
	s := serve(t, false)
	for query, want := range map[string]string{
		"at=27,12+MHz": "27.12 MHz", "at=1M5": "1.5 MHz", "drive=1.2+Vpp&at=1+MHz": "1.200 Vpp",
		"drive=-20+dBm": "-20.0 dBm",
		"at=200+MHz":    "band", "modulation=CW&at=1+MHz": "1 MHz", "i=0": "100 kHz",
	} {
		status, page := s.get(t, "/bench?"+query)
		chain := regexp.MustCompile(`(?s)<div id="chain".*?</section>`).FindString(page)
		if status != http.StatusOK || !strings.Contains(chain, want) {
			t.Errorf("%s: %d, no %q in %.1500s", query, status, want, chain)
		}
	}
	_, page := s.get(t, "/bench?at=27.12+MHz")
	if n := strings.Count(page, "node worst") + strings.Count(page, "node over worst"); n != 1 {
		t.Errorf("%d nodes are marked as the worst", n)
	}
}

func TestWhatTheLaboratoryReportedIsAppendedToTheJournal(t *testing.T) {
	s := serve(t, true)
	csv := "from;to;level;modulation;what\n27,12 MHz;;3 V emf;AM 80 % 1 kHz;error latches\n1M5;2 MHz;60 mA;;reading " +
		"off\n"
	if r := s.send(t, "/laboratory", "failures.csv", []byte(csv)); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("import: %s", r.Status)
	}
	_, page := s.get(t, "/")
	for _, want := range []string{"27.12 MHz", "1.5 MHz", "error latches", "reading off", "entry 5 of the journal"} {
		if !strings.Contains(page, want) {
			t.Errorf("the job page does not say %q", want)
		}
	}
	for bad, want := range map[string]string{
		"from;level;what\n27 Mhz;3 V emf;x\n27 MHz;3;y\n": "line 3",
		"a;b\n1;2\n":               "from",
		"from;level;what\n":        "no failure",
		"from;level\n27 MHz;3 V\n": "emf",
	} {
		r := s.send(t, "/laboratory", "bad.csv", []byte(bad))
		var b bytes.Buffer
		b.ReadFrom(r.Body)
		if r.StatusCode < 400 || !strings.Contains(b.String(), want) {
			t.Errorf("%q: %s, no %q in %.1200s", bad, r.Status, want, b.String())
		}
	}
	yaml := "provoke: laboratory 1\nlaboratory: an invented test house\nfailures:\n  - {from: 26 MHz, to: 28 MHz, " +
		"level: 10 V emf, class: B, what: reading jumps}\n"
	if r := s.send(t, "/laboratory", "report.yaml", []byte(yaml)); r.StatusCode != http.StatusSeeOther {
		t.Errorf("a report in YAML: %s", r.Status)
	}
	if _, page := s.get(t, "/"); !strings.Contains(page, "an invented test house") {
		t.Error("the laboratory's name is not kept")
	}
	form := url.Values{"laboratory": {"an invented laboratory"}, "from": {"9 MHz", ""}, "to": {"", ""},
		"level": {"60 mA", ""}, "modulation": {"CW", ""}, "what": {"resets", ""}}
	if r := s.ask(t, s.client, "POST", "/laboratory", form, s.own()); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("the form: %s", r.Status)
	}
	j := must(store.OpenReadOnly(s.job))
	defer j.Close()
	v := must(j.Verify())
	if !v.OK() || len(v.Runs) != 7 {
		t.Errorf("%+v", v)
	}
}

func TestAJobThatDoesNotExistIsMadeWhenSomethingIsWrittenToIt(t *testing.T) {
	s := serve(t, false)
	must(store.Create(s.job)).Close() // as cmd/provoke does
	form := url.Values{"from": {"9 MHz"}, "level": {"3 V emf"}, "what": {"resets"}}
	if r := s.ask(t, s.client, "POST", "/laboratory", form, s.own()); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("the form: %s", r.Status)
	}
	if _, page := s.get(t, "/"); !strings.Contains(page, "resets") {
		t.Error("the page does not show it")
	}
}

func TestAPointLeadsToItsAttemptsReadingsAndChain(t *testing.T) {
	s := serve(t, true)
	_, page := s.get(t, "/findings?run=3")
	page = html.UnescapeString(page)
	links := regexp.MustCompile(`href="(/findings\?run=3&at=[^"#]+)#point"`).FindAllStringSubmatch(page, -1)
	if len(links) == 0 {
		t.Fatal("no point can be clicked")
	}
	for _, l := range links[:2] { // of the failing bands
		status, page := s.get(t, l[1])
		for _, want := range []string{"Readings in time", "confirm", "The chain at that moment", "amplifier output",
			"1.3 kg above the baseline"} {
			if status != http.StatusOK || !strings.Contains(page, want) {
				t.Errorf("%s: %d, no %q", l[1], status, want)
			}
		}
	}
}

func TestTheReportAndItsTablesCanBeKept(t *testing.T) {
	s := serve(t, true)
	_, page := s.get(t, "/report?run=3&before=3&after=4")
	links := regexp.MustCompile(`href="(/report/[^"]+)"`).FindAllStringSubmatch(page, -1)
	if len(links) < 5 {
		t.Fatalf("%d files are offered", len(links))
	}
	for _, l := range links {
		r := s.ask(t, s.client, "GET", strings.ReplaceAll(l[1], "&amp;", "&"), nil, nil)
		if r.StatusCode != http.StatusOK || !strings.HasPrefix(r.Header.Get("Content-Disposition"), "attachment") {
			t.Errorf("%s: %s %q", l[1], r.Status, r.Header.Get("Content-Disposition"))
		}
	}
}

// A run that is watched goes on while its browser has a page here, whichever it is, and ends when the last one goes;
// the next may take a few seconds to come.
func TestARunThatIsAttendedEndsWhenItsLastPageGoes(t *testing.T) {
	t.Parallel()
	s := serve(t, true)
	_, nonce := s.arm(t, "exposure.yaml")
	s.ask(t, s.client, "POST", "/start", url.Values{"nonce": {nonce}, "attended": {"yes"}}, s.own())
	_, page := s.get(t, "/findings?run=3")
	if !strings.Contains(page, "You watch this run: RF goes off 5 s after this browser’s last page here is closed.") {
		t.Error("another page does not say what closing it does")
	}
	now := func(m message) bool { return m.kind == "now" }
	s.listen(t, "/live/stream?run=3&from=1", "", now)
	time.Sleep(time.Second)
	if !s.runner.State().Underway {
		t.Fatal("the run ended although the next page may still come")
	}
	until := time.Now().Add(6 * time.Second)
	m := s.listen(t, "/live/stream?brief=1", "", func(message) bool { return time.Now().After(until) })
	if !s.runner.State().Underway {
		t.Fatal("the run ended although another page of this server is open")
	}
	if !strings.Contains(m[0].data, `"watched":"You watch this run`) {
		t.Errorf("the strip says %.500s", m[0].data)
	}
	other := s.letIn(t)
	if body, _ := io.ReadAll(s.ask(t, other, "GET", "/", nil, nil).Body); !strings.Contains(string(body),
		"Another browser watches this run") {
		t.Error("another browser is not told who watches")
	}
	time.Sleep(5500 * time.Millisecond)
	s.runner.mu.Lock()
	defer s.runner.mu.Unlock()
	if len(s.runner.told) != 1 || s.runner.told[0].Want != engine.Abort || !strings.Contains(s.runner.told[0].Text,
		"closed") {
		t.Errorf("the engine was told %v", s.runner.told)
	}
}

func TestTheNumbersThatAreDrawnAreThoseOfTheTable(t *testing.T) {
	s := serve(t, true)
	_, page := s.get(t, "/compare?before=3&after=4")
	blocks := regexp.MustCompile(`(?s)<script type="application/json">(.*?)</script>`).FindAllStringSubmatch(page, -1)
	if len(blocks) < 2 {
		t.Fatalf("%d charts", len(blocks))
	}
	for _, b := range blocks {
		var c struct {
			At     []float64
			Series []struct{ Y []*float64 }
		}
		if err := json.Unmarshal([]byte(b[1]), &c); err != nil {
			t.Fatal(err)
		}
		for i := 1; i < len(c.At); i++ {
			if c.At[i] <= c.At[i-1] {
				t.Fatal("frequencies are out of order")
			}
		}
		for _, sr := range c.Series {
			if len(sr.Y) != len(c.At) {
				t.Errorf("%d values at %d frequencies", len(sr.Y), len(c.At))
			}
		}
	}
}

// The strip at the top tells of the bench, not of the run that the page shows.
func TestAnOldRunsPageStillSaysThatRFIsOn(t *testing.T) {
	s := serve(t, true)
	s.runner.state = web.State{Underway: true, Run: 4, Began: time.Now(),
		Status: engine.Status{Phase: "exposing", RFOn: true, Frequency: 27.12e6}}
	j := must(store.Open(s.job))
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Exposure, Label: "being done",
		Points: 10}))
	s.runner.mu.Lock()
	s.runner.state.Run = w.Run()
	s.runner.mu.Unlock()
	defer j.Close()
	_, page := s.get(t, "/live?run=3")
	if !strings.Contains(page, `id="now" data-rf="on"`) {
		t.Error("the strip of an old run's page does not say that RF is on")
	}
	s.listen(t, "/live/stream?run=3&from=1", "", func(m message) bool {
		return m.kind == "now" && strings.Contains(m.data,
			`"now":{"run":5,"rf":"on","words":"RF ON","doing":"exposing",`) &&
			strings.Contains(m.data, `"view":{"run":3`)
	})
}

func TestAReadingThatIsOldDoesNotLookLive(t *testing.T) {
	s := serve(t, true)
	j := must(store.Open(s.job))
	defer j.Close()
	w := must(j.NewRun(time.Now(), event.Opened{Program: "test", RunKind: plan.Exposure, Points: 10}))
	look := engine.Look{At: time.Now().Add(-time.Minute), Reading: event.Reading{Monitor: "SHOWN", Value: 12.5,
		HasValue: true}}
	s.runner.state = web.State{Underway: true, Run: w.Run(), Began: time.Now(), Looks: []engine.Look{look},
		Status: engine.Status{Phase: "exposing", RFOn: true}}
	_, page := s.get(t, "/live")
	if strings.Contains(page, "product well") || !strings.Contains(page, "no reading since") {
		t.Error("a reading of a minute ago is shown as the product's state")
	}
	s.runner.state = web.State{}
	_, page = s.get(t, "/live?run=3")
	if strings.Contains(page, `<p data-live="current">7`) || strings.Contains(page, "product well") {
		t.Error("a run that has ended shows what was read last as if it were read now")
	}
}

// The single path is accepted on the arming page, by a mark that is not made beforehand.
func TestTheArmingPageTakesTheAcceptanceOfTheSinglePath(t *testing.T) {
	t.Parallel()
	for _, accepted := range []bool{false, true} {
		s := serve(t, true)
		path, nonce := s.arm(t, "exposure.yaml")
		if _, page := s.get(t, path); !strings.Contains(page, `name="accept_single_path" value="yes">`) ||
			!strings.Contains(page, "nothing else can switch RF off while it lives") {
			t.Error("the arming page does not say what is accepted")
		}
		form := url.Values{"nonce": {nonce}}
		if accepted {
			form.Set("accept_single_path", "yes")
		}
		s.ask(t, s.client, "POST", "/start", form, s.own())
		if s.runner.started != 1 || s.runner.wishes.Alone != accepted {
			t.Errorf("accepted %v: started %d with %+v", accepted, s.runner.started, s.runner.wishes)
		}
	}
}
