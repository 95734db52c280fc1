package plan

import (
	"fmt"
	"math"
	"path"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/model/level"
	"provoke/internal/model/sweep"
	"provoke/internal/units/rf"
)

// SweepKind is the first line's value of a file that describes a free-running sweep.
const SweepKind = "sweep 1"

// FreeSweepRun is the kind of a run in which the source sweeps by itself.
const FreeSweepRun RunKind = "free sweep"

// MarkedBy is how the beginning of a pass is known.
type MarkedBy string

// The ways of marking the beginning of a pass.
const (
	ByKey      MarkedBy = "key"            // the operator presses Enter as the sweep starts
	ByLine     MarkedBy = "sync line"      // a line of text that the source, or a sync output's adapter, sends
	ByZeroSpan MarkedBy = "zero-span edge" // the analyser, in zero span near the beginning, sees the carrier pass
)

// FreeSweep is a sweep file: a source that sweeps by itself, up and down, at one rate or two.
type FreeSweep struct {
	// Plan holds what a sweep has in common with any run; its Grid is the two ends.
	Plan *Plan
	// Passes are done one after the other.
	Passes []sweep.Sweep
	Marked MarkedBy
	Within time.Duration // how well the mark tells the beginning, either way
	// SyncAddress and SyncLine are where the sync line comes from, SyncPattern which line it is.
	SyncAddress, SyncLine, SyncPattern string
	// LatencyMost is the longest latency that the product may have. It bounds the limits of a band where
	// the passes do not tell the latency, and an upset that comes sooner than this after a reset belongs to
	// the band of the upset before.
	LatencyMost time.Duration
	Step        rf.Fraction // of the stepped run around the bands
	Dwell       rf.Duration // of the stepped run; 0: from the latency that was found
}

type markWord string

// UnmarshalText reads how the beginning is marked.
func (m *markWord) UnmarshalText(t []byte) error {
	*m = markWord(strings.TrimSpace(string(t)))
	return document.OneOf(string(*m), string(ByKey), string(ByLine), string(ByZeroSpan))
}

type lawWord string

// UnmarshalText reads how frequency grows with time.
func (l *lawWord) UnmarshalText(t []byte) error {
	*l = lawWord(strings.TrimSpace(string(t)))
	return document.OneOf(string(*l), string(sweep.Linear), string(sweep.Log))
}

type directionWord string

// UnmarshalText reads which ways are swept.
func (d *directionWord) UnmarshalText(t []byte) error {
	*d = directionWord(strings.TrimSpace(string(t)))
	return document.OneOf(string(*d), "up and down", "up", "down")
}

// sweepFile is a sweep file as written.
type sweepFile struct {
	Name       string              `yaml:"name"`
	Bench      string              `yaml:"bench,required"`
	Fixture    fixtureWord         `yaml:"fixture"`
	Law        lawWord             `yaml:"law,required"`
	From       rf.Frequency        `yaml:"from,required"`
	To         rf.Frequency        `yaml:"to,required"`
	Times      []rf.Duration       `yaml:"times,required"`
	Directions directionWord       `yaml:"directions"`
	Repeats    document.Count      `yaml:"repeats"`
	Steps      document.Count      `yaml:"steps"`
	Tolerance  rf.Fraction         `yaml:"time_tolerance"`
	Drive      catalog.SourceLevel `yaml:"drive,required"`
	Modulation string              `yaml:"modulation"`
	Mark       struct {
		By         markWord    `yaml:"by,required"`
		Within     rf.Duration `yaml:"within"`
		Address    string      `yaml:"address"`
		SerialLine string      `yaml:"serial_line"`
		Pattern    string      `yaml:"pattern"`
	} `yaml:"mark,required"`
	LatencyMost rf.Duration `yaml:"latency_at_most"`
	DeadMan     rf.Duration `yaml:"dead_man"`
	Confirm     struct {
		Step  rf.Fraction `yaml:"step"`
		Dwell rf.Duration `yaml:"dwell"`
	} `yaml:"confirm"`
	Monitors map[string]monitorChange `yaml:"monitors"`
}

// What a sweep does when it does not say otherwise.
const (
	defaultKeyWithin  = rf.Duration(500 * 1e6) // a person's finger
	defaultLineWithin = rf.Duration(50 * 1e6)
	defaultEdgeWithin = rf.Duration(100 * 1e6)
	defaultLatency    = rf.Duration(5 * 1e9)
	defaultStep       = rf.Fraction(0.005)
)

// ParseFreeSweep reads a sweep file:
//
//	provoke: sweep 1
//	bench: bench.yaml                 # its source is by_hand, with a hardware_off
//	law: log                          # or linear
//	from: 150 kHz
//	to: 30 MHz
//	times: [60 s, 120 s]              # of one pass; a second one tells latency from width
//	directions: up and down           # default; or up, down
//	repeats: 1                        # of the whole
//	steps: 500                        # where the source "sweeps" in so many equal steps; default steady
//	time_tolerance: 0.1 %             # how well the source keeps its sweep time
//	drive: -18 dBm                    # available into 50 Ω, unmodulated carrier
//	modulation: AM 80 % 1 kHz
//	mark: {by: key, within: 0.5 s}    # or sync line (address, serial_line, pattern), zero-span edge
//	latency_at_most: 5 s              # of the product and of its watching: bounds what the passes leave open
//	confirm: {step: 0.5 %, dwell: 2 s}   # the stepped run around the bands found
//
// All problems come back at once.
func ParseFreeSweep(file string, data []byte) (*FreeSweep, problem.List) {
	raw := sweepFile{Fixture: fixtureWord(catalog.OnCable), Directions: "up and down", DeadMan: DefaultDeadMan,
		LatencyMost: defaultLatency, Repeats: 1}
	raw.Confirm.Step = defaultStep
	doc := document.Decode(file, data, SweepKind, &raw)
	if !doc.Readable() {
		return nil, doc.Problems()
	}
	s := &FreeSweep{Marked: MarkedBy(raw.Mark.By), Within: raw.Mark.Within.Std(), SyncAddress: raw.Mark.Address,
		SyncLine:    raw.Mark.SerialLine,
		SyncPattern: raw.Mark.Pattern, LatencyMost: raw.LatencyMost.Std(), Step: raw.Confirm.Step,
		Dwell: raw.Confirm.Dwell}
	p := &Plan{Name: raw.Name, File: file, Bytes: data, BenchFile: raw.Bench, Kind: FreeSweepRun, Mode: ConstantDrive,
		Fixture: catalog.Fixture(raw.Fixture),
		SetAs:   raw.Drive, Drive: raw.Drive.Available(catalog.Load50), DeadMan: raw.DeadMan, Settle: DefaultSettle,
		Dwell: DefaultDwell, RecoverWithin: DefaultRecoverWithin, TripAbove: DefaultTripAbove,
		Search: DefaultSearch(), Levelling: DefaultLevelling(), Grid: []rf.Frequency{min(raw.From, raw.To),
			max(raw.From, raw.To)},
		GridText: fmt.Sprintf("a sweep over %v to %v", raw.From, raw.To), Files: map[string][]byte{}}
	if p.Name == "" {
		p.Name = strings.TrimSuffix(path.Base(strings.ReplaceAll(file, `\`, "/")), path.Ext(file))
	}
	s.Plan = p
	s.modulation(doc, raw.Modulation)
	s.passes(doc, raw)
	s.mark(doc)
	s.changes(doc, raw.Monitors)
	return s, doc.Problems()
}

func (s *FreeSweep) modulation(doc *document.Document, text string) {
	s.Plan.Modulation = level.Modulation{Kind: level.CW}
	if text == "" {
		return
	}
	m, err := level.ParseModulation(text)
	if err != nil {
		doc.Problem("modulation", err.Error(), "for example \"AM 80 % 1 kHz\"")
		return
	}
	s.Plan.Modulation = s.Plan.Profile.Convention(m)
}

// passes lists what is swept, one after the other.
func (s *FreeSweep) passes(doc *document.Document, raw sweepFile) {
	if len(raw.Times) == 0 || len(raw.Times) > 4 {
		doc.Problem("times", fmt.Sprintf("%d times of a pass are given; one to four are swept", len(raw.Times)),
			"two that differ by a factor of two tell latency from width")
		return
	}
	if raw.Repeats < 1 || raw.Repeats > 20 {
		doc.Problem("repeats", fmt.Sprintf("%d repeats; 1 to 20 are done", raw.Repeats), "")
		return
	}
	for range raw.Repeats {
		for i, t := range raw.Times {
			one := sweep.Sweep{Law: sweep.Law(raw.Law), From: min(raw.From, raw.To), To: max(raw.From, raw.To),
				Time: t.Std(), Steps: int(raw.Steps), Tolerance: float64(raw.Tolerance)}
			if err := one.Check(); err != nil {
				doc.Problem(fmt.Sprintf("times[%d]", i), err.Error(), "")
				return
			}
			if raw.Directions != "down" {
				s.Passes = append(s.Passes, one)
			}
			if raw.Directions != "up" {
				s.Passes = append(s.Passes, one.Reversed())
			}
		}
	}
	if raw.Directions != "up and down" {
		doc.Warning("directions", "one direction only: the latency of the product shifts every frequency that is found",
			"sweep up and down")
	}
}

func (s *FreeSweep) mark(doc *document.Document) {
	if s.Within == 0 {
		s.Within = map[MarkedBy]rf.Duration{ByKey: defaultKeyWithin, ByLine: defaultLineWithin,
			ByZeroSpan: defaultEdgeWithin}[s.Marked].Std()
	}
	if s.Marked == ByLine && s.SyncAddress == "" {
		doc.Problem("mark", "a sync line needs an address that it comes from",
			"for example {by: sync line, address: ASRL3::INSTR, serial_line: 9600 8N1, pattern: SYNC}")
	}
	if s.Marked != ByLine {
		for _, key := range []string{"address", "serial_line", "pattern"} {
			if doc.Has("mark." + key) {
				doc.Problem("mark."+key, fmt.Sprintf("a beginning marked by %s has no %s", s.Marked, key), "remove it")
			}
		}
	}
	if s.Step <= 0 || s.Step > 0.1 {
		doc.Problem("confirm.step", fmt.Sprintf("a step of %v is not between 0 %% and 10 %%", s.Step), "")
	}
}

func (s *FreeSweep) changes(doc *document.Document, raw map[string]monitorChange) {
	for id, c := range raw {
		if s.Plan.Monitors == nil {
			s.Plan.Monitors = map[string]MonitorChange{}
		}
		if c.Tolerance != "" {
			doc.Problem("monitors."+id+".tolerance", "a sweep takes the tolerance of the bench file",
				"remove it, or change it there")
		}
		s.Plan.Monitors[id] = MonitorChange{Silence: c.Silence, Latency: c.Latency}
	}
}

// Stepped returns the text of a plan that confirms or rejects each band: stepped, at the same drive and
// modulation, around each.
func (s *FreeSweep) Stepped(bands []sweep.Band) string {
	dwell := s.Dwell
	if dwell == 0 {
		longest := time.Second
		for _, b := range bands {
			longest = max(longest, b.LatencyMost+b.LatencyMost/2)
		}
		dwell = rf.Duration(longest.Round(100 * time.Millisecond))
	}
	var b strings.Builder
	fmt.Fprintf(&b,
		"provoke: plan 1\n# Written after the free sweep %s: steps around each band that it found, to confirm or to "+
			"reject it.\n", s.Plan.Name)
	fmt.Fprintf(&b,
		"name: %s, stepped around the bands\nbench: %s\nkind: exposure\nmode: constant drive\nfixture: %s\ndrive: %s\n",
		s.Plan.Name, s.Plan.BenchFile, s.Plan.Fixture, s.Plan.Drive.Text(2))
	if m := s.Plan.Modulation; !m.IsCW() {
		fmt.Fprintf(&b, "modulation: %s\n", m)
	}
	fmt.Fprintf(&b, "dwell: %v\nedges: %v\ngrid:\n", dwell, s.Step)
	for _, x := range bands {
		low, high := x.SearchLow, x.SearchHigh
		if float64(high/low) < 1+4*float64(s.Step) { // at least two steps on either side
			middle := (low + high) / 2
			low, high = middle*rf.Frequency(1-2*s.Step), middle*rf.Frequency(1+2*s.Step)
		}
		fmt.Fprintf(&b, "  - {from: %.0f Hz, to: %.0f Hz, step: %v}   # %v to %v, each ± %v, by %s\n",
			math.Floor(low.Hz()), math.Ceil(high.Hz()), s.Step, x.Low, x.High, x.Within(), x.Rests)
	}
	return b.String()
}
