package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"provoke/internal/bench/simbench"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/watcher"
)

// person is somebody at the page, without a browser.
type person struct {
	*served
	t      *testing.T
	client *http.Client
}

// letIn uses up the address that was printed.
func letIn(t *testing.T, s *served) *person {
	t.Helper()
	jar, _ := cookiejar.New(nil)
	p := &person{served: s, t: t, client: &http.Client{Jar: jar, Timeout: 10 * time.Second}}
	if status, _ := p.get(strings.TrimPrefix(s.enter, s.address)); status != http.StatusOK {
		t.Fatalf("not let in: %d", status)
	}
	return p
}

func (p *person) answer(r *http.Response, err error) (int, string) {
	p.t.Helper()
	if err != nil {
		p.t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		p.t.Fatal(err)
	}
	return r.StatusCode, string(body)
}

func (p *person) get(path string) (int, string) {
	p.t.Helper()
	return p.answer(p.client.Get(p.address + path))
}

// post sends a form, and follows where it leads.
func (p *person) post(path string, form url.Values) (int, string) {
	p.t.Helper()
	r, err := http.NewRequestWithContext(p.t.Context(), "POST", p.address+path, strings.NewReader(form.Encode()))
	if err != nil {
		p.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", p.address)
	return p.answer(p.client.Do(r))
}

// cookie is the session's as a header.
func (p *person) cookie() string {
	u, _ := url.Parse(p.address)
	return p.client.Jar.Cookies(u)[0].String()
}

func (p *person) host() string { return strings.TrimPrefix(p.address, "http://") }

// begin checks a plan, arms it and begins it, as the page does.
func (p *person) begin(plan, label string) {
	p.t.Helper()
	value := func(page, name string) string {
		m := regexp.MustCompile(`name="` + name + `" value="([^"]*)"`).FindStringSubmatch(page)
		if m == nil {
			p.t.Fatalf("no %s in the page: %.2000s", name, page)
		}
		return m[1]
	}
	_, page := p.get("/plan?file=" + plan)
	_, page = p.post("/arm", url.Values{"file": {plan}, "stamp": {value(page, "stamp")}, "label": {label}})
	if status, page := p.post("/start", url.Values{"nonce": {value(page, "nonce")}}); status != http.StatusOK {
		p.t.Fatalf("the run did not begin: %d %.500s", status, page)
	}
}

// ended waits for the end of the run that is being done and returns its fold.
func (p *person) ended(most time.Duration) *result.Run {
	p.t.Helper()
	select {
	case <-p.desk.Finished():
	case <-time.After(most):
		p.t.Fatalf("the run did not end within %v", most)
	}
	job, err := store.OpenReadOnly(filepath.Join(p.dir, "belt-weigher.provoke"))
	if err != nil {
		p.t.Fatal(err)
	}
	defer job.Close()
	n, err := job.Newest()
	if err != nil {
		p.t.Fatal(err)
	}
	r, err := result.All(job.Records(n, 1))
	if err != nil {
		p.t.Fatal(err)
	}
	for rec, err := range job.Records(n, 1) {
		if err != nil {
			p.t.Fatal(err)
		}
		switch e := rec.Event.(type) {
		case event.Tripped:
			p.t.Errorf("run %d tripped: %s (%s)", n, e.Cause, e.By)
		case event.Safed:
			if e.By != "" {
				p.t.Errorf("run %d was silenced by the %s: %s", n, e.By, e.Cause)
			}
		}
	}
	if left, err := watcher.Left(job.Path()); left != nil || err != nil {
		p.t.Errorf("the watcher left %v, %v", left, err)
	}
	return &r
}

// found is what a run found, to be compared.
func found(r *result.Run) string {
	var b strings.Builder
	for _, s := range r.Steps {
		fmt.Fprintf(&b, "%v %v %v upset %t\n", s.Step.Point.Frequency, s.Step.Purpose, s.Step.Offset, s.Outcome.Upset)
	}
	return b.String()
}

// overhead is the median time from one closed step to the next less the time that RF was at the level.
func overhead(r *result.Run) time.Duration {
	var all []time.Duration
	for i, s := range r.Steps {
		if i > 0 && !s.Outcome.Upset && !r.Steps[i-1].Outcome.Upset {
			all = append(all, s.At.Sub(r.Steps[i-1].At)-s.OnFor.Std())
		}
	}
	slices.Sort(all)
	return all[len(all)/2]
}

// siege is load on loopback, bounded in count and in time.
type siege struct {
	p                            *person
	ctx                          context.Context
	all                          sync.WaitGroup
	opened, refused, cut, events atomic.Int64
}

// keep holds a number of connections until the siege ends: each sends what do sends, and one that the
// server closes comes back two seconds later.
func (s *siege) keep(n int, do func(net.Conn)) {
	for i := range n {
		s.all.Go(func() {
			s.pause(time.Duration(i) * time.Millisecond) // a thousand a second
			for s.ctx.Err() == nil {
				s.once(do)
				s.pause(2 * time.Second) // as the answer asks for
			}
		})
	}
}

func (s *siege) pause(d time.Duration) {
	select {
	case <-s.ctx.Done():
	case <-time.After(d):
	}
}

func (s *siege) once(do func(net.Conn)) {
	c, err := (&net.Dialer{Timeout: 2 * time.Second}).DialContext(s.ctx, "tcp", s.p.host())
	if err != nil {
		s.refused.Add(1)
		return
	}
	s.opened.Add(1)
	stop := context.AfterFunc(s.ctx, func() { c.Close() })
	defer stop()
	defer c.Close()
	do(c)
	if s.ctx.Err() == nil {
		s.cut.Add(1)
	}
}

func (s *siege) headers(method, path, more string, known bool) string {
	if known {
		more += "Cookie: " + s.p.cookie() + "\r\n"
	}
	return fmt.Sprintf("%s %s HTTP/1.1\r\nHost: %s\r\nOrigin: %s\r\n%s\r\n", method, path, s.p.host(), s.p.address,
		more)
}

// reads sends a request and reads whatever comes.
func (s *siege) reads(request string) func(net.Conn) {
	return func(c net.Conn) {
		io.WriteString(c, request)
		r := bufio.NewReader(c)
		for {
			line, err := r.ReadSlice('\n')
			if err != nil {
				return
			}
			if strings.HasPrefix(string(line), "event: ") {
				s.events.Add(1)
			}
		}
	}
}

// drips sends the beginning at once and the rest byte by byte.
func (s *siege) drips(begin, rest string) func(net.Conn) {
	return func(c net.Conn) {
		io.WriteString(c, begin)
		for _, b := range []byte(rest) {
			s.pause(200 * time.Millisecond)
			if _, err := c.Write([]byte{b}); err != nil {
				return
			}
		}
		io.Copy(io.Discard, c)
	}
}

// pours sends a body without an end, at most 4 MB in a second.
func (s *siege) pours(begin string) func(net.Conn) {
	chunk := "8000\r\n" + strings.Repeat("x", 0x8000) + "\r\n"
	return func(c net.Conn) {
		io.WriteString(c, begin)
		for s.ctx.Err() == nil {
			if _, err := io.WriteString(c, chunk); err != nil {
				return
			}
			s.pause(8 * time.Millisecond)
		}
	}
}

var malformed = []string{
	"\r\n\r\n\r\n", "GET\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", "\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
	strings.Repeat("A", 1<<20),
	"GET / HTTP/1.1\r\n\r\n", "GET / HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
	"GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n",
	"GET / HTTP/1.1\r\nX: " + strings.Repeat("y", 200<<10) + "\r\n\r\n",
	"GET / HTTP/1.1\r\n" + strings.Repeat("X: y\r\n", 20000) + "\r\n",
	"POST /off HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
	"POST /off HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
	"POST /off HTTP/1.1\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
	"GET /%zz HTTP/1.1\r\n\r\n", "GET /../../etc/passwd HTTP/1.1\r\n\r\n",
	"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", "CONNECT x:1 HTTP/1.1\r\n\r\n", "GET / HTTP/1.1\nHost:\x00\n\n",
}

// besiege begins everything at once; it ends with the test, or after two minutes.
func besiege(p *person) (s *siege, lift func()) {
	ctx, cancel := context.WithTimeout(p.t.Context(), 2*time.Minute)
	s = &siege{p: p, ctx: ctx}
	n := 1000
	if most := (fileLimit() - 700) / 2; most > 0 && most < n+200 {
		n = most - 200
		p.t.Logf("only %d connections of each kind: this process may open %d files", n, fileLimit())
	}
	s.keep(n-20, s.reads(s.headers("GET", "/live/stream", "", true))) // a thousand streams
	s.keep(20, func(c net.Conn) {                                     // and some that never read
		c.(*net.TCPConn).SetReadBuffer(1024)
		io.WriteString(c, s.headers("GET", "/live/stream", "", true))
		<-ctx.Done()
	})
	s.keep(n/2, func(c net.Conn) { c.Read(make([]byte, 1)) }) // a thousand without a session
	s.keep(n/2, s.drips("GET / HT", "TP/1.1\r\nHost: "+p.host()+"\r\nX-Slow: "+strings.Repeat("z", 1000)))
	for _, known := range []bool{true, false} {
		s.keep(30, s.drips(s.headers("POST", "/note",
			"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n", known),
			strings.Repeat("t", 1000)))
		s.keep(2, s.pours(s.headers("POST", "/photo",
			"Content-Type: multipart/form-data; boundary=b\r\nTransfer-Encoding: chunked\r\n", known)))
		s.keep(2, s.drips(s.headers("POST", "/off/", "Content-Length: 1000\r\n", known), strings.Repeat("t", 1000)))
	}
	for i := range 4 {
		s.all.Go(func() {
			for k := i; s.ctx.Err() == nil; k++ {
				s.once(func(c net.Conn) {
					c.SetDeadline(time.Now().Add(time.Second))
					io.WriteString(c, malformed[k%len(malformed)])
					io.Copy(io.Discard, c)
				})
				s.pause(20 * time.Millisecond)
			}
		})
	}
	return s, func() { cancel(); s.all.Wait() }
}

// besieged serves the demo with a shorter exposure.
func besieged(t *testing.T) *person {
	t.Helper()
	s := serveDemo(t, simbench.Config{Speed: 40, Steady: true})
	file := filepath.Join(s.dir, "exposure.yaml")
	data, err := os.ReadFile(file)
	if err == nil {
		data = regexp.MustCompile(`from: 150 kHz, to: 79 MHz`).ReplaceAll(data, []byte("from: 20 MHz, to: 60 MHz"))
		err = os.WriteFile(file, data, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	return letIn(t, s)
}

// A run goes on as if nobody were there, and "RF off" is answered within a second, while the server is
// besieged by everybody who can reach it, with a session and without.
func TestARunGoesOnAndRFOffIsAnsweredWhileTheServerIsBesieged(t *testing.T) {
	p := besieged(t)
	p.begin("exposure.yaml", "in peace")
	peace := p.ended(60 * time.Second)
	s, lift := besiege(p)
	defer lift()
	time.Sleep(1500 * time.Millisecond) // everybody has come
	p.begin("exposure.yaml", "besieged")
	war := p.ended(90 * time.Second)
	if war.Verdict != peace.Verdict || found(war) != found(peace) {
		t.Errorf("in peace %q:\n%s\nbesieged %q:\n%s", peace.Verdict, found(peace), string(war.Verdict)+": "+war.Why,
			found(war))
	}
	t.Logf("figure: %d steps in %v in peace, %v besieged; overhead of a point %v in peace, %v besieged", len(war.Steps),
		peace.LastAt.Sub(peace.OpenedAt).Round(time.Millisecond), war.LastAt.Sub(war.OpenedAt).Round(time.Millisecond),
		overhead(peace), overhead(war))

	p.begin("exposure.yaml", "to be stopped")
	for end := time.Now().Add(10 * time.Second); !p.sim.State().On; time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("RF never came on")
		}
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	t.Logf("figure: besieged by %d connections so far (%d closed by the server, %d refused by the system, %d "+
		"messages of streams); %d goroutines and %d MB with the load's own",
		s.opened.Load(), s.cut.Load(), s.refused.Load(), s.events.Load(), runtime.NumGoroutine(), m.HeapInuse>>20)
	const within = time.Second
	asked := time.Now()
	p.client.CloseIdleConnections() // a connection of its own, as after a page was closed
	noRedirect := *p.client
	noRedirect.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	r, err := http.NewRequestWithContext(t.Context(), "POST", p.address+"/off", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Origin", p.address)
	status, _ := p.answer(noRedirect.Do(r))
	answered := time.Since(asked)
	for p.sim.State().On {
		if time.Since(asked) > 10*time.Second {
			t.Fatal("RF stays on")
		}
		time.Sleep(time.Millisecond)
	}
	off := time.Since(asked)
	t.Logf("figure: besieged, RF off was answered after %v and RF was off after %v (at most %v, slack %v)",
		answered.Round(time.Millisecond), off.Round(time.Millisecond),
		within, (within - max(answered, off)).Round(time.Millisecond))
	if status != http.StatusOK || answered > within || off > within {
		t.Errorf("RF off: status %d after %v, RF off after %v", status, answered, off)
	}
	if r := p.ended(20 * time.Second); r.Verdict != event.Stopped {
		t.Errorf("the verdict is %q", r.Verdict)
	}
	if a := p.sim.Abuses(); len(a) > 0 {
		t.Errorf("the simulated bench was abused: %v", a)
	}
}
