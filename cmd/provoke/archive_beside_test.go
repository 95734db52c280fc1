package main

import (
	"fmt"
	"net"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/catalog"
)

// TestARunIsNotKeptByAnArchiveThatDoesNotAnswer: a server that takes a connection and says nothing.
func TestARunIsNotKeptByAnArchiveThatDoesNotAnswer(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			if c, err := l.Accept(); err != nil {
				return
			} else {
				defer c.Close()
			}
		}
	}()
	begun := time.Now()
	told := askArchive(fmt.Sprintf("postgres://nobody@%s/jobs?sslmode=disable", l.Addr()))(&catalog.Bench{})()
	took := time.Since(begun)
	if len(told) != 1 || !strings.Contains(told[0], "whether parts drifted is not known") {
		t.Errorf("told %q", told)
	}
	if took > archiveAnswers+2*time.Second {
		t.Errorf("a run was kept for %v by an archive that says nothing", took)
	}
	t.Logf("figure: an archive that says nothing keeps a run for %v (at most %v, slack %v)", took.Round(1e6),
		archiveAnswers, (archiveAnswers + 2*time.Second - took).Round(1e6))
}
