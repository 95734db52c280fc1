package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// shells are told to complete and to show the words that a completed line hands on.
var shells = []struct {
	name, begin string
	args        []string
}{
	{"bash", `provoke() { if [ "$1" = complete ]; then command provoke "$@"; else printf 'got'; printf '<%s>' "$@"; echo; fi; }
eval "$(command provoke completion bash)"
`, []string{"--norc", "--noprofile", "-i"}},
	{"zsh", `provoke() { if [[ $1 = complete ]]; then command provoke "$@"; else printf 'got'; printf '<%s>' "$@"; echo; fi }
autoload -Uz compinit; compinit -u -D
eval "$(command provoke completion zsh)"
`, []string{"-f", "-i"}},
	{"fish", `function provoke; if test "$argv[1]" = complete; command provoke $argv; else; printf 'got'; printf '<%s>' $argv; echo; end; end
command provoke completion fish | source
`, []string{"--no-config", "-i"}},
}

// Each shell completes what is typed at its prompt: commands, flags, values, and only files of the right kind.
func TestTheShellsCompleteWhatIsTyped(t *testing.T) {
	for _, shell := range shells {
		t.Run(shell.name, func(t *testing.T) {
			t.Parallel()
			program, err := exec.LookPath(shell.name)
			if err != nil {
				if os.Getenv("CI") == "true" {
					t.Fatal(shell.name + " is missing")
				}
				t.Skip("outside check skipped: " + shell.name + " is not installed")
			}
			dir := writeAll(t, map[string]string{"job.provoke": "", "jot.txt": "", "my plan.yaml": "",
				"my notes.txt": "", "following": ""})
			if err := os.Mkdir(filepath.Join(dir, "folder"), 0o700); err != nil {
				t.Fatal(err)
			}
			keyboard, line := keyboardOf(t)
			shown := shownAt(keyboard)
			cmd := exec.Command(program, shell.args...)
			cmd.Dir, cmd.Stdin, cmd.Stdout, cmd.Stderr = dir, line, line, line
			cmd.Env = append(os.Environ(), "HOME="+t.TempDir(), "TERM=xterm", "PS1=> ", "INPUTRC=/dev/null",
				"LC_ALL=C.UTF-8")
			cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true, Setctty: true}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
			at := 0
			typed := func(keys, want string) {
				t.Helper()
				keyboard.WriteString(keys)
				for end := time.Now().Add(20 * time.Second); !strings.Contains(shown.String()[at:], want); {
					if time.Sleep(10 * time.Millisecond); time.Now().After(end) {
						t.Fatalf("%q does not become %q:\n%s", keys, want, shown.String()[at:])
					}
				}
				at = len(shown.String())
			}
			if err := os.WriteFile(filepath.Join(dir, "begin"), []byte(shell.begin), 0o600); err != nil {
				t.Fatal(err)
			}
			typed("source ./begin; echo rea''dy\r", "ready")
			for _, x := range [][2]string{
				{"provoke compl\t\r", "got<completion>"},
				{"provoke completion po\t\r", "got<completion><powershell>"},
				{"provoke budget --fixture=c\t\r", "got<budget><--fixture=cable>"},
				{"provoke budget --fixture jig1\t\r", "got<budget><--fixture><jig150>"},
				{"provoke run --resu\t\r", "got<run><--resume>"},
				{"provoke run m\t\r", "got<run><my plan.yaml>"},
				{"provoke run --job j\t\r", "got<run><--job><job.provoke>"},
				{"provoke run --job=j\t\r", "got<run><--job=job.provoke>"},
				{"provoke new fo\t\r", "got<new><folder"},
				{"provoke help design c\t\r", "got<help><design><clamp>"},
			} {
				typed(x[0], x[1])
			}
			typed("provoke de\t\t", "Compute a clamp before it")
		})
	}
}
