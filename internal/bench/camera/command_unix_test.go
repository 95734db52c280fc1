//go:build unix

package camera

import (
	"context"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

func TestACommandBringsPicturesAndEndsWithItsChildren(t *testing.T) {
	dir := t.TempDir()
	one, pid := filepath.Join(dir, "one.jpg"), filepath.Join(dir, "pid")
	if err := os.WriteFile(one, picture(t, 60), 0o600); err != nil {
		t.Fatal(err)
	}
	script := `sleep 60 & echo $! > "$1"; trap "" TERM; while :; do cat "$0"; sleep 0.02; done`
	got, err := stream(t, Source{Command: []string{"/bin/sh", "-c", script, one, pid}}, 3)
	if err != nil || len(got) != 3 || got[0] != 60 {
		t.Fatalf("%v, %v", got, err)
	}
	text, _ := os.ReadFile(pid)
	child, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		t.Fatal(err)
	}
	for end := time.Now().Add(5 * time.Second); syscall.Kill(child, 0) == nil && !zombie(child); {
		if time.Now().After(end) {
			t.Fatal("what the command started lives on")
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// zombie reports a process that has ended and that nobody asked for.
func zombie(pid int) bool {
	text, err := os.ReadFile("/proc/" + strconv.Itoa(pid) + "/stat")
	return err == nil && strings.Contains(string(text), ") Z ")
}

func TestWhatACommandSaysWhenItDiesIsTold(t *testing.T) {
	_, err := stream(t, Source{Command: []string{"/bin/sh", "-c", "echo no such device >&2; exit 3"}}, 1)
	if err == nil || !strings.Contains(err.Error(), "no such device") || !strings.Contains(err.Error(),
		"exit status 3") {
		t.Errorf("%v", err)
	}
	_, err = stream(t, Source{Command: []string{"no-such-program-here"}}, 1)
	if err == nil || !strings.Contains(err.Error(), "is it installed") {
		t.Errorf("%v", err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
	defer cancel()
	began := time.Now()
	Source{Command: []string{"/bin/sh", "-c", "sleep 30"}}.Stream(ctx, func(Picture) {})
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("it took %v to end", took)
	}
}
