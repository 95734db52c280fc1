package design

import (
	"fmt"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Kind is the first line's value of a clamp's part file.
const Kind = "clamp 1"

// The shape of a part file as written; every key is shown, with a comment, in testdata/clamp.yaml.
type (
	clampFile struct {
		Name     string               `yaml:"name,required"`
		Core     ferrite.CoreFile     `yaml:"core,required"`
		Material ferrite.MaterialFile `yaml:"material,required"`
		Windings []windingFile        `yaml:"windings,required"`
		Stacks   []document.Count     `yaml:"stacks"`
		Source   rf.Resistance        `yaml:"source"`
		Loop     rf.Resistance        `yaml:"loop"`
		Band     bandFile             `yaml:"band,required"`
		Points   document.Count       `yaml:"points"`
		Current  rf.Current           `yaml:"current,required"`
		Mod      string               `yaml:"modulation"`
		Forward  rf.Power             `yaml:"forward"`
		Rise     kelvinFile           `yaml:"temperature_rise"`
		Probe    *probeFile           `yaml:"probe"`
	}
	windingFile struct {
		Turns       document.Count `yaml:"turns,required"`
		Capacitance rf.Capacitance `yaml:"capacitance"`
		Primary     rf.Inductance  `yaml:"primary_leakage"`
		Secondary   rf.Inductance  `yaml:"secondary_leakage"`
	}
	probeFile struct {
		Core       ferrite.CoreFile    `yaml:"core,required"`
		Turns      document.Count      `yaml:"turns,required"`
		Load       rf.Resistance       `yaml:"load"`
		Saturation ferrite.FluxDensity `yaml:"saturation"`
	}
	bandFile   struct{ low, high rf.Frequency }
	kelvinFile float64
)

// UnmarshalText reads "150 kHz to 80 MHz".
func (b *bandFile) UnmarshalText(text []byte) error {
	from, to, ok := strings.Cut(string(text), " to ")
	if !ok {
		return fmt.Errorf("%q is not a band: write \"150 kHz to 80 MHz\"", text)
	}
	var err error
	if b.low, err = rf.ParseFrequency(strings.TrimSpace(from)); err != nil {
		return err
	}
	if b.high, err = rf.ParseFrequency(strings.TrimSpace(to)); err != nil {
		return err
	}
	if b.low >= b.high {
		return fmt.Errorf("the band %q does not rise", text)
	}
	return nil
}

// UnmarshalText reads "40 K".
func (k *kelvinFile) UnmarshalText(text []byte) error {
	number, ok := strings.CutSuffix(strings.TrimSpace(string(text)), "K")
	var x float64
	if _, err := fmt.Sscanf(strings.Replace(strings.TrimSpace(number), ",", ".", 1), "%g", &x); !ok || err != nil ||
		!(x > 0 && x < 1000) {
		return fmt.Errorf("%q is no rise of temperature: write \"40 K\"", text)
	}
	*k = kelvinFile(x)
	return nil
}

// Parse reads a clamp's part file. read returns the bytes of a file beside it. All problems come back
// at once, warnings among them; the clamp is nil when one of them is more than a warning.
func Parse(file string, data []byte, read func(string) ([]byte, error)) (*Clamp, problem.List) {
	var f clampFile
	doc := document.Decode(file, data, Kind, &f)
	if !doc.Readable() {
		return nil, doc.Problems()
	}
	f.Core.Check(doc, "core")
	material, foreign := f.Material.Build(doc, "material", read)
	c := &Clamp{Name: f.Name, File: file, Core: f.Core.Toroid(), Material: material, Source: f.Source, Loop: f.Loop,
		Low: f.Band.low, High: f.Band.high, Points: int(f.Points), Current: f.Current, Forward: f.Forward,
		Rise: float64(f.Rise)}
	f.windings(doc, c)
	f.modulation(doc, c)
	if c.Loop == 0 {
		c.Loop = 100
	}
	if c.Points == 0 {
		c.Points = 81
	}
	if c.Points < 2 || c.Points > 100_000 {
		doc.Problem("points", fmt.Sprintf("%d points; from 2 to 100000 are computed", c.Points), "")
	}
	if doc.Taken("current") && (!c.Current.Exact() || c.Current.IsOff()) {
		doc.Problem("current", fmt.Sprintf("%v is no current to design for", c.Current), "write for example 100 mA")
	}
	f.probe(doc, c)
	if material.Table != nil && c.Low.Known() {
		f.tableReaches(doc, material)
	}
	problems := append(doc.Problems(), foreign...)
	problems.Sort()
	if problems.Err() != nil {
		return nil, problems
	}
	if !material.Invented && material.Source == "" {
		problems = append(problems, problem.Problem{File: file, What: "the material has no source",
			Hint: "say where its table is from: source: …; a figure without a source is believed by nobody next " +
				"year",
			Warning: true})
	}
	return c, problems
}

func (f *clampFile) windings(doc *document.Document, c *Clamp) {
	for i, w := range f.Windings {
		at := fmt.Sprintf("windings[%d].turns", i)
		if doc.Taken(at) && (w.Turns < 1 || w.Turns > 100) {
			doc.Problem(at, fmt.Sprintf("%s is %d; from 1 to 100 turns are computed", at, w.Turns), "")
		}
		c.Windings = append(c.Windings, Winding{int(w.Turns), w.Capacitance, w.Primary, w.Secondary})
	}
	for i, s := range f.Stacks {
		if s < 1 || s > 100 {
			doc.Problem(fmt.Sprintf("stacks[%d]", i), fmt.Sprintf("a stack of %d cores; from 1 to 100 are computed", s),
				"")
		}
		c.Stacks = append(c.Stacks, int(s))
	}
	if len(c.Stacks) == 0 {
		c.Stacks = []int{max(c.Core.Count, 1)}
	}
}

func (f *clampFile) modulation(doc *document.Document, c *Clamp) {
	if f.Mod == "" {
		return
	}
	m, err := level.ParseEnvelope(f.Mod)
	if err != nil {
		doc.Problem("modulation", "modulation: "+err.Error(), "write for example \"AM 80 %\"")
		return
	}
	c.Crest, c.Mean = m.CrestOverCarrier(), m.MeanOverCarrier()
}

func (f *clampFile) probe(doc *document.Document, c *Clamp) {
	if f.Probe == nil {
		return
	}
	f.Probe.Core.Check(doc, "probe.core")
	if doc.Taken("probe.turns") && (f.Probe.Turns < 1 || f.Probe.Turns > 1000) {
		doc.Problem("probe.turns", fmt.Sprintf("probe.turns is %d; from 1 to 1000 are computed", f.Probe.Turns), "")
	}
	load := f.Probe.Load
	if load == 0 {
		load = rf.Z0
	}
	c.Probe = &ProbeCore{f.Probe.Core.Toroid(), int(f.Probe.Turns), load, f.Probe.Saturation}
}

// tableReaches says at once where the material's table ends inside the band.
func (f *clampFile) tableReaches(doc *document.Document, m ferrite.Material) {
	low, high := m.Table.Band()
	if !low.Known() || f.Band.low < low*(1-1e-9) || f.Band.high > high*(1+1e-9) {
		doc.Problem("band",
			fmt.Sprintf("the band %v to %v is not within the table of the material, which is known whole from %v to %v",
				f.Band.low, f.Band.high, low, high),
			"narrow the band, or use a table that reaches further: what is not tabulated is not taken for zero")
	}
}
