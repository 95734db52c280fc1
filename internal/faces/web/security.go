package web

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/camera"
)

// cookieName names the cookie that holds the session of a browser that was let in. It is SameSite=Strict and HttpOnly.
// Browsers keep cookies by host and not by port: a server on another port would take this one's place.
func cookieName(r *http.Request) string {
	name := "provoke-session"
	if _, port, err := net.SplitHostPort(r.Host); err == nil {
		name += "-" + port
	}
	return name
}

// entranceFor is how long a one-time address may be used.
const entranceFor = 10 * time.Minute

// doors decides who is let in. A one-time address is used up by its first use and gives the session
// cookie; a standing token, where one is set, is typed into a form or sent as a bearer.
type doors struct {
	now      func() time.Time
	standing string

	mu       sync.Mutex
	tries    map[string]time.Time      // one-time tokens and when they expire
	sessions map[[sha256.Size]byte]int // by the secret's hash; the number says which came first
	let      int                       // sessions so far
}

func newDoors(now func() time.Time, standing string) *doors {
	return &doors{now: now, standing: standing, tries: map[string]time.Time{}, sessions: map[[sha256.Size]byte]int{}}
}

// mostSessions bounds how many browsers are known; the one that was let in first is forgotten.
const mostSessions = 64

// begin makes a session and returns its secret.
func (d *doors) begin() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	for h, n := range d.sessions {
		if n <= d.let-mostSessions+1 {
			delete(d.sessions, h)
		}
	}
	s := secret()
	d.let++
	d.sessions[sha256.Sum256([]byte(s))] = d.let
	return s
}

// sessionOf names the session of a request; empty for somebody who was not let in. Secrets are looked
// up by their hash, which takes the same time for all.
func (d *doors) sessionOf(r *http.Request) string {
	bearer, _ := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if same(d.standing, bearer) {
		return "standing"
	}
	tries := []string{bearer}
	if c, err := r.Cookie(cookieName(r)); err == nil {
		tries = append(tries, c.Value)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, t := range tries {
		if n := d.sessions[sha256.Sum256([]byte(t))]; n > 0 {
			return strconv.Itoa(n)
		}
	}
	return ""
}

// secret returns 128 random bits in hexadecimal.
func secret() string {
	b := make([]byte, 16)
	rand.Read(b) // never fails (crypto/rand)
	return hex.EncodeToString(b)
}

// issue makes a one-time token.
func (d *doors) issue() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	for t, until := range d.tries {
		if d.now().After(until) {
			delete(d.tries, t)
		}
	}
	t := secret()
	d.tries[t] = d.now().Add(entranceFor)
	return t
}

// use takes a one-time token and reports that it was good.
func (d *doors) use(token string) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	for t, until := range d.tries {
		if same(t, token) {
			delete(d.tries, t)
			return !d.now().After(until)
		}
	}
	return false
}

func same(a, b string) bool {
	return a != "" && subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1
}

// knows reports that a request comes from somebody who was let in.
func (d *doors) knows(r *http.Request) bool { return d.sessionOf(r) != "" }

// policy is the content-security policy of every page: nothing but this server's own files, no
// inline script, no inline style, no frame of others.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// permissions lets a page of this server, and nobody else, ask for the camera, and for nothing besides.
const permissions = "camera=(self), microphone=(), display-capture=(), geolocation=(), usb=(), serial=(), hid=(), " +
	"bluetooth=(), midi=(), payment=()"

// guarded puts every check before the pages: host, origin, session, and the headers of every answer.
func (s *Server) guarded(pages http.Handler) http.Handler {
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s.refuse(w, r, http.StatusForbidden, "this request comes from another site")
	}))
	inner := cross.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		session := s.doors.sessionOf(r)
		if session == "" && !s.open(r) && !s.maySilence(r) {
			s.locked(w, r, "")
			return
		}
		defer s.wardens.watch(session)()
		pages.ServeHTTP(w, r)
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("Permissions-Policy", permissions)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin") // no-referrer would make the Origin of our own forms "null"
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if !s.hosts[strings.ToLower(r.Host)] {
			s.refuse(w, r, http.StatusMisdirectedRequest, fmt.Sprintf("%q is not a name of this server", r.Host))
			return
		}
		if o := r.Header.Get("Origin"); o != "" && !s.ownOrigin(o) {
			s.refuse(w, r, http.StatusForbidden, "this request comes from another origin")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, s.limitOf(r))
		known, arriving := s.doors.knows(r), &s.crowd.unknown
		if known {
			arriving = &s.crowd.known
		}
		if err := arriving.whole(w, r); err != nil {
			s.lateBody(w, r, err)
			return
		}
		leave := s.crowd.enter(r, known)
		if leave == nil {
			s.tooMany(w, r)
			return
		}
		defer leave()
		inner.ServeHTTP(w, r)
	})
}

// ownOrigin reports that an Origin header names this server. "null" never does.
func (s *Server) ownOrigin(origin string) bool {
	u, err := url.Parse(origin)
	return err == nil && u.Scheme == s.scheme() && s.hosts[strings.ToLower(u.Host)]
}

func (s *Server) scheme() string {
	if s.cfg.TLS {
		return "https"
	}
	return "http"
}

// maySilence lets somebody who was not let in switch RF off: a lost cookie must not stand between a person and that. It
// is asked for by a page of this server, and of this computer; where the server is reached from others, with the
// standing token.
func (s *Server) maySilence(r *http.Request) bool {
	if r.Method != http.MethodPost || r.URL.Path != "/off" || !s.ownOrigin(r.Header.Get("Origin")) {
		return false
	}
	if s.cfg.Beyond || !loopback(r.Host) {
		return same(s.doors.standing, r.PostFormValue("token"))
	}
	return true
}

// loopback reports that a Host header names this computer by itself.
func loopback(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	ip := net.ParseIP(host)
	return strings.EqualFold(host, "localhost") || ip != nil && ip.IsLoopback()
}

// open are the few addresses that need no session: the entrance, and files that say nothing of any
// bench.
func (s *Server) open(r *http.Request) bool {
	return r.URL.Path == "/enter" || r.URL.Path == "/static/icon.svg" || r.URL.Path == "/static/off.js" ||
		strings.HasSuffix(r.URL.Path, ".css") && (strings.HasPrefix(r.URL.Path, "/static/") ||
			strings.HasPrefix(r.URL.Path, "/vendored/"))
}

// The largest bodies that are read.
const (
	formLimit   = 1 << 20
	uploadLimit = 20 << 20
)

func (s *Server) limitOf(r *http.Request) int64 {
	switch {
	case isUpload(r):
		return uploadLimit
	case (r.URL.Path == "/camera/picture" || r.URL.Path == "/camera/lesson") && s.doors.knows(r):
		return camera.MostHanded
	}
	return formLimit
}

// locked answers somebody who was not let in. A link from a mail comes without the cookie, which
// goes only to requests from the page itself: such a visitor is offered the same address again.
func (s *Server) locked(w http.ResponseWriter, r *http.Request, wrong string) {
	page := lockedPage{Frame: s.frameFor(r, ""), Wrong: wrong}
	page.Frame.Title = "Closed"
	if r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Site") == "cross-site" {
		page.Again = "/" + strings.TrimLeft(r.URL.RequestURI(), "/\\") // two slashes would lead to another host
	}
	w.WriteHeader(http.StatusUnauthorized)
	s.draw(w, "locked", page)
}

type lockedPage struct {
	Frame frame
	Again string
	Wrong string // what was wrong with what was tried; empty when nothing was
}

// enter lets a browser in: by a one-time token in the address, or by the standing token in a form.
func (s *Server) enter(w http.ResponseWriter, r *http.Request) {
	good := false
	if r.Method == http.MethodPost {
		good = same(s.doors.standing, r.PostFormValue("token"))
	} else {
		good = s.doors.use(r.URL.Query().Get("token"))
		if !good && s.doors.knows(r) { // the same address opened again in the same browser
			good = true
		}
	}
	if !good {
		wrong := "This address was used already, or is older than " + entranceFor.String() + "."
		if r.Method == http.MethodPost {
			wrong = "That is not the token."
		}
		s.locked(w, r, wrong)
		return
	}
	page := lockedPage{Frame: s.frameFor(r, "")}
	page.Frame.Title, page.Frame.Narrow, page.Frame.ToJob = "Open", true, true
	if s.doors.knows(r) { // it has a cookie
		s.draw(w, "entered", page)
		return
	}
	http.SetCookie(w, &http.Cookie{Name: cookieName(r), Value: s.doors.begin(), Path: "/", HttpOnly: true,
		Secure: s.cfg.TLS, SameSite: http.SameSiteStrictMode})
	// Not a redirect: the next request has to come from this page, or a strict cookie stays at home.
	s.draw(w, "entered", page)
}
