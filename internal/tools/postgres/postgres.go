//go:build unix

// Package postgres starts a PostgreSQL server for a test, in a folder of its own, on a socket there and on no port.
package postgres

import (
	"bytes"
	"cmp"
	"fmt"
	"net"
	"net/url"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"syscall"
	"testing"
	"time"
)

// Server is one that runs.
type Server struct {
	t       testing.TB
	bin     string
	dir     string
	as      *syscall.Credential // nil where the tests are not root's
	process *exec.Cmd
	port    int      // of the socket and of TLS; 0 for the usual
	more    []string // arguments of the server
	said    bytes.Buffer
}

// Start makes a server and starts it; its end is the test's. Where there is no PostgreSQL the test is skipped.
func Start(t testing.TB) *Server {
	t.Helper()
	bins, _ := filepath.Glob("/usr/lib/postgresql/*/bin")
	if path, err := exec.LookPath("initdb"); err == nil && len(bins) == 0 {
		bins = append(bins, filepath.Dir(path))
	}
	if len(bins) == 0 {
		t.Skip("outside check skipped: no PostgreSQL server: install postgresql")
	}
	slices.Sort(bins)
	s := &Server{t: t, bin: bins[len(bins)-1]}
	var err error
	if s.dir, err = os.MkdirTemp("", "pg"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Kill(); os.RemoveAll(s.dir) })
	if os.Getuid() == 0 { // initdb refuses root
		who, err := user.Lookup("postgres")
		if err != nil {
			who, err = user.Lookup("nobody")
		}
		if err != nil {
			t.Fatal(err)
		}
		uid, _ := strconv.Atoi(who.Uid)
		gid, _ := strconv.Atoi(who.Gid)
		s.as = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
		if err := os.Chown(s.dir, uid, gid); err != nil {
			t.Fatal(err)
		}
	}
	out, err := s.command("initdb", "-D", s.data(), "-U", "owner", "-A", "trust", "-E", "UTF8", "--locale=C.UTF-8",
		"--no-sync").CombinedOutput()
	if err != nil {
		t.Fatalf("initdb: %v\n%s", err, out)
	}
	s.Run()
	return s
}

func (s *Server) data() string { return filepath.Join(s.dir, "data") }

func (s *Server) command(name string, args ...string) *exec.Cmd {
	c := exec.Command(filepath.Join(s.bin, name), args...)
	c.Dir = s.dir
	c.SysProcAttr = &syscall.SysProcAttr{Credential: s.as, Setpgid: true}
	c.Env = append(os.Environ(), "LC_ALL=C.UTF-8", fmt.Sprintf("PGPORT=%d", cmp.Or(s.port, 5432)),
		"PGHOST="+s.dir, "PGUSER=owner", "PGDATABASE=postgres")
	return c
}

// Run starts the server, again after Kill, and waits until it answers.
func (s *Server) Run() {
	s.t.Helper()
	os.Remove(filepath.Join(s.data(), "postmaster.pid")) // of the one that was killed
	s.process = s.command("postgres", append([]string{"-D", s.data(), "-k", s.dir, "-c", "listen_addresses=", "-c",
		"max_connections=40", "-c", "shared_buffers=256MB", "-c", "max_wal_size=4GB"}, s.more...)...)
	s.process.Stdout, s.process.Stderr = &s.said, &s.said
	if err := s.process.Start(); err != nil {
		s.t.Fatal(err)
	}
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		out, err := s.command("pg_isready").CombinedOutput()
		if err == nil {
			return
		}
		if time.Now().After(end) {
			s.t.Fatalf("the server does not answer: %v\n%s", err, out)
		}
	}
}

// Encrypt starts the server again on a loopback port with TLS, for localhost, and returns the port.
func (s *Server) Encrypt(certificate, key []byte) int {
	s.t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.t.Fatal(err)
	}
	port := l.Addr().(*net.TCPAddr).Port
	l.Close()
	for name, data := range map[string][]byte{"server.crt": certificate, "server.key": key} {
		path := filepath.Join(s.data(), name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			s.t.Fatal(err)
		}
		if s.as != nil {
			os.Chown(path, int(s.as.Uid), int(s.as.Gid))
		}
	}
	s.Kill()
	s.more = []string{"-c", "ssl=on", "-c", "listen_addresses=127.0.0.1", "-c", fmt.Sprintf("port=%d", port)}
	s.port = port
	s.Run()
	return port
}

// Kill ends the server and its helpers as a power cut would, by their ids.
func (s *Server) Kill() {
	if s.process == nil {
		return
	}
	syscall.Kill(-s.process.Process.Pid, syscall.SIGKILL)
	s.process.Wait()
	s.process = nil
}

// Address is the server's, with a user and a database.
func (s *Server) Address(who, database string) string {
	return fmt.Sprintf("postgres://%s@/%s?host=%s", who, database, url.QueryEscape(s.dir))
}

// Database makes a database and returns the address under which its owner reaches it.
func (s *Server) Database(name string) string {
	s.t.Helper()
	s.Psql("postgres", "CREATE DATABASE "+name)
	return s.Address("owner", name)
}

// Psql gives a database statements, and returns what it prints, unadorned.
func (s *Server) Psql(database, text string) string {
	s.t.Helper()
	out, err := s.psql(database, text)
	if err != nil {
		s.t.Fatalf("psql: %v\n%s", err, out)
	}
	return out
}

// PsqlFails gives it statements that it has to refuse, and returns why it did.
func (s *Server) PsqlFails(database, text string) string {
	s.t.Helper()
	out, err := s.psql(database, text)
	if err == nil {
		s.t.Errorf("psql takes %s", text)
	}
	return out
}

func (s *Server) psql(database, text string) (string, error) {
	c := s.command("psql", "-X", "-q", "-t", "-A", "-v", "ON_ERROR_STOP=1", "-d", database)
	c.Stdin = bytes.NewBufferString(text)
	out, err := c.CombinedOutput()
	return string(out), err
}

// File is a file in the server's folder.
func (s *Server) File(name string) string { return filepath.Join(s.dir, name) }
