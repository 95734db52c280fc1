package ferrite

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// FluxDensity is a magnetic flux density in tesla, peak. The zero value is absent.
type FluxDensity float64

// UnmarshalText reads "290 mT", "0.29 T".
func (b *FluxDensity) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	for _, u := range []struct {
		name  string
		scale float64
	}{{"mT", 1e-3}, {"µT", 1e-6}, {"μT", 1e-6}, {"uT", 1e-6}, {"T", 1}} {
		number, ok := strings.CutSuffix(s, u.name)
		if !ok {
			continue
		}
		x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(number), ",", ".", 1), 64)
		if err != nil || !(x > 0) || math.IsInf(x, 0) {
			return fmt.Errorf("%q is no flux density above 0 T", s)
		}
		*b = FluxDensity(x * u.scale)
		return nil
	}
	return fmt.Errorf("%q has no unit of flux density: write mT or T", s)
}

// String prints the flux density: "290 mT".
func (b FluxDensity) String() string {
	switch x := float64(b); {
	case x >= 1:
		return fmt.Sprintf("%.3g T", x)
	case x >= 1e-3 || x == 0:
		return fmt.Sprintf("%.3g mT", x*1e3)
	default:
		return fmt.Sprintf("%.3g µT", x*1e6)
	}
}

// Quantity returns the flux density for --json; nil when absent.
func (b FluxDensity) Quantity() *rf.Quantity {
	if b <= 0 {
		return nil
	}
	return &rf.Quantity{Text: b.String(), Value: float64(b), Unit: "T"}
}

// CoreFile is the shape of a core as it stands in a part file:
//
//	core: {outer: 63 mm, inner: 38 mm, height: 25 mm, count: 2, gap: 20 µm}
type CoreFile struct {
	Outer rf.Length `yaml:"outer,required" says:"outer diameter"`
	Inner rf.Length `yaml:"inner,required" says:"inner diameter"`
	// of one core, along the cable
	Height rf.Length `yaml:"height,required" says:"height over the plane; of a core: along the cable"`
	// cores in the stack; 1 when not given
	Count document.Count `yaml:"count" says:"cores in the stack; default 1"`
	// both joints of a split core together
	Gap Gap `yaml:"gap" says:"both joints of a split core together"`
}

// Toroid returns the shape.
func (c CoreFile) Toroid() twoport.Toroid {
	return twoport.Toroid{Outer: c.Outer, Inner: c.Inner, Height: c.Height, Count: int(c.Count), Gap: rf.Length(c.Gap)}
}

// Check adds what is impossible about the core at a path of a document.
func (c CoreFile) Check(doc *document.Document, path string) {
	for _, p := range []struct {
		key string
		x   rf.Length
	}{{"outer", c.Outer}, {"inner", c.Inner}, {"height", c.Height}} {
		if at := path + "." + p.key; doc.Taken(at) && !(p.x > 0) {
			doc.Problem(at, fmt.Sprintf("%s is %v", at, p.x), "a core has a size above 0 mm")
		}
	}
	if c.Inner > 0 && c.Outer > 0 && c.Inner >= c.Outer {
		doc.Problem(path+".inner", fmt.Sprintf("%s: the inner diameter %v is not below the outer diameter %v",
			path, c.Inner, c.Outer), "")
		return
	}
	if c.Gap > 0 && c.Inner > 0 && c.Outer > 0 && float64(c.Gap) >= c.Toroid().PathLength() {
		doc.Problem(path+".gap", fmt.Sprintf("%s: the gap %v is not below the magnetic path %v", path, c.Gap,
			rf.Length(c.Toroid().PathLength())), "a gap of a split core held by hand is some 20 to 100 µm")
	}
}

// Gap is a length that may be written in micrometre.
type Gap rf.Length

// UnmarshalText reads "20 µm" or any length.
func (g *Gap) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	for _, unit := range []string{"µm", "μm", "um"} {
		if number, ok := strings.CutSuffix(s, unit); ok {
			x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(number), ",", ".", 1), 64)
			if err != nil || !(x >= 0) || math.IsInf(x, 0) {
				return fmt.Errorf("%q is no length of 0 µm or more", s)
			}
			*g = Gap(x / 1e6)
			return nil
		}
	}
	return (*rf.Length)(g).UnmarshalText(text)
}

// String prints the gap: "20 µm".
func (g Gap) String() string { return fmt.Sprintf("%.4g µm", float64(g)*1e6) }

// MaterialFile is a material as it stands in a part file:
//
//	material:
//	  name: demo NiZn, invented
//	  permeability: demo-nizn.csv      # beside this file
//	  model: 1 Debye + 1 Lorentz       # default: the table itself
//	  saturation: 290 mT
//	  invented: true
type MaterialFile struct {
	Name         string `yaml:"name,required" says:"name of the cable"`
	Permeability string `yaml:"permeability,required" says:"table of relative permeability, a CSV file"`
	Model        string `yaml:"model" says:"how it is read"`
	// peak flux density that is not to be passed
	Saturation FluxDensity `yaml:"saturation" says:"peak flux density that is not to be passed"`
	Source     string      `yaml:"source" says:"where the figures are from"`
	Invented   bool        `yaml:"invented" says:"the figures are invented"`
}

// Material is a material that was read.
type Material struct {
	Name       string
	File, Hash string // of the table
	Source     string
	Invented   bool
	Saturation FluxDensity // absent when not known
	Table      *twoport.Table
	// Permeability is the table, or the dispersion fitted to it; then Fit says how well.
	Permeability twoport.Permeability
	Model        string
	Fit          *twoport.FitError
}

// Build reads the table of a material at a path of a document and fits its model. read returns the
// bytes of a file beside the document. Problems of the table come back for the caller to add to its
// own; those of the part file go to the document.
func (f MaterialFile) Build(doc *document.Document, path string, read func(string) ([]byte, error)) (Material,
	problem.List) {
	m := Material{Name: f.Name, File: f.Permeability, Source: f.Source, Invented: f.Invented, Saturation: f.Saturation}
	if !doc.Taken(path + ".permeability") {
		return m, nil
	}
	data, err := read(f.Permeability)
	if err != nil {
		doc.Problem(path+".permeability", fmt.Sprintf("%s: cannot read %q: %v", path, f.Permeability, err),
			"the name counts from the folder of this file")
		return m, nil
	}
	table, list := ParseTable(f.Permeability, data)
	if table == nil {
		return m, list
	}
	m.Hash, m.Table, m.Permeability = Hash(data), table, table
	if f.Model == "" || f.Model == "table" {
		return m, list
	}
	shape, err := ParseModel(f.Model)
	if err != nil {
		doc.Problem(path+".model", fmt.Sprintf("%s.model: %v", path, err),
			"write \"table\", or terms such as \"1 Debye + 1 Lorentz\"")
		return m, list
	}
	d, e, err := table.Fit(shape)
	if err != nil {
		doc.Problem(path+".model", fmt.Sprintf("%s.model: %v", path, err), "")
		return m, list
	}
	m.Permeability, m.Model, m.Fit = within{d, table}, f.Model, &e
	return m, list
}

// within is a dispersion that holds only where its table does.
type within struct {
	twoport.Dispersion
	table *twoport.Table
}

// Fill fills mu with the dispersion's permeability; frequencies beyond the table are refused as the
// table refuses them.
func (w within) Fill(g twoport.Grid, mu []complex128) error {
	if err := w.table.Fill(g, mu); err != nil {
		return fmt.Errorf("a fitted model is not used beyond its table: %w", err)
	}
	return w.Dispersion.Fill(g, mu)
}

// ParseModel reads the shape of a dispersion: "1 Debye + 1 Lorentz", "3 Lorentz", "constant + 1
// Lorentz".
func ParseModel(text string) (twoport.Shape, error) {
	var s twoport.Shape
	for _, term := range strings.Split(text, "+") {
		words := strings.Fields(strings.ToLower(term))
		if len(words) == 1 && words[0] == "constant" && !s.Constant {
			s.Constant = true
			continue
		}
		n, err := 0, error(nil)
		if len(words) == 2 {
			n, err = strconv.Atoi(words[0])
		}
		switch {
		case len(words) != 2 || err != nil || n < 1 || n > 4:
			return s, fmt.Errorf("%q is not a number of terms from 1 to 4 with their kind", strings.TrimSpace(term))
		case words[1] == "debye" && s.Debye == 0:
			s.Debye = n
		case words[1] == "lorentz" && s.Lorentz == 0:
			s.Lorentz = n
		default:
			return s, fmt.Errorf("%q is not a kind of term: Debye, Lorentz or constant, each once",
				strings.TrimSpace(term))
		}
	}
	return s, nil
}
