package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/result"
	"provoke/internal/run/engine"
)

// A stream sends two kinds of messages. "record" is one record of the journal; its id is the
// record's number, so that a browser that comes back says where it was (Last-Event-ID) and misses
// nothing. "now" is the state of the moment; it is sent when something changed, at most ten times a
// second, and once a second in any case, so that a page can tell a quiet run from a dead stream.

// nowMessage is the state of the moment with the looks since the one before.
type nowMessage struct {
	View liveView `json:"view"`
	// Now says what is true of the bench now, whatever run the page shows.
	Now stripNow `json:"now"`
	// Looks are [seconds since the run began, number, 1 for bad, 1 for RF on], of the monitor that is
	// drawn.
	Looks [][4]float64 `json:"looks,omitempty"`
	// Since is how many seconds ago the run began, where looks are counted in that.
	Since float64 `json:"since,omitempty"`
	Strip *strip  `json:"strip,omitempty"`
}

// stripNow is what the strip at the top of every page says.
type stripNow struct {
	Run   int    `json:"run"`
	RF    string `json:"rf"`
	Words string `json:"words"`
	Doing string `json:"doing"`
	Tab   string `json:"tab"`
	// Watched says who watches the run that is being done, and what closing the page does.
	Watched string `json:"watched"`
	// Camera is what is wanted of the browser's; nil for nothing.
	Camera *cameraNow `json:"camera,omitempty"`
}

// streamer is one browser that listens.
type streamer struct {
	turned <-chan struct{} // closed when another job is opened

	s       *Server
	w       http.ResponseWriter
	rc      *http.ResponseController
	run     int
	session string // the browser's
	brief   bool   // only the strip at the top: no records, no looks
	next    int64
	dots    int // of a fixing loop that the browser has
	looks   uint64
	strip   strip
	last    string
	sent    time.Time
}

func (s *Server) stream(w http.ResponseWriter, r *http.Request) error {
	session := s.doors.sessionOf(r)
	leave := s.crowd.stream(session, s.wardens.by(session))
	if leave == nil { // before any work is done for it
		s.tooMany(w, r)
		return nil
	}
	defer leave()
	turned := s.journal.turned() // before anything is read of the job
	run, err := runOf(r)
	if err != nil {
		return err
	}
	t := &streamer{turned: turned, s: s, w: w, rc: http.NewResponseController(w), run: run, session: session,
		brief: r.FormValue("brief") != "", next: 1}
	if !t.brief {
		if t.run, err = s.which(run); err != nil {
			return err
		}
	}
	t.dots, _ = strconv.Atoi(r.FormValue("dots")) // what is no number has none
	from := r.FormValue("from")
	if id := r.Header.Get("Last-Event-ID"); id != "" {
		from = id
	}
	if from != "" {
		n, err := strconv.ParseInt(from, 10, 64)
		if err != nil || n < 0 {
			return withStatus(http.StatusBadRequest, "%q is not the number of a record", from)
		}
		t.next = n + 1
	}
	w.Header().Set("Content-Type", "text/event-stream; charset=utf-8")
	w.Header().Set("X-Accel-Buffering", "no")
	if err := errors.Join(t.rc.SetReadDeadline(time.Time{}), t.taken()); err != nil &&
		!errors.Is(err, http.ErrNotSupported) {
		return err
	}
	fmt.Fprint(w, "retry: 1000\n\n")
	if job := r.FormValue("job"); job != "" && job != s.jobName() {
		return t.moved()
	}
	t.follow(r.Context())
	return nil
}

// follow sends until the browser goes away.
func (t *streamer) follow(ctx context.Context) {
	records := make(chan event.Record, 256)
	failed := make(chan struct{})
	if job, err := t.s.journal.open(); !t.brief && t.run != 0 && err == nil && job != nil {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		go func() {
			for rec, err := range job.Follow(ctx, t.run, t.next) {
				if err != nil && !errors.Is(err, event.ErrUnreadable) {
					if ctx.Err() == nil {
						close(failed) // the browser comes back and is told by the page
					}
					return
				}
				select {
				case records <- rec:
				case <-ctx.Done():
					return
				}
			}
		}()
	}
	tick := time.NewTicker(leastPause)
	defer tick.Stop()
	for {
		var err error
		select {
		case <-ctx.Done():
			return
		case <-failed:
			return
		case <-t.turned:
			t.moved()
			return
		case rec := <-records:
			if err = t.send("record", rec.Seq, lineOf(rec)); err == nil && len(records) == 0 {
				err = t.loop(rec)
			}
			if err == nil {
				continue // flushed with the tick
			}
		case <-tick.C:
			if err = t.now(); err == nil {
				t.taken()
				err = t.rc.Flush()
			}
		}
		if err != nil {
			return
		}
	}
}

// loop sends at once what a record of a fixing loop adds to what is drawn.
func (t *streamer) loop(rec event.Record) error {
	switch rec.Event.(type) {
	case event.StepClosed, event.HandsIn, event.HandsOut, event.Reference, event.Resumed:
	default:
		return nil
	}
	var told *loopTold
	err := t.s.journal.follow(t.run, func(r *result.Run, l *fixing.Loop) error {
		if l != nil {
			x := toldAfter(l, r, max(0, t.dots))
			told, t.dots = &x, x.Total
		}
		return nil
	})
	if err != nil || told == nil {
		return err
	}
	return errors.Join(t.send("loop", 0, told), t.taken(), t.rc.Flush())
}

// moved tells a page that another job is open now than the one it shows.
func (t *streamer) moved() error {
	return errors.Join(t.send("moved", 0, t.s.jobName()), t.taken(), t.rc.Flush())
}

// taken gives the browser another while to take what is sent; one that takes nothing is let go.
func (t *streamer) taken() error { return t.rc.SetWriteDeadline(time.Now().Add(20 * time.Second)) }

func (t *streamer) send(kind string, id int64, data any) error {
	body, err := json.Marshal(data)
	if err != nil {
		return fmt.Errorf("word a message of the stream: %w", err)
	}
	if id > 0 {
		_, err = fmt.Fprintf(t.w, "event: %s\nid: %d\ndata: %s\n\n", kind, id, body)
	} else {
		_, err = fmt.Fprintf(t.w, "event: %s\ndata: %s\n\n", kind, body)
	}
	return err
}

// now sends the state of the moment when there is something new in it, and once a second.
func (t *streamer) now() error {
	if t.brief && time.Since(t.sent) < 500*time.Millisecond && t.last != "" {
		return nil
	}
	m := nowMessage{View: t.s.moments.of(t.run)}
	bench := m.View
	if st := t.s.cfg.Runner.State(); t.run != 0 && (!m.View.Here || st.Run != t.run) {
		bench = t.s.moments.of(0)
	}
	m.Now = stripNow{bench.Run, bench.RF, bench.RFWords, bench.Doing, bench.Tab, t.s.watched(t.session),
		t.s.cameraNow()}
	if !t.brief && m.View.Here {
		t.addLooks(&m)
	}
	bare := m
	bare.View.At, bare.Looks, bare.Strip, bare.Since = "", nil, nil, 0
	body, err := json.Marshal(bare)
	if err != nil {
		return err
	}
	pause := time.Second
	if t.brief {
		pause = 2 * time.Second
	}
	if string(body) == t.last && len(m.Looks) == 0 && m.Strip == nil && time.Since(t.sent) < pause {
		return nil
	}
	t.last, t.sent = string(body), time.Now()
	return t.send("now", 0, m)
}

// addLooks adds the looks since the last message, of the monitor that is drawn.
func (t *streamer) addLooks(m *nowMessage) {
	st := t.s.stripFor(t.run)
	if st != t.strip {
		t.strip = st
		m.Strip = &st
	}
	looks, last := t.s.cfg.Runner.Looks(t.looks)
	t.looks = last
	began := t.s.cfg.Runner.State().Began
	m.Since = time.Since(began).Seconds()
	for _, l := range looks {
		if l.Monitor == st.Monitor && l.HasValue {
			m.Looks = append(m.Looks, lookNumbers(l, began))
		}
	}
}

func lookNumbers(l engine.Look, began time.Time) [4]float64 {
	out := [4]float64{l.At.Sub(began).Seconds(), l.Value, 0, 0}
	if l.Bad {
		out[2] = 1
	}
	if l.RFOn {
		out[3] = 1
	}
	return out
}
