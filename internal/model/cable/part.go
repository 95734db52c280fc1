package cable

import (
	"fmt"
	"path"
	"slices"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/touchstone"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// partFile is an impedance: exactly one key.
type partFile struct {
	Resistor   rf.Resistance   `yaml:"resistor" says:"a resistor"`
	Capacitor  *capacitorFile  `yaml:"capacitor" says:"a capacitor"`
	Inductor   *inductorFile   `yaml:"inductor" says:"an inductor"`
	LISN       lisnFile        `yaml:"lisn" says:"a network of a standard"`
	Open       bool            `yaml:"open" says:"nothing is connected"`
	Touchstone *touchstoneFile `yaml:"touchstone" says:"a measured two-port or part from an S-parameter file"`
	Ferrites   []ferriteFile   `yaml:"ferrites" says:"ferrites in series"` // in series
	Choke      *chokeFile      `yaml:"choke" says:"a common-mode choke"`
	Series     []partFile      `yaml:"series" says:"parts in series"`
	Parallel   []partFile      `yaml:"parallel" says:"parts in parallel"`
}

var partKeys = []string{"resistor", "capacitor", "inductor", "lisn", "open", "touchstone", "ferrites", "choke",
	"series", "parallel"}

// capacitorFile is "12 nF", or a mapping with what is in series.
type capacitorFile struct {
	Farad rf.Capacitance `yaml:"value,required" says:"its value"`
	ESL   rf.Inductance  `yaml:"esl" says:"its series inductance"`
	ESR   rf.Resistance  `yaml:"esr" says:"its series resistance"`
}

// UnmarshalText reads "12 nF".
func (c *capacitorFile) UnmarshalText(t []byte) error { return c.Farad.UnmarshalText(t) }

// inductorFile is "100 nH", or a mapping with its resistance.
type inductorFile struct {
	Henry rf.Inductance `yaml:"value,required" says:"its value"`
	Ohm   rf.Resistance `yaml:"resistance" says:"its resistance"`
}

// UnmarshalText reads "100 nH".
func (l *inductorFile) UnmarshalText(t []byte) error { return l.Henry.UnmarshalText(t) }

// lisnFile is one of the networks by name.
type lisnFile struct{ is twoport.LISN }

var lisns = []struct {
	name string
	lisn twoport.LISN
}{
	{"50 µH", twoport.LISN50uH}, {"50 µH + 5 Ω", twoport.LISN50uH5Ohm}, {"5 µH", twoport.LISN5uH}, {"5 µH + 1 Ω",
		twoport.LISN5uH1Ohm},
}

// UnmarshalText reads "50 µH", "50 µH + 5 Ω", "5 µH" or "5 µH + 1 Ω", with any spelling of the
// units.
func (l *lisnFile) UnmarshalText(t []byte) error {
	plain := strings.NewReplacer("µ", "u", "μ", "u", "Ω", "ohm", "Ω", "ohm", " ", "").Replace(string(t))
	var names []string
	for _, x := range lisns {
		names = append(names, x.name)
		if strings.EqualFold(plain, strings.NewReplacer("µ", "u", "Ω", "ohm", " ", "").Replace(x.name)) {
			l.is = x.lisn
			return nil
		}
	}
	return document.OneOf(string(t), names...)
}

type touchstoneFile struct {
	File string         `yaml:"file,required" says:"S-parameter file"`
	Port document.Count `yaml:"port" says:"port of it; default 1"` // 1 when not given
}

// UnmarshalText reads the name of a file.
func (f *touchstoneFile) UnmarshalText(t []byte) error { f.File = string(t); return nil }

type chokeFile struct {
	Inductance         rf.Inductance  `yaml:"inductance,required" says:"of each winding"` // of each winding
	Coupling           rf.Fraction    `yaml:"coupling,required" says:"coupling of the windings"`
	WindingCapacitance rf.Capacitance `yaml:"winding_capacitance" says:"capacitance of the winding"`
	CoreResistance     rf.Resistance  `yaml:"core_resistance" says:"resistance that stands for the core's loss"`
	Resistance         rf.Resistance  `yaml:"resistance" says:"its resistance"`
}

// ferriteFile is turns on a core.
type ferriteFile struct {
	Core               ferrite.CoreFile `yaml:"core" says:"the core"`
	Material           string           `yaml:"material" says:"a key of materials"` // a key of materials
	Turns              document.Count   `yaml:"turns" says:"turns; default 1"`      // 1 when not given
	WindingCapacitance rf.Capacitance   `yaml:"winding_capacitance" says:"capacitance of the winding"`
}

// part makes the one-port at a path; nil where it has a problem.
func (r *reader) part(at string, f partFile) twoport.OnePort {
	var given []string
	for _, k := range partKeys {
		if r.doc.Has(at + "." + k) {
			given = append(given, k)
		}
	}
	if len(given) != 1 {
		if r.doc.Taken(at) || r.doc.Has(at) {
			r.doc.Problem(at, fmt.Sprintf("%s: exactly one of %s must be given, here are %d", at,
				strings.Join(partKeys, ", "), len(given)), "several parts go under series or parallel")
		}
		return nil
	}
	key := at + "." + given[0]
	if r.doc.TroubleBelow(at) {
		return nil
	}
	p := r.one(key, f)
	if p != nil {
		r.tried(key, p)
	}
	return p
}

// tried tells of figures that no passive part has. Frequencies that a table does not reach are told
// by the cable as a whole.
func (r *reader) tried(at string, p twoport.OnePort) {
	switch p.(type) {
	case twoport.Resistor, twoport.Capacitor, twoport.Inductor, twoport.Choke:
		if _, err := twoport.ImpedanceAt(p, rf.Megahertz); err != nil {
			r.doc.Problem(at, fmt.Sprintf("%s: %s", at, strings.ReplaceAll(err.Error(), "\n", "; ")), "")
		}
	}
}

func (r *reader) one(key string, f partFile) twoport.OnePort {
	switch {
	case f.Capacitor != nil:
		return twoport.Capacitor{Farad: f.Capacitor.Farad, ESL: f.Capacitor.ESL, ESR: f.Capacitor.ESR}
	case f.Inductor != nil:
		return twoport.Inductor{Henry: f.Inductor.Henry, Ohm: f.Inductor.Ohm}
	case f.LISN.is.Henry != 0:
		return f.LISN.is
	case strings.HasSuffix(key, ".open"):
		if !f.Open {
			r.doc.Problem(key, key+" is false", "leave it out and say what is there")
			return nil
		}
		return twoport.OpenEnd{}
	case f.Touchstone != nil:
		return r.measuredEnd(key, *f.Touchstone)
	case strings.HasSuffix(key, ".ferrites"):
		return r.stack(key, f.Ferrites)
	case f.Choke != nil:
		c := f.Choke
		return twoport.Choke{Henry: c.Inductance, Coupling: float64(c.Coupling), Farad: c.WindingCapacitance,
			Core: c.CoreResistance, Ohm: c.Resistance}
	case strings.HasSuffix(key, ".series"):
		return twoport.SeriesOf(r.several(key, f.Series))
	case strings.HasSuffix(key, ".parallel"):
		return twoport.ParallelOf(r.several(key, f.Parallel))
	}
	return twoport.Resistor(f.Resistor)
}

func (r *reader) several(key string, list []partFile) []twoport.OnePort {
	var out []twoport.OnePort
	for i, f := range list {
		if p := r.part(fmt.Sprintf("%s[%d]", key, i), f); p != nil {
			out = append(out, p)
		}
	}
	return out
}

func (r *reader) stack(key string, list []ferriteFile) twoport.OnePort {
	var out twoport.SeriesOf
	for i, f := range list {
		if x, ok := r.ferrite(fmt.Sprintf("%s[%d]", key, i), f); ok {
			out = append(out, x)
		}
	}
	return out
}

// ferrite makes turns on a core; ok is false where something is wrong.
func (r *reader) ferrite(at string, f ferriteFile) (twoport.Ferrite, bool) {
	ok := true
	for _, k := range []string{"core", "material"} {
		if !r.doc.Has(at + "." + k) {
			r.doc.Problem(at, fmt.Sprintf("%s: %s is not given", at, k), "turns on a core need core and material")
			ok = false
		}
	}
	if !ok || r.doc.TroubleBelow(at+".core") {
		return twoport.Ferrite{}, false
	}
	f.Core.Check(r.doc, at+".core")
	notNegative(r, at+".winding_capacitance", f.WindingCapacitance)
	if r.doc.Taken(at+".turns") && f.Turns == 0 {
		r.doc.Problem(at+".turns", at+".turns is 0", "one passage through the hole is one turn")
	}
	m, known := r.materials[f.Material]
	if !known {
		keys := make([]string, 0, len(r.materials))
		for k := range r.materials {
			keys = append(keys, k)
		}
		slices.Sort(keys)
		hint := "name it under materials"
		if near := document.Nearest(f.Material, keys); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		r.doc.Problem(at+".material", fmt.Sprintf("%s: there is no material %q", at, f.Material), hint)
		return twoport.Ferrite{}, false
	}
	if m.Permeability == nil { // its own problem is told
		return twoport.Ferrite{}, false
	}
	return twoport.Ferrite{Core: f.Core.Toroid(), Material: m.Permeability, Turns: int(f.Turns),
		Farad: f.WindingCapacitance}, true
}

// network reads a Touchstone file that a path names.
func (r *reader) network(at, name string) *touchstone.Network {
	data, err := r.read(name)
	if err != nil {
		r.doc.Problem(at, fmt.Sprintf("%s: cannot read %q: %v", at, name, err),
			"the name counts from the folder of this file")
		return nil
	}
	n, list := touchstone.Parse(path.Base(name), data)
	r.list = append(r.list, list...)
	return n
}

func (r *reader) measuredEnd(at string, f touchstoneFile) twoport.OnePort {
	n := r.network(at, f.File)
	if n == nil {
		return nil
	}
	p, remark, err := twoport.MeasureOnePort(n, max(int(f.Port), 1))
	r.measured(at, remark, err)
	return p
}

// measured tells what is wrong or doubtful about a measured part.
func (r *reader) measured(at, remark string, err error) {
	if err != nil {
		r.doc.Problem(at, fmt.Sprintf("%s: %v", at, err), "")
	}
	if remark != "" {
		r.doc.Warning(at, fmt.Sprintf("%s: %s", at, remark), "")
	}
}

// curvePoints is a curve as {points: {1 MHz: 7.2 dB, 10 MHz: 6.1 dB}}.
type curvePoints struct {
	Points map[rf.Frequency]rf.Gain `yaml:"points,required" says:"frequencies computed; default 200"`
}

type lossCurve = curve.Curve[rf.Gain]

func (c curvePoints) curve() (lossCurve, error) {
	var points []curve.Point[rf.Gain]
	for f, g := range c.Points {
		if g < 3.0 {
			return lossCurve{},
				fmt.Errorf("clamp.insertion_loss: %v at %v is below 3.01 dB: the far end of the jig takes half of "+
					"the power", g, f)
		}
		points = append(points, curve.Point[rf.Gain]{At: f, Value: g})
	}
	return curve.New(points, "insertion loss of the cable file")
}
