package main

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/run/session"
	"provoke/internal/terminal"
)

func TestAnotherAddressThanLoopbackNeedsFlagTLSAndToken(t *testing.T) {
	dir := t.TempDir()
	long, short := filepath.Join(dir, "token"), filepath.Join(dir, "short")
	for name, text := range map[string]string{long: "0123456789abcdefghij\n", short: "0123\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	full := serveCommand{Beyond: true, Cert: "c", Key: "k", TokenFile: long}
	for _, x := range []struct {
		listen string
		change func(*serveCommand)
		ok     bool
	}{
		{"127.0.0.1:0", func(c *serveCommand) { *c = serveCommand{} }, true},
		{"localhost:0", func(c *serveCommand) { *c = serveCommand{} }, true},
		{"[::1]:0", func(c *serveCommand) { *c = serveCommand{} }, true},
		{"0.0.0.0:8080", func(c *serveCommand) { *c = serveCommand{} }, false},
		{":8080", func(c *serveCommand) { *c = serveCommand{} }, false},
		{"bench.example:8080", func(c *serveCommand) { *c = serveCommand{} }, false},
		{"192.0.2.7:8080", func(c *serveCommand) {}, true},
		{"192.0.2.7:8080", func(c *serveCommand) { c.Beyond = false }, false},
		{"192.0.2.7:8080", func(c *serveCommand) { c.Cert, c.Key = "", "" }, false},
		{"192.0.2.7:8080", func(c *serveCommand) { c.Key = "" }, false},
		{"192.0.2.7:8080", func(c *serveCommand) { c.TokenFile = "" }, false},
		{"192.0.2.7:8080", func(c *serveCommand) { c.TokenFile = short }, false},
	} {
		c := full
		x.change(&c)
		c.Listen = x.listen
		if _, err := c.allowed(); (err == nil) != x.ok {
			t.Errorf("%s with %+v: %v", x.listen, c, err)
		}
	}
}

func TestAStandingTokenLetsInOverTLS(t *testing.T) {
	dir := t.TempDir()
	cert, key, pool := certificate(t, dir)
	token := "an-invented-token-of-some-length"
	if err := os.WriteFile(filepath.Join(dir, "token"), []byte(token), 0o600); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	out, errs := &safeBuffer{}, &safeBuffer{}
	w := &terminal.World{Ctx: ctx, Stdin: strings.NewReader(""), Stdout: out, Stderr: errs, Now: time.Now,
		Signals: make(chan os.Signal)}
	c := serveCommand{Job: filepath.Join(dir, "a.provoke"), Dir: dir, Listen: "127.0.0.1:0", Cert: cert, Key: key,
		TokenFile: filepath.Join(dir, "token")}
	done := make(chan error, 1)
	go func() { done <- c.serve(w, session.NewDesk(w, dir, c.Job), nil) }()
	defer func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	address := ""
	for end := time.Now().Add(5 * time.Second); address == "" &&
		time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		if text := out.String(); strings.Contains(text, "/enter") {
			address, _, _ = strings.Cut(text, "/enter")
		}
	}
	if !strings.HasPrefix(address, "https://127.0.0.1:") {
		t.Fatalf("the address is %q: %s", address, errs)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	for bearer, want := range map[string]int{token: http.StatusOK, token + "x": http.StatusUnauthorized,
		"": http.StatusUnauthorized} {
		r, err := http.NewRequest("GET", address+"/", nil)
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+bearer)
		answer, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		if answer.StatusCode != want {
			t.Errorf("with %q: %s", bearer, answer.Status)
		}
	}
	answer, err := client.Post(address+"/enter", "application/x-www-form-urlencoded", strings.NewReader("token="+token))
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	if c := answer.Cookies(); answer.StatusCode != http.StatusOK || len(c) != 1 || !c[0].Secure {
		t.Errorf("the form: %s, cookies %v", answer.Status, c)
	}
}

// certificate makes a certificate of this test for loopback.
func certificate(t *testing.T, dir string) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), DNSNames: []string{"localhost"}, IPAddresses: nil, IsCA: true,
		BasicConstraintsValid: true}
	template.IPAddresses = append(template.IPAddresses, []byte{127, 0, 0, 1})
	der, err := x509.CreateCertificate(rand.Reader, template, template, &private.PublicKey, private)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalECPrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	for name, data := range map[string][]byte{cert: certPEM,
		key: pem.EncodeToMemory(&pem.Block{Type: "EC PRIVATE KEY", Bytes: keyDER})} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool = x509.NewCertPool()
	pool.AppendCertsFromPEM(certPEM)
	return cert, key, pool
}
