package touchstone

import (
	"encoding/json"
	"fmt"
	"math/cmplx"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// python is Debian's interpreter, for which python3-scikit-rf is packaged.
const python = "/usr/bin/python3"

// needScikitRF skips the test where scikit-rf is missing, but fails in continuous integration.
func needScikitRF(t testing.TB) {
	t.Helper()
	if err := exec.Command(python, "-c", "import skrf").Run(); err == nil {
		return
	}
	if os.Getenv("CI") == "true" {
		t.Fatal("python3-scikit-rf is missing")
	}
	t.Skip("outside check skipped: python3-scikit-rf is missing")
}

// foreign is what scikit-rf makes of a file.
type foreign struct {
	File  string
	Error string
	Ports int
	Z0    []float64
	Hz    []float64
	S     []float64 // re, im, row after row
}

// askScikitRF reads the files that are named line by line on its input, and every Touchstone file that
// its package holds when the first line is "own".
const askScikitRF = `
import sys, os, re, json, warnings
warnings.simplefilter("ignore")
out = sys.stdout
sys.stdout = sys.stderr
import numpy, skrf
files = [l.rstrip("\n") for l in sys.stdin]
if files and files[0] == "own":
    files = sorted(os.path.join(d, f) for d, _, fs in os.walk(os.path.dirname(skrf.__file__)) for f in fs
        if re.search(r"\.(s\d+p|ts)$", f, re.I))
for f in files:
    r = {"file": f}
    try:
        t = skrf.io.Touchstone(f)
        hz, s = t.get_sparameter_arrays()
        r.update(ports=int(s.shape[1]), z0=[float(z) for z in t.reference], hz=list(map(float, hz)),
            s=numpy.stack([s.real, s.imag], -1).ravel().tolist())
    except BaseException as e:
        r["error"] = repr(e)
    print(json.dumps(r), file=out)
`

func scikitRF(t testing.TB, files ...string) []foreign {
	t.Helper()
	cmd := exec.Command(python, "-c", askScikitRF)
	cmd.Stdin = strings.NewReader(strings.Join(files, "\n") + "\n")
	b, err := cmd.Output()
	if err != nil {
		t.Fatalf("scikit-rf: %v", err)
	}
	var out []foreign
	for _, line := range strings.Split(strings.TrimSpace(string(b)), "\n") {
		var f foreign
		if err := json.Unmarshal([]byte(line), &f); err != nil {
			t.Fatal(err)
		}
		out = append(out, f)
	}
	return out
}

// agree compares within 1e-9 of the size of the number; scikit-rf keeps a row that is given twice.
func agree(t *testing.T, f foreign, n *Network) {
	t.Helper()
	k := f.Ports * f.Ports
	if n.Ports != f.Ports {
		t.Errorf("%s: %d ports, scikit-rf says %d", f.File, n.Ports, f.Ports)
		return
	}
	for i, z := range f.Z0 {
		if n.Reference[i] != z {
			t.Errorf("%s: reference %v, scikit-rf says %v", f.File, n.Reference, f.Z0)
			return
		}
	}
	at := 0
	for i, hz := range f.Hz {
		if i > 0 && hz == f.Hz[i-1] {
			continue
		}
		if at >= n.Points() || n.Frequencies[at]-hz > 1e-9*hz || hz-n.Frequencies[at] > 1e-9*hz {
			t.Errorf("%s: point %d is not %v Hz", f.File, at, hz)
			return
		}
		for j, x := range n.S(at).Data {
			want := complex(f.S[2*(i*k+j)], f.S[2*(i*k+j)+1])
			if cmplx.Abs(x-want) > 1e-9*max(1, cmplx.Abs(want)) {
				t.Errorf("%s: at %v Hz number %d is %v, scikit-rf says %v", f.File, hz, j, x, want)
				return
			}
		}
		at++
	}
	if at != n.Points() {
		t.Errorf("%s: %d points, scikit-rf says %d", f.File, n.Points(), at)
	}
}

func TestScikitRFReadsItsOwnFilesTheSame(t *testing.T) {
	needScikitRF(t)
	compared, bothRefuse := 0, 0
	for _, f := range scikitRF(t, "own") {
		data, err := os.ReadFile(f.File)
		if err != nil {
			t.Fatal(err)
		}
		n, problems := Parse(filepath.Base(f.File), data)
		switch {
		case n == nil && f.Error != "":
			bothRefuse++
			t.Logf("both refuse %s: %v", filepath.Base(f.File), problems[0])
		case n == nil:
			t.Errorf("%s: refused, but scikit-rf reads it:\n%v", f.File, problems.Err())
		case f.Error != "":
			t.Errorf("%s: read, but scikit-rf refuses it: %s", f.File, f.Error)
		default:
			compared++
			agree(t, f, n)
		}
	}
	t.Logf("%d files of scikit-rf's package compared within 1e-9, %d refused by both", compared, bothRefuse)
	if compared < 50 {
		t.Errorf("only %d files compared", compared)
	}
}

// Spellings that scikit-rf 0.15.4 reads, written here; and files of this package's own writer.
func TestScikitRFReadsTheSameSpellings(t *testing.T) {
	needScikitRF(t)
	dir := t.TempDir()
	var files []string
	add := func(name, text string) {
		file := filepath.Join(dir, fmt.Sprintf("%02d-%s", len(files), name))
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	add("plain.s2p", "# MHz S RI R 50\n"+oneRow)
	add("bare.s2p", "#\n"+oneRow)
	add("db.s2p", "# MHz S DB R 75\n100 -20 12 -3 -170 -40.5 179.9 -0.1 -180\n200 -20 12 3.25 -190 -40.5 540 -0.1 0\n")
	add("ma.s1p", "  # khz S MA R 50\r\n! c\r\n1 0.5 30 ! c\r\n2 0.25 -60\r\n")
	add("exponents.s1p",
		"# HZ S RI R 1\n+1e+2 1E-1 -0\n3.0e2 .9 0.\n1.7976931348623157e3 0.12345678901234567890 1e-300\n")
	add("noise.s2p", "# GHz S RI R 50\n1 0 0 2 0 0 0 0 0\n2 0 0 2 0 0 0 0 0\n1 0.5 0.25 90 0.3\n2 1 0.5 180 0.4\n")
	add("wrapped.s3p", "# GHz S MA R 50\n1 0.1 1 0.2 2 0.3 3\n0.4 4 0.5 5 0.6 6\n\n! c\n0.7 7 0.8 8 0.9 9\n")
	add("v2.s3p",
		"[Version] 2.0\n# GHz S MA R 50\n[Number of Ports] 3\n[Number of Frequencies] 1\n[Reference]\n50 75 "+
			"100\n[Network Data]\n1 0.1 1 0.2 2 0.3 3\n0.4 4 0.5 5 0.6 6\n0.7 7 0.8 8 0.9 9\n[End]\n")
	for ports := 1; ports <= 9; ports++ {
		for _, format := range []string{"RI", "MA", "DB"} {
			var s []complex128
			for i := range 2 * ports * ports {
				s = append(s, cmplx.Rect(0.9/float64(1+i%7), float64(i)))
			}
			reference := make([]float64, ports)
			for i := range reference {
				reference[i] = 50
			}
			n, err := New("x", reference, []float64{9e3, 1.5e6}, s)
			if err != nil {
				t.Fatal(err)
			}
			var b strings.Builder
			if err := n.Write(&b, WriteOptions{Format: format, Unit: "kHz",
				Comments: []string{"written by a test"}}); err != nil {
				t.Fatal(err)
			}
			add(fmt.Sprintf("%s.s%dp", format, ports), b.String())
		}
	}
	for i, f := range scikitRF(t, files...) {
		data, err := os.ReadFile(files[i])
		if err != nil {
			t.Fatal(err)
		}
		n, problems := Parse(filepath.Base(f.File), data)
		if n == nil || f.Error != "" {
			t.Errorf("%s: %v, scikit-rf: %s", f.File, problems, f.Error)
			continue
		}
		agree(t, f, n)
	}
	t.Logf("%d written files compared within 1e-9", len(files))
}

// largeFile is a two-port of 100,000 points, 15 MB.
func largeFile(points int, format string) []byte {
	b := []byte("! a large file\n# Hz S " + format + " R 50\n")
	x := uint64(1)
	next := func() float64 { // a fixed sequence between −1 and 1
		x = x*6364136223846793005 + 1442695040888963407
		return float64(int64(x)) / (1 << 63)
	}
	for i := range points {
		b = fmt.Appendf(b, "%.1f", 9000+float64(i)*1234.5)
		for range 8 {
			b = fmt.Appendf(b, " % .10e", next())
		}
		b = append(b, '\n')
	}
	return b
}

func BenchmarkRead100000Points(b *testing.B) {
	for _, format := range []string{"RI", "MA", "DB"} {
		b.Run(format, func(b *testing.B) {
			data := largeFile(100000, format)
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				if n, problems := Parse("large.s2p", data); n == nil || n.Points() != 100000 {
					b.Fatal(problems)
				}
			}
		})
	}
}

// BenchmarkRead100000PointsBesideScikitRF reads the same file from disk with both and prints both times.
func BenchmarkRead100000PointsBesideScikitRF(b *testing.B) {
	needScikitRF(b)
	file := filepath.Join(b.TempDir(), "large.s2p")
	data := largeFile(100000, "RI")
	if err := os.WriteFile(file, data, 0o600); err != nil {
		b.Fatal(err)
	}
	const script = `
import sys, time, warnings
warnings.simplefilter("ignore")
out, sys.stdout = sys.stdout, sys.stderr
import skrf
best = 1e9
for _ in range(3):
    t = time.perf_counter()
    skrf.io.Touchstone(sys.argv[1]).get_sparameter_arrays()
    best = min(best, time.perf_counter() - t)
print(best, file=out)
`
	out, err := exec.Command(python, "-c", script, file).Output()
	if err != nil {
		b.Fatal(err)
	}
	var theirs float64
	if _, err := fmt.Sscan(string(out), &theirs); err != nil {
		b.Fatal(err)
	}
	best := time.Hour
	for b.Loop() {
		start := time.Now()
		data, err := os.ReadFile(file)
		if err != nil {
			b.Fatal(err)
		}
		if n, problems := Parse(file, data); n == nil {
			b.Fatal(problems)
		}
		best = min(best, time.Since(start))
	}
	b.ReportMetric(best.Seconds()*1e3, "ms/ours")
	b.ReportMetric(theirs*1e3, "ms/scikit-rf")
	b.Logf("%d bytes, 100000 points: provoke %.0f ms, scikit-rf %.0f ms", len(data), best.Seconds()*1e3, theirs*1e3)
}
