package web_test

import (
	"flag"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"golang.org/x/net/html"
	"pgregory.net/rapid"
)

// A form is filled in and sent as a browser without scripts does it: everything that the page holds is sent, and
// what a test types into it goes where a person would type it.

// nodes finds the elements of a tree that a test wants.
func nodes(n *html.Node, want func(*html.Node) bool) (out []*html.Node) {
	for m := range n.Descendants() {
		if m.Type == html.ElementNode && want(m) {
			out = append(out, m)
		}
	}
	return out
}

func attribute(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, key string) bool {
	for _, a := range n.Attr {
		if a.Key == key {
			return true
		}
	}
	return false
}

func wordsOf(n *html.Node) string {
	var b strings.Builder
	for m := range n.Descendants() {
		if m.Type == html.TextNode {
			b.WriteString(m.Data)
		}
	}
	return b.String()
}

// byID returns the words of an element; empty where the page has none.
func byID(page *html.Node, id string) string {
	for _, n := range nodes(page, func(n *html.Node) bool { return attribute(n, "id") == id }) {
		return strings.Join(strings.Fields(wordsOf(n)), " ")
	}
	return ""
}

// formTo returns what a form sends that can be sent to an address; nil where the page has none.
func formTo(page *html.Node, action string) url.Values {
	for _, f := range nodes(page, func(n *html.Node) bool { return n.Data == "form" }) {
		to := attribute(f, "action") == action
		for _, b := range nodes(f, func(n *html.Node) bool { return n.Data == "button" }) {
			to = to || attribute(b, "formaction") == action
		}
		if to {
			return valuesOf(f)
		}
	}
	return nil
}

func valuesOf(form *html.Node) url.Values {
	out := url.Values{}
	for _, n := range nodes(form, func(n *html.Node) bool { return has(n, "name") && !has(n, "disabled") }) {
		name := attribute(n, "name")
		switch n.Data {
		case "textarea":
			out.Add(name, strings.ReplaceAll(wordsOf(n), "\n", "\r\n"))
		case "select":
			options := nodes(n, func(n *html.Node) bool { return n.Data == "option" })
			for i, o := range options {
				if has(o, "selected") || i == 0 {
					out.Set(name, attribute(o, "value"))
				}
			}
		case "input":
			if kind := attribute(n, "type"); kind == "checkbox" && !has(n, "checked") || kind == "submit" {
				continue
			}
			out.Add(name, attribute(n, "value"))
		}
	}
	return out
}

// sent is what came of a request, after the redirects that a browser follows.
type sent struct {
	status int
	path   string
	page   *html.Node
}

func (s *site) follow(t rapid.TB, method, path string, form url.Values) sent {
	for range 5 {
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
			r.Header.Set("Origin", s.URL)
		}
		answer, err := s.client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		page, err := html.Parse(answer.Body)
		answer.Body.Close()
		if err != nil {
			t.Fatal(err)
		}
		if answer.StatusCode != http.StatusSeeOther {
			return sent{answer.StatusCode, path, page}
		}
		method, path, form = "GET", answer.Header.Get("Location"), nil
	}
	t.Fatal("one redirect leads to the next")
	return sent{}
}

// aTab is a page with a form, and what a person sees in it: the values that he typed or that the page showed, of the
// one key that the test changes. Two of them contradict each other.
type aTab struct {
	page *html.Node
	form url.Values
	see  map[string]bool
}

// anArming is an arming page, with what the person saw in the form when he asked for it, and what it shows.
type anArming struct {
	nonce, saw, shows string
	follows           string            // of a fixing loop
	files             map[string]string // as they were
}

// tabs are two tabs before one folder.
type tabs struct {
	*site
	file, page, key string
	bench           string
	values          []string
	shown           map[string]string // a value as the arming page shows it
	tabs            [2]*aTab
	arms            []*anArming
}

func (m *tabs) disk() map[string]string {
	out := map[string]string{}
	for _, name := range []string{m.file, m.bench, "level.csv"} {
		if data, err := os.ReadFile(filepath.Join(m.dir, name)); err == nil {
			out[name] = string(data)
		}
	}
	return out
}

func (m *tabs) valueIn(text string) string {
	if v := regexp.MustCompile(`(?m)^` + m.key + `: (.*?)\s*$`).FindStringSubmatch(text); v != nil {
		return strings.Trim(v[1], `"`)
	}
	return ""
}

// takes puts a page into a tab, as the browser does with an answer.
func (m *tabs) takes(tab *aTab, page *html.Node) {
	form := formTo(page, "/"+m.page+"/save")
	if form == nil {
		return // a page of another kind: the person goes back to the form as it stands
	}
	tab.page, tab.form = page, form
	tab.see = map[string]bool{m.valueIn(form.Get("text")): true}
	if v := form.Get("f." + m.key); v != "" {
		tab.see[v] = true
	}
}

func (m *tabs) load(t *rapid.T, tab *aTab) {
	m.takes(tab, m.follow(t, "GET", "/"+m.page+"?file="+m.file, nil).page)
}

// armed sends the form that leads to arming, and everything else that the page shows in the form of the file: what a
// person sees counts, wherever the page's forms end.
func (m *tabs) arm(t *rapid.T, tab *aTab) {
	form := formTo(tab.page, "/arm")
	if form == nil {
		return
	}
	for key := range form {
		if v, ok := tab.form[key]; ok && key != "file" {
			form[key] = v
		}
	}
	form.Set("label", "by a test")
	loop := rapid.SampledFrom([]string{"", "27.12 MHz", "2.2 MHz; 27.12 MHz"}).Draw(t, "fixing loop")
	if form.Del("fix"); m.page == "plan" && loop != "" {
		form.Set("fix", "yes")
		form.Set("more", loop)
	}
	got := m.follow(t, "POST", "/arm", form)
	if !strings.HasPrefix(got.path, "/arm/") {
		if got.status < 400 {
			t.Fatalf("arming was neither done nor refused: %d %s", got.status, got.path)
		}
		if m.takes(tab, got.page); form.Has("fix") && tab.form.Get("more") != loop {
			t.Fatalf("%q was typed, refused and is gone", loop)
		}
		return
	}
	start := formTo(got.page, "/start")
	if start == nil {
		t.Fatalf("the arming page has no way to start: %d", got.status)
	}
	if len(tab.see) != 1 {
		t.Fatalf("armed although the form contradicts itself: %v", tab.see)
	}
	saw := ""
	for v := range tab.see {
		saw = v
	}
	shows := byID(got.page, "wanted")
	if shows == "" {
		shows = byID(got.page, "main")
	}
	follows := ""
	if form.Has("fix") {
		follows = strings.ReplaceAll(loop, ";", ",")
	}
	if time := byID(got.page, "time"); strings.Contains(time, "fixing loop") != (follows != "") ||
		!strings.Contains(time, follows) {
		t.Fatalf("a loop of %q was armed, and the arming page shows %s", follows, time)
	}
	m.arms = append(m.arms, &anArming{start.Get("nonce"), saw, shows, follows, m.disk()})
	if !strings.Contains(shows, m.shown[saw]) {
		t.Fatalf("the form showed %s, and the arming page shows %s", saw, shows)
	}
}

// start says yes on an arming page, and looks at what runs.
func (m *tabs) start(t *rapid.T, a *anArming) {
	before := m.runner.started
	got := m.follow(t, "POST", "/start", url.Values{"nonce": {a.nonce}})
	if m.runner.started == before {
		if got.status < 400 && !strings.HasPrefix(got.path, "/live") {
			t.Fatalf("nothing began, and the page says %d %s", got.status, got.path)
		}
		return
	}
	if m.runner.started != before+1 {
		t.Fatal("two runs began")
	}
	runs := m.runner.prepared
	if v := m.valueIn(string(runs.Plan.Bytes)); v != a.saw {
		t.Fatalf("the form and the arming page showed %s, and %s runs", a.saw, v)
	}
	var follows []string
	if runs.Fix != nil {
		for _, f := range runs.Fix.At {
			follows = append(follows, f.String())
		}
	}
	if text := strings.Join(follows, ", "); text != a.follows {
		t.Fatalf("the arming page showed a loop of %q, and one of %q runs", a.follows, text)
	}
	now := m.disk()
	for name, text := range a.files {
		if now[name] != text {
			t.Fatalf("%s was another one when the run began than when the arming page was shown", name)
		}
	}
	if string(runs.Plan.Bytes) != now[m.file] {
		t.Fatal("what runs is not what is in the folder")
	}
	m.runner.mu.Lock()
	m.runner.state.Underway = false
	m.runner.mu.Unlock()
}

// types puts a value into the field of the key.
func (m *tabs) types(tab *aTab, v string) {
	other := m.valueIn(strings.ReplaceAll(tab.form.Get("text"), "\r", ""))
	tab.form.Set("f."+m.key, v)
	tab.see = map[string]bool{v: true}
	if o := tab.form.Get("o." + m.key); other != o {
		tab.see[other] = true // the text was changed too, and nobody has checked since
		if v == o {
			tab.see = map[string]bool{other: true}
		}
	}
}

// steps are what people do, in any order.
func (m *tabs) steps() map[string]func(*rapid.T) {
	pick := func(t *rapid.T) *aTab { return m.tabs[rapid.IntRange(0, 1).Draw(t, "tab")] }
	value := func(t *rapid.T) string { return rapid.SampledFrom(m.values).Draw(t, "value") }
	arming := func(t *rapid.T) *anArming {
		if len(m.arms) == 0 {
			t.Skip("nothing is armed")
		}
		return m.arms[rapid.IntRange(0, len(m.arms)-1).Draw(t, "arming")]
	}
	return map[string]func(*rapid.T){
		"load": func(t *rapid.T) { m.load(t, pick(t)) },
		"type into the field": func(t *rapid.T) {
			m.types(pick(t), value(t))
		},
		"type into the text": func(t *rapid.T) {
			tab, v := pick(t), value(t)
			text := tab.form.Get("text")
			tab.form.Set("text", strings.Replace(text, m.key+": "+m.valueIn(strings.ReplaceAll(text, "\r", "")),
				m.key+": "+v, 1))
			tab.see = map[string]bool{v: true}
			if f, o := tab.form.Get("f."+m.key), tab.form.Get("o."+m.key); f != o {
				tab.see[f] = true
				if v == o {
					tab.see = map[string]bool{f: true}
				}
			}
		},
		"check": func(t *rapid.T) {
			tab := pick(t)
			m.takes(tab, m.follow(t, "POST", "/"+m.page+"/try", tab.form).page)
		},
		"save": func(t *rapid.T) {
			tab := pick(t)
			m.takes(tab, m.follow(t, "POST", "/"+m.page+"/save", tab.form).page)
		},
		"arm":         func(t *rapid.T) { m.arm(t, pick(t)) },
		"arm twice":   func(t *rapid.T) { tab := pick(t); m.arm(t, tab); m.arm(t, tab) },
		"start":       func(t *rapid.T) { m.start(t, arming(t)) },
		"start twice": func(t *rapid.T) { a := arming(t); m.start(t, a); m.start(t, a) },
		"another program writes the plan": func(t *rapid.T) {
			data := must(os.ReadFile(filepath.Join(m.dir, m.file)))
			was := m.valueIn(string(data))
			must(0, os.WriteFile(filepath.Join(m.dir, m.file),
				[]byte(strings.Replace(string(data), m.key+": "+was, m.key+": "+value(t), 1)), 0o644))
		},
		"another program writes the bench": func(t *rapid.T) {
			data := must(os.ReadFile(filepath.Join(m.dir, m.bench)))
			must(0, os.WriteFile(filepath.Join(m.dir, m.bench), append(data, "# looked at\n"...), 0o644))
		},
		"another program writes the curve": func(t *rapid.T) {
			must(0, os.WriteFile(filepath.Join(m.dir, "level.csv"), []byte(fmt.Sprintf("Frequency (Hz),Loss (dB)\n"+
				"1e5,%d\n1e8,%d\n", 9+rapid.IntRange(0, 1).Draw(t, "loss"), 10)), 0o644))
		},
	}
}

// However two tabs edit, check, save and arm, and whatever happens to the files meanwhile: what runs is what the form
// showed when it was armed and what the arming page showed, or nothing runs.
func TestWhatIsCheckedIsWhatIsArmed(t *testing.T) {
	t.Parallel()
	for _, way := range []tabs{
		{file: "exposure.yaml", bench: "bench.yaml", page: "plan", key: "level",
			values: []string{"60 dBµA", "70 dBµA", "75.5 dBµA"},
			shown: map[string]string{"60 dBµA": "60.0 dBµA", "70 dBµA": "70.0 dBµA", "75.5 dBµA": "75.5 dBµA",
				"iec-61000-4-6/level-2": "80.0 dBµA"}},
		{file: "sweep.yaml", bench: "hand.yaml", page: "sweep", key: "drive",
			values: []string{"-35 dBm", "-40 dBm", "-32.5 dBm"},
			shown: map[string]string{"-30 dBm": "-30.0 dBm", "-35 dBm": "-35.0 dBm", "-40 dBm": "-40.0 dBm",
				"-32.5 dBm": "-32.5 dBm"}},
	} {
		t.Run(way.page, func(t *testing.T) {
			t.Parallel()
			s := serve(t, true)
			s.sweeps(t)
			way.site = s
			clean := way.disk()
			clean[way.bench] = strings.Replace(clean[way.bench], "    loss: 10 dB\n", "    loss: {csv: level.csv}\n", 1)
			if !strings.Contains(clean[way.bench], "level.csv") {
				t.Fatal("the bench has no pad to give a curve to")
			}
			// for the test's time
			for _, wide := range [][2]string{{"step: 5 %", "step: 60 %"}, {"to: 30 MHz", "to: 1.2 MHz"}} {
				clean[way.file] = strings.Replace(clean[way.file], wide[0], wide[1], 1)
			}
			clean["level.csv"] = "Frequency (Hz),Loss (dB)\n1e5,10\n1e8,10\n"
			if !testing.Short() && flag.Lookup("rapid.checks").Value.String() == "100" {
				flag.Set("rapid.checks", "40") // for the test's time: each does about thirty things
			}
			rapid.Check(t, func(t *rapid.T) {
				m := way
				s.runner.mu.Lock()
				s.runner.state.Underway = false
				s.runner.mu.Unlock()
				for name, text := range clean {
					must(0, os.WriteFile(filepath.Join(s.dir, name), []byte(text), 0o644))
				}
				m.tabs = [2]*aTab{{}, {}}
				m.load(t, m.tabs[0])
				m.load(t, m.tabs[1])
				if m.tabs[0].form == nil {
					t.Fatal("the page has no form")
				}
				// What the page got wrong once: typed, not saved, armed.
				m.types(m.tabs[0], m.values[0])
				m.arm(t, m.tabs[0])
				before := s.runner.started
				m.start(t, m.arms[0])
				if s.runner.started != before+1 {
					t.Fatal("what was typed, armed and accepted did not run")
				}
				t.Repeat(m.steps())
			})
			t.Logf("figure: %d runs began, each of what was shown", s.runner.started)
		})
	}
}
