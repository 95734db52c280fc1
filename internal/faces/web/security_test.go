package web_test

import (
	"bytes"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"provoke/internal/faces/web"
	"provoke/internal/run/engine"
)

// ask sends a request as a browser would, with headers changed.
func (s *site) ask(t testing.TB, c *http.Client, method, path string, form url.Values,
	header map[string]string) *http.Response {
	t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r, err := http.NewRequest(method, s.URL+path, body)
	if err != nil {
		t.Fatal(err)
	}
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for k, v := range header {
		if k == "Host" {
			r.Host = v
		} else {
			r.Header.Set(k, v)
		}
	}
	answer, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { answer.Body.Close() })
	return answer
}

func (s *site) own() map[string]string { return map[string]string{"Origin": s.URL} }

// everyPost are the addresses that change something.
var everyPost = []string{"/off", "/resume", "/hold", "/go", "/stop", "/mark", "/answer", "/note", "/photo", "/arm",
	"/start", "/plan/save", "/bench/save", "/bench/curve", "/laboratory", "/entrances", "/hands/0", "/sweep/save",
	"/jobs", "/jobs/open", "/about", "/simulated", "/bench/try", "/bench/chain",
	"/camera/picture", "/camera/left"}

func TestNobodyGetsInWithoutASession(t *testing.T) {
	s := serve(t, true)
	stranger := &http.Client{}
	for _, path := range pagePaths {
		if r := s.ask(t, stranger, "GET", path, nil, nil); r.StatusCode != http.StatusUnauthorized {
			t.Errorf("GET %s without a session: %s", path, r.Status)
		}
	}
	for _, path := range append(everyPost[1:], "/live/stream") { // all but RF off
		if r := s.ask(t, stranger, "POST", path, url.Values{}, s.own()); r.StatusCode != http.StatusUnauthorized {
			t.Errorf("POST %s without a session: %s", path, r.Status)
		}
	}
	if s.runner.offs != 0 || len(s.runner.told) != 0 {
		t.Error("a stranger reached the runner")
	}
	wrong := map[string]string{"Authorization": "Bearer 0000", "Cookie": "provoke-session=0000"}
	if r := s.ask(t, stranger, "GET", "/", nil, wrong); r.StatusCode != http.StatusUnauthorized {
		t.Errorf("a wrong session: %s", r.Status)
	}
}

func TestAOneTimeAddressWorksOnce(t *testing.T) {
	s := serve(t, false)
	path := s.pages.Entrance()
	first := s.ask(t, &http.Client{}, "GET", path, nil, nil)
	if first.StatusCode != http.StatusOK || len(first.Cookies()) != 1 {
		t.Fatalf("the first time: %s", first.Status)
	}
	c := first.Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" {
		t.Errorf("the cookie is %v", c)
	}
	if again := s.ask(t, &http.Client{}, "GET", path, nil, nil); again.StatusCode != http.StatusUnauthorized ||
		len(again.Cookies()) != 0 {
		t.Errorf("the second time: %s", again.Status)
	}
}

func TestAForeignHostIsRefused(t *testing.T) {
	s := serve(t, true)
	for _, host := range []string{"bench.example", "bench.example:80", "127.0.0.1:1", "", "localhost"} {
		if host == "" {
			continue // the client fills it in
		}
		r := s.ask(t, s.client, "GET", "/", nil, map[string]string{"Host": host})
		if r.StatusCode != http.StatusMisdirectedRequest {
			t.Errorf("Host %q: %s", host, r.Status)
		}
	}
}

func TestAnotherSiteCannotChangeAnything(t *testing.T) {
	s := serve(t, true)
	foreign := []map[string]string{
		{"Origin": "http://elsewhere.example"}, {"Origin": "null"},
		{"Origin": "https" + strings.TrimPrefix(s.URL, "http")},
		{"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": s.URL + ".elsewhere.example"},
	}
	for _, path := range everyPost {
		for _, header := range foreign {
			if r := s.ask(t, s.client, "POST", path, url.Values{}, header); r.StatusCode != http.StatusForbidden {
				t.Errorf("POST %s with %v: %s", path, header, r.Status)
			}
		}
	}
	if s.runner.offs != 0 || s.runner.started != 0 {
		t.Error("another site reached the runner")
	}
}

func TestNothingChangesOnGET(t *testing.T) {
	s := serve(t, true)
	before := contents(t, s.dir)
	for _, path := range everyPost {
		if r := s.ask(t, s.client, "GET", path, nil, nil); r.StatusCode != http.StatusNotFound &&
			r.StatusCode != http.StatusMethodNotAllowed {
			t.Errorf("GET %s: %s", path, r.Status)
		}
	}
	for _, path := range pagePaths {
		s.get(t, path)
	}
	if after := contents(t, s.dir); after != before {
		t.Errorf("the folder was\n%s and is\n%s", before, after)
	}
	if s.runner.offs != 0 || len(s.runner.told) != 0 || s.runner.started != 0 {
		t.Error("a GET reached the runner")
	}
}

// contents names every file that a person made, with its bytes.
func contents(t *testing.T, dir string) string {
	t.Helper()
	out := ""
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.HasSuffix(e.Name(), "-lock") || strings.HasSuffix(e.Name(), "-shm") ||
			strings.HasSuffix(e.Name(), "-wal") {
			continue
		}
		data, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out += fmt.Sprintf("%s %d %x\n", e.Name(), len(data), data[:min(len(data), 64)])
	}
	return out
}

func TestEveryAnswerCarriesTheStrictPolicy(t *testing.T) {
	s := serve(t, true)
	for name, path := range pagePaths {
		h := s.ask(t, s.client, "GET", path, nil, nil).Header
		policy := h.Get("Content-Security-Policy")
		if !strings.Contains(policy, "default-src 'none'") || !strings.Contains(policy, "frame-ancestors 'none'") ||
			strings.Contains(policy, "unsafe") {
			t.Errorf("%s: policy %q", name, policy)
		}
		if h.Get("X-Content-Type-Options") != "nosniff" || h.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: %v", name, h)
		}
	}
	h := s.ask(t, s.client, "GET", "/report/report.html", nil, nil).Header.Get("Content-Security-Policy")
	if !strings.Contains(h, "sandbox") || strings.Contains(h, "script") {
		t.Errorf("the report's policy is %q", h)
	}
}

func TestAnOversizedUploadIsRefused(t *testing.T) {
	s := serve(t, true)
	before := contents(t, s.dir)
	for _, path := range []string{"/photo", "/bench/curve", "/laboratory"} {
		r := s.send(t, path, "big.csv", bytes.Repeat([]byte("1;2\n"), 6<<20))
		if r.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
	big := url.Values{"file": {"bench.yaml"}, "text": {strings.Repeat("#", 2<<20)}, "stamp": {"x"}}
	if r := s.ask(t, s.client, "POST", "/bench/save", big, s.own()); r.StatusCode < 400 {
		t.Errorf("a bench file of 2 MB: %s", r.Status)
	}
	if after := contents(t, s.dir); after != before {
		t.Error("something was kept")
	}
}

// send uploads a file.
func (s *site) send(t testing.TB, path, name string, data []byte) *http.Response {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	f, err := w.CreateFormFile("file", name)
	if err != nil {
		t.Fatal(err)
	}
	f.Write(data)
	w.WriteField("run", "3")
	w.WriteField("bench", "bench.yaml")
	w.Close()
	r, err := http.NewRequest("POST", s.URL+path, &b)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", w.FormDataContentType())
	r.Header.Set("Origin", s.URL)
	answer, err := s.client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { answer.Body.Close() })
	return answer
}

func TestAPhotoIsAPicture(t *testing.T) {
	s := serve(t, true)
	for name, data := range map[string][]byte{"page.png": []byte("<html><script>alert(1)</script>"),
		"drawing.svg": []byte("<svg xmlns='http://www.w3.org/2000/svg'/>"), "empty.jpg": nil} {
		if r := s.send(t, "/photo", name, data); r.StatusCode != http.StatusUnsupportedMediaType {
			t.Errorf("%s: %s", name, r.Status)
		}
	}
	if r := s.send(t, "/photo", "../../a.png", []byte("\x89PNG\r\n\x1a\n")); r.StatusCode != http.StatusSeeOther {
		t.Errorf("a picture: %s", r.Status)
	}
}

var nonceField = regexp.MustCompile(`name="nonce" value="([0-9a-f]+)"`)

// arm checks a plan on the page and returns the address of the arming step with its nonce.
func (s *site) arm(t testing.TB, file string) (path, nonce string) {
	t.Helper()
	_, page := s.get(t, "/plan?file="+file)
	stamp := regexp.MustCompile(`name="stamp" value="([0-9a-f]+)"`).FindStringSubmatch(page)
	if stamp == nil {
		t.Fatal("the plan page has no stamp")
	}
	r := s.ask(t, s.client, "POST", "/arm", url.Values{"file": {file}, "stamp": {stamp[1]}, "label": {"test"}}, s.own())
	path = r.Header.Get("Location")
	if r.StatusCode != http.StatusSeeOther || !strings.HasPrefix(path, "/arm/") {
		body, _ := io.ReadAll(r.Body)
		t.Fatalf("arm: %s %s", r.Status, body)
	}
	_, page = s.get(t, path)
	m := nonceField.FindStringSubmatch(page)
	if m == nil {
		t.Fatalf("the arming step has no nonce: %s", page)
	}
	return path, m[1]
}

func TestANonceBeginsOneRun(t *testing.T) {
	s := serve(t, true)
	_, nonce := s.arm(t, "exposure.yaml")
	if s.runner.started != 0 {
		t.Fatal("the arming step began a run")
	}
	for _, wrong := range []string{"", "0", nonce[:len(nonce)-1], nonce + "0"} {
		if r := s.ask(t, s.client, "POST", "/start", url.Values{"nonce": {wrong}},
			s.own()); r.StatusCode != http.StatusConflict {
			t.Errorf("nonce %q: %s", wrong, r.Status)
		}
	}
	if r := s.ask(t, s.client, "POST", "/start", url.Values{"nonce": {nonce}},
		s.own()); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("the nonce: %s", r.Status)
	}
	// The second of a double click is what the browser shows: it leads to the run that the first began.
	if r := s.ask(t, s.client, "POST", "/start", url.Values{"nonce": {nonce}},
		s.own()); r.StatusCode != http.StatusSeeOther || r.Header.Get("Location") != "/live?run=2" {
		t.Errorf("the nonce again: %s %s", r.Status, r.Header.Get("Location"))
	}
	if s.runner.started != 1 {
		t.Errorf("%d runs began", s.runner.started)
	}
}

func TestTwoBrowsersCannotBeginTwoRuns(t *testing.T) {
	s := serve(t, true)
	_, first := s.arm(t, "exposure.yaml")
	_, second := s.arm(t, "exposure.yaml")
	other := s.letIn(t)
	results := make(chan int, 2)
	for c, nonce := range map[*http.Client]string{s.client: first, other: second} {
		go func() {
			results <- s.ask(t, c, "POST", "/start", url.Values{"nonce": {nonce}}, s.own()).StatusCode
		}()
	}
	a, b := <-results, <-results
	if a+b != http.StatusSeeOther+http.StatusConflict || s.runner.started != 1 {
		t.Errorf("%d and %d, %d runs", a, b, s.runner.started)
	}
	// Nor can anybody arm while one is being done.
	_, page := s.get(t, "/plan?file=exposure.yaml")
	if !strings.Contains(page, "a run is being done") {
		t.Error("the plan page does not say that a run is being done")
	}
}

func TestAnArmingStepShowsTheWorstCaseAndRefusesAPlanThatChanged(t *testing.T) {
	s := serve(t, true)
	path, _ := s.arm(t, "exposure.yaml")
	_, page := s.get(t, path)
	for _, want := range []string{"amplifier input", "amplifier output", "cable current", "tightest",
		"burns and radiates"} {
		if !strings.Contains(page, want) {
			t.Errorf("the arming step does not say %q", want)
		}
	}
	write(t, s.dir, "exposure.yaml", []byte(strings.Replace(exposurePlan, "dwell: 1 s", "dwell: 2 s", 1)))
	r := s.ask(t, s.client, "POST", "/arm", url.Values{"file": {"exposure.yaml"}, "stamp": {"0123456789abcdef"}},
		s.own())
	if r.StatusCode != http.StatusConflict {
		t.Errorf("a plan that changed since it was shown: %s", r.Status)
	}
	write(t, s.dir, "exposure.yaml", []byte(exposurePlan+"mode: constant drive\ndrive: 10 dBm\n"))
	_, page = s.get(t, "/plan?file=exposure.yaml")
	if !strings.Contains(page, "Refused by") {
		t.Error("the page does not say that ratings refuse the plan")
	}
	stamp := regexp.MustCompile(`name="stamp" value="([0-9a-f]+)"`).FindStringSubmatch(page)[1]
	if r := s.ask(t, s.client, "POST", "/arm", url.Values{"file": {"exposure.yaml"}, "stamp": {stamp}},
		s.own()); r.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("a plan over a rating: %s", r.Status)
	}
}

func TestRFOffNeedsNoNonceAndNoScript(t *testing.T) {
	s := serve(t, true)
	_, page := s.get(t, "/live")
	if !strings.Contains(page, `<form id="rf-off" method="post" action="/off"><button`) ||
		!strings.Contains(page, "No answer?") {
		t.Error("RF off is not a plain form")
	}
	if r := s.ask(t, s.client, "POST", "/off", url.Values{}, s.own()); r.StatusCode != http.StatusOK {
		t.Errorf("%s", r.Status)
	}
	if s.runner.offs != 1 {
		t.Errorf("RF off reached the runner %d times", s.runner.offs)
	}
}

func TestWishesReachTheEngine(t *testing.T) {
	s := serve(t, true)
	if r := s.ask(t, s.client, "POST", "/hold", url.Values{}, s.own()); r.StatusCode != http.StatusConflict {
		t.Errorf("hold without a run: %s", r.Status)
	}
	s.runner.state = web.State{Underway: true, Run: 3}
	for _, path := range []string{"/hold", "/go", "/stop", "/mark"} {
		if r := s.ask(t, s.client, "POST", path, url.Values{"text": {"display dark"}},
			s.own()); r.StatusCode != http.StatusSeeOther {
			t.Errorf("%s: %s", path, r.Status)
		}
	}
	want := []engine.Command{{Want: engine.HoldRun}, {Want: engine.GoOn}, {Want: engine.Finish},
		{Want: engine.Mark, Text: "display dark"}}
	if fmt.Sprint(s.runner.told) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", s.runner.told, want)
	}
}

func TestAPromptIsAnsweredOnThePage(t *testing.T) {
	s := serve(t, true)
	if r := s.ask(t, s.client, "POST", "/answer", url.Values{"number": {"7"}, "text": {" -27.4 dBm "}},
		s.own()); r.StatusCode != http.StatusSeeOther {
		t.Errorf("%s", r.Status)
	}
	if r := s.ask(t, s.client, "POST", "/answer", url.Values{"number": {"6"}, "text": {"done"}},
		s.own()); r.StatusCode != http.StatusConflict {
		t.Errorf("a prompt that is not shown any more: %s", r.Status)
	}
	if len(s.runner.told) != 1 || s.runner.told[0].Text != "-27.4 dBm" {
		t.Errorf("the answer is %v", s.runner.told)
	}
}

func TestNoFileOutsideTheFolderIsReached(t *testing.T) {
	s := serve(t, true)
	secret := filepath.Join(filepath.Dir(s.dir), "secret.yaml")
	if err := os.WriteFile(secret, []byte("provoke: plan 1\nname: secret\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	defer os.Remove(secret)
	if err := os.Symlink(secret, filepath.Join(s.dir, "link.yaml")); err != nil {
		t.Skip("no symbolic links here")
	}
	for _, name := range []string{"../secret.yaml", "..%2fsecret.yaml", secret, "link.yaml", ".hidden.yaml",
		"belt-weigher.provoke"} {
		for _, page := range []string{"/plan?file=", "/bench?file="} {
			if status, body := s.get(t, page+url.QueryEscape(name)); status == http.StatusOK ||
				strings.Contains(body, "name: secret") {
				t.Errorf("%s%s: %d", page, name, status)
			}
		}
		form := url.Values{"file": {name}, "text": {"provoke: plan 1\n"}, "stamp": {""}}
		if r := s.ask(t, s.client, "POST", "/plan/save", form, s.own()); r.StatusCode < 400 {
			t.Errorf("written as %s: %s", name, r.Status)
		}
	}
}

func TestNothingThatSomebodyTypedBecomesMarkup(t *testing.T) {
	s := serve(t, true)
	bad := `<img src=x onerror=alert(1)>"'</script>`
	r := s.ask(t, s.client, "POST", "/note", url.Values{"run": {"3"}, "text": {bad}}, s.own())
	if r.StatusCode != http.StatusSeeOther {
		t.Fatalf("note: %s", r.Status)
	}
	for _, path := range []string{"/live?run=3", "/findings?run=3", "/findings?at=" + url.QueryEscape(bad),
		"/plan?file=" + url.QueryEscape(bad)} {
		if _, body := s.get(t, path); strings.Contains(body, "<img src=x") {
			t.Errorf("%s shows what was typed as markup", path)
		}
	}
}
