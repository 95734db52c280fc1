package web

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// Limits of the crowd at the door. A person at a bench needs a few of each; whoever wants more is a
// fault or a nuisance, and must not stand between a person and "RF off".
const (
	// mostConnections is how many there are at once where the system allows more.
	mostConnections = 1024
	// waitingStrangers is how many connections wait that have sent no request with a session: with slow
	// headers, or with none. The one that waits for longest goes, once it has waited for grace: on a
	// machine that is short of time an honest request may wait for that long to be read.
	waitingStrangers = 512
	grace            = time.Second
	// strangers and guests are how many requests are answered at once for those who were not let in
	// and for those who were. A guest waits for a place for up to placeWithin, a stranger does not.
	strangers   = 16
	guests      = 16
	placeWithin = 5 * time.Second
	// uploads is how many files are taken at once, mostBodies how many forms are on their way, of either.
	uploads, mostBodies = 4, 32
	// offs is how many "RF off" are carried out at once. They have places of their own.
	offs = 64
	// streamsEach and streamsInAll bound event streams, of one session and of all. A stream that attends
	// a run has places besides: where it is refused RF goes off.
	streamsEach, streamsInAll, streamsAttending = 12, 40, 4
)

// crowd counts who is there, and makes room: a connection that does nothing yields to a new one, and one
// of nobody yields before one of a person who was let in. So a request that comes in one piece, as "RF
// off" does, is answered whatever stands about.
type crowd struct {
	most      int // connections
	strangers chan struct{}
	guests    chan struct{}
	uploads   chan struct{}
	offs      chan struct{} // "RF off" of those who were let in
	strayOffs chan struct{} // and of those who were not
	known     bodies
	unknown   bodies

	mu        sync.Mutex
	at        map[net.Conn]*guest
	streams   map[string]int // by session
	streaming int
	attending int
}

// guest is a connection.
type guest struct {
	since  time.Time // when it came, or was last answered
	served int       // requests that are being answered
	known  bool      // it has sent a request with a session
}

func newCrowd(most int) *crowd {
	if most <= 0 || most > mostConnections {
		most = mostConnections
	}
	return &crowd{most: most, strangers: make(chan struct{}, strangers), guests: make(chan struct{}, guests),
		uploads: make(chan struct{}, uploads), offs: make(chan struct{}, offs),
		strayOffs: make(chan struct{}, offs),
		known:     bodies{at: map[*http.ResponseController]time.Time{}},
		unknown:   bodies{at: map[*http.ResponseController]time.Time{}},
		at:        map[net.Conn]*guest{}, streams: map[string]int{}}
}

type guestKey struct{}

// greet takes a new connection in and lets its requests know it. Where every other one is being served
// there is no room for it.
func (c *crowd) greet(ctx context.Context, conn net.Conn) context.Context {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.makeRoom()
	if len(c.at) >= c.most {
		c.dismiss(conn)
		return ctx
	}
	g := &guest{since: time.Now()}
	c.at[conn] = g
	return context.WithValue(ctx, guestKey{}, g)
}

// changed follows the states of a connection.
func (c *crowd) changed(conn net.Conn, state http.ConnState) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch state {
	case http.StateIdle:
		if g := c.at[conn]; g != nil {
			g.since = time.Now()
		}
	case http.StateClosed, http.StateHijacked:
		delete(c.at, conn)
	}
}

// makeRoom lets one connection go where there are too many for another. The caller holds the lock.
func (c *crowd) makeRoom() {
	oldest, waiting := c.longest(false)
	if waiting >= waitingStrangers && time.Since(c.at[oldest].since) >= grace || waiting > 0 && len(c.at) >= c.most {
		c.dismiss(oldest)
		return
	}
	if len(c.at) < c.most {
		return
	}
	if oldest, waiting = c.longest(true); waiting > 0 {
		c.dismiss(oldest)
	}
}

// longest returns which connection without a request that is being answered has waited for longest, of
// the known or of the strangers, and how many of these there are.
func (c *crowd) longest(known bool) (oldest net.Conn, waiting int) {
	for conn, g := range c.at {
		if g.served > 0 || g.known != known {
			continue
		}
		waiting++
		if oldest == nil || g.since.Before(c.at[oldest].since) {
			oldest = conn
		}
	}
	return oldest, waiting
}

// dismiss closes a connection at once. A TLS connection would first say good-bye to a peer that may
// take nothing.
func (c *crowd) dismiss(conn net.Conn) {
	delete(c.at, conn)
	if t, ok := conn.(*tls.Conn); ok {
		conn = t.NetConn()
	}
	conn.Close()
}

// relieve lets up to n connections go that wait.
func (c *crowd) relieve(n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, known := range []bool{false, true} {
		for ; n > 0; n-- {
			oldest, waiting := c.longest(known)
			if waiting == 0 {
				break
			}
			c.dismiss(oldest)
		}
	}
}

// enter takes a place for a request and returns what gives it back; nil where there is none.
func (c *crowd) enter(r *http.Request, known bool) (leave func()) {
	g, _ := r.Context().Value(guestKey{}).(*guest)
	c.serving(g, known, 1)
	places, patience := c.strangers, time.Duration(0)
	switch {
	case known && r.URL.Path == "/live/stream": // counted where its session is known
		return func() { c.serving(g, known, -1) }
	case known && r.URL.Path == "/off":
		places = c.offs
	case r.URL.Path == "/off":
		places = c.strayOffs
	case known && isUpload(r):
		places, patience = c.uploads, placeWithin
	case known:
		places, patience = c.guests, placeWithin
	}
	if !take(r.Context(), places, patience) {
		c.serving(g, known, -1)
		return nil
	}
	return func() { <-places; c.serving(g, known, -1) }
}

// take puts a token into places within a time.
func take(ctx context.Context, places chan struct{}, patience time.Duration) bool {
	select {
	case places <- struct{}{}:
		return true
	default:
	}
	if patience == 0 {
		return false
	}
	late := time.NewTimer(patience)
	defer late.Stop()
	select {
	case places <- struct{}{}:
		return true
	case <-late.C:
	case <-ctx.Done():
	}
	return false
}

// serving notes that a connection's request begins to be answered, or has been.
func (c *crowd) serving(g *guest, known bool, by int) {
	if g == nil {
		return // not from Serve
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	g.served += by
	g.known = g.known || known
	g.since = time.Now()
}

// stream takes a place for an event stream and returns what gives it back; nil where there is none.
func (c *crowd) stream(session string, attends bool) (leave func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.streaming < streamsInAll && c.streams[session] < streamsEach {
		c.streaming++
		c.streams[session]++
		return func() {
			c.mu.Lock()
			defer c.mu.Unlock()
			c.streaming--
			if c.streams[session]--; c.streams[session] == 0 {
				delete(c.streams, session)
			}
		}
	}
	if !attends || c.attending >= streamsAttending {
		return nil
	}
	c.attending++
	return func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.attending--
	}
}

// offBodyWithin is how long an answer to "RF off" waits for a body that nobody needs.
const offBodyWithin = 250 * time.Millisecond

// bodyWithin is how long a request's body may take. "RF off" needs none and waits for none.
func bodyWithin(r *http.Request) time.Duration {
	switch {
	case r.URL.Path == "/off":
		return offBodyWithin
	case isUpload(r):
		return uploadWithin
	}
	return formWithin
}

// isUpload reports that a request brings a file.
func isUpload(r *http.Request) bool {
	return r.URL.Path == "/photo" || r.URL.Path == "/bench/curve" || r.URL.Path == "/laboratory"
}

// bodies are those that are on their way. Where there are too many, the one that has been longest on it
// is cut off, so that slow ones keep nobody out.
type bodies struct {
	mu sync.Mutex
	at map[*http.ResponseController]time.Time
}

// whole reads a body before anything is done with its request, so that a slow one holds no place, and
// returns what to tell where it does not come. Files are read where they are wanted.
func (b *bodies) whole(w http.ResponseWriter, r *http.Request) error {
	rc := http.NewResponseController(w)
	if r.ContentLength == 0 || rc.SetReadDeadline(time.Now().Add(bodyWithin(r))) != nil || isUpload(r) ||
		r.URL.Path == "/off" {
		return nil
	}
	b.begin(rc)
	data, err := io.ReadAll(r.Body)
	b.end(rc)
	if err != nil {
		return err
	}
	r.Body = io.NopCloser(bytes.NewReader(data))
	return rc.SetReadDeadline(time.Time{})
}

func (b *bodies) begin(rc *http.ResponseController) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.at) >= mostBodies {
		slowest := rc
		since := time.Now()
		for x, t := range b.at {
			if t.Before(since) {
				slowest, since = x, t
			}
		}
		slowest.SetReadDeadline(time.Now())
		delete(b.at, slowest)
	}
	b.at[rc] = time.Now()
}

func (b *bodies) end(rc *http.ResponseController) {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.at, rc)
}

// tooMany refuses a request that there is no place for, in few words, and to a person with the button that is always
// taken.
func (s *Server) tooMany(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Retry-After", "2")
	s.shortly(w, r, http.StatusServiceUnavailable,
		"too many requests at once: close other pages of this server, then load this one again; “RF off” is always "+
			"taken")
}

// shortly answers with words alone where a script or a stream asked, and with a page that says nothing of the bench
// where a browser wants to show one.
func (s *Server) shortly(w http.ResponseWriter, r *http.Request, status int, words string) {
	if !strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Error(w, words, status)
		return
	}
	page := refusedPage{Frame: s.narrow(r), Status: status, Words: words}
	w.WriteHeader(status)
	s.draw(w, "refused", page)
}

// lateBody answers a request whose body did not come.
func (s *Server) lateBody(w http.ResponseWriter, r *http.Request, err error) {
	var tooBig *http.MaxBytesError
	if errors.As(err, &tooBig) {
		s.fail(w, r, err)
		return
	}
	s.shortly(w, r, http.StatusRequestTimeout, "the request did not come whole in its time; send it again")
}
