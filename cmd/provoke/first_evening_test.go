package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/terminal"
)

// The first evening is done as docs/first-evening.md says: the commands are typed as they stand there, and the
// figures put where they stand. It promises at most 500 words, 12 commands and 25 figures, and a good run in under
// 60 s of machine time.
func TestTheFirstEvening(t *testing.T) {
	t.Parallel()
	doc, err := os.ReadFile("../../docs/first-evening.md")
	if err != nil {
		t.Fatal(err)
	}
	commands := regexp.MustCompile(`(?m)^ +\$ provoke (.*)$`).FindAllStringSubmatch(string(doc), -1)
	fields := regexp.MustCompile(`(?m)^   ([a-z_]+)\.([a-z_]+): (.*)$`).FindAllStringSubmatch(string(doc), -1)
	if n := len(strings.Fields(string(doc))); n > 500 || len(commands) > 12 || len(fields) > 25 {
		t.Errorf("%d words, %d commands, %d figures to type", n, len(commands), len(fields))
	}
	dir := t.TempDir()
	begun := time.Now()
	said := map[string]string{}
	for _, c := range commands {
		args := strings.Fields(c[1])
		if args[0] == "simulate" {
			background(t, startProvoke(args...), "listens")
			continue
		}
		ctx, cancel := context.WithTimeout(t.Context(), 4*time.Minute) // hung, it says what it had said
		code, out := typed(ctx, dir, "arm\n", args...)
		cancel()
		if code != terminal.ExitDone {
			t.Fatalf("provoke %s: exit code %d\n%s", c[1], code, out)
		}
		said[args[0]] = out
		if args[0] == "new" {
			typeIn(t, filepath.Join(dir, "mybench", "bench.yaml"), fields)
		}
	}
	took := time.Since(begun)
	t.Logf("figure: the first evening: %d words, %d commands, %d figures to type, %v of machine time",
		len(strings.Fields(string(doc))), len(commands), len(fields), took.Round(time.Second))
	if !strings.Contains(said["findings"], "failing band") || strings.Contains(said["findings"], "not reached") {
		t.Errorf("the first run found\n%s", said["findings"])
	}
	if _, err := os.Stat(filepath.Join(dir, "mybench", "first.pdf")); err != nil {
		t.Error(err)
	}
}

// typeIn fills in a bench file: figures by the section and key at which they stand.
func typeIn(t *testing.T, file string, fields [][]string) {
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	key, shown, end := strings.Index(text, "  - id: KEY"), strings.Index(text, "  # - id: SHOWN"), strings.Index(text,
		"# interlock:")
	text = text[:key] + regexp.MustCompile(`(?m)^  # `).ReplaceAllString(text[shown:end], "  ") + text[end:]
	text = strings.Replace(text, "  # address and table: amplifier ", "  address: FILL IN\n  table: amplifier ", 1)
	for _, f := range fields {
		section := regexp.MustCompile(`(?m)^` + f[1] + `:.*\n(?:(?:[ #].*)?\n)*`).FindStringIndex(text)
		if section == nil {
			t.Fatalf("the template has no %s", f[1])
		}
		body := text[section[0]:section[1]]
		at := regexp.MustCompile(`(?m)^(\s+(?:- )?` + f[2] + `:) .*$`).FindStringSubmatchIndex(body)
		if at == nil {
			t.Fatalf("the template's %s has no %s", f[1], f[2])
		}
		text = text[:section[0]] + body[:at[3]] + " " + f[3] + body[at[1]:] + text[section[1]:]
	}
	if strings.Contains(text, ": FILL IN") {
		t.Errorf("blanks are left:\n%s", text)
	}
	if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}
