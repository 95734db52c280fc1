package web

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/files/touchstone"
	"provoke/internal/files/trace"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// benchPage is a bench file: the chain at a frequency, the curves of its parts, the text.
type benchPage struct {
	Frame    frame
	Files    []fileOf
	Editor   editor
	Name     string
	Form     chainForm
	Chain    *chainPart
	NoChain  string
	Curves   []curvePart
	Overdue  []string
	Imported *importPart
	Busy     bool
}

// Fixtures are what the clamp may be closed around.
func (benchPage) Fixtures() []catalog.Fixture {
	return []catalog.Fixture{catalog.OnCable, catalog.Jig50, catalog.Jig150}
}

// Percent is the length of the bar.
func (n chainNode) Percent() int { return int(100 * n.Share) }

// chainForm is what the chain is asked at, as the person wrote it.
type chainForm struct {
	At, Drive, Modulation string
	Fixture               catalog.Fixture
	Index, Last           int
	Band                  string
}

// chainPart is the chain drawn: the way out to the DUT and the way back to the analyser.
type chainPart struct {
	At, Drive, Setting, Current, Range, Estimate string
	Out, Back                                    []chainNode
	Within                                       bool
}

type chainNode struct {
	ID, Place, Carrier, Peak, Mean, Rating, RatedAs, Headroom, Note string
	Worst, Over                                                     bool
	// of a bar: 1 at the rating, 0 at 40 dB below
	Share float64
}

// curvePart is one curve of a part.
type curvePart struct {
	Item, What, Source, Text string
	Chart                    chart
}

// chainPartOf words a prediction. The rating with the least headroom is marked.
func chainPartOf(b *catalog.Bench, p chain.Prediction) *chainPart {
	out := &chainPart{At: p.Frequency.String(), Drive: p.Drive.String(), Setting: b.Source.Setting(p.Drive),
		Current: p.Current.String(),
		Range:   p.Low.String() + " to " + p.High.String(), Estimate: p.Estimate, Within: p.Within()}
	worst := p.Tightest()
	back := false
	for _, n := range p.Nodes {
		node := chainNode{ID: n.ID, Place: n.Place, Carrier: n.Carrier.String(), Peak: n.Peak.String(),
			Mean: n.Mean.String(), Rating: n.Rating.String(), RatedAs: n.Counted(),
			Headroom: headroom(n), Note: n.Remark(), Over: !n.Within, Worst: n.ID == worst.ID && n.Place == worst.Place}
		if n.Rating.Absent() {
			node.Rating = "none given"
		}
		if h := float64(n.Headroom); !math.IsNaN(h) && !math.IsInf(h, 0) {
			node.Share = max(0, min(1, 1-h/40))
		}
		back = back || n.Place == "probe current"
		if back {
			out.Back = append(out.Back, node)
		} else {
			out.Out = append(out.Out, node)
		}
	}
	return out
}

func (s *Server) benchPage(w http.ResponseWriter, r *http.Request) error {
	name := r.FormValue("file")
	if name == "" {
		files, err := s.folder.list("bench")
		if err != nil {
			return err
		}
		if len(files) == 0 {
			return s.showBench(w, r, "bench.yaml", newBenchText, "", false, nil)
		}
		name = files[0].Name
	}
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	return s.showBench(w, r, name, string(data), stamp(data), true, nil)
}

// newBenchText is what a folder without a bench file begins with.
const newBenchText = "provoke: bench 1\n# provoke new FOLDER writes a commented bench file with every key.\nname: " +
	"FILL IN\n"

func (s *Server) benchTried(w http.ResponseWriter, r *http.Request) error {
	name, text, shown := r.PostFormValue("file"), normal(r.PostFormValue("text")), r.PostFormValue("stamp")
	saved := false
	if data, err := s.folder.read(name); err == nil {
		saved = string(data) == text && stamp(data) == shown
	}
	return s.showBench(w, r, name, text, shown, saved, nil)
}

func (s *Server) benchSaved(w http.ResponseWriter, r *http.Request) error {
	name := r.PostFormValue("file")
	if err := s.folder.write(name, []byte(normal(r.PostFormValue("text"))), r.PostFormValue("stamp")); err != nil {
		return err
	}
	return seeOther(w, r, "/bench?file="+query(name))
}

func (s *Server) showBench(w http.ResponseWriter, r *http.Request, name, text, shown string, saved bool,
	imported *importPart) error {
	p := benchPage{Frame: s.frameFor(r, "Bench"), Imported: imported}
	p.Frame.Title = "Bench " + name
	var err error
	if p.Files, err = s.folder.list("bench"); err != nil {
		return err
	}
	b, list := catalog.Parse(name, []byte(text), s.folder.beside)
	p.Editor = newEditor(name, text, shown, saved, list)
	if b != nil {
		p.Name = b.Name
	}
	if list.Err() != nil {
		p.NoChain = "The chain is drawn once the file has no problem."
		return s.draw(w, "bench", p)
	}
	for _, id := range b.Overdue(s.cfg.Now()) {
		p.Overdue = append(p.Overdue, fmt.Sprintf("%s %s: calibration was due %s", id.ID, id.Description,
			id.Due.Format("2006-01-02")))
	}
	p.Curves = curvesOf(b)
	p.NoChain = p.chain(b, r)
	return s.draw(w, "bench", p)
}

// sliderSteps is how many frequencies the slider stops at.
const sliderSteps = 400

// chain computes the chain as the form asks; it returns why it cannot.
func (p *benchPage) chain(b *catalog.Bench, r *http.Request) string {
	f := &p.Form
	f.Fixture, f.Modulation = catalog.Fixture(r.FormValue("fixture")), r.FormValue("modulation")
	if f.Fixture == "" {
		f.Fixture = catalog.OnCable
	}
	if f.Modulation == "" {
		f.Modulation = "AM 80 % 1 kHz"
	}
	c := chain.New(b)
	band, low, high := c.Span(f.Fixture)
	if !band.Low.Known() {
		return fmt.Sprintf("there is no frequency at which the whole chain can be computed: %s and %s leave none",
			low, high)
	}
	f.Band, f.Last = fmt.Sprintf("%v (%s) to %v (%s)", band.Low, low, band.High, high), sliderSteps
	at, why := f.frequency(band, r)
	if why != "" {
		return why
	}
	mod, err := level.ParseModulation(f.Modulation)
	if err != nil {
		return err.Error()
	}
	crest := chain.CrestOfLevel(mod)
	f.Drive = r.FormValue("drive")
	var drive rf.Power
	if f.Drive == "" {
		if drive, _, err = c.SafeDrive(at, crest, f.Fixture); err != nil {
			return err.Error()
		}
	} else if drive, err = b.Source.ParseSetting(f.Drive); err != nil {
		return err.Error()
	}
	prediction, err := c.Predict(at, drive, crest, f.Fixture)
	if err != nil {
		return err.Error()
	}
	p.Chain = chainPartOf(b, prediction)
	return ""
}

// frequency reads the frequency as written, else the slider's stop, which it sets in any case.
func (f *chainForm) frequency(band catalog.Band, r *http.Request) (rf.Frequency, string) {
	ratio := band.High.Hz() / band.Low.Hz()
	at := rf.Frequency(math.Sqrt(band.Low.Hz() * band.High.Hz()))
	if text := r.FormValue("at"); text != "" {
		var err error
		if at, err = rf.ParseFrequency(text); err != nil {
			return 0, err.Error()
		}
		f.At = text
	} else {
		if i, err := strconv.Atoi(r.FormValue("i")); err == nil && i >= 0 && i <= sliderSteps {
			at = rf.Frequency(band.Low.Hz() * math.Pow(ratio, float64(i)/sliderSteps))
		}
		at = rf.Frequency(rounded(at.Hz()))
		at = min(max(at, band.Low), band.High)
		f.At = at.String()
	}
	f.Index = int(math.Round(sliderSteps * math.Log(at.Hz()/band.Low.Hz()) / math.Log(ratio)))
	f.Index = max(0, min(sliderSteps, f.Index))
	return at, ""
}

// rounded brings a number to four significant digits.
func rounded(x float64) float64 {
	y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 4, 64), 64)
	return y
}

// curvesOf draws every curve of a bench.
func curvesOf(b *catalog.Bench) []curvePart {
	var out []curvePart
	gain := func(id, what string, c curve.Curve[rf.Gain]) { out = addCurve(out, id, what, "dB", c, rf.Gain.DB) }
	passives := func(list []catalog.Passive) {
		for _, q := range list {
			gain(q.ID, "loss", q.Loss)
		}
	}
	passives(b.ToAmplifier)
	if a := b.Amplifier; a != nil {
		gain(a.ID, "gain", a.Gain)
		out = addCurve(out, a.ID, "output at 1 dB compression", "dBm", a.Compression, rf.Power.In)
	}
	passives(b.ToClamp)
	if k := b.Coupler; k != nil {
		gain(k.ID, "forward coupling", k.Forward)
		gain(k.ID, "reverse coupling", k.Reverse)
		gain(k.ID, "loss", k.Loss)
	}
	gain(b.Clamp.ID, "insertion loss", b.Clamp.InsertionLoss)
	gain(b.Clamp.ID, "return loss", b.Clamp.ReturnLoss)
	out = addCurve(out, b.Clamp.ID, "series impedance", "dBΩ", b.Clamp.SeriesImpedance, rf.Transimpedance.In)
	if q := b.Probe; q != nil {
		out = addCurve(out, q.ID, "transfer impedance", "dBΩ", q.TransferImpedance, rf.Transimpedance.In)
	}
	passives(b.ToAnalyser)
	return out
}

func addCurve[V curve.Value](list []curvePart, id, what, unit string, c curve.Curve[V],
	in func(V) float64) []curvePart {
	if c.Absent() {
		return list
	}
	p := curvePart{Item: id, What: what, Source: c.Source()}
	if c.IsFlat() {
		low, high := c.Band()
		at := low
		if !at.Known() {
			at = rf.Megahertz
		}
		v, _ := c.At(at)
		p.Text = fmt.Sprintf("%.2f %s", in(v), unit)
		if low.Known() {
			p.Text += fmt.Sprintf(", %v to %v", low, high)
		}
		return append(list, p)
	}
	s := chartSeries{Name: what, Sign: "line", Paint: "first"}
	p.Chart = chart{ID: "curve-" + strconv.Itoa(len(list)), Title: id + ", " + what, X: frequencyAxis,
		Y: axis{Label: what + " (" + unit + ")"}}
	for _, q := range c.Points() {
		y := in(q.Value)
		p.Chart.At = append(p.Chart.At, inMHz(q.At))
		s.Y = append(s.Y, &y)
	}
	p.Chart.Series = []chartSeries{s}
	return append(list, p)
}

// importPart is a curve file that was dropped on the page: what is in it, and the lines that name it
// in the bench file.
type importPart struct {
	Name     string
	Kind     string
	Chart    chart
	Problems problem.List
	Snippets []snippet
}

type snippet struct{ What, Text string }

// addCurveFile keeps a curve file in the folder once it could be read.
func (s *Server) addCurveFile(w http.ResponseWriter, r *http.Request) error {
	name, data, err := upload(r)
	if err != nil {
		return err
	}
	part := readCurve(name, data)
	if part.Problems.Err() == nil {
		if part.Name, err = s.folder.addCurve(name, data); err != nil {
			return err
		}
		part.name()
	}
	bench := r.FormValue("bench")
	text, err := s.folder.read(bench)
	if err != nil {
		text, bench = []byte(newBenchText), "bench.yaml"
		return s.showBench(w, r, bench, string(text), "", false, part)
	}
	return s.showBench(w, r, bench, string(text), stamp(text), true, part)
}

// readCurve reads a file as Touchstone or CSV and draws what is in it.
func readCurve(name string, data []byte) *importPart {
	lower := strings.ToLower(name)
	if dot := strings.LastIndexByte(lower, '.'); dot >= 0 &&
		(lower[dot:] == ".ts" || strings.HasPrefix(lower[dot:], ".s") && strings.HasSuffix(lower, "p")) {
		return readNetwork(name, data)
	}
	p := &importPart{Name: name, Kind: "CSV"}
	best := problem.List(nil)
	for _, try := range []func() bool{
		func() bool { return tryCSV(p, &best, name, data, "dB", rf.Gain.DB) },
		func() bool { return tryCSV(p, &best, name, data, "dBΩ", rf.Transimpedance.In) },
		func() bool { return tryCSV(p, &best, name, data, "dBm", rf.Power.In) },
		func() bool { return tryCSV(p, &best, name, data, "dBµA", rf.Current.In) },
		func() bool { return tryCSV(p, &best, name, data, "dBµV", rf.Voltage.In) },
	} {
		if try() {
			return p
		}
	}
	// A file without units is a curve all the same: the bench file says which they are.
	c, list := trace.Curve[rf.Gain](name, data, trace.Declared{XUnit: "MHz", YUnit: "dB"})
	if list.Err() == nil && !c.Absent() {
		p.Kind, p.Problems = "CSV without units", list
		return p
	}
	p.Problems = best
	return p
}

// tryCSV reads a CSV file as one kind of value; it keeps the shortest list of problems for the case
// that no kind fits.
func tryCSV[V curve.Value](p *importPart, best *problem.List, name string, data []byte, unit string,
	in func(V) float64) bool {
	c, list := trace.Curve[V](name, data, trace.Declared{})
	if list.Err() != nil || c.Absent() {
		if *best == nil || len(list) < len(*best) {
			*best = list
		}
		return false
	}
	list2 := addCurve(nil, name, "value", unit, c, in)
	p.Chart, p.Problems = list2[0].Chart, list
	p.Chart.ID, p.Kind = "imported-curve", "CSV in "+unit
	return true
}

func readNetwork(name string, data []byte) *importPart {
	p := &importPart{Name: name, Kind: "Touchstone"}
	n, list := touchstone.Parse(name, data)
	p.Problems = list
	if list.Err() != nil || n == nil {
		return p
	}
	p.Chart = chart{ID: "imported-curve", Title: name, X: frequencyAxis, Y: axis{Label: "magnitude (dB)"}}
	paints := []string{"first", "second", "third", "fourth"}
	for k := range 4 { // S11, S21, S12, S22: what a curve is most often taken from
		to, from := 1+k%2, 1+k/2
		c, err := n.GainCurve(to, from)
		if err != nil {
			continue // no such port, or a parameter that is zero somewhere
		}
		points := c.Points()
		if p.Chart.At == nil {
			for _, q := range points {
				p.Chart.At = append(p.Chart.At, inMHz(q.At))
			}
		}
		sr := chartSeries{Name: fmt.Sprintf("S%d%d", to, from), Sign: "line", Paint: paints[k]}
		for _, q := range points[:min(len(points), len(p.Chart.At))] {
			y := q.Value.DB()
			sr.Y = append(sr.Y, &y)
		}
		p.Chart.Series = append(p.Chart.Series, sr)
	}
	return p
}

// name makes the lines that name the file in a bench.
func (p *importPart) name() {
	quoted := strconv.Quote(p.Name)
	if p.Kind == "Touchstone" {
		p.Snippets = []snippet{
			{"a loss, S21", "{touchstone: " + quoted + ", parameter: S21, reading: loss}"},
			{"a gain, S21", "{touchstone: " + quoted + ", parameter: S21, reading: gain}"},
			{"a probe in its jig, S21", "{touchstone: " + quoted + ", parameter: S21, reading: jig}"},
		}
		return
	}
	if p.Kind == "CSV without units" {
		p.Snippets = []snippet{{"this curve, with the units to be filled in",
			"{csv: " + quoted + ", units: {frequency: FILL IN, value: FILL IN}}"}}
		return
	}
	p.Snippets = []snippet{{"this curve", "{csv: " + quoted + "}"}}
}
