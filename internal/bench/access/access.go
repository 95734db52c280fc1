// Package access is how a monitor gets into a server and knows that it is the right one: name and password as they
// stand outside of the bench file, and certificates. Cameras, web answers and brokers are reached with it.
package access

import (
	"bytes"
	"context"
	"crypto/md5"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"time"
)

// Login is how a server knows this program, and how this program knows the server.
type Login struct {
	// From says where name and password stand: "env NAME" or "file PATH"; empty for none. Neither is ever kept,
	// printed or journalled.
	From string
	// Authority is a certificate in PEM that vouches for the server, in place of this computer's own list.
	Authority []byte
}

// beginsWithin is how long an answer without end may take to begin.
const beginsWithin = 3 * time.Second

// mostSecret is the longest file of credentials.
const mostSecret = 4096

// NameAndPassword reads them where they stand: "name:password" in one line.
func (l Login) NameAndPassword() (name, password string, err error) {
	how, where, _ := strings.Cut(l.From, " ")
	var text string
	switch how {
	case "":
		return "", "", nil
	case "env":
		if text = os.Getenv(where); text == "" {
			return "", "", fmt.Errorf("the environment variable %s, which is to hold name:password, is not set: set "+
				"it in the terminal that starts provoke", where)
		}
	default:
		f, err := os.Open(where)
		if err != nil {
			return "", "", fmt.Errorf("read name:password: %w", err)
		}
		defer f.Close()
		data, err := io.ReadAll(io.LimitReader(f, mostSecret))
		if err != nil {
			return "", "", fmt.Errorf("read name:password: %w", err)
		}
		text = string(bytes.TrimPrefix(data, []byte("\ufeff")))
	}
	name, password, ok := strings.Cut(strings.TrimRight(text, "\r\n"), ":")
	if !ok || strings.ContainsAny(text[:len(name)+1+len(password)], "\r\n") {
		return "", "", fmt.Errorf("what %s holds is not one line name:password", l.From)
	}
	return name, password, nil
}

// TLS is the configuration of a connection that is encrypted.
func (l Login) TLS() (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if len(l.Authority) > 0 {
		c.RootCAs = x509.NewCertPool()
		if !c.RootCAs.AppendCertsFromPEM(l.Authority) {
			return nil, errors.New("the file of certificates holds none: it is to hold PEM, -----BEGIN " +
				"CERTIFICATE-----")
		}
	}
	return c, nil
}

// Client is a client that trusts what Login says; a limit of 0 is none.
func (l Login) Client(limit time.Duration) (*http.Client, error) {
	c, err := l.TLS()
	if err != nil {
		return nil, err
	}
	way := &http.Transport{MaxIdleConnsPerHost: 1, TLSClientConfig: c}
	if limit == 0 { // an answer without end still has to begin
		way.TLSHandshakeTimeout, way.ResponseHeaderTimeout = beginsWithin, beginsWithin
	}
	return &http.Client{Timeout: limit, Transport: way}, nil
}

// Get asks a server, with name and password if it wants them (RFC 7617 basic, RFC 7616 digest). Anything but status 200
// is an error.
func (l Login) Get(ctx context.Context, client *http.Client, address string) (*http.Response, error) {
	name, password, err := l.NameAndPassword()
	if err != nil {
		return nil, err
	}
	answer, err := get(ctx, client, address, "")
	if err == nil && answer.StatusCode == http.StatusUnauthorized && l.From != "" {
		proof := ""
		if proof, err = prove(answer, name, password); err == nil {
			answer.Body.Close()
			answer, err = get(ctx, client, address, proof)
		}
	}
	if err != nil {
		return nil, err
	}
	if answer.StatusCode == http.StatusOK {
		return answer, nil
	}
	answer.Body.Close()
	switch {
	case answer.StatusCode == http.StatusUnauthorized && l.From == "":
		return nil, fmt.Errorf("it answers %s: it wants a name and a password: write for example \"credentials: env "+
			"CAMERA_LOGIN\" in the bench file and set that variable to name:password", answer.Status)
	case answer.StatusCode == http.StatusUnauthorized:
		return nil, fmt.Errorf("it answers %s: name or password from %q is wrong", answer.Status, l.From)
	case answer.StatusCode == http.StatusForbidden:
		return nil, fmt.Errorf("it answers %s: this user may not see it; give it the right at the server",
			answer.Status)
	}
	return nil, fmt.Errorf("it answers %s", answer.Status)
}

func get(ctx context.Context, client *http.Client, address, proof string) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return nil, err
	}
	req.Header.Set("Cache-Control", "no-cache") // a kept answer says nothing about now
	if proof != "" {
		req.Header.Set("Authorization", proof)
	}
	answer, err := client.Do(req)
	var wrapped *url.Error
	if errors.As(err, &wrapped) {
		err = wrapped.Err // whoever asked tells the address
	}
	return answer, err
}

var challengeField = regexp.MustCompile(`(\w+)=(?:"((?:[^"\\]|\\.)*)"|([^\s,]+))`)

// prove answers a server's challenge: digest where it offers that, so that the password itself does not travel.
func prove(answer *http.Response, name, password string) (string, error) {
	basic := false
	for _, challenge := range answer.Header.Values("WWW-Authenticate") {
		scheme, rest, _ := strings.Cut(challenge, " ")
		switch {
		case strings.EqualFold(scheme, "Digest"):
			f := map[string]string{}
			for _, m := range challengeField.FindAllStringSubmatch(rest, -1) {
				f[strings.ToLower(m[1])] = m[2] + m[3]
			}
			if proof := digest(f, answer.Request, name, password, rand.Text()); proof != "" {
				return proof, nil
			}
		case strings.EqualFold(scheme, "Basic"):
			basic = true
		}
	}
	if !basic {
		return "", fmt.Errorf("it answers %s and wants to be convinced in a way that is not known here: choose "+
			"basic or digest authentication at the server", answer.Status)
	}
	r := &http.Request{Header: http.Header{}}
	r.SetBasicAuth(name, password)
	return r.Header.Get("Authorization"), nil
}

// digest is the answer of RFC 7616, section 3.4, with a nonce of our own; "" for what a challenge asks that is not
// known here.
func digest(f map[string]string, asked *http.Request, name, password, own string) string {
	sum := map[string]func() hash.Hash{"": md5.New, "MD5": md5.New,
		"SHA-256": sha256.New}[strings.ToUpper(f["algorithm"])]
	auth := false
	for _, q := range strings.Split(f["qop"], ",") {
		auth = auth || strings.TrimSpace(q) == "auth"
	}
	if sum == nil || f["qop"] != "" && !auth {
		return ""
	}
	h := func(parts ...string) string {
		x := sum()
		io.WriteString(x, strings.Join(parts, ":"))
		return hex.EncodeToString(x.Sum(nil))
	}
	path := asked.URL.RequestURI()
	a1, a2 := h(name, f["realm"], password), h(asked.Method, path)
	proof := fmt.Sprintf(`Digest username="%s", realm="%s", nonce="%s", uri="%s"`, name, f["realm"], f["nonce"], path)
	if f["algorithm"] != "" {
		proof += ", algorithm=" + f["algorithm"]
	}
	if f["opaque"] != "" {
		proof += fmt.Sprintf(`, opaque="%s"`, f["opaque"])
	}
	if !auth {
		return proof + fmt.Sprintf(`, response="%s"`, h(a1, f["nonce"], a2))
	}
	const count = "00000001"
	return proof + fmt.Sprintf(`, qop=auth, nc=%s, cnonce="%s", response="%s"`, count, own,
		h(a1, f["nonce"], count, own, "auth", a2))
}
