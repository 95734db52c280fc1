package main

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"golang.org/x/mod/module"
	"golang.org/x/mod/semver"
)

func git(root string, args ...string) (string, error) {
	cmd := exec.Command("git", args...)
	cmd.Dir = root
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("git %s: %w\n%s", strings.Join(args, " "), err, said.String())
	}
	return strings.TrimSpace(string(out)), nil
}

// versionOf names the source in a folder as the go command does: at a tag v1.2.3 it is 1.2.3, behind it
// 1.2.4-0.TIME-COMMIT, before any tag 0.0.0-TIME-COMMIT, with "+dirty" where something is changed and not committed.
func versionOf(root string) (string, error) {
	head, err := git(root, "show", "-s", "--abbrev=12", "--format=%H %ct", "HEAD")
	if err != nil {
		return "", err
	}
	commit, seconds, _ := strings.Cut(head, " ")
	newest := func(how string) (newest string, err error) {
		tags, err := git(root, "tag", how, "HEAD")
		for _, tag := range strings.Fields(tags) {
			if semver.IsValid(tag) && semver.Canonical(tag) == tag && semver.Compare(tag, newest) > 0 {
				newest = tag
			}
		}
		return newest, err
	}
	version, err := newest("--points-at")
	if err != nil {
		return "", err
	}
	changed, err := git(root, "status", "--porcelain")
	if err != nil {
		return "", err
	}
	tagged := version != ""
	if !tagged {
		older, err := newest("--merged")
		if err != nil {
			return "", err
		}
		n, err := strconv.ParseInt(seconds, 10, 64)
		if err != nil {
			return "", err
		}
		version = module.PseudoVersion(semver.Major(older), older, time.Unix(n, 0).UTC(), commit[:12])
	}
	version = strings.TrimPrefix(version, "v")
	if changed != "" {
		return version + "+dirty", nil
	}
	if tagged {
		entries, err := changes(root)
		if err != nil {
			return "", err
		}
		if len(entries) == 0 || entries[0].version != version || entries[0].date == "" {
			return "", fmt.Errorf("CHANGELOG.md does not begin with \"## [%s] - YYYY-MM-DD\", and the source has the "+
				"tag v%[1]s; write the entry, commit it and move the tag", version)
		}
	}
	return version, nil
}

// entry is what CHANGELOG.md says of one version; one that is not released has no date.
type entry struct {
	version, date string
	lines         []string
}

func changes(root string) (out []entry, err error) {
	data, err := os.ReadFile(filepath.Join(root, "CHANGELOG.md"))
	if err != nil {
		return nil, err
	}
	for _, line := range strings.Split(string(data), "\n") {
		if head, is := strings.CutPrefix(line, "## ["); is {
			version, date, _ := strings.Cut(head, "]")
			date = strings.TrimPrefix(date, " - ")
			if _, err := time.Parse(time.DateOnly, date); err != nil && date != "" {
				return nil, fmt.Errorf("CHANGELOG.md, version %s: %w", version, err)
			}
			out = append(out, entry{version: version, date: date})
		} else if n := len(out); n > 0 {
			out[n-1].lines = append(out[n-1].lines, line)
		}
	}
	return out, nil
}
