package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"crypto/md5"
	"fmt"
	"io/fs"
	"maps"
	"path"
	"slices"
	"strings"
	"time"
)

// file is one of an archive.
type file struct {
	name string
	data []byte
	mode fs.FileMode
}

func sorted[V any](m map[string]V) []string { return slices.Sorted(maps.Keys(m)) }

// inOrder returns the files in the order of their names, and the folders that they are in.
func inOrder(files []file) (all []file, folders map[string]bool) {
	folders = map[string]bool{}
	for _, f := range files {
		for i, r := range f.name {
			if r == '/' {
				folders[f.name[:i+1]] = true
			}
		}
	}
	all = slices.Clone(files)
	for dir := range folders {
		all = append(all, file{dir, nil, fs.ModeDir | 0o755})
	}
	slices.SortFunc(all, func(a, b file) int { return strings.Compare(a.name, b.name) })
	return all, folders
}

func tarball(files []file, when time.Time) ([]byte, error) {
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	w := tar.NewWriter(z)
	all, folders := inOrder(files)
	for _, f := range all {
		h := &tar.Header{Typeflag: tar.TypeReg, Name: f.name, Size: int64(len(f.data)), Mode: int64(f.mode.Perm()),
			ModTime: when, Uname: "root", Gname: "root", Format: tar.FormatGNU}
		if folders[f.name] {
			h.Typeflag = tar.TypeDir
		}
		if err := w.WriteHeader(h); err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
		if _, err := w.Write(f.data); err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	err := z.Close()
	return b.Bytes(), err
}

func zipped(files []file, when time.Time) ([]byte, error) {
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	all, folders := inOrder(files)
	for _, f := range all {
		if folders[f.name] {
			continue
		}
		h := &zip.FileHeader{Name: f.name, Method: zip.Deflate, Modified: when}
		h.SetMode(f.mode)
		to, err := w.CreateHeader(h)
		if err == nil {
			_, err = to.Write(f.data)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
	}
	err := w.Close()
	return b.Bytes(), err
}

// maintainer is whom a package names; the address reaches nobody.
const maintainer = "The provoke authors <authors@provoke.invalid>"

// debianVersion is a version in which what comes before 1.2.4 sorts before it.
func debianVersion(version string) string { return strings.ReplaceAll(version, "-", "~") }

// deb is the Debian package (deb(5)) of a program: it has no scripts, and needs nothing.
func (r release) deb(t target, program []byte, shared []file) ([]byte, error) {
	files := []file{{"usr/bin/provoke", program, 0o755}, {"usr/share/lintian/overrides/provoke",
		[]byte("# No shared library: the program runs on every version of the system.\n" +
			"provoke: statically-linked-binary\n"), 0o644}}
	doc := "usr/share/doc/provoke/"
	var license []byte
	for _, f := range shared {
		switch dir, base := path.Split(f.name); {
		case f.name == "LICENSE":
			license = f.data
		case f.name == "CHANGELOG.md":
			text, err := r.debianChanges()
			if err != nil {
				return nil, err
			}
			files = append(files, file{doc + "changelog.gz", gzipped(text), 0o644})
		case dir == "man/":
			files = append(files, file{"usr/share/man/man1/" + base + ".gz", gzipped(f.data), 0o644})
		case base == "provoke.bash":
			files = append(files, file{"usr/share/bash-completion/completions/provoke", f.data, 0o644})
		case base == "_provoke":
			files = append(files, file{"usr/share/zsh/vendor-completions/_provoke", f.data, 0o644})
		case base == "provoke.fish":
			files = append(files, file{"usr/share/fish/vendor_completions.d/provoke.fish", f.data, 0o644})
		case base == "provoke.ps1":
		default:
			files = append(files, file{doc + f.name, f.data, 0o644})
		}
	}
	copyright := string(license) + "\nParts of others, with their licences: /" + doc + noticesFile + "\n"
	files = append(files, file{doc + "copyright", []byte(copyright), 0o644})
	var sums strings.Builder
	size := 0
	all, folders := inOrder(files)
	for _, f := range all {
		size += (len(f.data) + 1023) / 1024
		if !folders[f.name] {
			fmt.Fprintf(&sums, "%x  %s\n", md5.Sum(f.data), f.name)
		}
	}
	control := fmt.Sprintf(`Package: provoke
Version: %s
Section: electronics
Priority: optional
Architecture: %s
Maintainer: %s
Installed-Size: %d
Description: reproduce radio-frequency immunity failures on a bench
 A product upset in an RF immunity test at a laboratory. provoke finds on one's
 own bench the level at which that starts, tries fixes, proves the fix by the
 very same exposure, and reports it. It plans, protects, drives and records.
 .
 It works without a network and brings a simulated bench.
`, debianVersion(r.version), t.machine, maintainer, size+len(folders))
	var out bytes.Buffer
	out.WriteString("!<arch>\n")
	for _, member := range []struct {
		name  string
		files []file
	}{{"debian-binary", nil}, {"control.tar.gz", []file{{"control", []byte(control), 0o644},
		{"md5sums", []byte(sums.String()), 0o644}}}, {"data.tar.gz", files}} {
		data := []byte("2.0\n")
		if member.files != nil {
			for i := range member.files {
				member.files[i].name = "./" + member.files[i].name
			}
			var err error
			if data, err = tarball(member.files, r.when); err != nil {
				return nil, err
			}
		}
		fmt.Fprintf(&out, "%-16s%-12d0     0     100644  %-10d`\n", member.name, r.when.Unix(), len(data))
		out.Write(data)
		if len(data)%2 == 1 {
			out.WriteByte('\n')
		}
	}
	return out.Bytes(), nil
}

func gzipped(data []byte) []byte {
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, gzip.BestCompression)
	z.Write(data)
	z.Close()
	return b.Bytes()
}

// debianChanges is CHANGELOG.md in the form of deb-changelog(5). What is not released yet is told under the version of
// this build.
func (r release) debianChanges() ([]byte, error) {
	entries, err := changes(r.root)
	if err != nil {
		return nil, err
	}
	var b strings.Builder
	for _, e := range entries {
		version, when := e.version, r.when
		if e.date == "" {
			version = r.version
		} else if when, err = time.Parse(time.DateOnly, e.date); err != nil {
			return nil, err
		}
		fmt.Fprintf(&b, "provoke (%s) unstable; urgency=medium\n\n", debianVersion(version))
		for _, part := range strings.Split(strings.ReplaceAll(strings.Join(e.lines, "\n"), "\n- ", "\n\n- "), "\n\n") {
			text, first := strings.TrimSpace(part), "  * "
			if head, is := strings.CutPrefix(text, "### "); is {
				text, first = "[ "+head+" ]", "\n  "
			}
			writeWrapped(&b, first, "    ", strings.TrimPrefix(text, "- "))
		}
		fmt.Fprintf(&b, "\n -- %s  %s\n\n", maintainer, when.Format(time.RFC1123Z))
	}
	return []byte(b.String()), nil
}

// writeWrapped writes a text in lines of at most 80 columns.
func writeWrapped(b *strings.Builder, first, next, text string) {
	line := first
	for _, word := range strings.Fields(text) {
		if len([]rune(line+word)) > 80 {
			b.WriteString(strings.TrimRight(line, " ") + "\n")
			line = next
		}
		line += word + " "
	}
	if strings.TrimSpace(line) != strings.TrimSpace(first) {
		b.WriteString(strings.TrimRight(line, " ") + "\n")
	}
}
