// Command release makes what is handed out of this source:
//
//	go run ./internal/tools/release            # into out/
//	go run ./internal/tools/release -twice     # and builds every program again, elsewhere and from nothing
//	go run ./internal/tools/release -notices   # rewrites THIRD_PARTY.md only
//
// It builds the program for six systems without cgo, packs it with its documents, manual pages, completion scripts,
// the licences of what is linked into it and a list of that (CycloneDX 1.5), makes Debian packages, and writes
// SHA256SUMS. The same source, version of Go and time give the same bytes. The time is SOURCE_DATE_EPOCH, else that of
// the commit; the version is the tag's, which CHANGELOG.md has to begin with.
package main

import (
	"bytes"
	"crypto/sha256"
	"debug/buildinfo"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"time"
)

type target struct{ system, machine string }

func (t target) String() string { return t.system + "/" + t.machine }

var targets = []target{{"linux", "amd64"}, {"linux", "arm64"}, {"windows", "amd64"}, {"windows", "arm64"},
	{"darwin", "amd64"}, {"darwin", "arm64"}}

// release is one version of the source in a folder.
type release struct {
	root, version string
	when          time.Time
}

func main() {
	out := flag.String("o", "out", "folder to write into")
	only := flag.String("only", "", "this target alone, e.g. linux/amd64")
	twice := flag.Bool("twice", false, "build every program once more, elsewhere and from nothing, and compare")
	noticesOnly := flag.Bool("notices", false, "rewrite THIRD_PARTY.md and end")
	flag.Parse()
	err := func() error {
		if *noticesOnly {
			return writeNotices(".")
		}
		r, err := here(".")
		if err != nil {
			return err
		}
		list := targets
		if *only != "" {
			list = slices.DeleteFunc(slices.Clone(targets), func(t target) bool { return t.String() != *only })
			if len(list) == 0 {
				return fmt.Errorf("-only %s: no such target; there are %v", *only, targets)
			}
		}
		return r.make(*out, list, *twice)
	}()
	if err != nil {
		fmt.Fprintln(os.Stderr, "release:", err)
		os.Exit(1)
	}
}

// here is the release that the source in a folder gives.
func here(root string) (release, error) {
	version, err := versionOf(root)
	if err != nil {
		return release{}, err
	}
	seconds := os.Getenv("SOURCE_DATE_EPOCH")
	if seconds == "" {
		if seconds, err = git(root, "show", "-s", "--format=%ct", "HEAD"); err != nil {
			return release{}, err
		}
	}
	n, err := strconv.ParseInt(seconds, 10, 64)
	if err != nil {
		return release{}, fmt.Errorf("SOURCE_DATE_EPOCH: %w", err)
	}
	return release{root, version, time.Unix(n, 0).UTC()}, nil
}

// build builds the program for a target and returns it.
func (r release) build(t target, env ...string) ([]byte, error) {
	dir, err := os.MkdirTemp("", "release")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	to := filepath.Join(dir, "provoke")
	cmd := exec.Command("go", "build", "-trimpath", "-buildvcs=false", "-ldflags", "-s -w -X main.version="+r.version,
		"-tags", "nethttpomithttp2", "-o", to, "./cmd/provoke")
	cmd.Dir = r.root
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS="+t.system, "GOARCH="+t.machine, "GOAMD64=v1", "GOARM64=v8.0",
		"GOFLAGS=", "GOEXPERIMENT=", "GOWORK=off")
	cmd.Env = append(cmd.Env, env...)
	if out, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("build for %s: %w\n%s", t, err, out)
	}
	return os.ReadFile(to)
}

// copyTo copies what a build reads into another folder.
func (r release) copyTo(dir string) (release, error) {
	for _, name := range []string{"cmd", "internal", "docs"} {
		if err := os.CopyFS(filepath.Join(dir, name), os.DirFS(filepath.Join(r.root, name))); err != nil {
			return r, err
		}
	}
	for _, name := range []string{"go.mod", "go.sum"} {
		data, err := os.ReadFile(filepath.Join(r.root, name))
		if err != nil {
			return r, err
		}
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			return r, err
		}
	}
	r.root = dir
	return r, nil
}

// again builds a program elsewhere with an empty build cache and compares.
func (r release) again(t target, program []byte) error {
	dir, err := os.MkdirTemp("", "again")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	elsewhere, err := r.copyTo(filepath.Join(dir, "source"))
	if err != nil {
		return err
	}
	second, err := elsewhere.build(t, "GOCACHE="+filepath.Join(dir, "cache"))
	if err == nil && !bytes.Equal(program, second) {
		err = fmt.Errorf("%s: two builds differ; nothing is handed out that nobody can build again", t)
	}
	return err
}

func (r release) make(out string, list []target, twice bool) error {
	fmt.Println("provoke", r.version)
	shared, err := r.documents()
	if err != nil {
		return err
	}
	made := map[string][]byte{}
	for _, t := range list {
		begun := time.Now()
		program, err := r.build(t)
		if err == nil && twice {
			err = r.again(t, program)
		}
		if err == nil {
			err = r.pack(t, program, shared, made)
		}
		if err != nil {
			return err
		}
		fmt.Printf("%-14s %5.1f MB  %3.0f s\n", t, float64(len(program))/1e6, time.Since(begun).Seconds())
	}
	var sums strings.Builder
	for _, name := range sorted(made) {
		fmt.Fprintf(&sums, "%x  %s\n", sha256.Sum256(made[name]), name)
	}
	made["SHA256SUMS"] = []byte(sums.String())
	if err := os.MkdirAll(out, 0o755); err != nil {
		return err
	}
	for _, name := range sorted(made) {
		if err := os.WriteFile(filepath.Join(out, name), made[name], 0o644); err != nil {
			return err
		}
	}
	fmt.Printf("%d files in %s\n", len(made), out)
	return nil
}

// documents are the files that every target has: documents, manual pages and completion scripts, which the program of
// this machine writes.
func (r release) documents() ([]file, error) {
	dir, err := os.MkdirTemp("", "release")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	program, err := r.build(target{runtime.GOOS, runtime.GOARCH})
	if err != nil {
		return nil, err
	}
	name := filepath.Join(dir, "provoke.exe")
	if err := os.WriteFile(name, program, 0o700); err != nil {
		return nil, err
	}
	var all []file
	for shell, script := range map[string]string{"bash": "provoke.bash", "zsh": "_provoke", "fish": "provoke.fish",
		"powershell": "provoke.ps1"} {
		text, err := exec.Command(name, "completion", shell).Output()
		if err != nil {
			return nil, fmt.Errorf("completion %s: %w", shell, err)
		}
		all = append(all, file{"completion/" + script, text, 0o644})
	}
	if out, err := exec.Command(name, "man", filepath.Join(dir, "man")).CombinedOutput(); err != nil {
		return nil, fmt.Errorf("manual pages: %w\n%s", err, out)
	}
	for pattern, to := range map[string]string{filepath.Join(dir, "man", "*.1"): "man",
		filepath.Join(r.root, "docs", "*.md"): "docs", filepath.Join(r.root, "[A-Z]*.md"): "",
		filepath.Join(r.root, "LICENSE"): ""} {
		names, err := filepath.Glob(pattern)
		if err != nil || len(names) == 0 {
			return nil, fmt.Errorf("nothing is called %s", pattern)
		}
		for _, n := range names {
			data, err := os.ReadFile(n)
			if err != nil {
				return nil, err
			}
			if base := filepath.Base(n); base != noticesFile {
				all = append(all, file{path.Join(to, base), data, 0o644})
			}
		}
	}
	return all, nil
}

// pack adds archive, list of contents and package of one target to what is made.
func (r release) pack(t target, program []byte, shared []file, made map[string][]byte) error {
	info, err := buildinfo.Read(bytes.NewReader(program))
	if err != nil {
		return err
	}
	parts, err := partsOf(r.root, info)
	if err != nil {
		return err
	}
	bom, err := r.sbom(t, program, parts)
	if err != nil {
		return err
	}
	all := append(slices.Clone(shared), file{noticesFile, notices(parts), 0o644}, file{"provoke.cdx.json", bom, 0o644})
	base := fmt.Sprintf("provoke-%s-%s-%s", r.version, t.system, t.machine)
	made[base+".cdx.json"] = bom
	if t.system == "linux" {
		deb, err := r.deb(t, program, all)
		if err != nil {
			return err
		}
		made[fmt.Sprintf("provoke_%s_%s.deb", debianVersion(r.version), t.machine)] = deb
	}
	name, pack, ending := "provoke", tarball, ".tar.gz"
	if t.system == "windows" {
		name, pack, ending = "provoke.exe", zipped, ".zip"
	}
	all = append(all, file{name, program, 0o755})
	for i := range all {
		all[i].name = base + "/" + all[i].name
	}
	made[base+ending], err = pack(all, r.when)
	return err
}
