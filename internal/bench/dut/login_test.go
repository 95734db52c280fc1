package dut

import (
	"bytes"
	"context"
	"encoding/pem"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
)

const secret = "Aladdin:open sesame"

func TestAWebAnswerBehindAPasswordAndACertificateIsRead(t *testing.T) {
	t.Setenv("WEB_LOGIN", secret)
	server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if name, password, _ := r.BasicAuth(); name+":"+password != secret {
			w.Header().Set("WWW-Authenticate", `Basic realm="x"`)
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		io.WriteString(w, `{"kg": 12.34}`)
	}))
	defer server.Close()
	spec := catalog.Monitor{Identity: catalog.Identity{ID: "WEB"}, Kind: catalog.MonitorHTTP, URL: server.URL,
		Field:     "kg",
		Tolerance: 0.05, Credentials: "env WEB_LOGIN",
		Authority: pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw})}
	got := make(chan Sample, 8)
	start := func() error {
		m, err := New(spec, Options{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { m.Close() })
		return m.Start(t.Context(), func(s Sample) { got <- s })
	}
	if err := start(); err != nil {
		t.Fatal(err)
	}
	if s := <-got; s.Value != 12.34 {
		t.Errorf("%+v", s)
	}
	t.Setenv("WEB_LOGIN", "Aladdin:shut")
	if err := start(); err == nil || strings.Contains(err.Error(), "shut") || !strings.Contains(err.Error(),
		"is wrong") {
		t.Errorf("a wrong password: %v", err)
	}
}

// broker is a listener that keeps what it is sent first.
func broker(t *testing.T, wrap func(net.Conn) net.Conn) (address string, first chan []byte) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	first = make(chan []byte, 4)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			c.SetDeadline(time.Now().Add(5 * time.Second))
			buf := make([]byte, 512)
			n, _ := wrap(c).Read(buf)
			first <- buf[:n]
			c.Close()
		}
	}()
	_, port, _ := net.SplitHostPort(l.Addr().String())
	return "TCPIP::127.0.0.1::" + port + "::SOCKET", first
}

func TestABrokerIsToldNameAndPassword(t *testing.T) {
	t.Setenv("BROKER_LOGIN", secret)
	address, first := broker(t, func(c net.Conn) net.Conn { return c })
	m, err := New(catalog.Monitor{Identity: catalog.Identity{ID: "MSG"}, Kind: catalog.MonitorMQTT, Topic: "x",
		Connection: catalog.Connection{Address: address}, Credentials: "env BROKER_LOGIN"}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	m.Start(context.Background(), func(Sample) {}) // the broker hangs up
	if got := <-first; !bytes.Contains(got, []byte("\x00\x07Aladdin\x00\x0bopen sesame")) {
		t.Errorf("it was told %q", got)
	}
}

func TestAnEncryptedBrokerSeesNothingOfAClientThatDoesNotTrustIt(t *testing.T) {
	address, first := broker(t, func(c net.Conn) net.Conn { return c })
	m, err := New(catalog.Monitor{Identity: catalog.Identity{ID: "MSG"}, Kind: catalog.MonitorMQTT, Topic: "x",
		Connection: catalog.Connection{Address: address}, Encrypted: true}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Start(context.Background(), func(Sample) {}); err == nil || !strings.Contains(err.Error(), "encrypt") {
		t.Errorf("%v", err)
	}
	if got := <-first; len(got) < 3 || got[0] != 0x16 { // a TLS handshake record, RFC 8446, 5.1
		t.Errorf("it begins with %x", got)
	}
}
