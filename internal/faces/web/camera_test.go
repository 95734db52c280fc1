package web_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"net/http"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/simbench"
	"provoke/internal/faces/web/browser"
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
		for _, p := range strings.Split(s.ask(t, s.client, "GET", path, nil, nil).Header.Get("Permissions-Policy"), ", ") {
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
	for end := time.Now().Add(5 * time.Second); first == "" && time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		_, _, first = s.runner.page.Wanted()
	}
	got := make(chan camera.Picture, 200)
	go camera.Source{Page: &s.runner.page}.Stream(t.Context(), func(x camera.Picture) { got <- x })
	time.Sleep(2 * time.Second)
	if n := len(got); n < 8 || n > 25 {
		t.Errorf("%d pictures in 2 s, one in 100 ms wanted", n)
	}
	if status, _ := s.handsOver(t, s.client, "page=other&captured=1&sent=2", jpegOf(t, 32, 32)); status !=
		http.StatusConflict {
		t.Errorf("another page's picture: %d", status)
	}
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
