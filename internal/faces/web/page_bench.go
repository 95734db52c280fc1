package web

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// benchPage is a bench file: the chain at a frequency, the curves of its parts, the text.
type benchPage struct {
	Frame    frame
	Files    []fileOf
	Editor   editor
	Name     string
	Blocks   []benchBlock
	Shape    string // which blocks there are: the page takes new ones in when it changes
	Adds     []blockKind
	Found    foundPart
	Form     chainForm
	Chain    *chainPart
	NoChain  string
	Curves   []curvePart
	Overdue  []string
	Imported *importPart
	Heading  string
	Range    string
}

// Fixtures are what the clamp may be closed around.
func (benchPage) Fixtures() []catalog.Fixture {
	return []catalog.Fixture{catalog.OnCable, catalog.Jig50, catalog.Jig150}
}

// chainForm is what the chain is asked at, as the person wrote it.
type chainForm struct {
	At, Drive, Modulation string
	Fixture               catalog.Fixture
	Index, Last           int
	Band                  string
}

func (s *Server) benchPage(w http.ResponseWriter, r *http.Request) error {
	name := r.FormValue("file")
	files, err := s.folder.list("bench")
	if err != nil {
		return err
	}
	if name == "" && (len(files) == 0 || r.FormValue("new") != "") {
		name = "bench.yaml"
		for n := 2; slices.Contains(namesOf(files), name); n++ {
			name = fmt.Sprintf("bench-%d.yaml", n)
		}
		return s.showBench(w, r, formedBench{name: name, text: newBench()})
	}
	if name == "" {
		name = files[0].Name
	}
	data, err := s.folder.read(name)
	if err != nil {
		return err
	}
	return s.showBench(w, r, formedBench{name: name, text: string(data), stamp: stamp(data)})
}

func namesOf(files []fileOf) (names []string) {
	for _, f := range files {
		names = append(names, f.Name)
	}
	return names
}

// benchTried shows what would come of a form that is not saved, with a block added, moved or taken out, or with the
// instruments that were found.
func (s *Server) benchTried(w http.ResponseWriter, r *http.Request) error {
	b := readBench(r)
	if do := r.PostFormValue("do"); do == "find" {
		s.look(r)
	} else if do != "" {
		b.do(do, r.PostFormValue("kind"))
	}
	return s.showBench(w, r, b)
}

// benchSaved keeps the file; what cannot be kept is shown as it was typed.
func (s *Server) benchSaved(w http.ResponseWriter, r *http.Request) error {
	b := readBench(r)
	err := b.problems.Err()
	if err == nil {
		err = s.folder.write(b.name, []byte(b.text), b.stamp)
	}
	if err == nil {
		return seeOther(w, r, "/bench?file="+query(b.name))
	}
	b.refused = "Not saved: " + firstLine(err.Error())
	return s.showBench(w, r, b)
}

// addCurveFile keeps a curve file in the folder once it could be read, and puts it where it was dropped.
func (s *Server) addCurveFile(w http.ResponseWriter, r *http.Request) error {
	into := r.FormValue("into")
	name, data, err := uploadOf(r, "file."+into)
	if err != nil {
		return err
	}
	b := readBench(r)
	b.imported = readCurve(name, data)
	if b.imported.Problems.Err() != nil {
		b.opened = into
		return s.showBench(w, r, b)
	}
	if b.imported.Name, err = s.folder.addCurve(name, data); err != nil {
		return err
	}
	b.set(into, b.imported.value(into))
	b.imported.Into = into
	return s.showBench(w, r, b)
}

// chainOnly computes the chain of a text at another frequency: what the slider asks for.
func (s *Server) chainOnly(w http.ResponseWriter, r *http.Request) error {
	b := readBench(r)
	p := benchPage{}
	p.read(s, r, b)
	return s.draw(w, "chain-only", p)
}

// read reads the bench of a text and computes its chain as the form asks.
func (p *benchPage) read(s *Server, r *http.Request, b formedBench) (*catalog.Bench, problem.List) {
	bench, list := catalog.Parse(b.name, []byte(b.text), s.folder.beside)
	if list.Err() != nil {
		n := len(list) - len(list.Warnings())
		p.Heading = fmt.Sprintf("Bench %s: %s to mend", b.name, english.Count(n, "problem", "problems"))
		p.NoChain = "The chain is drawn once the file has no problem."
		return bench, list
	}
	p.Heading = "Bench " + b.name
	if p.NoChain = p.chain(bench, r); p.NoChain == "" {
		what := " at most"
		if p.Form.Drive != "" {
			what = " at " + p.Chain.Setting
		}
		p.Heading = "Bench: the chain at " + p.Chain.At + " gives " + p.Chain.Current + what
		p.Range = p.Chain.Range
	}
	return bench, list
}

func (s *Server) showBench(w http.ResponseWriter, r *http.Request, b formedBench) error {
	p := benchPage{Frame: s.frameFor(r, "Bench"), Imported: b.imported, Adds: blockKinds,
		Found: s.found.shown(s.cfg.Runner.State().Underway)}
	p.Frame.Title, p.Frame.Said = "Bench "+b.name, b.refused
	var err error
	if p.Files, err = s.folder.list("bench"); err != nil {
		return err
	}
	bench, list := p.read(s, r, b)
	list = append(b.problems, list...)
	old, err := s.folder.beside(b.name)
	p.Editor = newEditor(b.name, b.text, b.stamp, err == nil && string(old) == b.text && stamp(old) == b.stamp, list)
	p.Blocks = blocksOf(b.text, p.Editor.Problems, b.opened)
	for _, x := range p.Blocks {
		p.Shape += x.Path + " "
	}
	if bench != nil {
		p.Name = bench.Name
	}
	if list.Err() == nil {
		for _, id := range bench.Overdue(s.cfg.Now()) {
			p.Overdue = append(p.Overdue, fmt.Sprintf("%s %s: calibration was due %s", id.ID, id.Description,
				id.Due.Format("2006-01-02")))
		}
		p.Curves = curvesOf(bench)
	}
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
