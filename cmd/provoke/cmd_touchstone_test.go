package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"provoke/internal/terminal"
)

// touchstoneRun writes a file and runs the command on it as the user would.
func touchstoneRun(t *testing.T, name, text string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	file := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: &out, Stderr: &errs,
		Now: time.Now}
	code = run(w, append([]string{"touchstone", file}, args...))
	return code, strings.ReplaceAll(out.String(), file, name), strings.ReplaceAll(errs.String(), file, name)
}

// An invented pad of 20 dB whose phase turns by 10° from point to point, with noise data: 3 dB (a power
// ratio of 0.5), 0.3 · 50 Ω = 15 Ω.
const invented = "! invented\n# MHz S MA R 50\n1 0.02 0 0.1 -10 0.1 -10 0.02 90\n3 0.02 0 0.1 -20 0.1 -20 0.02 90\n1 " +
	"3 0.5 180 0.3\n"

func TestABadTouchstoneFileEndsWithThreeAndAllItsProblems(t *testing.T) {
	code, stdout, stderr := touchstoneRun(t, "bad.s1p", "# MHz S XX R 50j\n1 0 0\n2 0,5 0\n1.5 NaN 0\n", "--json")
	if code != terminal.ExitProblems || stdout != "" {
		t.Errorf("code %d, printed %q", code, stdout)
	}
	for _, place := range []string{"bad.s1p:1:9: ", "bad.s1p:1:14: ", "bad.s1p:3:3: ", "bad.s1p:4:5: ", "hint: ",
		"4 problems; nothing was done"} {
		if !strings.Contains(stderr, place) {
			t.Errorf("%q is not in\n%s", place, stderr)
		}
	}
}

func TestTouchstoneDoesNotExtrapolate(t *testing.T) {
	for at, code := range map[string]int{"4 MHz": terminal.ExitError, "0.9 MHz": terminal.ExitError,
		"4": terminal.ExitUsage, "4 Mhz": terminal.ExitUsage} {
		got, stdout, stderr := touchstoneRun(t, "pad.s2p", invented, "--at", at)
		if got != code || stdout != "" || !strings.Contains(stderr, "--at: ") {
			t.Errorf("--at %q: code %d, %q, %q", at, got, stdout, stderr)
		}
	}
	var errs bytes.Buffer
	w := &terminal.World{Ctx: context.Background(), Stdin: strings.NewReader(""), Stdout: &bytes.Buffer{},
		Stderr: &errs, Now: time.Now}
	if code := run(w, []string{"touchstone", "no such file.s2p"}); code != terminal.ExitError ||
		!strings.Contains(errs.String(), "cannot read the Touchstone file") {
		t.Errorf("code %d, %s", code, errs.String())
	}
}
