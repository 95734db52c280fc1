package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"provoke/internal/tell"
	"provoke/internal/terminal"
)

func TestReportChecksWhatTheFirstPageLacks(t *testing.T) {
	job, dir := weigherJobFile(t), t.TempDir()
	code, said, errs := asked("report", job, "--check")
	if code != terminal.ExitProblems || !strings.Contains(errs, "the first page lacks") {
		t.Errorf("exit code %d: %s", code, errs)
	}
	for _, s := range []string{"Client", "client in the --about file", "Serial number",
		"or dut.serial in the bench file before the next run", "or provoke run --temperature next time"} {
		if !strings.Contains(strings.Join(strings.Fields(said), " "), s) {
			t.Errorf("the list does not say %q:\n%s", s, said)
		}
	}
	if code, said, _ := asked("report", job, "--check", "--json"); code != terminal.ExitProblems ||
		!strings.Contains(said, `"name": "Client"`) && !strings.Contains(said, `"name":"Client"`) {
		t.Errorf("as JSON: exit code %d:\n%s", code, said)
	}
	about := filepath.Join(dir, "about.yaml")
	write := func(text string) {
		if err := os.WriteFile(about, []byte("provoke: about 1\n"+text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write("client: Invented Quarry Works\nissued: 2026-03-09\n")
	if code, said, _ := asked("report", job, "--check", "--about", about); code != terminal.ExitProblems ||
		strings.Contains(said, "Client") || !strings.Contains(said, "Firmware") {
		t.Errorf("exit code %d:\n%s", code, said)
	}
	out := filepath.Join(dir, "report.html")
	if code, _, errs := asked("report", job, "--about", about, "-o", out); code != terminal.ExitDone {
		t.Fatal(errs)
	}
	if page, _ := os.ReadFile(out); !strings.Contains(string(page), "Invented Quarry Works†") {
		t.Error("the page does not name the client")
	}
	os.Remove(out)
	write("client: x\nissued: 2020-01-01\n")
	if code, _, errs := asked("report", job, "--about", about, "-o", out); code != terminal.ExitProblems ||
		!strings.Contains(errs,
			"about.yaml:3:9: the report is issued on 2020-01-01, before the test was over on 2026-03-0") {
		t.Errorf("a report issued before the test: exit code %d: %s", code, errs)
	}
	write("clients: x\nissued: soon\n")
	if code, _, errs := asked("report", job, "--about", about, "-o", out); code != terminal.ExitProblems ||
		!strings.Contains(errs, ":2:1: ") || !strings.Contains(errs, ":3:9: ") {
		t.Errorf("a file with mistakes: exit code %d: %s", code, errs)
	}
	write(strings.Repeat("\x00\xff", 1<<19))
	if code, _, errs := asked("report", job, "--about", about, "-o", out); code == terminal.ExitDone ||
		len(errs) > 2000 {
		t.Errorf("a megabyte of garbage: exit code %d: %.500s", code, errs)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a report was written with a file that has problems")
	}
}

func TestReportWantsAFileOrACheckAndNotBoth(t *testing.T) {
	job := weigherJobFile(t)
	for _, args := range [][]string{{"report", job}, {"report", job, "--check", "-o", "x.pdf"},
		{"report", job, "--check", "--csv", "x"}, {"report", job, "--json", "-o", "x.pdf"}} {
		if code, _, errs := asked(args...); code != terminal.ExitUsage || !strings.Contains(errs, "--check") {
			t.Errorf("%v: exit code %d: %s", args, code, errs)
		}
	}
}

// The file that provoke new writes is read as it stands, with every comment taken away from its keys, and shows every
// key.
func TestTheTemplateOfAboutIsReadAndShowsEveryKey(t *testing.T) {
	if a, problems := tell.ParseAbout("about.yaml", []byte(aboutTemplate)); problems.Err() != nil || a.Client != "" {
		t.Error(problems.Err())
	}
	whole := regexp.MustCompile(`(?m)^# ( *[a-z_]+:( |$))`).ReplaceAllString(aboutTemplate, "$1")
	a, problems := tell.ParseAbout("about.yaml", []byte(whole))
	if problems.Err() != nil || a.Sample.Auxiliary == "" || a.Criteria.NotRecovered != "D" {
		t.Errorf("%v\n%s", problems.Err(), whole)
	}
	for _, k := range tell.AboutKeys() {
		name := k.Path[strings.LastIndex(k.Path, ".")+1:]
		if !regexp.MustCompile(`(?m)^ *` + name + `:`).MatchString(whole) {
			t.Errorf("the template does not show %s", k.Path)
		}
	}
}
