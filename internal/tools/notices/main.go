// Command notices writes THIRD_PARTY.md: every module that is linked into provoke, with its licence
// text as it stands in the module. Run it from the root of the project: go run ./internal/tools/notices
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
)

type module struct {
	Path, Version, Dir string
	Main               bool
}

// vendored are files of others that are not Go modules, with the file that holds their licence.
var vendored = map[string]string{"uPlot 1.6.32": "internal/faces/web/vendored/uPlot.LICENSE"}

func main() {
	if err := write("THIRD_PARTY.md"); err != nil {
		fmt.Fprintln(os.Stderr, "notices:", err)
		os.Exit(1)
	}
}

func write(file string) error {
	mods, err := linked()
	if err != nil {
		return err
	}
	var b strings.Builder
	b.WriteString("# Third-party notices\n\nWritten by `go run ./internal/tools/notices`: what is linked into the " +
		"provoke binary, with each part's own licence.\n" +
		"The figures are drawn with a library that uses svgo by Anthony Starks (CC BY 4.0).\n\n")
	for _, m := range mods {
		fmt.Fprintf(&b, "- %s %s\n", m.Path, m.Version)
	}
	names := make([]string, 0, len(vendored))
	for n := range vendored {
		names = append(names, n)
		fmt.Fprintf(&b, "- %s\n", n)
	}
	for _, m := range mods {
		text, err := licences(m.Dir)
		if err != nil {
			return fmt.Errorf("%s: %w", m.Path, err)
		}
		fmt.Fprintf(&b, "\n## %s %s\n%s", m.Path, m.Version, text)
	}
	sort.Strings(names)
	for _, n := range names {
		text, err := os.ReadFile(vendored[n])
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "\n## %s\n\n```\n%s\n```\n", n, strings.TrimSpace(string(text)))
	}
	return os.WriteFile(file, []byte(b.String()), 0o644)
}

// linked lists the modules whose packages are linked into the program, on any of the systems built for.
func linked() ([]module, error) {
	seen := map[string]module{}
	for _, system := range []string{"linux", "windows", "darwin"} {
		cmd := exec.Command("go", "list", "-deps", "-json=Module", "./cmd/provoke")
		cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS="+system)
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			return nil, fmt.Errorf("go list for %s: %w", system, err)
		}
		for d := json.NewDecoder(bytes.NewReader(out)); ; {
			var p struct{ Module *module }
			if err := d.Decode(&p); err == io.EOF {
				break
			} else if err != nil {
				return nil, err
			}
			if p.Module != nil && !p.Module.Main {
				seen[p.Module.Path] = *p.Module
			}
		}
	}
	var mods []module
	for _, m := range seen {
		mods = append(mods, m)
	}
	sort.Slice(mods, func(i, j int) bool { return mods[i].Path < mods[j].Path })
	return mods, nil
}

func licences(dir string) (string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for _, e := range entries {
		upper := strings.ToUpper(e.Name())
		if e.IsDir() || !strings.HasPrefix(upper, "LICEN") && !strings.HasPrefix(upper, "COPYING") &&
			!strings.HasPrefix(upper, "NOTICE") && !strings.HasPrefix(upper, "PATENTS") {
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "\n%s:\n\n```\n%s\n```\n", e.Name(), strings.TrimSpace(string(text)))
	}
	if b.Len() == 0 {
		return "", fmt.Errorf("no licence file found")
	}
	return b.String(), nil
}
