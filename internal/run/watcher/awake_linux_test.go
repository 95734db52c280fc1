package watcher_test

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/run/watcher"
)

// manager puts a login manager's command of the test on the path.
func manager(t *testing.T, script string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if script != "" {
		if err := os.WriteFile(filepath.Join(dir, "systemd-inhibit"), []byte("#!/bin/sh\nd="+dir+"\n"+script),
			0o755); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("PATH", dir+":/usr/bin:/bin")
	if script == "" {
		t.Setenv("PATH", dir)
	}
	return dir
}

func TestWhatTheSystemGrantsAgainstSuspendIsSaid(t *testing.T) {
	for name, x := range map[string]struct{ script, want string }{
		"all": {`echo "$@" >> $d/asked; for last; do :; done; echo $$ > $d/pid; exec $last`,
			"suspend is inhibited, the lid's too"},
		"not the lid": {`case "$*" in *lid*) echo "Access denied" >&2; exit 1;; esac; for last; do :; done; exec $last`,
			"suspend is inhibited; closing the lid may still suspend"},
		"nothing": {`echo "Failed to connect to bus: no such file" >&2; exit 1`,
			"suspend is not inhibited: Failed to connect to bus: no such file; keep this machine awake"},
		"hangs":   {`exec sleep 30`, "suspend is not inhibited: systemd-inhibit did not answer within 2s"},
		"missing": {"", "suspend is not inhibited: this system has no systemd-inhibit"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := manager(t, x.script)
			began := time.Now()
			a := watcher.KeepAwake()
			defer a.Release()
			if !strings.HasPrefix(a.Words(), x.want) {
				t.Errorf("%q, not %q", a.Words(), x.want)
			}
			if took := time.Since(began); took > 8*time.Second {
				t.Errorf("arming waited %v for it", took)
			}
			if name != "all" {
				return
			}
			asked, _ := os.ReadFile(filepath.Join(dir, "asked"))
			if !strings.Contains(string(asked), "--what=sleep:idle:handle-lid-switch") ||
				!strings.Contains(string(asked), "--mode=block") {
				t.Errorf("asked for %s", asked)
			}
			pid, _ := os.ReadFile(filepath.Join(dir, "pid"))
			process := filepath.Join("/proc", strings.TrimSpace(string(pid)))
			if _, err := os.Stat(process); err != nil {
				t.Errorf("the lock is not held: %v", err)
			}
			a.Release()
			if _, err := os.Stat(process); err == nil {
				t.Error("the lock is held after its release")
			}
		})
	}
}

var loginManager = flag.Bool("login-manager", false,
	"ask the system's own login manager; by hand, on a machine where one runs")

// The system's own login manager lists the lock. A container runs none, so this is tried by hand.
func TestTheLoginManagerListsTheLock(t *testing.T) {
	if !*loginManager {
		t.Skip("by hand: -login-manager")
	}
	list := func() string {
		out, err := exec.Command("systemd-inhibit", "--list", "--no-pager").CombinedOutput()
		if err != nil {
			t.Fatalf("systemd-inhibit --list: %v %s", err, out)
		}
		return string(out)
	}
	list()
	a := watcher.KeepAwake()
	defer a.Release()
	if strings.HasPrefix(a.Words(), "suspend is inhibited") != strings.Contains(list(), "provoke") {
		t.Errorf("%q, and the manager lists\n%s", a.Words(), list())
	}
}
