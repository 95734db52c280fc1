package web_test

import (
	"bytes"
	"fmt"
	"html"
	"mime/multipart"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/web/browser"
	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
)

// benchForm is the form of a bench page as a browser without scripts would send it.
func benchForm(page string) url.Values {
	form := url.Values{}
	_, page, _ = strings.Cut(page, `<form id="edit"`)
	page, _, _ = strings.Cut(page, "</form>")
	for _, m := range regexp.MustCompile(`<input [^>]*>`).FindAllString(page, -1) {
		name := regexp.MustCompile(`name="([^"]*)"`).FindStringSubmatch(m)
		value := regexp.MustCompile(`value="([^"]*)"`).FindStringSubmatch(m)
		if name != nil && !strings.Contains(m, `type="file"`) {
			form.Set(name[1], html.UnescapeString(append(value, "", "")[1]))
		}
	}
	for _, m := range regexp.MustCompile(`(?s)<textarea [^>]*name="([^"]*)"[^>]*>(.*?)</textarea>`).FindAllStringSubmatch(page,
		-1) {
		form.Set(m[1], strings.TrimPrefix(html.UnescapeString(m[2]), "\n")) // the first line end belongs to the tag
	}
	for _, m := range regexp.MustCompile(`(?s)<select [^>]*name="([^"]*)".*?</select>`).FindAllStringSubmatch(page, -1) {
		if chosen := regexp.MustCompile(`<option selected>([^<]*)`).FindStringSubmatch(m[0]); chosen != nil {
			form.Set(m[1], html.UnescapeString(chosen[1]))
		} else {
			form.Set(m[1], "")
		}
	}
	return form
}

// form fetches a page as it is, line ends and all.
func (s *site) form(t testing.TB, path string) string {
	t.Helper()
	r, err := s.client.Get(s.URL + path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Body.Close()
	var b bytes.Buffer
	b.ReadFrom(r.Body)
	return b.String()
}

// try changes the form and presses a button; it returns the page that comes.
func (s *site) try(t *testing.T, page, button string, change ...string) string {
	t.Helper()
	form := benchForm(page)
	for i := 0; i+1 < len(change); i += 2 {
		if _, ok := form[change[i]]; !ok {
			t.Fatalf("the form has no field %s", change[i])
		}
		form.Set(change[i], change[i+1])
	}
	form.Set("do", button)
	status, _, body := s.post(t, "/bench/try", form)
	if status != http.StatusOK {
		t.Fatalf("%s: %d %.200s", button, status, body)
	}
	return body
}

// The form as it comes back changes nothing: not a comment, not a blank.
func TestABenchFormThatIsSentBackChangesNothing(t *testing.T) {
	s := serve(t, false)
	template := must(os.ReadFile("../../../cmd/provoke/template/bench.yaml"))
	byHand := must(os.ReadFile("../../files/catalog/testdata/belt-weigher.yaml"))
	write(t, s.dir, "template.yaml", template)
	write(t, s.dir, "byhand.yaml", byHand)
	for _, name := range []string{"bench.yaml", "template.yaml", "byhand.yaml"} {
		page := s.form(t, "/bench?file="+name)
		want := string(must(os.ReadFile(filepath.Join(s.dir, name))))
		if got := normalEnds(benchForm(s.try(t, page, "")).Get("text")); got != want {
			t.Errorf("%s is changed by a form that nobody touched:\n%s", name, firstDifference(got, want))
		}
	}
}

func normalEnds(text string) string { return strings.ReplaceAll(text, "\r\n", "\n") }

func firstDifference(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	for i := range min(len(x), len(y)) {
		if x[i] != y[i] {
			return fmt.Sprintf("line %d: %q, was %q", i+1, x[i], y[i])
		}
	}
	return fmt.Sprintf("%d lines, were %d", len(x), len(y))
}

// From nothing to a bench file that the command line takes, by forms alone.
func TestABenchIsPutTogetherFromBlocks(t *testing.T) {
	s := serve(t, false)
	os.Remove(filepath.Join(s.dir, "bench.yaml"))
	page := s.form(t, "/bench")
	page = s.try(t, page, "add", "kind", "coupler")
	page = s.try(t, page, "add", "kind", "power_meter")
	page = s.try(t, page, "add", "kind", "to_amplifier")
	page = s.try(t, page, "up to_amplifier[1]")
	if text := benchForm(page).Get("text"); !strings.Contains(text, "to_amplifier:\n  - id: PAD3\n") {
		t.Fatalf("the new pad is not the first:\n%s", text)
	}
	page = s.try(t, page, "remove to_amplifier[0]")
	page = s.try(t, page, "find")
	if !strings.Contains(page, "INVENTED,GENERATOR,1,0") {
		t.Error("the instrument found is not shown")
	}
	page = s.try(t, page, "pick source=TCPIP::192.168.1.20::5025::SOCKET")
	fields := map[string]string{"source.band": "1 kHz to 80 MHz", "source.minimum": "1 mVpp",
		"source.maximum":       "10 Vpp",
		"to_amplifier[0].loss": "10 dB", "to_amplifier[0].maximum_power": "2 W", "amplifier.band": "100 kHz to 100 MHz",
		"amplifier.gain": "40 dB", "amplifier.compression": "36 dBm", "amplifier.saturation": "37 dBm",
		"amplifier.maximum_input": "0 dBm", "amplifier.reflected_limit": "37 dBm",
		"coupler.forward": "{flat: 30 dB, band: 100 kHz to 80 MHz}",
		"coupler.reverse": "{flat: 30 dB, band: 100 kHz to 80 MHz}", "coupler.loss": "0,2 dB",
		"coupler.maximum_power": "50 W",
		"power_meter.address":   "TCPIP::192.168.1.21::5025::SOCKET", "power_meter.maximum_input": "20 dBm",
		"clamp.insertion_loss": "{points: {150 kHz: 20 dB, 80 MHz: 9 dB}}", "clamp.maximum_forward": "10 W",
		"cable.maximum_current": "300 mA", "probe.transfer_impedance": "{points: {150 kHz: 10 dBΩ, 80 MHz: 14 dBΩ}}",
		"probe.maximum_current": "1 A", "to_analyser[0].loss": "20 dB", "to_analyser[0].maximum_power": "2 W",
		"analyser.address": "TCPIP::192.168.1.22::5025::SOCKET", "analyser.band": "9 kHz to 1 GHz",
		"analyser.maximum_input": "20 dBm", "analyser.mixer_limit": "-10 dBm", "analyser.floor": "-110 dBm",
		"power_meter.floor": "-60 dBm", "analyser.bandwidths": "[1 kHz, 10 kHz]"}
	var change []string
	for path, value := range fields {
		change = append(change, "f."+path, value)
	}
	page = s.try(t, page, "", change...)
	form := benchForm(page)
	if b, list := catalog.Parse("bench.yaml", []byte(form.Get("text")), nil); b == nil || list.Err() != nil {
		t.Fatalf("%v\n%s", list.Err(), form.Get("text"))
	}
	if !strings.Contains(page, "Bench: the chain at ") || !strings.Contains(page, " at most") {
		t.Error("the heading is no answer")
	}
	if status, to, _ := s.post(t, "/bench/save", form); status != 303 || to != "/bench?file=bench.yaml" {
		t.Errorf("save: %d to %q", status, to)
	}
	for path, value := range fields {
		if w, _ := document.Find(form.Get("text"), path); w.Text != value {
			t.Errorf("%s is %q, was typed as %q", path, w.Text, value)
		}
	}
}

// A refused value stays as it was typed, with what is wrong beside its field, saved or not.
func TestWhatIsRefusedOnABenchStaysAndStandsBesideItsField(t *testing.T) {
	s := serve(t, false)
	page := s.form(t, "/bench?file=bench.yaml")
	for typed, want := range map[string]string{"20": "unit", "20 dBm": "dB", "{csv: none.csv}": "none.csv", "{oh": "",
		"two\nlines": "", "FILL IN": "still blank", "<b>": ""} {
		got := s.try(t, page, "", "f.to_amplifier[0].loss", typed)
		beside := regexp.MustCompile(`(?s)<div id="p-to_amplifier\[0\]\.loss" data-part>(.*?)</div>`).FindStringSubmatch(got)
		if beside == nil || !strings.Contains(beside[1], "✕") ||
			!strings.Contains(html.UnescapeString(beside[1]), want) {
			t.Errorf("%q: beside the field stands %q", typed, beside)
		}
		if w, _ := document.Find(normalEnds(benchForm(got).Get("text")), "to_amplifier[0].loss"); w.Text != typed {
			t.Errorf("%q became %q", typed, w.Text)
		}
	}
	form := benchForm(page)
	form.Set("f.name", "typed by me")
	form.Set("stamp", "0000000000000000")
	if _, _, body := s.post(t, "/bench/save", form); !strings.Contains(body, "changed by somebody else") ||
		!strings.Contains(body, "name: typed by me") {
		t.Error("a file that somebody else changed: what was typed is lost")
	}
}

func TestNobodyIsAskedWhoHeIsDuringARun(t *testing.T) {
	s := serve(t, false)
	s.runner.state.Underway = true
	page := s.form(t, "/bench")
	if got := s.try(t, page, "find"); strings.Contains(got, "INVENTED") || !strings.Contains(got, "not while a run") {
		t.Error("instruments were looked for during a run")
	}
}

// drop sends the form of a page with a curve file for a key.
func (s *site) drop(t *testing.T, page, into, name, data string) string {
	t.Helper()
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	for key, values := range benchForm(page) {
		m.WriteField(key, values[0])
	}
	m.WriteField("into", into)
	part := must(m.CreateFormFile("file."+into, name))
	part.Write([]byte(data))
	m.Close()
	r := must(http.NewRequest("POST", s.URL+"/bench/curve", &body))
	r.Header.Set("Content-Type", m.FormDataContentType())
	r.Header.Set("Origin", s.URL)
	answer := must(s.client.Do(r))
	defer answer.Body.Close()
	var b bytes.Buffer
	b.ReadFrom(answer.Body)
	if answer.StatusCode != http.StatusOK {
		t.Fatalf("%s into %s: %s %.200s", name, into, answer.Status, b.String())
	}
	return b.String()
}

func TestACurveThatIsDroppedBecomesTheCurveOfItsBlock(t *testing.T) {
	s := serve(t, false)
	page := s.form(t, "/bench?file=bench.yaml")
	for name, x := range map[string]struct{ into, data, shown, is string }{
		"clamp.csv":  {"clamp.insertion_loss", "f/MHz;loss/dB\n0,1;8,1\n100;9,2\n", "CSV in dB", `{csv: "clamp.csv"}`},
		"probe.csv":  {"probe.transfer_impedance", "f (MHz),Zt (dBohm)\n0.1,10\n100,14\n", "CSV in dBΩ", `{csv: "probe.csv"}`},
		"line.s2p":   {"to_clamp[0].loss", "# MHz S DB R 50\n.1 -20 0 -.5 0 -.5 0 -20 0\n100 -18 0 -.9 0 -.9 0 -18 0\n", "Touchstone", `{touchstone: "line.s2p", parameter: S21, reading: loss}`},
		"amp.s2p":    {"amplifier.gain", "# MHz S DB R 50\n.1 -20 0 40 0 -50 0 -20 0\n100 -18 0 39 0 -50 0 -18 0\n", "Touchstone", `{touchstone: "amp.s2p", parameter: S21, reading: gain}`},
		"match.s2p":  {"clamp.return_loss", "# MHz S DB R 50\n.1 -2 0 -8 0 -8 0 -20 0\n100 -3 0 -8 0 -8 0 -18 0\n", "Touchstone", `{touchstone: "match.s2p", parameter: S11, reading: loss}`},
		"units.csv":  {"coupler.loss", "0.15;8.1\n80;9.2\n", "without units", `{csv: "units.csv", units: {frequency: FILL IN, value: FILL IN}}`},
		"words.csv":  {"coupler.loss", "these are words\nand more\n", "✕", "0.25 dB"},
		"a b,ü&.csv": {"to_amplifier[0].loss", "f/MHz;loss/dB\n0,1;8,1\n100;9,2\n", "CSV in dB", `{csv: "a-b-ü-.csv"}`},
	} {
		got := s.drop(t, page, x.into, name, x.data)
		text := normalEnds(benchForm(got).Get("text"))
		if w, _ := document.Find(text, x.into); w.Text != x.is || !strings.Contains(got, x.shown) {
			t.Errorf("%s: %s is %q", name, x.into, w.Text)
		}
		_, list := catalog.Parse("bench.yaml", []byte(text), func(n string) ([]byte, error) {
			return os.ReadFile(filepath.Join(s.dir, n))
		})
		if bad := list.Err() != nil; bad != slices.Contains([]string{"units.csv"}, name) {
			t.Errorf("%s: %v", name, list.Err())
		}
	}
	if _, err := os.Stat(filepath.Join(s.dir, "words.csv")); err == nil {
		t.Error("a file that holds no curve is kept")
	}
	again := s.drop(t, page, "clamp.insertion_loss", "clamp.csv", "f/MHz;loss/dB\n0,1;7\n100;8\n")
	if w, _ := document.Find(benchForm(again).Get("text"), "clamp.insertion_loss"); w.Text != `{csv: "clamp-2.csv"}` {
		t.Errorf("another curve of the same name: %s", w.Text)
	}
}

// manyPads is the canned bench with ten passive pieces and long names.
func manyPads(t testing.TB, s *site) string {
	text := string(must(os.ReadFile(filepath.Join(s.dir, "bench.yaml"))))
	for i := range 10 {
		list := []string{"to_amplifier", "to_clamp", "to_analyser"}[i%3]
		text = must(document.Add(text, list, []string{fmt.Sprintf("id: ATTENUATOR-OF-THE-OTHER-ROOM-%d", i),
			"kind: pad", "loss: 0.1 dB", "maximum_power: 50 W"}, true))
	}
	write(t, s.dir, "many.yaml", []byte(text))
	return "many.yaml"
}

// No text of the path leaves its block, no block lies over another, at any width, with a bench of many pieces.
func TestNothingOverlapsInTheSignalPath(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	many := manyPads(t, s)
	s.enter(p)
	for _, path := range []string{"/bench?file=bench.yaml", "/bench?file=bench.yaml&drive=3+Vpp", "/bench?file=" + many,
		"/findings?run=3&point=5"} {
		for _, width := range []int{390, 1280, 1920} {
			p.Size(width, 720)
			p.Go(s.URL + path)
			p.Wait(`globalThis.provoke`)
			p.Eval(`document.querySelectorAll("details").forEach(d => { if (d.querySelector(".path")) d.open = true; })`)
			if n := browser.Value[int](p, `document.querySelectorAll(".path .node").length`); n < 10 && strings.HasPrefix(path, "/bench") {
				t.Errorf("%s: %d blocks", path, n)
			}
			if n := browser.Value[int](p, `document.querySelectorAll(".path .node.worst").length`); n != 1 && strings.HasPrefix(path, "/bench") {
				t.Errorf("%s: %d blocks are marked as the worst", path, n)
			}
			if out := browser.Value[[]string](p, overflows); len(out) > 0 {
				t.Errorf("%s at %d: out of its box: %q", path, width, out)
			}
			if over := browser.Value[[]string](p, `(() => {
				const nodes = [...document.querySelectorAll(".path .node")].map(e => [e.innerText.split("\n")[0], e.getBoundingClientRect()]);
				const out = [];
				for (const [a, x] of nodes) for (const [b, y] of nodes) if (a < b && x.width && y.width &&
					x.left < y.right - 1 && y.left < x.right - 1 && x.top < y.bottom - 1 && y.top < x.bottom - 1) out.push(a + " over " + b);
				return out; })()`); len(over) > 0 {
				t.Errorf("%s at %d: %q", path, width, over)
			}
		}
	}
}

// overflows are the elements of a page whose text leaves their box, or that leave the window.
const overflows = `[...document.querySelectorAll("main *")].filter(e => e.checkVisibility() &&
	!e.closest(".wide, .editor, .uplot, svg, .say, select, #problems") && (e.scrollWidth > e.clientWidth + 1 &&
	e.clientWidth > 0 && getComputedStyle(e).display !== "inline" || e.getBoundingClientRect().right > innerWidth + 1))
	.map(e => e.outerHTML.slice(0, 90)).slice(0, 5)`

// The slider feels immediate: the server computes, and the page shows it.
func TestTheSliderIsImmediate(t *testing.T) {
	t.Parallel()
	p := browser.Open(t)
	s := serve(t, true)
	p.Size(1280, 720)
	s.enter(p)
	p.Go(s.URL + "/bench?file=bench.yaml")
	p.Wait(`globalThis.provoke`)
	var took []time.Duration
	for i := range 20 {
		ms := browser.Value[float64](p, fmt.Sprintf(`(async () => {
			const i = document.querySelector("#i"), was = document.querySelector("#title").innerText, begun = performance.now();
			i.value = %d; i.dispatchEvent(new Event("input", {bubbles: true}));
			while (document.querySelector("#title").innerText === was && performance.now() - begun < 5000) await new Promise(r => setTimeout(r, 1));
			return performance.now() - begun; })()`, 20+17*i))
		took = append(took, time.Duration(ms*1e6))
	}
	slices.Sort(took)
	t.Logf("figure: the chain follows the slider after %v (median), %v (the slowest of 20)",
		took[10].Round(time.Millisecond), took[19].Round(time.Millisecond))
	if took[10] > 250*time.Millisecond {
		t.Errorf("the slider takes %v", took[10])
	}
	if at := browser.Value[string](p, `document.querySelector("#at").value`); !strings.Contains(p.Text("#title"), at) {
		t.Errorf("the title is %q, the field says %q", p.Text("#title"), at)
	}
}
