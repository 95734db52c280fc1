package web_test

import (
	"bufio"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/tell"
)

// post sends a form and returns the status and what it led to.
func (s *site) post(t *testing.T, path string, form url.Values) (int, string, string) {
	t.Helper()
	r, err := http.NewRequest("POST", s.URL+path, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", s.URL)
	answer, err := s.client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	var b strings.Builder
	bufio.NewReader(answer.Body).WriteTo(&b)
	return answer.StatusCode, answer.Header.Get("Location"), b.String()
}

func TestANameThatAnEngineerTypesBecomesASafeFile(t *testing.T) {
	for typed, want := range map[string]string{"Belt weigher, customer A/S 3": "Belt-weigher-customer-A-S-3",
		"../../etc/passwd": "etc-passwd", "Größe Ø 3": "Größe-Ø-3", "con": "con-job", " .. ": "",
		strings.Repeat("long ", 60): "long-long-long-long-long-long-long-long-long-long-long-long"} {
		s := serve(t, false)
		status, to, body := s.post(t, "/jobs", url.Values{"name": {typed}, "f.client": {"Invented: A/S"},
			"o.client": {""}, "f.sample.operating_mode": {"weighing 20 kg"}, "o.sample.operating_mode": {""}})
		if want == "" {
			if status != http.StatusUnprocessableEntity || !strings.Contains(body, `value="Invented: A/S"`) {
				t.Errorf("%q: %d, and what was typed is lost", typed, status)
			}
			continue
		}
		data, err := os.ReadFile(filepath.Join(s.dir, want+".about.yaml"))
		about, list := tell.ParseAbout("x", data)
		if status != http.StatusSeeOther || to != "/" || err != nil || list.Err() != nil ||
			about.Value("client") != "Invented: A/S" || about.Value("sample.operating_mode") != "weighing 20 kg" {
			t.Errorf("%q: %d to %q, %v, %v\n%s", typed, status, to, err, list, data)
		}
		if s.runner.job != filepath.Join(s.dir, want+".provoke") {
			t.Errorf("%q: the job is %s", typed, s.runner.job)
		}
		if status, _, body = s.post(t, "/jobs", url.Values{"name": {typed}}); status != 422 ||
			!strings.Contains(body, "already") {
			t.Errorf("%q: the second job of the name: %d", typed, status)
		}
	}
}

// While a run is being done no other job is opened; else what waited for the job before ends with it.
func TestAnotherJobIsOpenedOnlyBetweenRunsAndEndsWhatWaited(t *testing.T) {
	s := serve(t, true)
	write(t, s.dir, "other.provoke", must(os.ReadFile(s.job)))
	s.runner.state.Underway = true
	for _, path := range []string{"/jobs/open", "/jobs"} {
		status, _, body := s.post(t, path, url.Values{"job": {"other"}, "name": {"third"}})
		if status != http.StatusConflict && status != http.StatusUnprocessableEntity ||
			!strings.Contains(body, "a run is being done already") || s.runner.job != s.job {
			t.Errorf("%s during a run: %d", path, status)
		}
	}
	s.runner.state.Underway = false
	armed, _ := s.arm(t, "exposure.yaml")
	r := must(http.NewRequest("GET", s.URL+"/live/stream?run=3&job=belt-weigher", nil))
	stream := must(s.client.Do(r))
	defer stream.Body.Close()
	lines, moved := bufio.NewScanner(stream.Body), make(chan bool, 1)
	lines.Buffer(nil, 1<<20)
	go func() {
		said := false
		for lines.Scan() {
			said = said || lines.Text() == "event: moved"
		}
		moved <- said
	}()
	if status, to, _ := s.post(t, "/jobs/open", url.Values{"job": {"other"}}); status != 303 || to != "/" {
		t.Fatalf("open: %d to %q", status, to)
	}
	select {
	case said := <-moved:
		if !said {
			t.Error("the stream of the old job ended without a word")
		}
	case <-time.After(5 * time.Second):
		t.Error("the stream of the old job goes on")
	}
	if status, _ := s.get(t, armed); status != http.StatusGone {
		t.Errorf("the arming step of the old job: %d", status)
	}
	if _, body := s.get(t, "/"); !strings.Contains(body, "<b>other</b>") || !strings.Contains(body, "as received") {
		t.Error("the page does not show the other job")
	}
	for path, form := range map[string]url.Values{"/note": {"text": {"x"}, "run": {"3"}},
		"/arm":        {"file": {"exposure.yaml"}},
		"/laboratory": {"from": {"1 MHz"}, "what": {"x"}}} {
		form.Set("job", "belt-weigher")
		if status, _, body := s.post(t, path, form); status != http.StatusConflict ||
			!strings.Contains(body, "is open now") {
			t.Errorf("%s from a page of the old job: %d", path, status)
		}
	}
	if status, _, _ := s.post(t, "/jobs/open", url.Values{"job": {"../belt-weigher"}}); status != 404 {
		t.Errorf("a job outside the folder: %d", status)
	}
}

func TestWhatIsKnownOfAJobIsWrittenAsTheCommandLineReadsIt(t *testing.T) {
	s := serve(t, true)
	const file = "belt-weigher.about.yaml"
	write(t, s.dir, file, []byte("provoke: about 1\n# by hand\nclient: A  # agreed\nsample: {serial: X1}\n"))
	_, page := s.get(t, "/")
	stamp := regexp.MustCompile(`name="stamp" value="([^"]*)"`).FindStringSubmatch(page)[1]
	text := string(must(os.ReadFile(filepath.Join(s.dir, file))))
	form := url.Values{"file": {file}, "stamp": {stamp}, "text": {text}, "o.client": {"A"}, "f.client": {"B & C"},
		"o.sample.type": {""}, "f.sample.type": {"weigher"}, "o.humidity": {""}, "f.humidity": {"45"}}
	if _, _, body := s.post(t, "/about", form); !strings.Contains(body, "has no unit %") ||
		!strings.Contains(body, `value="B &amp; C"`) {
		t.Error("a fact without its unit is not told beside its field, or what was typed is lost")
	}
	form.Set("f.humidity", "45 %")
	if status, _, body := s.post(t, "/about", form); status != http.StatusSeeOther {
		t.Fatalf("%d %.300s", status, body)
	}
	want := "provoke: about 1\n# by hand\nclient: B & C  # agreed\nsample:\n  serial: X1\n  type: weigher\nhumidity: " +
		"45 %\n"
	if data := string(must(os.ReadFile(filepath.Join(s.dir, file)))); data != want {
		t.Errorf("the file is\n%s", data)
	}
	if _, _, body := s.post(t, "/about", form); !strings.Contains(body, "changed by somebody else") ||
		!strings.Contains(body, `value="B &amp; C"`) {
		t.Error("a file that was changed meanwhile is overwritten, or what was typed is lost")
	}
}
