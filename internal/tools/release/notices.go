package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"strings"
	"unicode/utf8"
)

// noticesFile holds the licences of what is linked into the program: in the source that of all systems, in a release
// that of one.
const noticesFile = "THIRD_PARTY.md"

// part is something of others in the program: a module, the standard library of Go, a script of the page.
type part struct {
	name, version, purl string
	licences            []licence
}

// licence is the text of one file, with its SPDX name where that is known.
type licence struct{ file, text, id string }

// notLicence stands for the name of a text that goes with a licence and is none.
const notLicence = "-"

type listed struct {
	Path, Version, Dir string
	Main               bool
}

// writeNotices writes the notices of the source.
func writeNotices(root string) error {
	seen := map[string]listed{}
	for _, t := range targets {
		mods, err := list(root, t, "-deps", "-json=Module", "./cmd/provoke")
		if err != nil {
			return err
		}
		for _, m := range mods {
			seen[m.Path] = m
		}
	}
	parts, err := partsOfModules(root, seen)
	if err != nil {
		return err
	}
	return os.WriteFile(filepath.Join(root, noticesFile), notices(parts), 0o644)
}

// list asks the go command for modules, or for packages with their modules.
func list(root string, t target, args ...string) (mods []listed, err error) {
	cmd := exec.Command("go", append([]string{"list"}, args...)...)
	cmd.Dir, cmd.Stderr = root, os.Stderr
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS="+t.system, "GOARCH="+t.machine)
	out, err := cmd.Output()
	if err != nil {
		return nil, fmt.Errorf("go list for %s: %w", t, err)
	}
	for d := json.NewDecoder(bytes.NewReader(out)); ; {
		var x struct {
			listed
			Module *listed
		}
		if err := d.Decode(&x); errors.Is(err, io.EOF) {
			return mods, nil
		} else if err != nil {
			return nil, err
		}
		if x.Module != nil {
			x.listed = *x.Module
		}
		if x.Path != "" && !x.Main {
			mods = append(mods, x.listed)
		}
	}
}

// partsOf are the parts that a program says it was linked from.
func partsOf(root string, info *debug.BuildInfo) ([]part, error) {
	args, linked := []string{"-m", "-json"}, map[string]listed{}
	for _, m := range info.Deps {
		args = append(args, m.Path)
	}
	mods, err := list(root, targets[0], args...)
	if err != nil {
		return nil, err
	}
	for _, m := range mods {
		linked[m.Path] = m
	}
	for _, m := range info.Deps {
		ours := m.Replace == nil || strings.HasPrefix(m.Replace.Path, "./") // a part of it stands in this source
		if !ours || linked[m.Path].Version != m.Version {
			return nil, fmt.Errorf("the program holds %s %s and go.mod names %q", m.Path, m.Version,
				linked[m.Path].Version)
		}
	}
	return partsOfModules(root, linked)
}

// partsOfModules are modules, and what is in every program: the standard library and the page's chart script.
func partsOfModules(root string, mods map[string]listed) (out []part, err error) {
	for _, name := range sorted(mods) {
		p := part{name: name, version: mods[name].Version, purl: "pkg:golang/" + name + "@" + mods[name].Version}
		if p.licences, err = licences(mods[name].Dir, "."); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		out = append(out, p)
	}
	env, err := exec.Command("go", "env", "GOROOT", "GOVERSION").Output()
	if err != nil {
		return nil, fmt.Errorf("go env: %w", err)
	}
	goroot, goversion, _ := strings.Cut(strings.TrimSpace(string(env)), "\n")
	std := part{name: "std", version: strings.TrimPrefix(goversion, "go")}
	std.purl = "pkg:golang/std@" + std.version
	if std.licences, err = licences(goroot, "."); err != nil {
		return nil, fmt.Errorf("the standard library: %w", err)
	}
	chart := part{name: "uplot", version: "1.6.32", purl: "pkg:npm/uplot@1.6.32"}
	text, err := os.ReadFile(filepath.Join(root, "internal/faces/web/vendored/uPlot.LICENSE"))
	chart.licences = []licence{{"LICENSE", strings.TrimSpace(string(text)), licenceOf(string(text))}}
	return append(out, std, chart), err
}

// licences are the files of a folder whose names say that they are one, and all of a folder "licenses".
func licences(dir, below string) (out []licence, err error) {
	entries, err := fs.ReadDir(os.DirFS(dir), below)
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		name := filepath.Join(below, e.Name())
		if e.Name() == "licenses" && e.IsDir() {
			more, err := licences(dir, name)
			if err != nil {
				return nil, err
			}
			out = append(out, more...)
		}
		upper := strings.ToUpper(e.Name())
		goesWith := strings.HasPrefix(upper, "NOTICE") || strings.HasPrefix(upper, "PATENTS")
		if e.IsDir() || strings.HasSuffix(upper, ".GO") || below == "." && !goesWith &&
			!strings.HasPrefix(upper, "LICEN") && !strings.HasPrefix(upper, "COPYING") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil {
			return nil, err
		}
		id := licenceOf(string(text))
		if goesWith {
			id = notLicence
		}
		if !utf8.Valid(text) { // ISO 8859-1
			runes := make([]rune, len(text))
			for i, c := range text {
				runes[i] = rune(c)
			}
			text = []byte(string(runes))
		}
		plain := strings.TrimSpace(strings.ReplaceAll(string(text), "\f", ""))
		out = append(out, licence{filepath.ToSlash(name), plain, id})
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("no licence file found in %s", dir)
	}
	return out, nil
}

// notices tells parts with their licences.
func notices(parts []part) []byte {
	var b strings.Builder
	b.WriteString("# Third-party notices\n\nWritten by `go run ./internal/tools/release -notices`: what is linked into the " +
		"provoke binary, with each part's own licence.\n" +
		"The figures are drawn with a library that uses svgo by Anthony Starks (CC BY 4.0).\n\n")
	for _, p := range parts {
		fmt.Fprintf(&b, "- %s %s\n", p.name, p.version)
	}
	for _, p := range parts {
		fmt.Fprintf(&b, "\n## %s %s\n", p.name, p.version)
		for _, l := range p.licences {
			fmt.Fprintf(&b, "\n%s:\n\n```\n%s\n```\n", l.file, l.text)
		}
	}
	return []byte(b.String())
}
