package cable

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/model/ferrite"
	"provoke/internal/model/twoport"
	"provoke/internal/units/rf"
)

// Kind is what the first key of a cable file says.
const Kind = "cable 1"

// Material is a magnetic material that a file names.
type Material = ferrite.Material

// file is a cable file as it stands.
type file struct {
	Name      string                          `yaml:"name,required" says:"name of the cable"`
	Band      Band                            `yaml:"band,required" says:"frequencies of the model, LOW to HIGH"`
	Points    document.Count                  `yaml:"points" says:"frequencies computed; default 200"`
	Forward   rf.Power                        `yaml:"forward" says:"forward power at the clamp; default 1 W"`
	Line      lineFile                        `yaml:"line,required" says:"the cable as a line over the plane"`
	Layout    layoutFile                      `yaml:"layout,required" says:"places along the cable"`
	Materials map[string]ferrite.MaterialFile `yaml:"materials" says:"ferrites by name"`
	Clamp     clampFile                       `yaml:"clamp,required" says:"the injection clamp"`
	Probe     *probeFile                      `yaml:"probe" says:"the monitoring probe"`
	DUT       partFile                        `yaml:"dut,required" says:"the end at the device under test: a part"`
	AE        partFile                        `yaml:"ae,required" says:"the end at the auxiliary equipment: a part"`
	OnCable   []placedFile                    `yaml:"on_cable" says:"what else sits on the cable"`
}

// Band is two frequencies: "150 kHz to 80 MHz".
type Band struct{ Low, High rf.Frequency }

// UnmarshalText reads "150 kHz to 80 MHz".
func (b *Band) UnmarshalText(text []byte) error {
	low, high, ok := strings.Cut(string(text), " to ")
	if !ok {
		return fmt.Errorf("%q is no band: write two frequencies, such as 150 kHz to 80 MHz", text)
	}
	var err1, err2 error
	b.Low, err1 = rf.ParseFrequency(strings.TrimSpace(low))
	b.High, err2 = rf.ParseFrequency(strings.TrimSpace(high))
	if err := errors.Join(err1, err2); err != nil {
		return err
	}
	if !b.Low.Known() || !b.High.Known() || b.Low >= b.High {
		return fmt.Errorf("the band %q does not rise", text)
	}
	return nil
}

type lineFile struct {
	WireRadius   rf.Length      `yaml:"wire_radius" says:"radius of the wire or of the bundle's wires"`
	Height       rf.Length      `yaml:"height" says:"height over the plane; of a core: along the cable"`
	Wires        document.Count `yaml:"wires" says:"wires in the bundle"`
	CircleRadius rf.Length      `yaml:"circle_radius" says:"radius of the circle that they lie on"`
	Impedance    rf.Resistance  `yaml:"impedance" says:"characteristic impedance, in place of the geometry"`
	Velocity     rf.Fraction    `yaml:"velocity" says:"velocity against that of light"`
	// per metre at 50 MHz, grows with the root of f
	Loss rf.Gain `yaml:"loss" says:"loss per metre at 50 MHz, grows with the root of frequency"`
	// per metre at 50 MHz, grows with f²
	RadiationLoss rf.Gain `yaml:"radiation_loss" says:"loss per metre at 50 MHz by radiation, grows with the square of frequency"`
}

type layoutFile struct {
	ClampToDUT        rf.Length `yaml:"clamp_to_dut,required" says:"from the clamp's middle to the DUT"`
	ClampToAE         rf.Length `yaml:"clamp_to_ae,required" says:"from the clamp's middle to the auxiliary equipment"`
	ProbeToDUT        rf.Length `yaml:"probe_to_dut,required" says:"from the probe's middle to the DUT"`
	PositionTolerance rf.Length `yaml:"position_tolerance" says:"how well places are known"`
}

type clampFile struct {
	ferriteFile
	PrimaryLeakage   rf.Inductance `yaml:"primary_leakage" says:"leakage inductance on the connector's side"`
	SecondaryLeakage rf.Inductance `yaml:"secondary_leakage" says:"leakage inductance on the cable's side"`
	// A clamp of which only the jig is known.
	InsertionLoss curvePoints    `yaml:"insertion_loss" says:"of a clamp of which only the jig is known: a mapping of frequencies to dB"`
	Series        *partFile      `yaml:"series_impedance" says:"what it puts in series with the cable"`
	Body          rf.Capacitance `yaml:"body_capacitance" says:"from the clamp's body to the cable"`
}

type probeFile struct {
	ferriteFile
	Load               rf.Resistance `yaml:"load" says:"load of its winding"`
	Leakage            rf.Inductance `yaml:"leakage" says:"its leakage inductance"`
	InsertionImpedance *partFile     `yaml:"insertion_impedance" says:"what it puts in series with the cable"`
}

type placedFile struct {
	Name   string    `yaml:"name,required" says:"name of the cable"`
	At     rf.Length `yaml:"at,required" says:"from the DUT's connector"`     // from the DUT's connector
	InLine *partFile `yaml:"in_line" says:"a part in the wire"`               // in the wire
	Across *partFile `yaml:"across" says:"a part from the wire to the plane"` // from the wire to the plane
	// A measured two-port, port 1 toward the clamp.
	Touchstone string `yaml:"touchstone" says:"a measured two-port or part from an S-parameter file"`
}

// reader turns a file into a Cable.
type reader struct {
	doc       *document.Document
	read      func(name string) ([]byte, error)
	list      problem.List // of files that the cable file names
	sum       map[string][]byte
	materials map[string]Material
	remarks   []string
}

// Parse reads a cable file. read returns the bytes of a file that it names; the names are those that
// stand in it. All problems come back at once, warnings among them; the cable is nil when one of them
// is more than a warning.
func Parse(name string, data []byte, read func(name string) ([]byte, error)) (*Cable, problem.List) {
	var f file
	r := &reader{doc: document.Decode(name, data, Kind, &f), sum: map[string][]byte{}}
	r.read = r.remembering(read)
	if !r.doc.Readable() {
		return nil, r.doc.Problems()
	}
	c := r.cable(&f)
	list := append(r.doc.Problems(), r.list...)
	if list.Err() != nil {
		return nil, list
	}
	c.File, c.Hash, c.Remarks = name, hash(data, r.sum), r.remarks
	if err := c.tryOut(); err != nil {
		list = append(list, problem.Problem{File: name, What: err.Error(),
			Hint: "nothing was computed: change the part, or the band"})
		return nil, list
	}
	return c, list
}

// remembering keeps what was read, for the hash.
func (r *reader) remembering(read func(string) ([]byte, error)) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		data, err := read(name)
		if err == nil {
			r.sum[name] = data
		}
		return data, err
	}
}

// hash returns the SHA-256 of a file and, by name, of those that it names.
func hash(data []byte, files map[string][]byte) string {
	h := sha256.New()
	fmt.Fprintf(h, "%d\n", len(data))
	h.Write(data)
	names := make([]string, 0, len(files))
	for n := range files {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		fmt.Fprintf(h, "%q %d\n", n, len(files[n]))
		h.Write(files[n])
	}
	return hex.EncodeToString(h.Sum(nil))
}

// tryOut computes at the ends of the band, so that a part that does not reach is told at once.
func (c *Cable) tryOut() error {
	for _, f := range []rf.Frequency{c.Low, c.High} {
		g, err := twoport.NewGrid([]rf.Frequency{f})
		if err != nil {
			return err
		}
		if _, err := c.Compute(g); err != nil {
			return err
		}
	}
	return nil
}

const (
	usualPoints = 401
	mostPoints  = 20001
)

func (r *reader) cable(f *file) *Cable {
	r.buildMaterials(f.Materials)
	c := &Cable{Name: f.Name, Low: f.Band.Low, High: f.Band.High, Points: int(f.Points), Forward: f.Forward,
		Materials:  r.materials,
		ClampToDUT: f.Layout.ClampToDUT, ClampToAE: f.Layout.ClampToAE, ProbeToDUT: f.Layout.ProbeToDUT,
		Tolerance: f.Layout.PositionTolerance}
	if c.Points == 0 {
		c.Points = usualPoints
	}
	if c.Points < 3 || c.Points > mostPoints {
		r.doc.Problem("points", fmt.Sprintf("points: %d", c.Points), fmt.Sprintf("give 3 to %d", mostPoints))
	}
	if r.doc.Has("forward") && !c.Forward.Exact() {
		r.doc.Problem("forward", "forward: the power at the clamp is not one known figure", "")
	}
	if c.Forward.Absent() {
		c.Forward = rf.Watts(1)
	}
	r.line(f.Line, c)
	r.layout(c)
	r.clamp(f.Clamp, c)
	r.probe(f.Probe, c)
	c.DUT = r.part("dut", f.DUT)
	c.AE = r.part("ae", f.AE)
	for i, p := range f.OnCable {
		r.placed(fmt.Sprintf("on_cable[%d]", i), p, c)
	}
	return c
}

func (r *reader) buildMaterials(files map[string]ferrite.MaterialFile) {
	r.materials = map[string]Material{}
	keys := make([]string, 0, len(files))
	for k := range files {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		m, list := files[k].Build(r.doc, "materials."+k, r.read)
		r.list = append(r.list, list...)
		r.materials[k] = m
		if m.Fit != nil {
			r.remarks = append(r.remarks, fmt.Sprintf("material %s is the model %s: %v", k, m.Model, m.Fit))
		}
		if m.Invented {
			r.remarks = append(r.remarks, fmt.Sprintf("material %s is invented", k))
		}
	}
}

// sized tells of a length that must be above zero.
func (r *reader) sized(path string, x rf.Length) bool {
	if r.doc.Taken(path) && !(x > 0) {
		r.doc.Problem(path, fmt.Sprintf("%s is %v", path, x), "it must be above 0 mm")
		return false
	}
	return true
}

// notNegative tells of a figure that must not be negative.
func notNegative[Q interface {
	~float64
	fmt.Stringer
}](r *reader, path string, x Q) {
	if r.doc.Taken(path) && !(float64(x) >= 0) {
		r.doc.Problem(path, fmt.Sprintf("%s is %v", path, x), "a passive part has none below zero")
	}
}

func (r *reader) line(f lineFile, c *Cable) {
	notNegative(r, "line.loss", f.Loss)
	notNegative(r, "line.radiation_loss", f.RadiationLoss)
	velocity := float64(f.Velocity)
	if r.doc.Taken("line.velocity") && !(velocity > 0 && velocity <= 1) {
		r.doc.Problem("line.velocity", fmt.Sprintf("line.velocity is %v of that of light", f.Velocity),
			"it is above 0 % and at most 100 %; a bare wire has 100 %, an insulated one some 90 to 97 %")
	}
	c.Line = twoport.Line{Impedance: f.Impedance, Velocity: velocity,
		Loss: twoport.Loss{Skin: f.Loss, Radiation: f.RadiationLoss}}
	c.Height = f.Height
	geometry := r.doc.Has("line.wire_radius")
	switch {
	case r.doc.Has("line.impedance") && geometry:
		r.doc.Problem("line.impedance", "line: both an impedance and a wire radius are given",
			"leave one out; the impedance is computed from wire and height")
	case r.doc.Has("line.impedance"):
		if r.doc.Taken("line.impedance") && !(f.Impedance > 0) {
			r.doc.Problem("line.impedance", fmt.Sprintf("line.impedance is %v", f.Impedance), "it must be above 0 Ω")
		}
	case !geometry || !r.doc.Has("line.height"):
		r.doc.Problem("line", "line: neither an impedance nor wire radius and height are given",
			"a wire of 2 mm radius 50 mm above the plane has 235 Ω")
	case r.sized("line.wire_radius", f.WireRadius) && r.sized("line.height", f.Height) && !r.doc.TroubleBelow("line"):
		o := twoport.OverPlane{Radius: f.WireRadius, Height: f.Height, Wires: int(f.Wires), Circle: f.CircleRadius,
			Velocity: velocity}
		z, err := o.Impedance()
		if err != nil {
			for _, line := range strings.Split(err.Error(), "\n") {
				r.doc.Problem("line.height", "line: "+line, "radius and height count from the centre of the wire")
			}
		}
		c.Line.Impedance = z
	}
	if at := c.Above(); at.Known() && c.High > at {
		r.doc.Warning("band",
			fmt.Sprintf("above %v the height of %v is more than a tenth of the wavelength: the line model is not to "+
				"be trusted there", at, c.Height), "")
	}
}

func (r *reader) layout(c *Cable) {
	ok := r.sized("layout.clamp_to_dut", c.ClampToDUT)
	ok = r.sized("layout.clamp_to_ae", c.ClampToAE) && ok
	notNegative(r, "layout.probe_to_dut", c.ProbeToDUT)
	notNegative(r, "layout.position_tolerance", c.Tolerance)
	if ok && r.doc.Taken("layout.clamp_to_dut") && c.ProbeToDUT > c.ClampToDUT {
		r.doc.Problem("layout.probe_to_dut", fmt.Sprintf("the probe stands %v from the DUT, beyond the clamp at %v",
			c.ProbeToDUT, c.ClampToDUT), "the monitoring probe stands between clamp and DUT")
	}
}

func (r *reader) clamp(f clampFile, c *Cable) {
	notNegative(r, "clamp.body_capacitance", f.Body)
	c.Body = twoport.Capacitor{Farad: f.Body}
	measured, built := r.doc.Has("clamp.insertion_loss"), r.doc.Has("clamp.core")
	switch {
	case measured && built:
		r.doc.Problem("clamp", "clamp: both a core and an insertion loss are given",
			"describe the clamp as it is built, or as it was measured in the jig")
	case measured:
		r.measuredClamp(f, c)
	case built:
		notNegative(r, "clamp.primary_leakage", f.PrimaryLeakage)
		notNegative(r, "clamp.secondary_leakage", f.SecondaryLeakage)
		x, ok := r.ferrite("clamp", f.ferriteFile)
		if ok {
			c.Clamp = twoport.Clamp{Core: x.Core, Material: x.Material, Turns: x.Turns, Farad: x.Farad,
				Primary: f.PrimaryLeakage, Secondary: f.SecondaryLeakage}
			c.ClampWhat = fmt.Sprintf("%s on %s, computed from its core", multiple(max(x.Turns, 1), "turn", "turns"),
				f.Material)
		}
	default:
		r.doc.Problem("clamp", "clamp: neither a core nor an insertion loss is given",
			"write core, material and turns, or insertion_loss and series_impedance from the jig")
	}
}

func (r *reader) measuredClamp(f clampFile, c *Cable) {
	if len(f.InsertionLoss.Points) == 0 {
		return
	}
	loss, err := f.InsertionLoss.curve()
	if err != nil {
		r.doc.Problem("clamp.insertion_loss", err.Error(), "")
		return
	}
	var z twoport.OnePort
	if f.Series == nil {
		z = twoport.Resistor(0)
		r.doc.Warning("clamp", "the clamp's series impedance is not given and counts as 0 Ω",
			"a clamp of few turns puts 5 to 40 Ω into the cable: where the cable resonates the current is overstated")
	} else if z = r.part("clamp.series_impedance", *f.Series); z == nil {
		return
	}
	c.Clamp = jigClamp{loss, z}
	c.ClampWhat = "as measured in the jig"
}

// jigClamp is a clamp of which the insertion loss in the jig and the series impedance are known.
type jigClamp struct {
	loss lossCurve
	z    twoport.OnePort
}

// Inject fills the e.m.f. that drives the measured jig current through the jig and the clamp's own
// impedance: E = (Vs/2)/50 · 10^(−IL/20) · (100 + Zc). Its phase is that of the loop.
func (j jigClamp) Inject(g twoport.Grid, emf, series []complex128) error {
	if err := j.z.Impedance(g, series); err != nil {
		return err
	}
	for i := range emf {
		loss, err := j.loss.At(g.Frequency(i))
		if err != nil {
			return err
		}
		emf[i] = (series[i] + twoport.JigLoop) * complex(1/(twoport.JigLoop*loss.AmplitudeRatio()), 0)
	}
	return nil
}

func (r *reader) probe(f *probeFile, c *Cable) {
	if f == nil {
		r.doc.Warning("", "no probe is described: it counts as inserting 0 Ω",
			"a probe of ten turns inserts about 0.5 Ω")
		return
	}
	z, built := r.doc.Has("probe.insertion_impedance"), r.doc.Has("probe.core")
	switch {
	case z == built:
		r.doc.Problem("probe", "probe: give its insertion impedance, or its core, material and turns", "")
	case z:
		if f.InsertionImpedance != nil {
			c.Probe = r.part("probe.insertion_impedance", *f.InsertionImpedance)
		}
	default:
		notNegative(r, "probe.load", f.Load)
		notNegative(r, "probe.leakage", f.Leakage)
		if x, ok := r.ferrite("probe", f.ferriteFile); ok {
			c.Probe = twoport.Probe{Core: x.Core, Material: x.Material, Turns: x.Turns, Load: f.Load, Farad: x.Farad,
				Leakage: f.Leakage}
		}
	}
}

func (r *reader) placed(path string, f placedFile, c *Cable) {
	if r.doc.Taken(path+".at") && !(f.At >= 0 && f.At <= c.Length()) {
		r.doc.Problem(path+".at", fmt.Sprintf("%s stands %v from the DUT, which is not on the cable of %v", f.Name,
			f.At, c.Length()), "")
	}
	n := 0
	for _, k := range []string{"in_line", "across", "touchstone"} {
		if r.doc.Has(path + "." + k) {
			n++
		}
	}
	if n != 1 {
		r.doc.Problem(path, fmt.Sprintf("%s: one of in_line, across and touchstone must be given", path), "")
		return
	}
	p := Part{Name: f.Name, At: f.At}
	switch {
	case f.InLine != nil:
		if z := r.part(path+".in_line", *f.InLine); z != nil {
			p.Two = twoport.Series{Z: z}
		}
	case f.Across != nil:
		if z := r.part(path+".across", *f.Across); z != nil {
			p.Two = twoport.Shunt{Z: z}
		}
	case f.Touchstone != "":
		if n := r.network(path+".touchstone", f.Touchstone); n != nil {
			two, remark, err := twoport.MeasureTwoPort(n, 1, 2)
			r.measured(path+".touchstone", remark, err)
			p.Two = two
		}
	}
	c.Parts = append(c.Parts, p)
}
