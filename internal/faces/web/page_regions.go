package web

import (
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"provoke/internal/bench/camera"
	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/job/event"
)

// Regions of a camera are drawn on its picture (static/regions.js); what is drawn goes into the text of the bench file,
// which the Bench page then shows before it is saved.

// regionsPage is a camera monitor with its regions.
type regionsPage struct {
	Frame   frame
	File    string
	Stamp   string
	Cameras []string // monitors of the file
	Monitor string   // the one that is shown; empty for a new one
	Source  string   // where its pictures come from
	Browser bool
	Rows    []regionRow
	Blank   regionRow
}

// regionRow is a region as a form holds it.
type regionRow struct {
	N                              string
	Was                            string // its number in the file; empty for a new one
	Name, LookFor                  string
	X, Y, Width, Height            int
	Places, Decimals, Lessons, Why string
}

// Questions are what a region may be looked at for.
func (regionRow) Questions() []string {
	return []string{catalog.LookForChange, catalog.LookForLamp, catalog.LookForDigits, catalog.LookForReference}
}

// camerasOf are the camera monitors of a bench file, whatever else is wrong with it, and their places in its list.
func camerasOf(text string) (ids []string, paths map[string]string) {
	at := document.LayoutOf(text)
	paths = map[string]string{}
	for i := range at.Size("monitors") {
		path := fmt.Sprintf("monitors[%d]", i)
		kind, _ := at.Find(path + ".kind")
		if id, ok := at.Find(path + ".id"); ok && kind.Text == string(catalog.MonitorCamera) {
			ids = append(ids, id.Text)
			paths[id.Text] = path
		}
	}
	return ids, paths
}

// cameraPage shows a camera of a bench file, for its regions to be drawn.
func (s *Server) cameraPage(w http.ResponseWriter, r *http.Request) error {
	p := regionsPage{Frame: s.frameFor(r, "Bench"), File: r.FormValue("file"), Blank: regionRow{N: "N"}}
	if p.File == "" {
		files, err := s.folder.list("bench")
		if err != nil {
			return err
		}
		if len(files) == 0 {
			return withStatus(http.StatusNotFound, "the folder has no bench file yet: begin one on the Bench page")
		}
		p.File = files[0].Name
	}
	data, err := s.folder.read(p.File)
	if err != nil {
		return err
	}
	text := string(data)
	p.Stamp = stamp(data)
	var paths map[string]string
	p.Cameras, paths = camerasOf(text)
	p.Monitor = r.FormValue("monitor")
	if p.Monitor == "" && len(p.Cameras) > 0 && r.FormValue("new") == "" {
		p.Monitor = p.Cameras[0]
	}
	p.Frame.Title = "Camera of " + p.File
	p.Browser = true
	if p.Monitor == "" {
		return s.draw(w, "regions", p)
	}
	path, ok := paths[p.Monitor]
	if !ok {
		return withStatus(http.StatusNotFound, "%s has no camera called %s", p.File, p.Monitor)
	}
	bench, _ := catalog.Parse(p.File, data, s.folder.beside)
	if m := cameraIn(bench, p.Monitor); m != nil {
		p.Source, p.Browser = m.PicturesFrom(), m.ByBrowser()
	}
	at := document.LayoutOf(text)
	value := func(path string) string { w, _ := at.Find(path); return w.Text }
	for i := range at.Size(path + ".regions") {
		one := fmt.Sprintf("%s.regions[%d].", path, i)
		row := regionRow{N: strconv.Itoa(i), Was: strconv.Itoa(i), Name: value(one + "name"),
			LookFor: value(one + "look_for"), Places: value(one + "places"), Decimals: value(one + "decimals")}
		box, _ := document.Listed(value(one + "at"))
		for k, to := range []*int{&row.X, &row.Y, &row.Width, &row.Height} {
			if k < len(box) {
				*to, _ = strconv.Atoi(box[k]) // what is no number is a problem of the file, told on the Bench page
			}
		}
		p.Rows = append(p.Rows, row)
	}
	return s.draw(w, "regions", p)
}

// cameraIn is a camera monitor of a bench; nil for none.
func cameraIn(b *catalog.Bench, id string) *catalog.Monitor {
	if b == nil {
		return nil
	}
	i := slices.IndexFunc(b.Monitors, func(m catalog.Monitor) bool {
		return m.Kind == catalog.MonitorCamera && m.ID == id
	})
	if i < 0 {
		return nil
	}
	return &b.Monitors[i]
}

// regionsDrawn puts regions as they were drawn into the text of the bench file, and shows that unsaved.
func (s *Server) regionsDrawn(w http.ResponseWriter, r *http.Request) error {
	b := formedBench{name: r.PostFormValue("file"), stamp: r.PostFormValue("stamp")}
	data, err := s.folder.read(b.name)
	if err != nil {
		return err
	}
	if b.text = string(data); stamp(data) != b.stamp {
		return withStatus(http.StatusConflict, "%s was changed meanwhile: draw the regions on the page as it is now",
			b.name)
	}
	_, paths := camerasOf(b.text)
	id := r.PostFormValue("monitor")
	path, ok := paths[id]
	if !ok && id != "" {
		return withStatus(http.StatusNotFound, "%s has no camera called %s", b.name, id)
	}
	if id == "" {
		lines := []string{"id: " + blockKind{begins: "CAM"}.newID(b.text), "kind: camera", "url: browser",
			"silence: 3 s", "regions: []"}
		text, err := document.Add(b.text, "monitors", lines, true)
		b.take("monitors", text, err)
		path = fmt.Sprintf("monitors[%d]", document.LayoutOf(b.text).Size("monitors")-1)
	}
	b.putRegions(path+".regions", r)
	b.opened = path
	return s.showBench(w, r, b)
}

// putRegions writes the rows of a form into the text: what was changed, what is new, and without what was taken out.
func (b *formedBench) putRegions(path string, r *http.Request) {
	rows := map[int]string{}
	var numbers, kept []int
	for name := range r.PostForm {
		if n, ok := strings.CutSuffix(strings.TrimPrefix(name, "r."), ".name"); ok {
			if i, err := strconv.Atoi(n); err == nil && len(rows) < mostDrawn {
				rows[i] = n
				numbers = append(numbers, i)
			}
		}
	}
	slices.Sort(numbers)
	field := func(i int, key string) string { return strings.TrimSpace(r.PostFormValue("r." + rows[i] + "." + key)) }
	set := func(path, value string, plain bool) {
		was, _ := document.Find(b.text, path)
		if was.Text == value || value == "" && was.Text == "" {
			return
		}
		text, err := document.Set(b.text, path, value, plain)
		b.take(path, text, err)
	}
	before := document.LayoutOf(b.text).Size(path)
	for _, i := range numbers {
		box := fmt.Sprintf("[%s, %s, %s, %s]", field(i, "x"), field(i, "y"), field(i, "width"), field(i, "height"))
		was, err := strconv.Atoi(field(i, "was"))
		if err != nil || was < 0 || was >= before {
			was = document.LayoutOf(b.text).Size(path)
			if _, there := document.Find(b.text, path); !there {
				set(path, "[]", false)
			}
			text, err := document.Add(b.text, path, []string{"name: " + document.Inline(field(i, "name")),
				"look_for: " + document.Inline(field(i, "look_for")), "at: " + box}, true)
			b.take(path, text, err)
		} else {
			kept = append(kept, was)
		}
		one := fmt.Sprintf("%s[%d]", path, was)
		set(one+".name", field(i, "name"), true)
		set(one+".look_for", field(i, "look_for"), true)
		if now, _ := document.Find(b.text, one+".at"); strings.ReplaceAll(now.Text, " ", "") !=
			strings.ReplaceAll(box, " ", "") {
			set(one+".at", box, false)
		}
		digits := field(i, "look_for") == catalog.LookForDigits
		for _, key := range []string{"places", "decimals"} {
			if digits {
				set(one+"."+key, field(i, key), false)
			} else {
				set(one+"."+key, "", false)
			}
		}
		b.addLessons(one+".lessons", field(i, "lessons"))
	}
	for i := before - 1; i >= 0; i-- {
		if !slices.Contains(kept, i) {
			text, err := document.Remove(b.text, fmt.Sprintf("%s[%d]", path, i))
			b.take(path, text, err)
		}
	}
}

// mostDrawn is how many regions a form may bring; the file takes fewer.
const mostDrawn = 100

// addLessons adds lessons, one a line: the file, a tabulator, what it shows.
func (b *formedBench) addLessons(path, lessons string) {
	for line := range strings.Lines(lessons) {
		file, shows, ok := strings.Cut(strings.TrimSpace(line), "\t")
		if !ok {
			continue
		}
		if _, there := document.Find(b.text, path); !there {
			text, err := document.Set(b.text, path, "[]", false)
			b.take(path, text, err)
		}
		text, err := document.Add(b.text, path, []string{"file: " + strconv.Quote(file),
			"shows: " + strconv.Quote(shows)}, true)
		b.take(path, text, err)
	}
}

// keepLesson keeps a picture of the camera in the folder, as one of what a display or lamp shows, and answers with its
// name.
func (s *Server) keepLesson(w http.ResponseWriter, r *http.Request) error {
	picture, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	if _, err := camera.Decode(picture); err != nil {
		http.Error(w, err.Error(), http.StatusUnprocessableEntity)
		return nil
	}
	q := r.URL.Query()
	name := strings.ReplaceAll(fmt.Sprintf("lesson-%s-%s", shorten(q.Get("region"), 30), shorten(q.Get("shows"), 20)),
		".", "_")
	if name, err = s.folder.addCurve(name+".jpg", picture); err != nil {
		return err
	}
	io.WriteString(w, name)
	return nil
}

// seen answers with a picture of now of a camera of a bench file as it is saved, and switches it on for that. It goes
// off when nobody has asked for a while.
func (s *Server) seen(w http.ResponseWriter, r *http.Request) error {
	name, id := r.FormValue("file"), r.FormValue("monitor")
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	bench, _ := catalog.Parse(name, data, s.folder.beside)
	m := cameraIn(bench, id)
	if m == nil {
		return withStatus(http.StatusNotFound, "%s has no camera called %s", name, id)
	}
	shot, err := s.cfg.Runner.See(stamp(data)+id, *m)
	if err != nil {
		io.WriteString(w, event.Printable(err.Error())) // in place of a picture: the page tells it
		return nil
	}
	return sendShot(w, shot)
}
