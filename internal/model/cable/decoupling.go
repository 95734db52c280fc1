package cable

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"strconv"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// DecouplingKind is what the first key of a decoupling file says.
const DecouplingKind = "decoupling 1"

// FieldStrength is a magnetic field strength in ampere per metre.
type FieldStrength float64

// UnmarshalText reads "60 A/m".
func (h *FieldStrength) UnmarshalText(text []byte) error {
	number, ok := strings.CutSuffix(strings.TrimSpace(string(text)), "A/m")
	if !ok {
		return fmt.Errorf("%q has no unit of field strength: write A/m", text)
	}
	x, err := strconv.ParseFloat(strings.Replace(strings.TrimSpace(number), ",", ".", 1), 64)
	if err != nil || !(x > 0) || math.IsInf(x, 0) {
		return fmt.Errorf("%q is no field strength above 0 A/m", text)
	}
	*h = FieldStrength(x)
	return nil
}

// String prints the field strength: "60 A/m".
func (h FieldStrength) String() string { return fmt.Sprintf("%.3g A/m", float64(h)) }

// decouplingFile is a decoupling file as it stands.
type decouplingFile struct {
	Name      string                          `yaml:"name,required"`
	Cable     string                          `yaml:"cable,required"` // file of the cable, beside this one
	Bias      rf.Current                      `yaml:"bias"`
	Materials map[string]ferrite.MaterialFile `yaml:"materials"`
	HalfAt    map[string]FieldStrength        `yaml:"half_at"`
	Stack     []stackedFile                   `yaml:"stack,required"`
}

type stackedFile struct {
	Name string `yaml:"name,required"`
	ferriteFile
	Gap rf.Length `yaml:"distance"` // from the one before it, or from the clamp
}

// Decoupling is a stack of ferrites from the clamp toward the AE.
type Decoupling struct {
	Name  string
	File  string
	Hash  string
	Cable *Cable     // without the stack
	Bias  rf.Current // net direct current through the holes; off for none
	Stack []Stacked
	// Remarks are what the user should know about the figures.
	Remarks []string
}

// Stacked is one ferrite of the stack.
type Stacked struct {
	Name         string
	MaterialKey  string
	Ferrite      twoport.Ferrite
	Distance     rf.Length     // from the one before it, or from the clamp
	HalfAt       FieldStrength // field at which the permeability has halved
	HalfAtGuess  bool          // from the initial permeability by common practice
	Field        FieldStrength // of the bias
	Derating     float64       // what the bias leaves of the permeability, 1 for no bias
	Permeability twoport.Permeability
}

// ParseDecoupling reads a decoupling file and the cable file that it names; see Parse.
func ParseDecoupling(name string, data []byte, read func(name string) ([]byte, error)) (*Decoupling, problem.List) {
	var f decouplingFile
	r := &reader{doc: document.Decode(name, data, DecouplingKind, &f), sum: map[string][]byte{}}
	r.read = r.remembering(read)
	if !r.doc.Readable() {
		return nil, r.doc.Problems()
	}
	d := r.decoupling(&f)
	list := append(r.doc.Problems(), r.list...)
	if list.Err() != nil {
		return nil, list
	}
	d.File, d.Hash = name, hash(data, r.sum)
	var remarks []string
	for _, x := range append(r.remarks, d.Remarks...) {
		if !slices.Contains(remarks, x) {
			remarks = append(remarks, x)
		}
	}
	d.Remarks = remarks
	return d, list
}

func (r *reader) decoupling(f *decouplingFile) *Decoupling {
	d := &Decoupling{Name: f.Name, Bias: f.Bias}
	if r.doc.Taken("cable") {
		if data, err := r.read(f.Cable); err != nil {
			r.doc.Problem("cable", fmt.Sprintf("cannot read the cable file %q: %v", f.Cable, err),
				"the name counts from the folder of this file")
		} else {
			c, list := Parse(f.Cable, data, r.read)
			r.list = append(r.list, list...)
			d.Cable = c
			if c != nil {
				r.remarks = append(r.remarks, c.Remarks...)
			}
		}
	}
	if d.Bias.Absent() {
		d.Bias = rf.Off[rf.Ampere]()
	} else if !d.Bias.Exact() && !d.Bias.IsOff() {
		r.doc.Problem("bias", "bias: the direct current is not one known figure", "")
	}
	r.buildMaterials(f.Materials)
	for key := range f.HalfAt {
		if _, ok := f.Materials[key]; !ok {
			r.doc.Problem("half_at."+key, fmt.Sprintf("half_at: there is no material %q", key), "")
		}
	}
	const most = 6
	if len(f.Stack) > most {
		r.doc.Problem("stack", fmt.Sprintf("stack: %d entries", len(f.Stack)),
			fmt.Sprintf("give up to %d, equal cores together as count", most))
	}
	for i, s := range f.Stack {
		at := fmt.Sprintf("stack[%d]", i)
		notNegative(r, at+".distance", s.Gap)
		if x, ok := r.ferrite(at, s.ferriteFile); ok {
			d.Stack = append(d.Stack, d.stacked(s, x, r.materials[s.Material], f.HalfAt[s.Material]))
		}
	}
	if d.Cable != nil {
		sum := rf.Length(0)
		for _, s := range f.Stack {
			sum += s.Gap
		}
		if sum >= d.Cable.ClampToAE {
			r.doc.Problem("stack", fmt.Sprintf("the stack reaches %v from the clamp, and the cable ends at %v",
				sum, d.Cable.ClampToAE), "")
		}
	}
	return d
}

func (d *Decoupling) stacked(f stackedFile, x twoport.Ferrite, m Material, half FieldStrength) Stacked {
	s := Stacked{Name: f.Name, MaterialKey: f.Material, Ferrite: x, Distance: f.Gap, HalfAt: half, Derating: 1,
		Permeability: x.Material}
	if d.Bias.IsOff() {
		return s
	}
	if s.HalfAt == 0 {
		s.HalfAt, s.HalfAtGuess = guessHalf(m), true
	}
	turns := float64(max(x.Turns, 1))
	s.Field = FieldStrength(turns * d.Bias.SI() / x.Core.PathLength())
	s.Derating = Derating(s.Field, s.HalfAt)
	s.Ferrite.Material = derated{x.Material, s.Derating}
	how := "from the file"
	if s.HalfAtGuess {
		how = "guessed from the initial permeability; common practice, not verified"
	}
	d.Remarks = append(d.Remarks, fmt.Sprintf(
		"%s: %s of bias make %v in the core and leave %.0f %% of its permeability (half at %v, %s)", s.Name,
		d.Bias.Linear(), s.Field, 100*s.Derating, s.HalfAt, how))
	return s
}

// Derating returns what a static field leaves of a permeability that has halved at half:
// 1/(1 + (H/half)²). The shape is common practice, not verified; the datasheet's curve of the
// incremental permeability decides.
func Derating(field, half FieldStrength) float64 {
	x := float64(field / half)
	return 1 / (1 + x*x)
}

// guessHalf returns the field that halves the permeability of a material by its initial permeability:
// some 300 A/m at 100 and some 30 A/m at 2000, straight in log–log between and beyond (common
// practice: a few tens of A/m for 1000 to 5000, hundreds for about 100; not verified).
func guessHalf(m Material) FieldStrength {
	initial := 1000.0
	if m.Table != nil {
		low, _ := m.Table.Band()
		if g, err := twoport.NewGrid([]rf.Frequency{low}); err == nil {
			var mu [1]complex128
			if m.Table.Fill(g, mu[:]) == nil {
				initial = math.Max(real(mu[0]), 1)
			}
		}
	}
	slope := math.Log(30.0/300) / math.Log(2000.0/100)
	return FieldStrength(300 * math.Pow(initial/100, slope))
}

// derated is a permeability of which a bias leaves a share.
type derated struct {
	twoport.Permeability
	left float64
}

// Fill fills mu with 1 + (µ − 1)·left.
func (d derated) Fill(g twoport.Grid, mu []complex128) error {
	if err := d.Permeability.Fill(g, mu); err != nil {
		return err
	}
	for i := range mu {
		mu[i] = 1 + (mu[i]-1)*complex(d.left, 0)
	}
	return nil
}

// Decoupled is the decoupling at one frequency.
type Decoupled struct {
	At rf.Frequency
	// Whole is false where a material of the stack is not known at the frequency; then only AtLeast is
	// given, the sum of what the losses alone make (absent where these are not known either).
	Whole   bool
	AtLeast rf.Resistance
	Missing string     // what is not known
	Stack   complex128 // impedance of the whole stack, ohm
	Each    []complex128
	// WrongWay is the current into the AE against that into the DUT with the stack, WrongWayBare
	// without it. Share is I_AE/(I_AE + I_DUT).
	WrongWay, WrongWayBare rf.Gain
	Share, ShareBare       float64
	// DUT and AE are what the stack does to the currents at the same forward power; negative is less.
	DUT, AE rf.Gain
}

// stackOn returns the cable with the stack in an order; the distances stay where they are.
func (d *Decoupling) stackOn(order []int) *Cable {
	c := *d.Cable
	c.Parts = slices.Clone(c.Parts)
	at := c.ClampToDUT
	for place, k := range order {
		at += d.Stack[place].Distance
		// A part at the very place of the clamp counts to the DUT's side: keep the stack beyond it.
		c.Parts = append(c.Parts, Part{Name: d.Stack[k].Name,
			At:  max(at, rf.Length(math.Nextafter(float64(c.ClampToDUT), math.Inf(1)))),
			Two: twoport.Series{Z: d.Stack[k].Ferrite}})
	}
	return &c
}

func (d *Decoupling) asWritten() []int {
	order := make([]int, len(d.Stack))
	for i := range order {
		order[i] = i
	}
	return order
}

// Compute returns the decoupling over a grid.
func (d *Decoupling) Compute(g twoport.Grid) ([]Decoupled, error) {
	out, whole := d.impedances(g)
	var known []rf.Frequency
	var index []int
	for i := range out {
		if whole[i] {
			known, index = append(known, out[i].At), append(index, i)
		}
	}
	if len(known) == 0 {
		return out, nil
	}
	part, err := twoport.NewGrid(known)
	if err != nil {
		return nil, err
	}
	bare, err := d.Cable.Compute(part)
	if err != nil {
		return nil, err
	}
	with, err := d.stackOn(d.asWritten()).Compute(part)
	if err != nil {
		return nil, err
	}
	for k, i := range index {
		out[i].WrongWay, out[i].Share = wrongWay(with.AE[k], with.DUT[k])
		out[i].WrongWayBare, out[i].ShareBare = wrongWay(bare.AE[k], bare.DUT[k])
		out[i].DUT = decibel(with.DUT[k], cmplx.Abs(bare.DUT[k]))
		out[i].AE = decibel(with.AE[k], cmplx.Abs(bare.AE[k]))
	}
	return out, nil
}

// wrongWay compares the currents at the ends. It is +Inf where nothing reaches the DUT.
func wrongWay(ae, dut complex128) (rf.Gain, float64) {
	a, b := cmplx.Abs(ae), cmplx.Abs(dut)
	return rf.GainOfAmplitudeRatio(a / b), a / (a + b)
}

// impedances fills the impedance of the stack, frequency by frequency, so that a material that is not
// known at one of them is told there and not for the whole band.
func (d *Decoupling) impedances(g twoport.Grid) (out []Decoupled, whole []bool) {
	out, whole = make([]Decoupled, g.Len()), make([]bool, g.Len())
	for i := range out {
		x := &out[i]
		x.At, x.Whole = g.Frequency(i), true
		least := 0.0
		for _, s := range d.Stack {
			z, err := twoport.ImpedanceAt(s.Ferrite, x.At)
			if err == nil {
				x.Each = append(x.Each, z)
				x.Stack += z
				least += math.Max(real(z), 0)
				continue
			}
			x.Whole, x.Missing = false, fmt.Sprintf("%s: %v", s.Name, err)
			x.Each = append(x.Each, cmplx.NaN())
			ohm, _, bound := twoport.Ferrite{Core: s.Ferrite.Core, Material: s.Permeability,
				Turns: s.Ferrite.Turns}.LeastImpedance(x.At)
			if bound == nil && errors.Is(err, twoport.ErrMissing) && s.Ferrite.Farad == 0 {
				least += ohm * s.Derating
			}
		}
		if !x.Whole {
			x.AtLeast, x.Stack, x.Each = rf.Resistance(least), 0, nil
		}
		whole[i] = x.Whole
	}
	return out, whole
}

// Judge says in words what the stack does over the frequencies at which it is known whole.
func Judge(rows []Decoupled) []string {
	var out []string
	var lost, best Decoupled
	low, high := rf.Frequency(0), rf.Frequency(0)
	n, unknown := 0, 0
	for _, x := range rows {
		if !x.Whole {
			unknown++
			continue
		}
		if n == 0 || x.DUT < lost.DUT {
			lost = x
		}
		if n == 0 || x.WrongWayBare-x.WrongWay > best.WrongWayBare-best.WrongWay {
			best = x
		}
		n++
		if cmplx.Abs(x.Stack) >= holds {
			if !low.Known() {
				low = x.At
			}
			high = x.At
		}
	}
	if unknown > 0 {
		out = append(out,
			fmt.Sprintf("at %d of %d frequencies a material of the stack is not known: nothing but a bound is given "+
				"there", unknown, len(rows)))
	}
	if n == 0 {
		return out
	}
	if low.Known() {
		out = append(out, fmt.Sprintf("the stack has %d Ω or more between %v and %v", holds, low, high))
	} else {
		out = append(out, fmt.Sprintf("the stack has less than %d Ω everywhere: it decouples little", holds))
	}
	gain := best.WrongWayBare - best.WrongWay
	out = append(out, fmt.Sprintf("at best, at %v, the current into the AE against that into the DUT becomes %s lower",
		best.At, gain.Text(1)))
	if lost.DUT < -LeastGain && lost.WrongWayBare-lost.WrongWay < -lost.DUT/2 {
		out = append(out,
			fmt.Sprintf("at %v the DUT gets %s less: clamp, stack and AE are in one loop with it, and a ferrite "+
				"alone lowers both currents; a way to the plane between clamp and stack (a 150 Ω network, a "+
				"capacitor) keeps the DUT's", lost.At, (-lost.DUT).Text(1)))
	}
	return out
}

// holds is the impedance in ohm that a stack must exceed by much to hold a 150 Ω common mode (physics
// notes, section 4).
const holds = 150

// Advice says whether another order of the stack would be better.
type Advice struct {
	// Order is the best order, as indices into the stack; as written where nothing is gained.
	Order []int
	// Gain is how much lower the worst current into the AE against the DUT's becomes in the band.
	Gain rf.Gain
	Text string
}

// LeastGain is below which a new order is not worth the work.
const LeastGain = rf.Gain(1)

// Advise compares every order of the stack by the worst current that goes to the AE against the
// DUT's, over the frequencies of the grid at which the whole stack is known.
func (d *Decoupling) Advise(g twoport.Grid) (Advice, error) {
	now := d.asWritten()
	var known []rf.Frequency
	for i, ok := range second(d.impedances(g)) {
		if ok {
			known = append(known, g.Frequency(i))
		}
	}
	if len(known) == 0 {
		return Advice{now, 0, "no advice about the order: the whole stack is known at no frequency of the band"}, nil
	}
	part, err := twoport.NewGrid(known)
	if err != nil {
		return Advice{}, err
	}
	written, err := d.worst(part, now)
	if err != nil {
		return Advice{}, err
	}
	best, order := written, now
	for _, p := range permutations(len(d.Stack)) {
		w, err := d.worst(part, p)
		if err != nil {
			return Advice{}, err
		}
		if w < best-1e-9 {
			best, order = w, p
		}
	}
	a := Advice{order, written - best, ""}
	if a.Gain < LeastGain {
		a.Order = now
		a.Text = fmt.Sprintf("leave the order as it is: no other order lowers the worst current into the AE by %s or "+
			"more (best: %s)", LeastGain.Text(0), a.Gain.Text(2))
		return a, nil
	}
	var names []string
	for _, k := range order {
		names = append(names, d.Stack[k].Name)
	}
	a.Text = fmt.Sprintf("from the clamp toward the AE put %s: the worst current into the AE against the DUT's "+
		"becomes %s lower", strings.Join(names, ", then "), a.Gain.Text(1))
	return a, nil
}

func second[A, B any](_ A, b B) B { return b }

// worst returns the highest current into the AE against the DUT's over a grid.
func (d *Decoupling) worst(g twoport.Grid, order []int) (rf.Gain, error) {
	r, err := d.stackOn(order).Compute(g)
	if err != nil {
		return 0, err
	}
	worst := rf.Gain(math.Inf(-1))
	for i := range r.AE {
		x, _ := wrongWay(r.AE[i], r.DUT[i])
		worst = max(worst, x)
	}
	return worst, nil
}

// permutations returns every order of n things.
func permutations(n int) [][]int {
	if n == 0 {
		return [][]int{{}}
	}
	var out [][]int
	for _, p := range permutations(n - 1) {
		for at := range n {
			out = append(out, slices.Insert(slices.Clone(p), at, n-1))
		}
	}
	return out
}
