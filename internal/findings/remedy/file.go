package remedy

import (
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/model/cable"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Kind is the first line's value of a parts file.
const Kind = "remedy 1"

// The shapes of a parts file as written; every key is shown, with a comment, in
// testdata/belt-weigher-parts.yaml.
type (
	partsFile struct {
		Name      string                          `yaml:"name,required"`
		Cable     string                          `yaml:"cable,required"`
		Port      portFile                        `yaml:"port,required"`
		Materials map[string]ferrite.MaterialFile `yaml:"materials"`
		Parts     []partFile                      `yaml:"parts,required"`
		Combine   document.Count                  `yaml:"combine"`
		Margin    rf.Gain                         `yaml:"margin"`
		Reference referenceFile                   `yaml:"reference"`
		Spread    spreadFile                      `yaml:"spread"`
		Missing   map[rf.Frequency]rf.Gain        `yaml:"missing"`
	}
	portFile struct {
		Circuit branchFile  `yaml:"circuit,required"`
		Chassis *branchFile `yaml:"chassis"`
		Bond    *branchFile `yaml:"bond"`
	}
	// branchFile is a resistance, an inductance and a capacitance in series.
	branchFile struct {
		Resistance  rf.Resistance  `yaml:"resistance"`
		Inductance  rf.Inductance  `yaml:"inductance"`
		Capacitance rf.Capacitance `yaml:"capacitance"`
	}
	partFile struct {
		Name      string         `yaml:"name,required"`
		At        []rf.Length    `yaml:"at"`
		Ferrite   *ferriteFile   `yaml:"ferrite"`
		Choke     *chokeFile     `yaml:"choke"`
		Capacitor *capacitorFile `yaml:"capacitor"`
		Filter    *filterFile    `yaml:"filter"`
		Bond      *branchFile    `yaml:"bond"`
	}
	ferriteFile struct {
		Core     ferrite.CoreFile `yaml:"core,required"`
		Material string           `yaml:"material,required"`
		Turns    []document.Count `yaml:"turns"`
		Stacks   []document.Count `yaml:"stacks"`
		Winding  rf.Capacitance   `yaml:"winding_capacitance"`
	}
	chokeFile struct {
		Inductance rf.Inductance  `yaml:"inductance,required"`
		Coupling   rf.Fraction    `yaml:"coupling,required"`
		Winding    rf.Capacitance `yaml:"winding_capacitance"`
		Core       rf.Resistance  `yaml:"core_resistance"`
		Resistance rf.Resistance  `yaml:"resistance"`
	}
	capacitorFile struct {
		Values []rf.Capacitance `yaml:"values,required"`
		ESL    rf.Inductance    `yaml:"esl"`
		ESR    rf.Resistance    `yaml:"esr"`
	}
	filterFile struct {
		Kind       filterKindFile `yaml:"kind,required"`
		Resistor   rf.Resistance  `yaml:"resistor"`
		Inductor   rf.Inductance  `yaml:"inductor"`
		Winding    rf.Resistance  `yaml:"inductor_resistance"`
		Capacitor  rf.Capacitance `yaml:"capacitor,required"`
		Second     rf.Capacitance `yaml:"second_capacitor"`
		ESL        rf.Inductance  `yaml:"esl"`
		ESR        rf.Resistance  `yaml:"esr"`
		Capacitor1 bool           `yaml:"capacitor_first"`
	}
	spreadFile struct {
		Length    rf.Length   `yaml:"length"`
		Position  rf.Length   `yaml:"position"`
		Impedance rf.Fraction `yaml:"impedance"`
		Loss      rf.Fraction `yaml:"loss"`
		Circuit   rf.Fraction `yaml:"circuit"`
		Chassis   rf.Fraction `yaml:"chassis"`
		AE        rf.Fraction `yaml:"ae"`
		Parts     rf.Fraction `yaml:"parts"`
	}
	referenceFile  string
	filterKindFile string
)

// UnmarshalText reads a reference.
func (r *referenceFile) UnmarshalText(text []byte) error {
	*r = referenceFile(strings.TrimSpace(string(text)))
	return document.OneOf(string(*r), string(SameDrive), string(SameProbe))
}

// UnmarshalText reads a kind of filter.
func (k *filterKindFile) UnmarshalText(text []byte) error {
	*k = filterKindFile(strings.TrimSpace(string(text)))
	return document.OneOf(string(*k), "RC", "LC", "pi")
}

// File is a parts file that was read.
type File struct {
	Name      string
	Hash      string // SHA-256 of its bytes
	Cable     *cable.Cable
	Port      Port
	Parts     []Part
	Combine   int
	Margin    rf.Gain
	Reference Reference // empty: by the mode of the run
	Spread    Spread
	Missing   map[rf.Frequency]rf.Gain
	Materials []ferrite.Material
}

// builder turns the file into parts.
type builder struct {
	doc       *document.Document
	foreign   problem.List
	read      func(string) ([]byte, error)
	materials map[string]ferrite.Material
	out       *File
}

// Parse reads a parts file and the cable file that it names. read returns the bytes of a file beside
// it. All problems come back at once, warnings among them; the file is nil when one of them is more
// than a warning.
func Parse(file string, data []byte, read func(string) ([]byte, error)) (*File, problem.List) {
	var f partsFile
	b := &builder{doc: document.Decode(file, data, Kind, &f), read: read, materials: map[string]ferrite.Material{}}
	if !b.doc.Readable() {
		return nil, b.doc.Problems()
	}
	b.out = &File{Name: f.Name, Hash: ferrite.Hash(data), Combine: int(f.Combine), Margin: f.Margin,
		Reference: Reference(f.Reference), Spread: Spread(f.Spread), Missing: f.Missing}
	b.cable(f.Cable)
	b.port(f.Port)
	for _, key := range slices.Sorted(maps.Keys(f.Materials)) {
		m, list := f.Materials[key].Build(b.doc, "materials."+key, read)
		b.materials[key], b.foreign = m, append(b.foreign, list...)
		b.out.Materials = append(b.out.Materials, m)
	}
	for i, p := range f.Parts {
		b.part(fmt.Sprintf("parts[%d]", i), p)
	}
	b.rest(f)
	problems := append(b.doc.Problems(), b.foreign...)
	if problems.Err() != nil {
		return nil, problems
	}
	return b.out, problems
}

func (b *builder) cable(name string) {
	if !b.doc.Taken("cable") {
		return
	}
	data, err := b.read(name)
	if err != nil {
		b.doc.Problem("cable", fmt.Sprintf("cable: cannot read %q: %v", name, err),
			"the name counts from the folder of this file")
		return
	}
	c, list := cable.Parse(name, data, func(other string) ([]byte,
		error) {
		return b.read(path.Join(path.Dir(name), other))
	})
	b.foreign = append(b.foreign, list...)
	b.out.Cable = c
}

// branch is a series branch; an empty one is no impedance.
func (f branchFile) branch() twoport.SeriesOf {
	var out twoport.SeriesOf
	if f.Resistance > 0 {
		out = append(out, twoport.Resistor(f.Resistance))
	}
	if f.Inductance > 0 {
		out = append(out, twoport.Inductor{Henry: f.Inductance})
	}
	if f.Capacitance > 0 {
		out = append(out, twoport.Capacitor{Farad: f.Capacitance})
	}
	return out
}

func (f branchFile) empty() bool { return f == branchFile{} }

func (b *builder) port(f portFile) {
	if b.doc.Taken("port.circuit") && f.Circuit.empty() {
		b.doc.Problem("port.circuit", "port.circuit has no impedance",
			"write resistance, inductance and capacitance in series, as far as they are there: {resistance: 40 Ω}")
	}
	b.out.Port.Circuit = f.Circuit.branch()
	if f.Chassis != nil {
		b.out.Port.Chassis = f.Chassis.branch()
	}
	if f.Bond != nil {
		if f.Bond.empty() || f.Bond.Capacitance > 0 {
			b.doc.Problem("port.bond", "port.bond is no bond",
				"write its resistance and inductance: {resistance: 5 mΩ, inductance: 30 nH}")
		}
		b.out.Port.Bond = Bond(f.Bond.Resistance, f.Bond.Inductance)
	}
}

func (b *builder) part(at string, f partFile) {
	var given []string
	for _, key := range []string{"ferrite", "choke", "capacitor", "filter", "bond"} {
		if b.doc.Has(at + "." + key) {
			given = append(given, key)
		}
	}
	if len(given) != 1 {
		b.doc.Problem(at, fmt.Sprintf("%s is %d kinds of part", at, len(given)),
			"write one of ferrite, choke, capacitor, filter and bond")
		return
	}
	onCable := given[0] == "ferrite" || given[0] == "choke" && len(f.At) > 0
	switch {
	case onCable && len(f.At) == 0:
		b.doc.Problem(at, at+" has no place on the cable",
			"write one or more distances from the DUT's connector: at: [20 mm, 0.15 m]")
		return
	case !onCable && len(f.At) > 0:
		b.doc.Problem(at+".at", fmt.Sprintf("a %s stands at the connector and has no other place", given[0]), "")
		return
	}
	b.places(at, f.At)
	p := Part{Name: f.Name}
	switch {
	case b.doc.TroubleBelow(at): // its problems are told
		return
	case f.Ferrite != nil:
		p.Alternatives = b.ferrite(at+".ferrite", f)
	case f.Choke != nil:
		p.Alternatives = b.choke(f)
	case f.Capacitor != nil:
		b.lead(at + ".capacitor")
		p.Alternatives = f.capacitors()
	case f.Filter != nil:
		p.Alternatives = b.filter(at+".filter", f)
	case f.Bond != nil:
		if f.Bond.empty() || f.Bond.Capacitance > 0 {
			b.doc.Problem(at+".bond", at+".bond is no bond",
				"write its resistance and inductance: {resistance: 2 mΩ, inductance: 5 nH}")
			return
		}
		if len(b.out.Port.Bond) == 0 {
			b.doc.Problem(at+".bond", at+" is a bond of the cable's shield, and port.bond is not given",
				"say how the shield is bonded now, even if only by a pigtail; a cable without a shield has no bond")
			return
		}
		p.Alternatives = []Choice{{Name: f.Name, AtPort: Bond(f.Bond.Resistance, f.Bond.Inductance),
			ReplacesBond: true}}
	}
	for _, c := range p.Alternatives {
		b.try(at, c)
	}
	b.out.Parts = append(b.out.Parts, p)
}

// places checks that a part lies on the cable.
func (b *builder) places(at string, places []rf.Length) {
	if b.out.Cable == nil {
		return
	}
	for i, x := range places {
		if x > b.out.Cable.Length() {
			b.doc.Problem(fmt.Sprintf("%s.at[%d]", at, i), fmt.Sprintf("%v is beyond the end of the cable of %v",
				x, b.out.Cable.Length()), "")
		}
	}
}

// try computes a choice at the ends of the cable's band, so that a part that cannot be, or a material
// that does not reach, is told with its place.
func (b *builder) try(at string, c Choice) {
	if b.out.Cable == nil {
		return
	}
	all := []twoport.OnePort{c.OnCable}
	for _, e := range c.AtPort {
		all = append(all, e.Z)
	}
	for _, z := range all {
		for _, f := range []rf.Frequency{b.out.Cable.Low, b.out.Cable.High} {
			if z == nil {
				continue
			}
			if _, err := twoport.ImpedanceAt(z, f); err != nil {
				b.doc.Problem(at, fmt.Sprintf("%s (%s): %s", at, c.Name, strings.ReplaceAll(err.Error(), "\n", "; ")),
					"")
				return
			}
		}
	}
}

func orOne(list []document.Count) []int {
	if len(list) == 0 {
		return []int{1}
	}
	var out []int
	for _, n := range list {
		out = append(out, int(n))
	}
	return out
}

func (b *builder) ferrite(at string, p partFile) []Choice {
	f := p.Ferrite
	f.Core.Check(b.doc, at+".core")
	m, ok := b.materials[f.Material]
	if !ok {
		hint := "name one of the file's materials"
		if near := document.Nearest(f.Material, slices.Sorted(maps.Keys(b.materials))); near != "" {
			hint = fmt.Sprintf("did you mean %q?", near)
		}
		b.doc.Problem(at+".material", fmt.Sprintf("%s.material: there is no material %q", at, f.Material), hint)
		return nil
	}
	if m.Permeability == nil || b.doc.TroubleBelow(at) {
		return nil
	}
	var out []Choice
	for _, turns := range orOne(f.Turns) {
		for _, stack := range orOne(f.Stacks) {
			if turns < 1 || turns > 50 || stack < 1 || stack > 50 {
				b.doc.Problem(at, fmt.Sprintf("%s: %d turns on %d cores; from 1 to 50 of each are computed",
					at, turns, stack), "")
				return nil
			}
			for _, place := range p.At {
				core := f.Core.Toroid()
				core.Count = stack * max(core.Count, 1)
				out = append(out, Choice{
					Name: fmt.Sprintf("%s, %s on %s, at %v", p.Name, english.Count(turns, "turn", "turns"),
						english.Count(core.Count, "core", "cores"), place),
					OnCable: twoport.Ferrite{Core: core, Material: m.Permeability, Turns: turns, Farad: f.Winding},
					At:      place,
				})
			}
		}
	}
	return out
}

func (b *builder) choke(p partFile) []Choice {
	c := p.Choke
	choke := twoport.Choke{Henry: c.Inductance, Coupling: float64(c.Coupling), Farad: c.Winding, Core: c.Core,
		Ohm: c.Resistance}
	if len(p.At) == 0 {
		return []Choice{{Name: p.Name + ", at the connector", AtPort: ChokeInLine(choke)}}
	}
	var out []Choice
	for _, place := range p.At {
		out = append(out, Choice{Name: fmt.Sprintf("%s, at %v", p.Name, place), OnCable: choke, At: place})
	}
	return out
}

func (p partFile) capacitors() []Choice {
	var out []Choice
	for _, v := range p.Capacitor.Values {
		out = append(out, Choice{Name: fmt.Sprintf("%s, %v", p.Name, v),
			AtPort: CapacitorToChassis(twoport.Capacitor{Farad: v, ESL: p.Capacitor.ESL, ESR: p.Capacitor.ESR})})
	}
	return out
}

// lead asks for the inductance of a capacitor's leads. No bench file gives it, and none is no usual value.
func (b *builder) lead(at string) {
	if !b.doc.Has(at + ".esl") {
		b.doc.Problem(at, at+" has no esl, the inductance of its leads, and above its resonance that is all there is",
			"write esl into the parts file: about 1 nH for each millimetre of lead and track (common practice), for "+
				"example esl: 5 nH; esl: 0 nH is a capacitor without leads")
	}
}

func (b *builder) filter(at string, p partFile) []Choice {
	b.lead(at)
	f := p.Filter
	c := twoport.Capacitor{Farad: f.Capacitor, ESL: f.ESL, ESR: f.ESR}
	l := twoport.Inductor{Henry: f.Inductor, Ohm: f.Winding}
	c2 := c
	if f.Second > 0 {
		c2.Farad = f.Second
	}
	var e Elements
	switch {
	case f.Kind == "RC" && f.Resistor > 0:
		e = RC(f.Resistor, c)
	case f.Kind == "LC" && f.Inductor > 0:
		e = LC(l, c, f.Capacitor1)
	case f.Kind == "pi" && f.Inductor > 0:
		e = Pi(c, l, c2)
	default:
		b.doc.Problem(at, fmt.Sprintf("%s: a filter %q lacks its resistor or inductor", at, f.Kind),
			"RC needs resistor and capacitor; LC and pi need inductor and capacitor")
		return nil
	}
	return []Choice{{Name: p.Name, AtPort: e}}
}

func (b *builder) rest(f partsFile) {
	if b.doc.Taken("combine") && (f.Combine < 1 || f.Combine > 8) {
		b.doc.Problem("combine", fmt.Sprintf("combine is %d; from 1 to 8 parts are combined", f.Combine), "")
	}
	if f.Margin < 0 {
		b.doc.Problem("margin", fmt.Sprintf("margin is %v, below 0 dB", f.Margin),
			"it asks for less than what is missing")
	}
	for at, g := range f.Missing {
		where := "missing." + at.String()
		if !(g > 0) || !g.Finite() {
			b.doc.Problem(where, fmt.Sprintf("%v is missing at %v", g, at), "write how many dB are missing, above 0 dB")
		}
		if c := b.out.Cable; c != nil && (at < c.Low || at > c.High) {
			b.doc.Problem(where, fmt.Sprintf("%v is not within the cable's band, %v to %v", at, c.Low, c.High), "")
		}
	}
}

// Fitted returns the file with its cable and port as they are estimated from the readings of a run. Of
// the port the first resistor (of the circuit) and the first capacitor (of the chassis, where the
// circuit has none) may move; the spread takes the limits of the estimate.
func (f *File) Fitted(readings []cable.Reading, confidence float64) (*File, *cable.Estimate, error) {
	circuit, _ := f.Port.Circuit.(twoport.SeriesOf)
	chassis, _ := f.Port.Chassis.(twoport.SeriesOf)
	c := *f.Cable
	c.DUT = append(append(twoport.SeriesOf{}, circuit...), chassis...)
	e, err := c.Estimate(readings, nil, confidence)
	if err != nil {
		return nil, nil, fmt.Errorf("remedy: %w", err)
	}
	out := *f
	out.Cable = e.Cable
	if end, ok := e.Cable.DUT.(twoport.SeriesOf); ok && len(end) == len(circuit)+len(chassis) {
		out.Port.Circuit = end[:len(circuit)]
		if f.Port.Chassis != nil {
			out.Port.Chassis = end[len(circuit):]
		}
	}
	out.Spread = f.Spread.OfEstimate(e)
	return &out, e, nil
}

// Grid returns the frequencies and needs of a file that says itself what is missing: those, and n more
// over the cable's band at which the product counts as just standing the level wanted.
func (f *File) Grid(n int) ([]rf.Frequency, []Need) {
	at := map[rf.Frequency]Need{}
	if g, err := twoport.Logarithmic(f.Cable.Low, f.Cable.High, n); err == nil {
		for _, x := range g.Frequencies() {
			at[x] = Need{Frequency: x}
		}
	}
	for x, g := range f.Missing {
		at[x] = Need{Frequency: x, Margin: -g, Failing: true}
	}
	frequencies := slices.Sorted(maps.Keys(at))
	var needs []Need
	for _, x := range frequencies {
		needs = append(needs, at[x])
	}
	return frequencies, needs
}
