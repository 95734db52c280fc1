package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// ours is the release that most tests pack: this source, under a version and a time of its own.
var ours = release{root: "../../..", version: "1.2.4-0.20260102030405-0123456789ab",
	when: time.Unix(1767323045, 0).UTC()}

var host = target{"linux", runtime.GOARCH}

var built = sync.OnceValues(func() ([]byte, error) { return ours.build(host) })

// made is everything that is made for this machine's kind of system.
var made = sync.OnceValues(func() (map[string][]byte, error) {
	program, err := built()
	if err != nil {
		return nil, err
	}
	shared, err := ours.documents()
	if err != nil {
		return nil, err
	}
	all := map[string][]byte{}
	return all, ours.pack(host, program, shared, all)
})

// madeFile is the file of what is made whose name has that ending.
func madeFile(t *testing.T, ending string) (name string) {
	t.Helper()
	if runtime.GOOS != "linux" {
		t.Skip("the packages are tried on Linux")
	}
	all, err := made()
	if err != nil {
		t.Fatal(err)
	}
	for n, data := range all {
		if strings.HasSuffix(n, ending) {
			name = filepath.Join(t.TempDir(), n)
			if err := os.WriteFile(name, data, 0o600); err != nil {
				t.Fatal(err)
			}
			return name
		}
	}
	t.Fatalf("nothing ends in %s among %v", ending, sorted(all))
	return ""
}

// outside finds a program of others.
func outside(t *testing.T, name string) string {
	t.Helper()
	at, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(name + " is missing")
		}
		t.Skip("outside check skipped: " + name + " is not installed")
	}
	return at
}

func output(t *testing.T, name string, args ...string) string {
	t.Helper()
	out, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s %v: %v\n%s", name, args, err, out)
	}
	return string(out)
}

// The go command names its own builds of the same commits in the same way.
func TestTheVersionIsTheTagsOrThatOfTheGoCommand(t *testing.T) {
	outside(t, "git")
	dir := t.TempDir()
	for name, value := range map[string]string{"GIT_CONFIG_GLOBAL": os.DevNull, "GIT_AUTHOR_NAME": "a", "GOFLAGS": "",
		"GIT_AUTHOR_EMAIL": "a@b.invalid", "GIT_COMMITTER_NAME": "a", "GIT_COMMITTER_EMAIL": "a@b.invalid"} {
		t.Setenv(name, value)
	}
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	do := func(args ...string) {
		t.Helper()
		if _, err := git(dir, args...); err != nil {
			t.Fatal(err)
		}
	}
	commit := func(when string) {
		t.Helper()
		t.Setenv("GIT_COMMITTER_DATE", when)
		do("add", "-A")
		do("commit", "-qm", "x")
	}
	expect := func(want string) {
		t.Helper()
		got, err := versionOf(dir)
		if err != nil || !regexp.MustCompile("^"+want+"$").MatchString(got) {
			t.Errorf("version %q, %v, want %s", got, err, want)
		}
		program := filepath.Join(t.TempDir(), "p")
		build := exec.Command("go", "build", "-buildvcs=true", "-o", program, ".")
		if build.Dir = dir; build.Run() != nil {
			t.Fatal("the go command does not build")
		}
		if said := output(t, "go", "version", "-m", program); !strings.Contains(said, "\tv"+got+"\t") {
			t.Errorf("%q, and the go command says\n%s", got, said)
		}
	}
	refused := func(why string) {
		t.Helper()
		if got, err := versionOf(dir); err == nil || !strings.Contains(err.Error(), "## [1.2.3] - YYYY-MM-DD") {
			t.Errorf("%s: version %q, %v", why, got, err)
		}
	}
	write("go.mod", "module m.invalid/m\n\ngo 1.26\n")
	write("main.go", "package main\n\nfunc main() {}\n")
	write("CHANGELOG.md", "# Changelog\n\n## [Unreleased]\n\n- new\n")
	do("init", "-q")
	commit("2026-01-02T03:04:05+02:00")
	expect(`0\.0\.0-20260102010405-[0-9a-f]{12}`)
	do("tag", "v1.2.3")
	refused("no entry")
	write("CHANGELOG.md", "# Changelog\n\n## [1.2.3]\n\n- new\n")
	commit("2026-01-02T04:04:05Z")
	do("tag", "-f", "v1.2.3")
	refused("no date")
	write("CHANGELOG.md", "# Changelog\n\n## [Unreleased]\n\n## [1.2.3] - 2026-01-02\n\n- new\n")
	commit("2026-01-02T05:04:05Z")
	do("tag", "-f", "v1.2.3")
	refused("another one first")
	write("CHANGELOG.md", "# Changelog\n\n## [1.2.3] - 2026-01-02\n\n- new\n")
	commit("2026-01-02T06:04:05Z")
	do("tag", "-f", "v1.2.3")
	do("tag", "nightly")
	expect(`1\.2\.3`)
	write("new.go", "package main\n")
	expect(`1\.2\.3\+dirty`)
	commit("2026-01-03T00:00:00Z")
	expect(`1\.2\.4-0\.20260103000000-[0-9a-f]{12}`)
}

// The same source gives the same bytes in another folder and with other settings. With PROVOKE_COLD nothing of the
// first build is used again, which takes minutes.
func TestTwoBuildsAreTheSame(t *testing.T) {
	first, err := built()
	if err != nil {
		t.Fatal(err)
	}
	elsewhere, err := ours.copyTo(filepath.Join(t.TempDir(), "another folder"))
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("GOFLAGS", "-tags=other -ldflags=-X=main.version=other")
	t.Setenv("GOAMD64", "v3")
	t.Setenv("CGO_ENABLED", "1")
	t.Setenv("TZ", "Pacific/Auckland")
	t.Setenv("USER", "somebody")
	t.Setenv("TMPDIR", t.TempDir())
	var env []string
	if os.Getenv("PROVOKE_COLD") != "" {
		env = append(env, "GOCACHE="+filepath.Join(t.TempDir(), "cache"))
	}
	second, err := elsewhere.build(host, env...)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first, second) {
		t.Error("two builds differ")
	}
	root, _ := filepath.Abs(ours.root)
	if bytes.Contains(first, []byte(root)) {
		t.Error("the program names the folder that it was built in")
	}
	t.Logf("figure: the program, stripped, has %.1f MB", float64(len(first))/1e6)
}

// In whatever order, zone and time an archive is made, it has the same bytes, and nothing of this machine is in it.
func TestArchivesAreTheSameTwice(t *testing.T) {
	files := []file{{"p/b", []byte("b"), 0o755}, {"p/d/a", bytes.Repeat([]byte("a"), 5000), 0o644}, {"p/a", nil, 0o644}}
	backwards := slices.Clone(files)
	slices.Reverse(backwards)
	for name, pack := range map[string]func([]file, time.Time) ([]byte, error){"tar": tarball, "zip": zipped} {
		first, err := pack(files, ours.when)
		if err != nil {
			t.Fatal(err)
		}
		second, err := pack(backwards, ours.when.In(time.FixedZone("", 3600)).UTC())
		if err != nil || !bytes.Equal(first, second) {
			t.Errorf("%s: the second differs (%v)", name, err)
		}
	}
	data, err := zipped(files, ours.when)
	if err != nil {
		t.Fatal(err)
	}
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range z.File {
		got = append(got, fmt.Sprint(f.Name, " ", f.Mode(), " ", f.Modified.UTC().Format(time.DateTime)))
	}
	if want := []string{"p/a -rw-r--r-- 2026-01-02 03:04:05", "p/b -rwxr-xr-x 2026-01-02 03:04:05",
		"p/d/a -rw-r--r-- 2026-01-02 03:04:05"}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	if data, err = tarball(files, ours.when); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "x.tar.gz")
	if err := os.WriteFile(name, data, 0o600); err != nil {
		t.Fatal(err)
	}
	said := output(t, outside(t, "tar"), "--numeric-owner", "--full-time", "--utc", "-tvf", name)
	if want := "drwxr-xr-x 0/0 0 2026-01-02 03:04:05 p/\n-rw-r--r-- 0/0 0 2026-01-02 03:04:05 p/a\n" +
		"-rwxr-xr-x 0/0 1 2026-01-02 03:04:05 p/b\ndrwxr-xr-x 0/0 0 2026-01-02 03:04:05 p/d/\n" +
		"-rw-r--r-- 0/0 5000 2026-01-02 03:04:05 p/d/a\n"; regexp.MustCompile(` +`).ReplaceAllString(said, " ") != want {
		t.Errorf("tar lists\n%s", said)
	}
}

// What is unpacked is whole and runs.
func TestAnArchiveHoldsWhatOneNeeds(t *testing.T) {
	dir := t.TempDir()
	output(t, outside(t, "tar"), "-C", dir, "-xf", madeFile(t, ".tar.gz"))
	top := filepath.Join(dir, fmt.Sprintf("provoke-%s-linux-%s", ours.version, host.machine))
	for _, name := range []string{"README.md", "LICENSE", "THIRD_PARTY.md", "CHANGELOG.md", "docs/safety.md",
		"man/provoke.1", "man/provoke-run.1", "completion/provoke.bash", "completion/_provoke",
		"completion/provoke.fish", "completion/provoke.ps1", "provoke.cdx.json"} {
		if info, err := os.Stat(filepath.Join(top, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	program := filepath.Join(top, "provoke")
	for _, word := range []string{"version", "--version"} {
		if said := output(t, program, word); said != "provoke "+ours.version+"\n" {
			t.Errorf("%s says %q", word, said)
		}
	}
	// What the documents point to is there.
	readme, err := os.ReadFile(filepath.Join(top, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`\]\(([^)#:]+)`).FindAllStringSubmatch(string(readme), -1) {
		if _, err := os.Stat(filepath.Join(top, m[1])); err != nil {
			t.Errorf("README.md points to %s, which is not in the archive", m[1])
		}
	}
}

// dpkg takes the package into a root of its own, where it runs, and takes it out again with all that it brought.
func TestADebianPackageIsInstalledAndRemoved(t *testing.T) {
	dpkg, deb := outside(t, "dpkg"), madeFile(t, ".deb")
	if os.Geteuid() != 0 {
		t.Skip("outside check skipped: dpkg installs as root only")
	}
	root := t.TempDir()
	for _, dir := range []string{"updates", "info", "triggers"} {
		if err := os.MkdirAll(filepath.Join(root, "var/lib/dpkg", dir), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(root, "var/lib/dpkg/status"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	output(t, dpkg, "--root="+root, "-i", deb)
	said := output(t, dpkg, "--root="+root, "-s", "provoke")
	if !strings.Contains(said, "\nStatus: install ok installed\n") ||
		!strings.Contains(said, "\nVersion: 1.2.4~0.20260102030405~0123456789ab\n") {
		t.Error(said)
	}
	if said := output(t, dpkg, "--root="+root, "--verify", "provoke"); said != "" {
		t.Errorf("sums differ: %s", said)
	}
	if said := output(t, filepath.Join(root, "usr/bin/provoke"), "version"); said != "provoke "+ours.version+"\n" {
		t.Error(said)
	}
	for _, name := range []string{"man/man1/provoke.1.gz", "doc/provoke/copyright", "doc/provoke/changelog.gz",
		"bash-completion/completions/provoke", "zsh/vendor-completions/_provoke",
		"fish/vendor_completions.d/provoke.fish"} {
		if info, err := os.Stat(filepath.Join(root, "usr/share", name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	output(t, dpkg, "--root="+root, "--purge", "provoke")
	filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		rel, _ := filepath.Rel(root, name)
		if err != nil || rel != "." && rel != "var" && !strings.HasPrefix(rel, "var/l") {
			t.Errorf("left behind: %s %v", rel, err)
		}
		return nil
	})
	// A version before a tag is older than the tag's, one behind it newer than the tag before.
	for _, x := range [][2]string{{"1.2.4-0.20260102030405-0123456789ab", "1.2.4"}, {"1.2.3", "1.2.3+dirty"},
		{"1.2.3", "1.2.4-0.20260102030405-0123456789ab"}, {"0.0.0-20260102030405-0123456789ab", "0.1.0"}} {
		output(t, dpkg, "--compare-versions", debianVersion(x[0]), "lt", debianVersion(x[1]))
	}
	if lintian, err := exec.LookPath("lintian"); err == nil { // large, and not asked for by the test command
		if said := output(t, lintian, "--allow-root", "--tag-display-limit", "0", deb); said != "" {
			t.Errorf("lintian: %s", said)
		}
	}
}

// The list of contents has what the schema of CycloneDX 1.5 asks for, and names the modules that the program names.
func TestTheListOfContentsIsThatOfTheProgram(t *testing.T) {
	data, err := os.ReadFile(madeFile(t, ".cdx.json"))
	if err != nil {
		t.Fatal(err)
	}
	var b map[string]any
	if err := json.Unmarshal(data, &b); err != nil {
		t.Fatal(err)
	}
	if b["bomFormat"] != "CycloneDX" || b["specVersion"] != "1.5" || b["version"] != 1.0 || !regexp.MustCompile(
		`^urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$`).MatchString(b["serialNumber"].(string)) {
		t.Errorf("head: %v %v %v %v", b["bomFormat"], b["specVersion"], b["version"], b["serialNumber"])
	}
	meta := b["metadata"].(map[string]any)
	if meta["timestamp"] != "2026-01-02T03:04:05Z" {
		t.Errorf("time %v", meta["timestamp"])
	}
	refs, listed := map[any]bool{}, []string{}
	check := func(x any, kind string) {
		c := x.(map[string]any)
		if c["type"] != kind || c["name"] == "" || c["version"] == "" || c["bom-ref"] == "" || refs[c["bom-ref"]] {
			t.Errorf("a component lacks something, or stands twice: %v", c)
		}
		refs[c["bom-ref"]] = true
		licences, _ := c["licenses"].([]any)
		if len(licences) == 0 {
			t.Errorf("%v has no licence", c["name"])
		}
		for _, l := range licences {
			l := l.(map[string]any)
			one, _ := l["license"].(map[string]any)
			if l["expression"] != nil && len(licences) > 1 || len(one) > 1 || len(one) == 0 && l["expression"] == nil {
				t.Errorf("%v: licences %v", c["name"], licences)
			}
		}
		hashes, _ := c["hashes"].([]any)
		for _, h := range hashes {
			if h := h.(map[string]any); h["alg"] != "SHA-256" || len(h["content"].(string)) != 64 {
				t.Errorf("hash %v", h)
			}
		}
	}
	check(meta["component"], "application")
	for _, c := range b["components"].([]any) {
		check(c, "library")
		listed = append(listed, c.(map[string]any)["name"].(string)+" "+c.(map[string]any)["version"].(string))
	}
	for _, d := range b["dependencies"].([]any) {
		d := d.(map[string]any)
		on, _ := d["dependsOn"].([]any)
		for _, ref := range append(on, d["ref"]) {
			if !refs[ref] {
				t.Errorf("%v is no component", ref)
			}
		}
	}
	program, err := built()
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "provoke")
	if err := os.WriteFile(name, program, 0o700); err != nil {
		t.Fatal(err)
	}
	said, want := output(t, "go", "version", "-m", name), []string{}
	for _, m := range regexp.MustCompile(`(?m)^\tdep\t(\S+)\t(\S+)`).FindAllStringSubmatch(said, -1) {
		want = append(want, m[1]+" "+m[2])
	}
	goversion := regexp.MustCompile(`: go(\S+)\n`).FindStringSubmatch(said)
	if want = append(want, "std "+goversion[1], "uplot 1.6.32"); len(want) < 20 || !slices.Equal(listed, want) {
		t.Errorf("lists\n%s\nwant\n%s", strings.Join(listed, "\n"), strings.Join(want, "\n"))
	}
	if !strings.Contains(said, "build\tCGO_ENABLED=0") || strings.Contains(said, "vcs.") {
		t.Errorf("built otherwise:\n%s", said)
	}
	text, err := os.ReadFile("../../faces/web/vendored/uPlot.LICENSE")
	if _, err2 := os.Stat("../../faces/web/vendored"); err != nil || err2 != nil || len(text) == 0 {
		t.Error("the chart script has moved")
	}
}

// THIRD_PARTY.md is what `go run ./internal/tools/release -notices` writes, but for the version of Go.
func TestTheNoticesAreThoseOfWhatIsLinked(t *testing.T) {
	dir := t.TempDir()
	there, err := os.ReadFile(filepath.Join(ours.root, noticesFile))
	if err != nil {
		t.Fatal(err)
	}
	r, err := ours.copyTo(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := writeNotices(r.root); err != nil {
		t.Fatal(err)
	}
	now, err := os.ReadFile(filepath.Join(dir, noticesFile))
	if err != nil {
		t.Fatal(err)
	}
	std := regexp.MustCompile(`(?m)^(- |## )std .*$`)
	if !bytes.Equal(std.ReplaceAll(there, []byte("std")), std.ReplaceAll(now, []byte("std"))) {
		t.Error("THIRD_PARTY.md is not of today: go run ./internal/tools/release -notices")
	}
}
