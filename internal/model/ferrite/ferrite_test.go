package ferrite_test

import (
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"provoke/internal/files/document"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

func demo(t *testing.T, name string) *twoport.Table {
	t.Helper()
	data, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	table, problems := ferrite.ParseTable(name, data)
	if table == nil {
		t.Fatal(problems.Err())
	}
	return table
}

func at(t *testing.T, m twoport.Permeability, f rf.Frequency) complex128 {
	t.Helper()
	g, err := twoport.NewGrid([]rf.Frequency{f})
	if err != nil {
		t.Fatal(err)
	}
	var mu [1]complex128
	if err := m.Fill(g, mu[:]); err != nil {
		t.Fatal(err)
	}
	return mu[0]
}

func TestATableIsReadHoweverItIsWritten(t *testing.T) {
	for name, text := range map[string]string{
		"semicolon":     "f/MHz;µ′;µ″\n1;705;26\n10;240;300\n",
		"decimal comma": "f/MHz;µ′;µ″\n1,0;705,0;26,0\n10,0;240;300\n",
		"commas":        "frequency (kHz),mu',mu''\n1000,705,26\n10000,240,300\n",
		"tabs, CRLF":    "f [Hz]\tmu_real\tmu_loss\r\n1e6\t705\t26\r\n1e7\t240\t300\r\n",
		"other order":   "\ufeff# a remark\nmu\";f/GHz;mu'\n26;0.001;705\n\n300;0.01;240\n",
	} {
		table, problems := ferrite.ParseTable(name, []byte(text))
		if table == nil {
			t.Errorf("%s: %v", name, problems.Err())
			continue
		}
		if got := at(t, table, 1e6); math.Abs(real(got)-705)+math.Abs(imag(got)+26) > 1e-9 {
			t.Errorf("%s: µ at 1 MHz is %v, want 705−26j", name, got)
		}
		// Straight in log–log: half a decade up, the geometric mean.
		got, want := at(t, table, rf.Frequency(math.Sqrt(1e13))), complex(math.Sqrt(705*240), -math.Sqrt(26*300))
		if math.Abs(real(got-want)) > 1e-9 || math.Abs(imag(got-want)) > 1e-9 {
			t.Errorf("%s: half way µ is %v, want %v", name, got, want)
		}
	}
}

// "-" in a datasheet plot's table is unknown, not zero (physics notes, section 10).
func TestWhatIsNotTabulatedIsRefusedAndNotZero(t *testing.T) {
	table := demo(t, "demo-mnzn.csv")
	g, _ := twoport.NewGrid([]rf.Frequency{15e6})
	var mu [1]complex128
	if err := table.Fill(g, mu[:]); !errors.Is(err, twoport.ErrMissing) {
		t.Errorf("at 15 MHz, where µ′ is a dash: %v", err)
	}
	if lo, hi := table.Band(); lo != 0.1e6 || hi != 5e6 {
		t.Errorf("known whole from %v to %v, want 100 kHz to 5 MHz", lo, hi)
	}
	data, _ := os.ReadFile("testdata/demo-mnzn.csv")
	if _, problems := ferrite.ParseTable("m", data); len(problems.Warnings()) != 1 {
		t.Errorf("the gap is not told: %v", problems)
	}
}

func TestABadTableIsToldWithItsPlaces(t *testing.T) {
	for name, c := range map[string]struct{ text, want string }{
		"no unit":        {"f;µ′;µ″\n1;2;3\n", "m:1:1: the column \"f\" has no unit"},
		"no loss":        {"f/MHz;µ′\n1;2\n", "m:1:1: there is no column \"µ″\""},
		"word":           {"f/MHz;µ′;µ″\n1;abc;3\n2;3;4\n", "m:2:3: \"abc\" is no figure"},
		"active":         {"f/MHz;µ′;µ″\n1;700;-3\n2;600;4\n", "must not be negative"},
		"falling":        {"f/MHz;µ′;µ″\n2;700;3\n1;600;4\n", "not above the frequency before it"},
		"one row":        {"f/MHz;µ′;µ″\n2;700;3\n", "at least two rows"},
		"empty":          {"# nothing\n", "no rows"},
		"not a number":   {"f/MHz;µ′;µ″\nNaN;700;3\n1;2;3\n", "m:2:1: \"NaN\" is no figure"},
		"no frequency":   {"f/MHz;µ′;µ″\n;700;3\n1;2;3\n", "m:2:1: the frequency is missing"},
		"column twice":   {"f/MHz;µ′;µ';µ″\n1;700;3;3\n", "m:1: several columns could be the µ′: \"µ′\", \"µ'\""},
		"not UTF-8":      {"f/MHz;\xb5;b\n", "not UTF-8"},
		"zero frequency": {"f/MHz;µ′;µ″\n0;700;3\n1;2;3\n", "m:2:1: frequency \"0 MHz\" must be above 0 Hz"},
	} {
		table, problems := ferrite.ParseTable("m", []byte(c.text))
		if table != nil || problems.Err() == nil || !strings.Contains(problems.Err().Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, problems.Err(), c.want)
		}
	}
}

type file struct {
	Core     ferrite.CoreFile     `yaml:"core,required"`
	Material ferrite.MaterialFile `yaml:"material,required"`
}

func decode(text string) (file, *document.Document) {
	var f file
	return f, document.Decode("part.yaml", []byte(text), "part 1", &f)
}

func TestACoreThatCannotBeIsRefused(t *testing.T) {
	for core, want := range map[string]string{
		"{outer: 38 mm, inner: 63 mm, height: 25 mm}":              "not below the outer",
		"{outer: 63 mm, inner: 38 mm, height: 0 mm}":               "core.height is 0 mm",
		"{outer: 63 mm, inner: 38 mm, height: 25 mm, gap: 400 mm}": "not below the magnetic path",
		"{outer: 63 mm, inner: 38 mm, height: -25 mm}":             "negative",
	} {
		var f file
		doc := document.Decode("part.yaml", []byte("provoke: part 1\ncore: "+
			core+"\nmaterial: {name: x, permeability: demo-nizn.csv}\n"), "part 1", &f)
		f.Core.Check(doc, "core")
		if err := doc.Problems().Err(); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", core, err, want)
		}
	}
}

func TestAMaterialIsTakenWithItsMarkAndItsFit(t *testing.T) {
	text := "provoke: part 1\ncore: {outer: 63 mm, inner: 38 mm, height: 25 mm, count: 2, gap: 20 µm}\n" +
		"material: {name: demo, permeability: demo-nizn.csv, model: 1 Debye + 1 Lorentz, saturation: 290 mT, " +
		"invented: true}\n"
	var f file
	doc := document.Decode("part.yaml", []byte(text), "part 1", &f)
	f.Core.Check(doc, "core")
	m, list := f.Material.Build(doc, "material",
		func(name string) ([]byte, error) { return os.ReadFile("testdata/" + name) })
	if err := append(doc.Problems(), list...).Err(); err != nil {
		t.Fatal(err)
	}
	if !m.Invented || m.Saturation != 0.29 || f.Core.Toroid().Gap != 20e-6 || f.Core.Toroid().Count != 2 ||
		len(m.Hash) != 64 {
		t.Errorf("read %+v", m)
	}
	// Common practice: such a fit is good to several per cent, and says so (physics notes, section 10).
	if m.Fit == nil || m.Fit.RMS > 0.15 || m.Fit.RMS <= 0 {
		t.Errorf("fit %v", m.Fit)
	}
	g, _ := twoport.NewGrid([]rf.Frequency{500e6})
	if err := m.Permeability.Fill(g, make([]complex128, 1)); !errors.Is(err, twoport.ErrMissing) {
		t.Errorf("a fit is used beyond its table: %v", err)
	}
	f.Material.Model = "2 Debye + 3 Weiss"
	doc = document.Decode("part.yaml", []byte(text), "part 1", &file{})
	f.Material.Build(doc, "material", func(name string) ([]byte, error) { return os.ReadFile("testdata/" + name) })
	if doc.Problems().Err() == nil {
		t.Error("an unknown term is taken")
	}
}
