package web

import (
	"context"
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/files/problem"
)

// A bench is put together from blocks with forms. A block is a piece of the bench file: a key at its top, or an item
// of a list there. The file stays the truth; see fields.go.

// blockKind is a kind of block, in the order of the signal's path.
type blockKind struct {
	Path, Name string
	List       bool
	few        []string // the keys that everybody needs; all others stand under "More"
	begins     string   // what its id begins with; empty for what has no id
	fills      string   // its first lines, parted by commas; the rest of few is blank
}

var passiveKeys = []string{"kind", "loss", "maximum_power"}

var blockKinds = []blockKind{
	{Path: "source", Name: "Generator", begins: "GEN", fills: "kind: function generator,table: function generator," +
		"resolution: 0.1 dB,counts_in: Vpp,load: 50 Ω", few: []string{"address", "kind", "table", "band", "minimum",
		"maximum", "resolution", "counts_in", "load"}},
	{Path: "to_amplifier", Name: "Pad, coax or filter to the amplifier", List: true, begins: "PAD", fills: "kind: pad",
		few: passiveKeys},
	{Path: "amplifier", Name: "Amplifier", begins: "AMP", few: []string{"band", "gain", "gain_measured", "compression",
		"saturation", "maximum_input", "reflected_limit"}},
	{Path: "to_clamp", Name: "Coax, pad or filter to the clamp", List: true, begins: "COAX", fills: "kind: coax",
		few: passiveKeys},
	{Path: "coupler", Name: "Coupler at the clamp", begins: "CPL", few: []string{"forward", "reverse", "loss",
		"maximum_power"}},
	{Path: "power_meter", Name: "Power meter at the coupler", begins: "PM", fills: "table: power meter",
		few: []string{"address", "table", "maximum_input", "floor"}},
	{Path: "clamp", Name: "Injection clamp", begins: "CLAMP", few: []string{"insertion_loss", "return_loss",
		"maximum_forward"}},
	{Path: "cable", Name: "Cable under test", begins: "W", few: []string{"maximum_current", "length", "clamp_to_dut",
		"probe_to_dut"}},
	{Path: "dut", Name: "Product", begins: "DUT", few: []string{"description", "serial", "port"}},
	{Path: "probe", Name: "Current probe", begins: "PROBE", few: []string{"transfer_impedance", "maximum_current"}},
	{Path: "to_analyser", Name: "Pad, coax or filter to the analyser", List: true, begins: "PAD", fills: "kind: pad",
		few: passiveKeys},
	{Path: "analyser", Name: "Analyser", begins: "SA", fills: "table: analyser", few: []string{"address", "table",
		"band", "maximum_input", "mixer_limit", "bandwidths", "floor"}},
	{Path: "monitors", Name: "Monitor of the product", List: true, begins: "MON", few: []string{"kind"},
		fills: "kind: operator"},
	{Path: "interlock", Name: "Interlock of the door", begins: "LOCK", fills: "table: interlock",
		few: []string{"address", "table"}},
	{Path: "hardware_dead_man", Name: "Hardware dead-man", begins: "DM", fills: "kind: relay,table: relay",
		few: []string{"address", "kind", "table", "within"}},
	{Path: "power_relay", Name: "Relay that resets the product", begins: "RELAY", fills: "table: relay",
		few: []string{"address", "table", "off_for", "cycles"}},
	{Path: "switch", Name: "Switch matrix", begins: "SW", fills: "table: switch", few: []string{"address", "table",
		"route"}},
}

var benchKeys = sync.OnceValue(catalog.Keys)
var benchKeysByPath = sync.OnceValue(func() map[string]document.Key { return keysByPath(benchKeys()) })

// benchBlock is one block of a bench with its fields.
type benchBlock struct {
	blockKind
	Path      string // of the piece, with its number
	ID        string
	Few, More []formField
	Problems  []problem.Problem // those that belong to none of its fields
	Faults    int
	Open      bool
	Up, Down  bool
	Fixed     bool // a bench has to have it
}

// formedBench is a bench as a form holds it.
type formedBench struct {
	name, text, stamp string
	problems          problem.List // what could not be written into the text
	refused           string
	opened            string // path in the block that is worked on
	imported          *importPart
}

// readBench reads the form: its text, with the fields that were changed in it.
func readBench(r *http.Request) formedBench {
	b := formedBench{name: r.PostFormValue("file"), stamp: r.PostFormValue("stamp")}
	b.text, b.problems = withFields(r, normal(r.PostFormValue("text")), benchKeysByPath())
	return b
}

// set puts a value where it belongs, or tells why not.
func (b *formedBench) set(path, value string) {
	k, known := benchKeysByPath()[unnumbered(path)]
	text, err := b.text, fmt.Errorf("there is no key %q", path)
	if known {
		text, err = document.Set(b.text, path, value, k.Takes == "a text")
	}
	b.take(path, text, err)
}

func (b *formedBench) take(path, text string, err error) {
	if err != nil {
		b.problems = append(b.problems, problem.Problem{Field: path, What: err.Error()})
		return
	}
	b.text, b.opened = text, path
}

// do adds, moves or removes a block, or puts an instrument that was found into one.
func (b *formedBench) do(what, kind string) {
	verb, path, _ := strings.Cut(what, " ")
	path, address, _ := strings.Cut(path, "=")
	text, err := b.text, fmt.Errorf("there is no deed %q", what)
	switch verb {
	case "add":
		for _, k := range blockKinds {
			if k.Path == kind {
				text, err = document.Add(b.text, k.Path, k.skeleton(b.text), k.List)
				if path = kind; k.List {
					path = fmt.Sprintf("%s[%d]", kind, document.LayoutOf(text).Size(kind)-1)
				}
			}
		}
	case "remove":
		text, err = document.Remove(b.text, path)
	case "up":
		text, err = document.Move(b.text, path, -1)
	case "down":
		text, err = document.Move(b.text, path, 1)
	case "pick":
		b.set(path+".address", address)
		return
	}
	b.take(path, text, err)
}

// skeleton are the lines of a new block: what is usual, and what only its owner knows left blank.
func (k blockKind) skeleton(text string) []string {
	lines := []string{"id: " + k.newID(text)}
	if k.fills != "" {
		lines = append(lines, strings.Split(k.fills, ",")...)
	}
	for _, key := range k.few {
		path := k.Path + map[bool]string{true: "[]."}[k.List]
		if !k.List {
			path = k.Path + "."
		}
		meaning := benchKeysByPath()[path+key]
		written := slices.ContainsFunc(lines, func(l string) bool { return strings.HasPrefix(l, key+":") })
		if !written && (meaning.Required || strings.Contains(meaning.Says, "absent forbids") || key == "address" ||
			slices.Contains([]string{"compression", "saturation", "mixer_limit", "floor"}, key)) {
			lines = append(lines, key+": "+document.Blank)
		}
	}
	return lines
}

// newID is an id that no piece of the bench has.
func (k blockKind) newID(text string) string {
	for n := 1; ; n++ {
		id := k.begins + strconv.Itoa(n)
		if !regexp.MustCompile(`\bid:\s*["']?` + id + `\b`).MatchString(text) {
			return id
		}
	}
}

// newBench is what a folder without a bench begins with: the usual pieces, their figures blank.
func newBench() string {
	b := formedBench{text: "provoke: bench 1\nname: my bench\n"}
	for _, kind := range []string{"source", "to_amplifier", "amplifier", "clamp", "cable", "dut", "probe",
		"to_analyser",
		"analyser", "monitors"} {
		b.do("add", kind)
	}
	return b.text
}

// blocksOf finds the blocks of a text; the one that holds opened stands open, else the first with a problem.
func blocksOf(text string, list problem.List, opened string) []benchBlock {
	at := document.LayoutOf(text)
	top := benchBlock{blockKind: blockKind{Name: "The bench"}, Fixed: true}
	for _, k := range benchKeys() {
		switch {
		case k.Path == "name":
			top.Few = append(top.Few, fieldFor(k, k.Path, at, list))
		case !strings.ContainsAny(k.Path, ".[") && k.Takes != "a mapping" || k.Path == "tables[]":
			k.Path = strings.TrimSuffix(k.Path, "[]")
			top.More = append(top.More, fieldFor(k, k.Path, at, list))
		}
	}
	top.Faults = faults(append(top.Few[:len(top.Few):len(top.Few)], top.More...))
	out := []benchBlock{top}
	for _, kind := range blockKinds {
		n := at.Size(kind.Path)
		if !kind.List {
			if w, ok := at.Find(kind.Path); ok && w.Text != document.Blank {
				n = 1
			}
		}
		for i := range n {
			b := benchBlock{blockKind: kind, Path: kind.Path, Up: i > 0, Down: i < n-1,
				Fixed: benchKeysByPath()[kind.Path].Required}
			if kind.List {
				b.Path = fmt.Sprintf("%s[%d]", kind.Path, i)
			}
			b.fill(at, list)
			b.Open = opened != "" && (opened == b.Path || strings.HasPrefix(opened, b.Path+"."))
			out = append(out, b)
		}
	}
	for i := range out {
		if opened == "" && out[i].Faults > 0 {
			out[i].Open = true
			break
		}
	}
	return out
}

func faults(fields []formField) (n int) {
	for _, f := range fields {
		for _, p := range f.Problems {
			if !p.Warning {
				n++
			}
		}
	}
	return n
}

// fill gives a block its fields, and the problems that none of them has.
func (b *benchBlock) fill(at document.Layout, list problem.List) {
	if id, ok := at.Find(b.Path + ".id"); ok {
		b.ID = id.Text
	}
	few := append([]string{"id"}, b.few...)
	above := unnumbered(b.Path) + "."
	var takes map[string]bool
	if kind, ok := at.Find(b.Path + ".kind"); ok && b.blockKind.Path == "monitors" {
		must, may := catalog.MonitorNeeds(catalog.MonitorKind(kind.Text))
		few, takes = append(few, must...), map[string]bool{}
		for _, key := range append(append(must, may...), "id", "kind", "description", "serial") {
			takes[key] = true
		}
		if slices.Contains(may, "pattern") {
			few = append(few, "pattern", "tolerance")
		}
	}
	beside := map[string]bool{}
	for _, k := range benchKeys() {
		key, ok := strings.CutPrefix(strings.TrimSuffix(k.Path, "[]"), above)
		if !ok || strings.ContainsAny(key, ".[") {
			continue
		}
		f := fieldFor(k, b.Path+"."+key, at, list)
		if takes != nil && !takes[key] && f.Value == "" {
			continue
		}
		for _, told := range f.told {
			beside[told] = true
		}
		if slices.Contains(few, key) {
			b.Few = append(b.Few, f)
		} else {
			b.More = append(b.More, f)
		}
	}
	slices.SortStableFunc(b.Few, func(x, y formField) int {
		return slices.Index(few, x.key()) - slices.Index(few, y.key())
	})
	w, _ := at.Find(b.Path)
	for _, p := range list {
		inside := p.Field == b.Path || about(p.What, b.Path) || p.Line >= w.First && p.Line <= w.Last
		if inside && !beside[p.String()] {
			b.Problems = append(b.Problems, p)
			if !p.Warning {
				b.Faults++
			}
		}
	}
	b.Faults += faults(b.Few) + faults(b.More)
}

func (f formField) key() string { return f.Path[strings.LastIndexByte(f.Path, '.')+1:] }

// Wrong reports that a field of those under "More" has a problem.
func (b benchBlock) Wrong() bool {
	for _, f := range b.More {
		if len(f.Problems) > 0 {
			return true
		}
	}
	return false
}

// Driven reports that an instrument can be picked into the block.
func (b benchBlock) Driven() bool {
	return slices.ContainsFunc(append(b.Few[:len(b.Few):len(b.Few)], b.More...), func(f formField) bool {
		return f.Found
	})
}

// found are the instruments of the last look.
type found struct {
	mu   sync.Mutex
	list []Found
	at   time.Time
	told string // what could not be looked at
}

// foundPart is what the page says of them.
type foundPart struct {
	List     []Found
	At, Told string
	Busy     bool // a run is being done: nobody is asked anything
}

func (f *found) shown(busy bool) foundPart {
	f.mu.Lock()
	defer f.mu.Unlock()
	p := foundPart{List: f.list, Told: f.told, Busy: busy}
	if !f.at.IsZero() {
		p.At = f.at.Local().Format("15:04:05")
	}
	return p
}

// look looks for instruments, because a person asked for it; never while a run is being done.
func (s *Server) look(r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), 20*time.Second)
	defer cancel()
	if s.cfg.Runner.State().Underway {
		return
	}
	list, err := s.cfg.Runner.Find(ctx)
	s.found.mu.Lock()
	defer s.found.mu.Unlock()
	s.found.list, s.found.at, s.found.told = list, s.cfg.Now(), ""
	if err != nil {
		s.found.told = err.Error()
	}
}
