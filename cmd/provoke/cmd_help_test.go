package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/alecthomas/kong"

	"provoke/internal/terminal"
)

func TestTheNameAloneSaysWhereToBegin(t *testing.T) {
	code, out, errs := journalRun()
	if code != terminal.ExitUsage || errs != "" {
		t.Errorf("exit code %d, %q", code, errs)
	}
	lines := strings.Split(strings.TrimRight(out, "\n"), "\n")
	if len(lines) >= 15 {
		t.Errorf("%d lines", len(lines))
	}
	for _, l := range lines {
		if n := len([]rune(l)); n > 80 {
			t.Errorf("%d columns: %s", n, l)
		}
	}
	// The commands that it shows are command lines that the program takes.
	var typed []string
	for _, m := range regexp.MustCompile(`(?m)^ *(provoke [a-z ]+?)(?:  |$)`).FindAllStringSubmatch(out, -1) {
		typed = append(typed, m[1])
		parser, err := kong.New(&commands{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := parser.Parse(strings.Fields(m[1])[1:]); err != nil {
			t.Errorf("%s: %v", m[1], err)
		}
	}
	if got := strings.Join(typed, ", "); got != "provoke demo, provoke new mybench, provoke serve, provoke help" {
		t.Errorf("it shows %s", got)
	}
}

func TestAMisspeltWordBringsTheNearestOne(t *testing.T) {
	for _, x := range []struct{ typed, nearest string }{{"rnu", "run"}, {"versoin", "version"}, {"hlep", "help"},
		{"help rnu", "run"}, {"help study thresold", "threshold"}, {"study thresold", "threshold"},
		{"run --lable", "--label"}} {
		says(t, terminal.ExitUsage, strings.Fields(x.typed), `did you mean "`+x.nearest+`"?`)
	}
}

// What shells do not do with the command that answers them does no harm either.
func TestOddWordsAreCompletedByNothing(t *testing.T) {
	says(t, terminal.ExitDone, []string{"complete", "--"})
	for _, words := range [][]string{{"--", "=--no-such=x"}, {"--", "run", "--no-such", "=x"},
		{"--", "level", "--", "=-"}, {"--", "run", "=", "=", "=="}, {"--", "no", "such", "command", "=x"},
		{"--", "journal", "j", "k", "=x"}} {
		out := says(t, terminal.ExitDone, append([]string{"complete"}, words...))
		if strings.Contains(out, "\t") || strings.Count(out, "\n") != 1 {
			t.Errorf("%q: %q", words, out)
		}
	}
}

// Every argument and every flag that names a file completes files, by what its help calls it.
func TestEveryFileIsCompletedByItsKind(t *testing.T) {
	parser, err := kong.New(&commands{})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]int{}
	kong.Visit(parser.Model.Node, func(v kong.Visitable, next kong.Next) error {
		node, is := v.(*kong.Node)
		if !is || node.Hidden {
			return next(nil)
		}
		for _, value := range node.Values() {
			kind := kindOf(value)
			kinds[kind]++
			want := ""
			switch help := strings.ToLower(value.Help); {
			case strings.HasPrefix(help, "job file"), strings.HasPrefix(help, "the job file"):
				want = "files .provoke"
			case strings.HasPrefix(help, "bench file"), strings.HasPrefix(help, "plan file"),
				strings.HasPrefix(help, "cable file"):
				want = "files .yaml"
			case strings.HasPrefix(help, "folder "), strings.HasPrefix(help, "folder;"):
				want = "folders"
			case value.Tag.Type == "path" && kind == "words":
				want = "files"
			}
			if want != "" && kind != want {
				t.Errorf("%s, %s: %q, want %q", node.FullPath(), value.Summary(), kind, want)
			}
		}
		return next(nil)
	})
	for _, kind := range []string{"files", "files .provoke", "files .yaml", "files .csv", "folders", "words"} {
		if kinds[kind] == 0 {
			t.Errorf("nothing completes %q", kind)
		}
	}
}

// The pages are set without a warning, one for each command, and the exit codes are those of README.md.
func TestTheManualPagesAreSetWithoutAWarning(t *testing.T) {
	dir := t.TempDir()
	says(t, terminal.ExitDone, []string{"man", dir})
	pages, err := filepath.Glob(filepath.Join(dir, "*.1"))
	if err != nil || len(pages) < 40 {
		t.Fatalf("%d pages, %v", len(pages), err)
	}
	text := func(name string) string {
		data, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	flat := strings.ReplaceAll(string(readme), "`", "")
	for _, c := range exitCodes[3:] {
		if row := "| " + c[0] + " | "; !strings.Contains(flat, row) || !strings.Contains(text("provoke.1"), `\fB`+c[0]+`\fR`) {
			t.Errorf("exit code %s is not told by both", c[0])
		}
	}
	if n := strings.Count(flat[strings.Index(flat, "| exit code |"):], "\n| "); n != len(exitCodes)-1 {
		t.Errorf("README.md has %d rows of exit codes", n)
	}
	groff, err := exec.LookPath("groff")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("groff is missing")
		}
		t.Skip("outside check skipped: groff is not installed")
	}
	out, err := exec.Command(groff, append([]string{"-K", "utf8", "-ww", "-man", "-Tutf8", "-z"}, pages...)...).CombinedOutput()
	if err != nil || len(out) > 0 {
		t.Errorf("%v\n%s", err, out)
	}
	set, err := exec.Command(groff, "-K", "utf8", "-man", "-Tutf8", "-P-cbou", filepath.Join(dir, "provoke-run.1")).Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"provoke run --job=JOB.provoke <plan> [flags]", "Exit with code 10 when the product upset."} {
		if !strings.Contains(string(set), want) {
			t.Errorf("the page of run does not show %q:\n%s", want, set)
		}
	}
}
