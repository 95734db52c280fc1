package watcher_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A service manager that can is asked for a scope of the watcher's own; one that cannot is done without.
func TestTheWatcherLeavesTheControlGroupWhereItCan(t *testing.T) {
	for _, can := range []bool{true, false} {
		dir := t.TempDir()
		log := filepath.Join(dir, "log")
		fake := "#!/bin/sh\necho \"$@\" >> " + log + "\n"
		if can {
			fake += "while [ \"$1\" != -- ]; do shift; done\nshift\nexec \"$@\"\n"
		} else {
			fake += "echo no bus >&2\nexit 1\n"
		}
		if err := os.WriteFile(filepath.Join(dir, "systemd-run"), []byte(fake), 0o755); err != nil {
			t.Fatal(err)
		}
		t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
		_, b := lit(t)
		w := start(t, b, "")
		st := w.State()
		if !st.Independent() || w.Outside() != can {
			t.Errorf("can %v: %+v, outside %v", can, st, w.Outside())
		}
		said, _ := os.ReadFile(log)
		asked := strings.Contains(string(said), "--user --scope --quiet --collect -- true")
		run := strings.Contains(string(said), "--user --scope --quiet --collect -- "+os.Args[0]+" watch")
		if !asked || run != can {
			t.Errorf("can %v: asked %v, run by it %v:\n%s", can, asked, run, said)
		}
		if err := w.Check(); err != nil {
			t.Error(err)
		}
		w.Release()
	}
}
