package web_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web/browser"
	"provoke/internal/files/catalog"
)

// jpegOf is a grey picture.
func jpegOf(t testing.TB, width, height int) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewYCbCr(image.Rect(0, 0, width, height), image.YCbCrSubsampleRatio420),
		nil); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// handsOver sends a picture as a page does and returns the answer.
func (s *site) handsOver(t testing.TB, c *http.Client, query string, picture []byte) (int, string) {
	t.Helper()
	r, err := http.NewRequest("POST", s.URL+"/camera/picture?"+query, bytes.NewReader(picture))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Origin", s.URL)
	answer, err := c.Do(r)
	if err != nil {
		return 0, err.Error() // the server let go of a body that is too long
	}
	defer answer.Body.Close()
	return answer.StatusCode, bodyOf(answer)
}

func TestWhatAHostilePageHandsOverIsRefused(t *testing.T) {
	s := serve(t, true)
	good := jpegOf(t, 320, 192)
	const now = "page=a&captured=1000&sent=1010"
	if status, text := s.handsOver(t, s.client, now, good); status != http.StatusOK ||
		!strings.Contains(text, "no run") {
		t.Errorf("no run wants it: %d %s", status, text)
	}
	defer s.runner.page.Want(100 * time.Millisecond)()
	huge := bytes.Clone(good)
	at := bytes.Index(huge, []byte{0xff, 0xc0})
	binary.BigEndian.PutUint16(huge[at+5:], 30000)
	binary.BigEndian.PutUint16(huge[at+7:], 30000)
	for what, x := range map[string]struct {
		client  *http.Client
		query   string
		picture []byte
		status  int
		says    string
	}{
		"no cookie":               {http.DefaultClient, now, good, http.StatusUnauthorized, ""},
		"no cookie, a large body": {http.DefaultClient, now, make([]byte, 3<<19), http.StatusRequestEntityTooLarge, ""},
		"30,000 × 30,000 pixels":  {s.client, now, huge, http.StatusUnprocessableEntity, "30000 × 30000 pixels"},
		"cut short":               {s.client, now, good[:len(good)-9], http.StatusUnprocessableEntity, "cut short"},
		"no picture": {s.client, now, []byte("<script>alert(1)</script>"), http.StatusUnprocessableEntity,
			"no picture"},
		"3 MiB":            {s.client, now, make([]byte, 3<<20), http.StatusRequestEntityTooLarge, ""},
		"an old picture":   {s.client, "page=a&captured=1000&sent=9000", good, http.StatusUnprocessableEntity, "old"},
		"no time":          {s.client, "page=a&captured=&sent=10", good, http.StatusBadRequest, ""},
		"not a number":     {s.client, "page=a&captured=NaN&sent=10", good, http.StatusBadRequest, ""},
		"before the clock": {s.client, "page=a&captured=-1&sent=10", good, http.StatusBadRequest, ""},
		"no page":          {s.client, "captured=1&sent=10", good, http.StatusBadRequest, ""},
		"a long name": {s.client, "captured=1&sent=10&page=" + strings.Repeat("x", 300), good, http.StatusBadRequest,
			""},
	} {
		if status, text := s.handsOver(t, x.client, x.query, x.picture); status != x.status &&
			!(x.status == http.StatusRequestEntityTooLarge && status == 0) || !strings.Contains(text, x.says) {
			t.Errorf("%s: %d %.200s", what, status, text)
		}
		if _, _, by := s.runner.page.Wanted(); by != "" {
			t.Fatalf("%s: it counts as sent", what)
		}
	}
	if status, text := s.handsOver(t, s.client, now, good); status != http.StatusNoContent {
		t.Errorf("a picture: %d %s", status, text)
	}
	if status, text := s.handsOver(t, s.client, "page=b&captured=1&sent=2", good); status != http.StatusConflict ||
		!strings.Contains(text, "another page") {
		t.Errorf("a second page: %d %s", status, text)
	}
}

func TestOnlyTheCameraMayBeAskedForAndOnlyByThePage(t *testing.T) {
	s := serve(t, true)
	for name, path := range pagePaths {
		got := map[string]bool{}
		h := s.ask(t, s.client, "GET", path, nil, nil).Header
		for _, p := range strings.Split(h.Get("Permissions-Policy"), ", ") {
			got[p] = true
		}
		for _, want := range []string{"camera=(self)", "microphone=()", "geolocation=()", "usb=()", "serial=()"} {
			if !got[want] {
				t.Errorf("%s: the policy does not say %s: %v", name, want, got)
			}
		}
	}
}

// Whoever has no camera, or may not use it, is told what to do; nothing is sent.
func TestACameraThatIsNotToBeHadIsTold(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, want string
		flags      []string
	}{
		{"refused", "does not allow it", []string{"use-fake-device-for-media-stream", "deny-permission-prompts"}},
		{"none", "no camera is found", []string{"use-fake-ui-for-media-stream"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := browser.Open(t, c.flags...)
			s := serve(t, true)
			enough := s.runner.page.Want(100 * time.Millisecond)
			s.enter(p)
			p.Wait(`!document.querySelector("#camera").hidden && document.querySelector("#camera").innerText.includes("no page sends its pictures")`)
			p.Click("#camera [data-do=on]")
			p.Wait(fmt.Sprintf(`document.querySelector("#camera").innerText.includes(%q)`, c.want))
			if on := browser.Value[string](p, `document.querySelector("#camera").dataset.on`); on != "no" {
				t.Errorf("the sign says %q", on)
			}
			if _, _, by := s.runner.page.Wanted(); by != "" {
				t.Errorf("%q sends", by)
			}
			enough()
			p.Wait(`document.querySelector("#camera").hidden`)
		})
	}
}

// Of two pages one sends, the other says so and lets its camera be; the first is let go of when its tab is closed.
func TestTwoPagesAreOneCamera(t *testing.T) {
	t.Parallel()
	p := browser.Open(t, browser.WithCamera(filmOf(t))...)
	s := serve(t, true)
	enough := s.runner.page.Want(100 * time.Millisecond)
	s.enter(p)
	p.Click("#camera [data-do=on]")
	p.Wait(`document.querySelector("#camera").innerText.includes("its pictures go to the run")`)
	var first string
	for end := time.Now().Add(5 * time.Second); first == "" && time.Now().Before(end); {
		time.Sleep(20 * time.Millisecond)
		_, _, first = s.runner.page.Wanted()
	}
	got := make(chan time.Duration, 200) // how old each picture is
	go camera.Source{Page: &s.runner.page}.Stream(t.Context(), func(x camera.Picture) {
		got <- time.Since(x.Arrived)
	})
	time.Sleep(2 * time.Second)
	n := len(got)
	if n < 8 || n > 25 {
		t.Errorf("%d pictures in 2 s, one in 100 ms wanted", n)
	}
	var ages []time.Duration
	for range n {
		ages = append(ages, <-got)
	}
	slices.Sort(ages)
	t.Logf("figure: browser's camera: pictures are taken %v after their exposure, median of %d; %v to %v",
		ages[n/2].Round(time.Millisecond), n, ages[0].Round(time.Millisecond), ages[n-1].Round(time.Millisecond))
	if ages[0] < 0 {
		t.Error("a picture is of the future")
	}
	// one that takes half a second to be encoded belongs to when it was exposed all the same
	const slow = 500 * time.Millisecond
	p.Eval(`(() => { const blob = HTMLCanvasElement.prototype.toBlob; HTMLCanvasElement.prototype.toBlob = function (done, ...how) { blob.call(this, b => setTimeout(done, 500, b), ...how); }; })()`)
	time.Sleep(slow)
	for len(got) > 0 {
		<-got
	}
	for range 3 {
		if age := <-got; age < slow || age > slow+2*time.Second {
			t.Errorf("a picture that was encoded for %v is said to be %v old", slow, age)
		}
	}
	if status, _ := s.handsOver(t, s.client, "page=other&captured=1&sent=2", jpegOf(t, 32, 32)); status !=
		http.StatusConflict {
		t.Errorf("another page's picture: %d", status)
	}
	began := time.Now()
	p.Go(s.URL + "/words") // any page of the tab goes on
	p.Wait(`document.querySelector("#camera")?.dataset.on === "yes"`)
	s.runner.page.Leave(first, "taken over")
	for end := time.Now().Add(5 * time.Second); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if _, _, by := s.runner.page.Wanted(); by != "" && by != first {
			break
		}
	}
	if _, _, by := s.runner.page.Wanted(); by == "" || by == first {
		t.Errorf("%q sends after the page was left", by)
	}
	t.Logf("figure: browser's camera: another page of the tab sends its pictures %v after the first was left",
		time.Since(began).Round(10*time.Millisecond))
	p.Click("#camera [data-do=off]")
	p.Wait(`document.querySelector("#camera").dataset.on === "no"`)
	if status, text := s.handsOver(t, s.client, "page=other&captured=3&sent=4", jpegOf(t, 32, 32)); status !=
		http.StatusNoContent {
		t.Errorf("another page after the first switched its camera off: %d %s", status, text)
	}
	p.Wait(`document.querySelector("#camera").dataset.on === "elsewhere" && document.querySelector("#camera [data-do=on]").hidden`)
	s.runner.page.Leave("other", "it was closed")
	enough()
	p.Wait(`document.querySelector("#camera").hidden && !document.querySelector("#camera video").srcObject`)
	p.Go(s.URL + "/")
	p.Wait(`globalThis.provoke && document.querySelector("#camera").hidden`)
	defer s.runner.page.Want(100 * time.Millisecond)()
	p.Wait(`!document.querySelector("#camera").hidden`)
	if on := browser.Value[string](p, `document.querySelector("#camera").dataset.on`); on != "no" {
		t.Errorf("a run after the next switches the camera on by itself: %q", on)
	}
	for _, c := range p.Complaints() {
		if !strings.Contains(c, "409") {
			t.Error(c)
		}
	}
}

// filmOf is a film for a browser's camera: two seconds of a display.
func filmOf(t testing.TB) string {
	t.Helper()
	var b bytes.Buffer
	sim := simbench.New(simbench.Config{Seed: 1, Camera: &simbench.CameraView{Rate: 25}})
	defer sim.Close()
	if err := sim.Film(&b, 2*time.Second, "12.34"); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	write(t, dir, "film.mjpeg", b.Bytes())
	return filepath.Join(dir, "film.mjpeg")
}

// withCamera writes a bench beside that of a site, with a camera of the browser that has one region with a comment and
// one for digits, and returns the path of its page.
func (s *site) withCamera(t testing.TB) string {
	t.Helper()
	text := string(must(os.ReadFile(filepath.Join(s.dir, "bench.yaml"))))
	write(t, s.dir, "filmed.yaml", []byte(strings.Replace(text, "monitors:\n",
		"monitors:\n  - id: CAM1 # on the tripod\n    kind: camera\n    url: browser\n    silence: 3 s\n"+
			"    regions:\n      - {name: lamp, look_for: lamp, at: [232, 72, 24, 24]} # red when it fails\n"+
			"      - {name: label of the case, look_for: reference, at: [40, 144, 64, 24]}\n", 1)))
	return "/camera?file=filmed.yaml&monitor=CAM1"
}

// Regions are drawn with the mouse and with the keyboard, a picture is kept as a lesson, and what the bench file then
// holds is what was drawn, its comments kept.
func TestRegionsAreDrawnOnThePicture(t *testing.T) {
	t.Parallel()
	p := browser.Open(t, browser.WithCamera(filmOf(t))...)
	s := serve(t, true)
	p.Size(1280, 900)
	s.enter(p)
	p.Go(s.URL + s.withCamera(t))
	p.Wait(`globalThis.provoke && document.querySelectorAll(".view svg g").length === 2`)
	p.Click("#camera [data-do=on]")
	p.Wait(`document.querySelector("#camera video").videoWidth === 320`)
	p.Eval(`new Promise(r => setTimeout(r, 300))`)
	if lit := browser.Value[float64](p, `(() => { const d = document.querySelector(".view canvas").getContext("2d").getImageData(60, 70, 80, 40).data; let m = 0; for (let i = 0; i < d.length; i += 4) m = Math.max(m, d[i]); return m; })()`); lit < 150 {
		t.Errorf("the picture is dark where the display stands: %v", lit)
	}

	// by mouse: from the display's upper left corner to its lower right one
	p.Eval(`document.querySelector(".view").scrollIntoView({block: "center", behavior: "instant"})`)
	p.Drag(".view svg", 50.0/320, 64.0/192, 190.0/320, 112.0/192)
	p.Wait(`document.querySelectorAll("[data-region]").length === 3`)
	row := `[...document.querySelectorAll("[data-region]")].at(-1)`
	p.Eval(`(() => { const r = ` + row + `; for (const [k, v] of Object.entries({name: "weight", look_for: "digits", places: "5"})) { const e = r.querySelector('[name$=".' + k + '"]'); e.value = v; e.dispatchEvent(new Event("input", {bubbles: true})); } })()`)
	p.Eval(`(() => { const e = ` + row + `.querySelector("[data-shows]"); e.value = "12.34"; ` + row + `.querySelector("[data-do=teach]").click(); })()`)
	p.Wait(row + `.querySelector("[data-lessons]").textContent.startsWith("12.34: kept")`)

	// by keyboard: one is added, moved by 10 + 1 to the left and 1 up, made 2 wider, and named
	p.Eval(`document.querySelector("#add-region").focus()`)
	p.Press("\r")
	p.Wait(`document.querySelectorAll("[data-region]").length === 4 && document.activeElement === document.querySelector(".view svg").lastElementChild`)
	before := browser.Value[[]int](p, boxOfLast)
	p.Eval(`(() => { const press = (key, o) => document.activeElement.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true, cancelable: true, ...o})); press("ArrowLeft", {ctrlKey: true}); press("ArrowLeft"); press("ArrowUp"); press("ArrowRight", {shiftKey: true}); press("ArrowRight", {shiftKey: true}); })()`)
	after := browser.Value[[]int](p, boxOfLast)
	if want := []int{before[0] - 11, before[1] - 1, before[2] + 2, before[3]}; !slices.Equal(after, want) {
		t.Errorf("the arrow keys led from %v to %v, not to %v", before, after, want)
	}
	p.Eval(`(() => { const e = ` + row + `.querySelector('[name$=".name"]'); e.value = "case"; e.dispatchEvent(new Event("input", {bubbles: true})); })()`)
	p.Eval(`(() => { const g = document.querySelector(".view svg").firstElementChild; g.focus(); g.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowDown", bubbles: true, cancelable: true})); })()`)

	p.Click("#drawn button.go")
	p.Wait(`location.pathname === "/bench/regions" && document.querySelector("#unsaved b") && document.querySelector("#text")`)
	text := browser.Value[string](p, `document.querySelector("#text").value`)
	for _, want := range []string{"id: CAM1 # on the tripod", "red when it fails", "at: [232, 73, 24, 24]",
		"name: case"} {
		if !strings.Contains(text, want) {
			t.Errorf("the text has no %q:\n%s", want, text)
		}
	}
	list := must(os.ReadDir(s.dir))
	kept := slices.IndexFunc(list, func(e os.DirEntry) bool {
		return strings.HasPrefix(e.Name(), "lesson-weight-12_34")
	})
	if kept < 0 {
		t.Fatalf("no lesson is in the folder: %v", list)
	}
	b, _ := catalog.Parse("filmed.yaml", []byte(text), func(name string) ([]byte, error) {
		return os.ReadFile(filepath.Join(s.dir, name))
	})
	var got []catalog.CameraRegion
	for _, m := range b.Monitors {
		if m.ID == "CAM1" {
			got = m.Regions
		}
	}
	if len(got) != 4 {
		t.Fatalf("%d regions:\n%s", len(got), text)
	}
	near := func(a, b image.Rectangle, by int) bool {
		d := func(x, y int) bool { return x-y <= by && y-x <= by }
		return d(a.Min.X, b.Min.X) && d(a.Min.Y, b.Min.Y) && d(a.Max.X, b.Max.X) && d(a.Max.Y, b.Max.Y)
	}
	w := got[2]
	if w.Name != "weight" || w.LookFor != catalog.LookForDigits || w.Places != 5 || len(w.Lessons) != 1 ||
		!near(w.Box, image.Rect(50, 64, 190, 112), 2) {
		t.Errorf("drawn by mouse: %+v", w)
	}
	if len(w.Lessons) == 1 {
		l := w.Lessons[0]
		if m, err := camera.Decode(l.Picture); err != nil || m.Rect.Dx() != 320 || l.Shows != "12.34" {
			t.Errorf("its lesson shows %q: %v", l.Shows, err)
		}
	}
	if c := got[3]; c.Name != "case" || c.LookFor != catalog.LookForChange ||
		c.Box != image.Rect(after[0], after[1], after[0]+after[2], after[1]+after[3]) {
		t.Errorf("drawn by keyboard: %+v, not %v", c, after)
	}
	for _, c := range p.Complaints() {
		t.Error(c)
	}
}

const boxOfLast = `["x", "y", "width", "height"].map(k => +[...document.querySelectorAll("[data-region]")].at(-1).querySelector('[name$=".' + k + '"]').value)`

// Of two cameras the one that is chosen is taken, its exposure and focus are held once it has settled, and the sign can
// be read at every width.
func TestTheCameraThatIsChosenIsTakenAndHeld(t *testing.T) {
	t.Parallel()
	p := browser.Open(t, "use-fake-device-for-media-stream=device-count=2", "use-fake-ui-for-media-stream")
	s := serve(t, true)
	defer s.runner.page.Want(100 * time.Millisecond)()
	s.enter(p)
	p.Wait(`!document.querySelector("#camera").hidden`)
	for _, on := range []bool{false, true} {
		if on {
			p.Click("#camera [data-do=on]")
			p.Wait(`!document.querySelector("#camera select").parentElement.hidden && document.querySelector("#camera video").videoWidth`)
		}
		for _, size := range sizes {
			p.Size(size.width, size.height)
			for _, what := range browser.Value[[]string](p, fit) {
				t.Errorf("camera on %v, %s: %s", on, size.name, what)
			}
			if on {
				p.Eval(`scrollTo({top: 5000, behavior: "instant"})`)
				if !browser.Value[bool](p, `(r => r.top >= 0 && r.bottom <= innerHeight && r.height > 10)(document.querySelector("#camera p").getBoundingClientRect())`) {
					t.Errorf("%s: the sign is out of sight while the camera is on", size.name)
				}
			}
		}
	}
	p.Eval(`(() => { const e = document.querySelector("#camera select"); e.selectedIndex = 1; e.dispatchEvent(new Event("change", {bubbles: true})); })()`)
	p.Wait(`document.querySelector("#camera video").srcObject?.getVideoTracks()[0].getSettings().deviceId === document.querySelector("#camera select").options[1].value`)
	p.Wait(`(s => s.exposureMode === "manual" && s.focusMode === "manual")(document.querySelector("#camera video").srcObject.getVideoTracks()[0].getSettings())`)
	for _, c := range p.Complaints() {
		t.Error(c)
	}
}
