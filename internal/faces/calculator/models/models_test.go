package models

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"provoke/internal/files/touchstone"
	"provoke/internal/findings/jig"
	"provoke/internal/findings/remedy"
)

func demo(t *testing.T, names ...string) (out []*touchstone.Network, sources []Source) {
	t.Helper()
	for _, name := range names {
		data, err := os.ReadFile(filepath.Join("../../../findings/jig/testdata", name))
		if err != nil {
			t.Fatal(err)
		}
		n, list := touchstone.Parse(name, data)
		if err := list.Err(); err != nil {
			t.Fatal(err)
		}
		out, sources = append(out, n), append(sources, Source{Name: name, SHA256: "abc"})
	}
	return out, sources
}

// A curve says where it comes from, and the line for the bench file names the file beside it.
func TestACurveFileSaysWhereItComesFrom(t *testing.T) {
	sweeps, sources := demo(t, "demo-probe-1.s3p")
	p, err := jig.MeasureProbe(sweeps, jig.ProbeSetup{Flat: 1})
	if err != nil {
		t.Fatal(err)
	}
	files, err := ProbeFiles("there/zt.csv", p, OriginOf("provoke 9", sources))
	if err != nil || len(files) != 1 || files[0].Name != "there/zt.csv" {
		t.Fatalf("%v, %+v", err, files)
	}
	for _, want := range []string{"# transfer impedance of a monitoring probe, method ratio\n",
		"# written by provoke 9\n",
		"# from demo-probe-1.s3p, SHA-256 abc\n", "f/Hz;Zt/dBΩ\n"} {
		if !strings.Contains(files[0].Text, want) {
			t.Errorf("%q is not in\n%.400s", want, files[0].Text)
		}
	}
	var out strings.Builder
	PrintFiles(&out, "in the bench file", files, p.Repeat)
	if want := "\nin the bench file:\n  transfer_impedance: {csv: zt.csv}\n"; out.String() != want {
		t.Errorf("%q, want %q", out.String(), want)
	}
	out.Reset()
	if PrintFiles(&out, "in the bench file", nil, p.Repeat); out.Len() > 0 {
		t.Errorf("of no file it says %q", out.String())
	}
}

// A bench file has a place for every curve of a clamp but its directivity.
func TestTheCurvesOfAClampAreFilesOfTheirOwn(t *testing.T) {
	sweeps, sources := demo(t, "demo-clamp.s3p", "demo-clamp.s3p")
	m, err := jig.MeasureClamp(sweeps, jig.ClampSetup{})
	if err != nil {
		t.Fatal(err)
	}
	files, err := ClampFiles("mine", m, OriginOf("provoke 9", sources))
	if err != nil {
		t.Fatal(err)
	}
	var names, lines []string
	for _, f := range files {
		names, lines = append(names, f.Name), append(lines, f.line)
	}
	if got := strings.Join(names, " "); got != "mine-insertion-loss.csv mine-return-loss.csv mine-directivity.csv "+
		"mine-series-impedance.csv" {
		t.Errorf("files %s", got)
	}
	if got := strings.Join(lines, ""); strings.Contains(got, "directivity") ||
		!strings.Contains(got, "  series_impedance: {csv: mine-series-impedance.csv}\n") {
		t.Errorf("lines for the bench file\n%s", got)
	}
	if mean := "# mean of 2 sweeps"; !strings.Contains(files[0].Text, mean) || strings.Contains(files[3].Text, mean) {
		t.Error("the insertion loss is a mean of two sweeps, the series impedance that of the first")
	}
}

func TestAChoiceIsNamedByAPartOfItsNameThatFitsOnlyOne(t *testing.T) {
	parts := []remedy.Part{{Alternatives: []remedy.Choice{{Name: "sleeve"}, {Name: "sleeve, 2 turns"}}},
		{Alternatives: []remedy.Choice{{Name: "1 nF"}}}}
	for name, want := range map[string]string{"sleeve": "sleeve", "2 turns": "sleeve, 2 turns", "nF": "1 nF"} {
		if got, err := pickChoices(parts, []string{name}); err != nil || len(got) != 1 || got[0].Name != want {
			t.Errorf("%q: %v, %v", name, got, err)
		}
	}
	for name, want := range map[string]string{"lee": "fits several choices: sleeve; sleeve, 2 turns",
		"choke": "no choice"} {
		if _, err := pickChoices(parts, []string{name}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", name, err)
		}
	}
}
