package web_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"provoke/internal/faces/web"
)

// limited serves the pages by Serve, with its limits; wrap may change the listener.
func limited(t *testing.T, connections int, wrap func(net.Listener) net.Listener) *site {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &site{dir: t.TempDir(), Server: &httptest.Server{URL: "http://" + l.Addr().String()}}
	s.job = filepath.Join(s.dir, "belt-weigher.provoke")
	write(t, s.dir, "belt-weigher.provoke", must(os.ReadFile(filepath.Join(cannedFolder, "belt-weigher.provoke"))))
	s.runner = &fakeRunner{job: s.job}
	s.pages = must(web.New(web.Config{Runner: s.runner, JobFile: s.job, Dir: s.dir, Hosts: []string{l.Addr().String()},
		Program: "test", Connections: connections}))
	ctx, cancel := context.WithCancel(t.Context())
	if wrap != nil {
		l = wrap(l)
	}
	ended := make(chan error, 1)
	go func() { ended <- s.pages.Serve(ctx, l, "", "") }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("the server ended: %v", err)
		}
		s.pages.Close()
	})
	s.client = s.letIn(t)
	s.client.Timeout = 10 * time.Second
	return s
}

func (s *site) hostName() string { return strings.TrimPrefix(s.URL, "http://") }

// raw opens a connection and sends something.
func (s *site) raw(t *testing.T, text string) net.Conn {
	t.Helper()
	c, err := net.DialTimeout("tcp", s.hostName(), 5*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	io.WriteString(c, text)
	return c
}

// tune asks for a stream and returns the status and when to come again.
func (s *site) tune(t *testing.T, client *http.Client, query string) (status int, again string) {
	t.Helper()
	unhurried := *client
	unhurried.Timeout = 0
	r, err := unhurried.Get(s.URL + "/live/stream?" + query)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Body.Close() })
	return r.StatusCode, r.Header.Get("Retry-After")
}

func TestStreamsAreBoundedForEachBrowserAndForAll(t *testing.T) {
	t.Parallel()
	s := limited(t, 0, nil)
	granted := 0
	for range 6 { // browsers
		client := s.letIn(t)
		for i := range 15 {
			status, again := s.tune(t, client, "brief=1")
			switch {
			case status == http.StatusOK:
				granted++
				if i >= 12 {
					t.Errorf("one browser has %d streams", i+1)
				}
			case status != http.StatusServiceUnavailable || again == "":
				t.Errorf("a stream too many is answered %d, again after %q s", status, again)
			}
		}
	}
	if granted != 40 {
		t.Errorf("%d streams in all", granted)
	}
	if r := must(s.client.Get(s.URL + "/")); r.StatusCode != http.StatusOK {
		t.Errorf("a page besides: %s", r.Status)
	}
}

// A page that attends a run finds its stream again although all places are taken: else RF would go off.
func TestAPageThatAttendsFindsAPlace(t *testing.T) {
	s := limited(t, 0, nil)
	for range 20 {
		s.tune(t, s.client, "brief=1")
	}
	if status, _ := s.tune(t, s.client, "brief=1"); status != http.StatusServiceUnavailable {
		t.Errorf("without a run that is attended: %d", status)
	}
	r, err := http.NewRequest("POST", s.URL+"/start", strings.NewReader("nonce="+s.armed(t)+"&attended=on"))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", s.URL)
	must(s.client.Do(r))
	if status, _ := s.tune(t, s.client, "brief=1"); status != http.StatusOK {
		t.Errorf("of the browser that attends: %d", status)
	}
}

// armed checks and arms the plan and returns its nonce.
func (s *site) armed(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"bench.yaml", "exposure.yaml"} {
		write(t, s.dir, name, must(os.ReadFile(filepath.Join(cannedFolder, name))))
	}
	field := func(path, name string) string {
		body := must(io.ReadAll(must(s.client.Get(s.URL + path)).Body))
		_, rest, ok := strings.Cut(string(body), `name="`+name+`" value="`)
		value, _, _ := strings.Cut(rest, `"`)
		if !ok {
			t.Fatalf("no %s on %s", name, path)
		}
		return value
	}
	r, err := http.NewRequest("POST", s.URL+"/arm",
		strings.NewReader("file=exposure.yaml&stamp="+field("/plan?file=exposure.yaml", "stamp")))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", s.URL)
	return field(must(s.client.Do(r)).Header.Get("Location"), "nonce")
}

// open counts the connections that the server has not closed.
func open(all []net.Conn) (n int) {
	for _, c := range all {
		c.SetReadDeadline(time.Now().Add(2 * time.Millisecond))
		if _, err := c.Read(make([]byte, 1)); err == nil || os.IsTimeout(err) {
			n++
		}
	}
	return n
}

func TestConnectionsAreBoundedAndTheOldestThatWaitsGoes(t *testing.T) {
	s := limited(t, 50, nil)
	var all []net.Conn
	for range 120 {
		all = append(all, s.raw(t, "GET / HTTP/1.1\r\nX: "))
	}
	offs := func() int { s.runner.mu.Lock(); defer s.runner.mu.Unlock(); return s.runner.offs }
	r, err := http.NewRequest("POST", s.URL+"/off", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Origin", s.URL)
	if got := must(s.client.Do(r)); offs() != 1 {
		t.Errorf("RF off through the crowd: %s", got.Status)
	}
	if n := open(all); n > 50 || n < 20 {
		t.Errorf("%d of %d connections are open, of 50 at most", n, len(all))
	}
	if n := open(all[:60]); n > 0 {
		t.Errorf("%d of the oldest are open", n)
	}
}

// Forms that come byte by byte with a session hold nothing up.
func TestSlowFormsKeepNobodyOut(t *testing.T) {
	t.Parallel()
	s := limited(t, 0, nil)
	cookie := s.client.Transport.(cookied).c.String()
	head := fmt.Sprintf("POST /note HTTP/1.1\r\nHost: %s\r\nOrigin: %s\r\nCookie: %s\r\nContent-Type: "+
		"application/x-www-form-urlencoded\r\nContent-Length: 100\r\n\r\nt", s.hostName(), s.URL, cookie)
	var all []net.Conn
	for range 60 {
		all = append(all, s.raw(t, head))
	}
	late := 0
	for _, c := range all {
		c.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
		if line, err := bufio.NewReader(c).ReadString('\n'); err == nil && strings.Contains(line, "408") {
			late++
		}
	}
	if late < 60-32 {
		t.Errorf("%d of 60 slow forms were cut off", late)
	}
	r, err := http.NewRequest("POST", s.URL+"/hold", strings.NewReader(""))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Origin", s.URL)
	if got := must(s.client.Do(r)); got.StatusCode >= 500 {
		t.Errorf("a whole form besides: %s", got.Status)
	}
}

// exhausted is a listener on a system that has no file descriptor left for a while.
type exhausted struct {
	net.Listener
	fails atomic.Int32
}

func (e *exhausted) Accept() (net.Conn, error) {
	if e.fails.Add(-1) >= 0 {
		return nil, &net.OpError{Op: "accept", Net: "tcp", Err: os.NewSyscallError("accept4", syscall.EMFILE)}
	}
	return e.Listener.Accept()
}

func TestASystemWithoutFileDescriptorsDoesNotEndTheServer(t *testing.T) {
	var x *exhausted
	s := limited(t, 0, func(l net.Listener) net.Listener { x = &exhausted{Listener: l}; return x })
	var all []net.Conn
	for range 30 {
		all = append(all, s.raw(t, ""))
	}
	for end := time.Now().Add(5 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		if r := must(s.client.Get(s.URL + "/")); r.StatusCode == http.StatusOK {
			r.Body.Close()
			break // all thirty were accepted before
		}
		if time.Now().After(end) {
			t.Fatal("no answer before")
		}
	}
	s.client.Transport = cookied{s.client.Transport.(cookied).c}
	http.DefaultTransport.(*http.Transport).CloseIdleConnections()
	x.fails.Store(3)
	began := time.Now()
	s.raw(t, "") // wakes the listener, which then fails three times
	if r := must(s.client.Get(s.URL + "/")); r.StatusCode != http.StatusOK {
		t.Errorf("afterwards: %s", r.Status)
	}
	t.Logf("figure: answered %v after three failures of accept for want of file descriptors",
		time.Since(began).Round(time.Millisecond))
	if n := open(all); n > 30-16 {
		t.Errorf("%d connections that wait were kept, of 30", n)
	}
}
