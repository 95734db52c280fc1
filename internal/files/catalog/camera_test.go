package catalog_test

import (
	"strings"
	"testing"

	"provoke/internal/files/catalog"
)

const cameraMonitor = `monitors:
  - id: CAM1
    kind: camera
    url: "http://192.0.2.1/stream"
    every: 40 ms
    tolerance: 0.05 kg
    silence: 2 s
    credentials: env CAMERA_LOGIN
    regions:
      - name: weight
        look_for: digits
        at: [10, 20, 140, 48]
        places: 5
        lessons: [{file: a.jpg, shows: "12.34"}]
      - {name: lamp, look_for: lamp, at: [200, 20, 24, 24]}
      - {name: label, look_for: reference, at: [10, 100, 64, 24]}
`

func withPictures(monitors string) (*catalog.Bench, error) {
	file := strings.Replace(leastBench, "MONITORS", monitors, 1)
	b, list := catalog.Parse("bench.yaml", []byte(file), func(string) ([]byte, error) { return []byte("picture"), nil })
	return b, list.Err()
}

func TestACameraIsReadFromTheBenchFile(t *testing.T) {
	b, err := withPictures(cameraMonitor)
	if err != nil {
		t.Fatal(err)
	}
	m := b.Monitors[0]
	w := m.Regions[0]
	if len(m.Regions) != 3 || w.Box.Dx() != 140 || w.Box.Min.Y != 20 || w.Places != 5 ||
		w.Lessons[0].Shows != "12.34" ||
		string(w.Lessons[0].Picture) != "picture" || m.Credentials != "env CAMERA_LOGIN" || m.Unit != "kg" {
		t.Errorf("%+v", m)
	}
	if len(b.Files) != 1 {
		t.Errorf("%d files go with the job", len(b.Files))
	}
}

func TestACameraThatCannotWatchIsRefused(t *testing.T) {
	for change, want := range map[string]string{
		`url: "http://192.0.2.1/stream"|silence: 2 s`: "needs url or command",
		`every: 40 ms|command: [grab]`:                "one of the two",
		`//192.0.2.1/stream|//me:hush@192.0.2.1/stream`: "has a name or a " +
			"password in it",
		"every: 40 ms|every: 1 ms": "at most 60 pictures " +
			"a second",
		"    tolerance: 0.05 kg\n|":               "has no tolerance",
		"look_for: lamp|look_for: colour":         "is not one of",
		"at: [10, 20, 140, 48]|at: [10, 20, 140]": "3 numbers",
		"        places: 5\n|":                    "no places",
		"name: lamp, look_for: lamp|name: weight, look_for: " +
			"lamp": `two regions are called "weight"`,
		"look_for: lamp, at|look_for: lamp, places: 3, at":                                    "has no places",
		"env CAMERA_LOGIN|me:hush":                                                            "does not say where",
		"look_for: reference, at|look_for: digits, places: 2, at":                             "two displays",
		`look_for: reference, at|lessons: [{file: b.jpg, shows: x}], look_for: reference, at`: "is not taught",
	} {
		from, to, _ := strings.Cut(change, "|")
		if !strings.Contains(cameraMonitor, from) {
			t.Fatalf("%q is not in the file", from)
		}
		text := strings.Replace(cameraMonitor, from, to, 1)
		if strings.HasPrefix(change, "url") {
			text = strings.Replace(text, "    silence: 2 s\n", "", 1)
		}
		_, err := withPictures(text)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", change, err)
		}
		if err != nil && strings.Contains(err.Error(), "hush") {
			t.Errorf("the password is told: %v", err)
		}
	}
}

func TestTheBrowserIsACameraToo(t *testing.T) {
	by := strings.Replace(strings.Replace(cameraMonitor, `"http://192.0.2.1/stream"`, "browser", 1),
		"    credentials: env CAMERA_LOGIN\n", "", 1)
	b, err := withPictures(by)
	if err != nil || !b.Monitors[0].ByBrowser() {
		t.Fatalf("%v", err)
	}
	if on := catalog.OnlookersOf(b.Monitors); len(on) != 1 || !strings.Contains(on[0].Says,
		"the camera of the browser") {
		t.Errorf("told as %v", on)
	}
	if _, err := withPictures(by + "    credentials: env CAMERA_LOGIN\n"); err == nil ||
		!strings.Contains(err.Error(), "the browser's camera has no credentials") {
		t.Errorf("with credentials: %v", err)
	}
	if b, err := withPictures(cameraMonitor); err != nil || b.Monitors[0].ByBrowser() {
		t.Errorf("a camera of the network: %v", err)
	}
}
