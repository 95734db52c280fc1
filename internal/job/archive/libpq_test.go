//go:build unix

package archive_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"math/big"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/archive"
	"provoke/internal/tools/postgres"
)

// authority makes a certificate for localhost that vouches for itself.
func authority(t *testing.T) (certificate, key []byte) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "invented"}, IsCA: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), DNSNames: []string{"localhost"},
		BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}),
		pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})
}

// TestAServerIsReachedAsLibpqReachesIt: over TLS with a root that is checked, and by the name of a service
// (https://www.postgresql.org/docs/15/libpq-pgservice.html).
func TestAServerIsReachedAsLibpqReachesIt(t *testing.T) {
	server := postgres.Start(t)
	certificate, key := authority(t)
	port := server.Encrypt(certificate, key)
	server.Database("jobs")
	dir := t.TempDir()
	other, _ := authority(t)
	for name, data := range map[string][]byte{"root.crt": certificate, "other.crt": other, "services": fmt.Appendf(nil,
		"[laboratory]\nhost=localhost\nport=%d\nuser=owner\ndbname=jobs\nsslmode=verify-full\nsslrootcert=%s\n", port,
		filepath.Join(dir, "root.crt"))} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("PGSERVICEFILE", filepath.Join(dir, "services"))
	t.Setenv("PGSSLROOTCERT", "")
	at := fmt.Sprintf("postgres://owner@localhost:%d/jobs?sslmode=verify-full&sslrootcert=", port)
	for _, c := range []struct {
		at   string
		fine bool
	}{{at + url.QueryEscape(filepath.Join(dir, "root.crt")), true}, {"postgres://?service=laboratory", true},
		{at + url.QueryEscape(filepath.Join(dir, "other.crt")), false}, {"postgres://?service=nobody", false}} {
		a, err := archive.Open(t.Context(), c.at, "test", true)
		if err == nil {
			a.Close()
		}
		if (err == nil) != c.fine {
			t.Errorf("%s: %v", c.at, err)
		}
		if err != nil && strings.Contains(err.Error(), "\n\n") {
			t.Errorf("%s: told on lines that are empty: %q", c.at, err)
		}
	}
	n := strings.TrimSpace(server.Psql("jobs", "SELECT count(*) FROM provoke.migrations"))
	if n == "0" {
		t.Error("no tables were made")
	}
}
