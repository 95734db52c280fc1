package web

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"provoke/internal/files/problem"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/units/english"
)

// Config is a page server.
type Config struct {
	Runner Runner
	// JobFile is the job that the pages show; it is made when something is first written to it.
	JobFile string
	// Dir is the folder of the bench and plan files.
	Dir string
	// Hosts are the names, with their port, under which this server may be asked, lower case.
	Hosts []string
	// Token is a standing token that lets a browser in; empty: one-time addresses only.
	Token string
	// Beyond says that other computers reach this server: RF off then needs a session or the token, as all else does.
	Beyond bool
	// TLS says that the server is reached over TLS.
	TLS bool
	// Program is the version of the program.
	Program string
	// Archive is asked over all jobs; zero where none is set.
	Archive Archive
	// Hands are what the program can do at this bench in place of a person.
	Hands []Hand
	// Simulate brings up the simulated bench, once; nil where there is none to be had.
	Simulate func() (Simulated, error)
	// Connections is how many there may be at once, where that is fewer than a server takes by itself:
	// what the system's file descriptors allow. 0 for no limit of the system's.
	Connections int
	// Now is the wall clock; nil means time.Now.
	Now func() time.Time
	// Log takes what goes wrong inside; nil means slog.Default.
	Log *slog.Logger
}

// Server is the pages of one bench and one job. Make it with New, end it with Close.
type Server struct {
	cfg     Config
	doors   *doors
	journal *journal
	folder  *folder
	hosts   map[string]bool
	handler http.Handler
	arms    *armings
	wardens *wardens
	crowd   *crowd
	moments *moments
	// quietAt is when “RF off” last read the benches of the folder back, in nanoseconds of the wall clock; 0 for never.
	quietAt atomic.Int64

	found     found        // instruments, when somebody looked last
	marked    atomic.Int64 // when "it upset now" was last said here, in ns
	handing   sync.Mutex
	simulated []Hand // of the simulated bench, once it was brought up; guarded by handing

	answering sync.Mutex // guards what follows
	answers   int        // requests that are being answered
	closed    bool
}

// New makes a server. It opens nothing until it is asked.
func New(cfg Config) (*Server, error) {
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.Log == nil {
		cfg.Log = slog.Default()
	}
	s := &Server{cfg: cfg, doors: newDoors(cfg.Now, cfg.Token), journal: &journal{path: cfg.JobFile},
		hosts: map[string]bool{}}
	for _, h := range cfg.Hosts {
		s.hosts[strings.ToLower(h)] = true
	}
	var err error
	if s.folder, err = openFolder(cfg.Dir); err != nil {
		return nil, err
	}
	s.arms, s.crowd = newArmings(cfg.Now), newCrowd(cfg.Connections)
	s.wardens = newWardens(s.abandoned)
	s.moments = &moments{make: s.liveNow, seen: map[int]moment{}}
	s.handler = s.guarded(s.routes())
	return s, nil
}

// abandoned ends a run that nobody attends any more, unless it has ended.
func (s *Server) abandoned(run int, why string) {
	if st := s.cfg.Runner.State(); st.Underway && st.Run == run {
		s.cfg.Runner.Tell(engine.Command{Want: engine.Abort, Text: why})
	}
}

// answeredWithin is how long Close waits for requests that are still being answered.
const answeredWithin = 5 * time.Second

// Close takes no request any more, waits a short time for those that are being answered, and ends the
// use of the job file and the folder, so that nothing is opened after it.
func (s *Server) Close() error {
	s.answering.Lock()
	s.closed = true
	for end := time.Now().Add(answeredWithin); s.answers > 0 && time.Now().Before(end); {
		s.answering.Unlock()
		time.Sleep(time.Millisecond)
		s.answering.Lock()
	}
	s.answering.Unlock()
	return errors.Join(s.journal.close(), s.folder.close())
}

// ServeHTTP answers one request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !s.counted(1) {
		http.Error(w, "the server is closing", http.StatusServiceUnavailable)
		return
	}
	defer s.counted(-1)
	s.handler.ServeHTTP(w, r)
}

// counted counts the requests that are being answered; false when none is taken any more.
func (s *Server) counted(by int) bool {
	s.answering.Lock()
	defer s.answering.Unlock()
	if by > 0 && s.closed {
		return false
	}
	s.answers += by
	return true
}

// Entrance returns the path of a new one-time address: it lets one browser in and is then used up.
func (s *Server) Entrance() string { return "/enter?token=" + s.doors.issue() }

//go:embed static templates vendored
var content embed.FS

func (s *Server) routes() http.Handler {
	m := http.NewServeMux()
	page := func(pattern string, h func(http.ResponseWriter, *http.Request) error) {
		m.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if err := h(w, r); err != nil {
				s.fail(w, r, err)
			}
		})
	}
	m.HandleFunc("GET /enter", s.enter)
	m.HandleFunc("POST /enter", s.enter)
	m.Handle("GET /static/", cached(http.FileServerFS(content)))
	m.Handle("GET /vendored/", cached(http.FileServerFS(content)))
	page("GET /{$}", s.jobPage)
	page("POST /jobs", s.newJob)
	page("POST /jobs/open", s.openJob)
	page("POST /about", s.describeJob)
	page("POST /simulated", s.simulate)
	page("POST /entrances", s.newEntrance)
	page("POST /hands/{n}", s.hand)
	page("GET /live", s.livePage)
	page("GET /live/stream", s.stream)
	page("GET /live/camera", s.sight)
	page("POST /camera/picture", s.pictureTaken)
	page("POST /camera/left", s.cameraLeft)
	page("POST /off", s.off)
	page("POST /resume", s.resume)
	page("POST /hold", s.want(engine.HoldRun))
	page("POST /go", s.want(engine.GoOn))
	page("POST /stop", s.want(engine.Finish))
	page("POST /mark", s.want(engine.Mark))
	page("POST /fix", s.fix)
	page("POST /fixing/in", s.inLoop(simply(engine.HandsIn)))
	page("POST /fixing/out", s.inLoop(s.handsOut))
	page("POST /fixing/present", s.inLoop(simply(engine.Present)))
	page("POST /fixing/sign", s.inLoop(simply(engine.Sign)))
	page("POST /fixing/refer", s.inLoop(simply(engine.Refer)))
	page("POST /fixing/point", s.inLoop(movePoint))
	page("POST /answer", s.answer)
	page("POST /note", s.note)
	page("POST /photo", s.photo)
	page("GET /attachments/{hash}", s.attachment)
	page("GET /plan", s.planPage)
	page("POST /plan/try", s.planTried)
	page("POST /plan/save", s.planSaved)
	page("POST /plan/quick", s.quickLook)
	page("POST /plan/within", s.within)
	page("GET /sweep", s.sweepPage)
	page("POST /sweep/try", s.sweepTried)
	page("POST /sweep/save", s.sweepSaved)
	page("POST /arm", s.prepare)
	page("GET /arm/{id}", s.armPage)
	page("POST /start", s.start)
	page("GET /bench", s.benchPage)
	page("POST /bench/try", s.benchTried)
	page("POST /bench/save", s.benchSaved)
	page("POST /bench/chain", s.chainOnly)
	page("POST /bench/curve", s.addCurveFile)
	page("GET /camera", s.cameraPage)
	page("POST /camera/look", s.seen)
	page("POST /camera/lesson", s.keepLesson)
	page("POST /bench/regions", s.regionsDrawn)
	page("GET /findings", s.findingsPage)
	page("POST /findings/close", s.closeLook)
	page("GET /compare", s.comparePage)
	page("GET /beside", s.laboratoryPage)
	page("GET /report", s.reportPage)
	page("GET /report/{file}", s.reportFile)
	page("POST /laboratory", s.keepLaboratory)
	page("GET /words", s.wordsPage)
	page("GET /archive", s.archivePage)
	page("/", func(w http.ResponseWriter, r *http.Request) error {
		return withStatus(http.StatusNotFound, "there is no page %s", r.URL.Path)
	})
	return m
}

// cached lets a browser keep files of this program for as long as it asks whether they changed.
func cached(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		data, err := fs.ReadFile(content, strings.TrimPrefix(r.URL.Path, "/"))
		if err != nil {
			http.NotFound(w, r)
			return
		}
		sum := sha256.Sum256(data)
		w.Header().Set("Cache-Control", "no-cache")
		w.Header().Set("ETag", `"`+hex.EncodeToString(sum[:8])+`"`)
		h.ServeHTTP(w, r)
	})
}

// statusError is an error with the HTTP status that it is answered with.
type statusError struct {
	status int
	err    error
}

func (e *statusError) Error() string { return e.err.Error() }
func (e *statusError) Unwrap() error { return e.err }

func withStatus(status int, format string, args ...any) error {
	return &statusError{status, fmt.Errorf(format, args...)}
}

// fail answers a request that could not be done, in the page's own words.
func (s *Server) fail(w http.ResponseWriter, r *http.Request, err error) {
	status := http.StatusInternalServerError
	var se *statusError
	var tooBig *http.MaxBytesError
	switch {
	case errors.As(err, &se):
		status = se.status
	case errors.As(err, &tooBig):
		status, err = http.StatusRequestEntityTooLarge, fmt.Errorf("this is larger than the %d MB that are taken",
			tooBig.Limit>>20)
	case errors.Is(err, errNoRun), errors.Is(err, store.ErrNoRun), errors.Is(err, os.ErrNotExist):
		status = http.StatusNotFound
	case errors.Is(err, ErrUnderway), errors.Is(err, ErrIdle):
		status = http.StatusConflict
	default:
		if _, ok := problem.ListOf(err); ok {
			status = http.StatusUnprocessableEntity
		}
	}
	if status == http.StatusInternalServerError {
		s.cfg.Log.Error("answer a request", "path", r.URL.Path, "error", err)
	}
	list, _ := problem.ListOf(err)
	page := refusedPage{Frame: s.frameFor(r, ""), Status: status, Words: err.Error(), Typed: typed(r),
		Again: r.URL.Path}
	for _, p := range list {
		p.File = baseOf(p.File)
		page.Problems = append(page.Problems, p)
	}
	w.WriteHeader(status)
	s.draw(w, "refused", page)
}

// refuse answers with a status and words.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, words string) {
	w.WriteHeader(status)
	s.draw(w, "refused", refusedPage{Frame: s.frameFor(r, ""), Status: status, Words: words})
}

type refusedPage struct {
	Frame    frame
	Status   int
	Words    string
	Problems problem.List
	// Typed is what was typed into a plain form, so that it is not lost; Again is where it goes.
	Typed []typedField
	Again string
}

// typedField is one field of a form that was refused.
type typedField struct {
	Name, Label, Value string
	Hidden             bool
}

// typedInto are the fields of the forms that are answered with a page of their own where they are refused, in order.
var typedInto = map[string][]typedField{
	"/note":   {{Name: "job", Hidden: true}, {Name: "run", Hidden: true}, {Name: "text", Label: "Note"}},
	"/answer": {{Name: "number", Hidden: true}, {Name: "text", Label: "Answer"}},
}

// typed returns what was typed into a form.
func typed(r *http.Request) []typedField {
	if r.Method != http.MethodPost {
		return nil
	}
	var out []typedField
	for _, f := range typedInto[r.URL.Path] {
		f.Value = r.PostFormValue(f.Name)
		out = append(out, f)
	}
	return out
}

// frame is what every page has around it.
type frame struct {
	Here     string // the page's place in the navigation
	Title    string
	Job      string // name of the job file
	Program  string
	Live     liveView // what the strip at the top says
	Places   []place
	Watched  string // who watches the run that is being done, and what closing the page does
	Said     string // why the request before was not done
	Narrow   bool   // no navigation and nothing of the bench, only RF off: for somebody who is not let in
	NoOff    bool   // RF off cannot be taken here: the request came by a name that is not this server's
	Token    bool   // there is a standing token; OffToken: RF off needs it
	OffToken bool
	ToJob    bool // goes on to the job by itself
	Archive  bool // there is one to ask
}

type place struct{ Name, Path string }

var places = []place{{"Job", "/"}, {"Bench", "/bench"}, {"Plan", "/plan"}, {"Live", "/live"}, {"Findings", "/findings"},
	{"Compare", "/compare"}, {"Laboratory", "/beside"}, {"Report", "/report"}}

// jobName is what pages call the job that is open.
func (s *Server) jobName() string {
	return strings.TrimSuffix(filepath.Base(s.journal.file()), jobEnding)
}

// frameFor makes the frame of a page.
func (s *Server) frameFor(r *http.Request, here string) frame {
	session := s.doors.sessionOf(r)
	if session == "" {
		return s.narrow(r)
	}
	f := frame{Here: here, Title: here, Job: s.jobName(), Program: s.cfg.Program, Places: places, Live: s.liveNow(0),
		Watched: s.watched(session), Archive: s.cfg.Archive.Open != nil}
	if here == "" {
		f.Title = "Not done"
	}
	return f
}

// narrow is the frame of a page for somebody who is not let in: it has RF off, and says nothing of the bench.
func (s *Server) narrow(r *http.Request) frame {
	return frame{Title: "Not done", Narrow: true, NoOff: !s.hosts[strings.ToLower(r.Host)], Token: s.cfg.Token != "",
		OffToken: (s.cfg.Beyond || !loopback(r.Host)) && !s.doors.knows(r)}
}

// drawing is read when the first page is drawn: no other command waits for it.
var drawing = sync.OnceValue(func() *template.Template {
	return template.Must(template.New("").Funcs(template.FuncMap{
		"printable": event.Printable,
		"plural":    english.Count,
		"dict":      dict,
		"link":      pointLink,
		"wordID":    wordID,
		"pieces":    pieces,
		"figure":    figureOf,
		"odd":       func(i int) bool { return i%2 == 1 },
		"here":      namesHere,
		"marked":    marked,
	}).ParseFS(content, "templates/*.html"))
})

// dict hands several values to a template.
func dict(pairs ...any) map[string]any {
	m := map[string]any{}
	for i := 0; i+1 < len(pairs); i += 2 {
		m[fmt.Sprint(pairs[i])] = pairs[i+1]
	}
	return m
}

// draw writes a page. The status must have been written, where it is not 200.
func (s *Server) draw(w http.ResponseWriter, name string, data any) error {
	var b bytes.Buffer
	if err := drawing().ExecuteTemplate(&b, name, data); err != nil {
		s.cfg.Log.Error("draw a page", "page", name, "error", err)
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Write(bytes.ToValidUTF8(b.Bytes(), []byte("\ufffd"))) // a browser that went away is no fault
	return nil
}

// seeOther sends the browser on after a POST, so that loading the page again repeats nothing.
func seeOther(w http.ResponseWriter, r *http.Request, to string) error {
	http.Redirect(w, r, to, http.StatusSeeOther)
	return nil
}
