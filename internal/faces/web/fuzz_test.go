package web_test

import (
	"bytes"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// marker is an element that no page of ours has; an answer that holds it took a text for markup.
const marker = `<zz onload="1">`

// FuzzForms: whatever somebody who was let in sends to a form, the server answers with a page that took
// nothing for markup, does not fail, writes nothing outside its folder, and only the forms meant for it
// reach the runner.
func FuzzForms(f *testing.F) {
	for i := range everyPost {
		f.Add(uint8(i), "text="+url.QueryEscape(marker), "", []byte(nil))
		f.Add(uint8(i), "", "../../x\x00.s2p", []byte("# MHz S RI R 50\n1 0 0\n"))
	}
	f.Add(uint8(9), "name=../x.yaml&text=a&shown=", "", []byte(nil))
	f.Add(uint8(10), "file=bench.yaml&stamp=&text=%ff%00", "", []byte(nil))
	f.Add(uint8(12), "kind=csv", "con.csv", []byte("f/MHz;Zt/dBΩ\n1;2\n"))
	f.Add(uint8(6), "text=%1b[2J%0aFORGED&by="+strings.Repeat("x", 5000), "", []byte(nil))
	f.Add(uint8(5), "number=99999999999999999999&text=7", "", []byte(nil))
	s := serve(f, true)
	cookie := s.client.Transport.(cookied).c
	host := strings.TrimPrefix(s.URL, "http://")
	above := filepath.Dir(s.dir)
	f.Fuzz(func(t *testing.T, which uint8, form, name string, file []byte) {
		path := everyPost[int(which)%len(everyPost)]
		s.runner.mu.Lock()
		offs, started := s.runner.offs, s.runner.started
		s.runner.mu.Unlock()
		// The files are those of the beginning, whatever was saved before.
		for _, n := range []string{"bench.yaml", "exposure.yaml"} {
			os.WriteFile(filepath.Join(s.dir, n), must(os.ReadFile(filepath.Join(cannedFolder, n))), 0o644)
		}
		before := names(t, above)
		for _, r := range []*http.Request{plainForm(path, form), uploaded(path, form, name, file)} {
			r.Host = host
			r.Header.Set("Origin", s.URL)
			r.AddCookie(cookie)
			w := httptest.NewRecorder()
			s.pages.ServeHTTP(w, r)
			if w.Code >= 500 {
				t.Fatalf("POST %s: %d\n%.300s", path, w.Code, w.Body)
			}
			if bytes.Contains(w.Body.Bytes(), []byte("<zz")) {
				t.Fatalf("POST %s: the answer holds markup of the sender", path)
			}
			if strings.HasPrefix(w.Header().Get("Content-Type"), "text/") && !utf8.Valid(w.Body.Bytes()) {
				t.Fatalf("POST %s: the answer is no UTF-8", path)
			}
			if to := w.Header().Get("Location"); strings.HasPrefix(to, "//") || strings.Contains(to, "://") {
				t.Fatalf("POST %s leads to %q", path, to)
			}
			if w.Body.Len() > 8<<20 {
				t.Fatalf("POST %s: an answer of %d bytes", path, w.Body.Len())
			}
		}
		s.runner.mu.Lock()
		defer s.runner.mu.Unlock()
		if path != "/off" && s.runner.offs != offs || path != "/start" && s.runner.started != started {
			t.Fatalf("POST %s reached the bench", path)
		}
		if after := names(t, above); after != before {
			t.Fatalf("POST %s: above its folder lay %s and lies %s", path, before, after)
		}
		for _, e := range must(os.ReadDir(s.dir)) {
			if e.IsDir() || strings.ContainsAny(e.Name(), "/\\\x00\n\x1b") {
				t.Fatalf("POST %s made %q", path, e.Name())
			}
		}
	})
}

func names(t testing.TB, dir string) string {
	var out []string
	for _, e := range must(os.ReadDir(dir)) {
		out = append(out, e.Name())
	}
	return strings.Join(out, " ")
}

func plainForm(path, form string) *http.Request {
	r := httptest.NewRequest("POST", path, strings.NewReader(form))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return r
}

// uploaded sends the same fields as several parts, with a file in the fields that take one.
func uploaded(path, form, name string, file []byte) *http.Request {
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	fields, _ := url.ParseQuery(form)
	for k, list := range fields {
		for _, v := range list {
			m.WriteField(k, v)
		}
	}
	for _, field := range []string{"photo", "file", "curve"} {
		if w, err := m.CreateFormFile(field, name); err == nil {
			w.Write(file)
		}
	}
	m.Close()
	r := httptest.NewRequest("POST", path, &body)
	r.Header.Set("Content-Type", m.FormDataContentType())
	return r
}

// FuzzAddresses: whatever stands in an address, the answer is no failure and holds no markup of it; the
// offer to a stranger to come again leads to this server.
func FuzzAddresses(f *testing.F) {
	for _, p := range pagePaths {
		f.Add(strings.TrimPrefix(p, "/"), true)
	}
	f.Add("findings?run=-1&at=1e999", true)
	f.Add("/elsewhere.example/x", false)
	f.Add("\\\\elsewhere.example", false)
	f.Add("attachment/../../etc/passwd", true)
	f.Add("plan?file=..%2f..%2fx.yaml&x=%3Czz%3E", true)
	f.Add("compare?before=1&after=99999999999999999999", true)
	s := serve(f, true)
	cookie := s.client.Transport.(cookied).c
	host := strings.TrimPrefix(s.URL, "http://")
	f.Fuzz(func(t *testing.T, address string, in bool) {
		u, err := url.ParseRequestURI("/" + address)
		if err != nil || strings.Contains(u.Path, "stream") {
			return
		}
		r := httptest.NewRequest("GET", "/", nil)
		r.URL, r.RequestURI, r.Host = u, "/"+address, host
		r.Header.Set("Sec-Fetch-Site", map[bool]string{true: "same-origin", false: "cross-site"}[in])
		if in {
			r.AddCookie(cookie)
		}
		w := httptest.NewRecorder()
		s.pages.ServeHTTP(w, r)
		body := w.Body.String()
		if w.Code >= 500 || strings.Contains(body, "<zz") || w.Body.Len() > 16<<20 {
			t.Fatalf("GET /%s: %d, %d bytes\n%.300s", address, w.Code, len(body), body)
		}
		for _, bad := range []string{`href="//`, `href="\\`, `href="/\`, "javascript:", `action="//`} {
			if strings.Contains(body, bad) {
				t.Fatalf("GET /%s: the answer holds %s", address, bad)
			}
		}
	})
}
