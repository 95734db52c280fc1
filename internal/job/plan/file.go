package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"path"
	"slices"
	"sort"
	"strconv"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/files/trace"
	"provoke/internal/model/level"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// What a plan does when it does not say otherwise.
const (
	DefaultDwell         = rf.Duration(1e9)      // where no step rule of the level names a longer one
	DefaultSettle        = rf.Duration(50 * 1e6) // after every change of level
	DefaultRecoverWithin = rf.Duration(10 * 1e9) // by itself, then it is reset
	DefaultDeadMan       = rf.Duration(2 * 1e9)  // between two signs of life of the engine
	DefaultTripAbove     = rf.Gain(6)            // measured current over the prediction's high end
	DefaultLightBelow    = rf.Gain(20)           // first light below the first level
	DefaultLightAllowed  = rf.Gain(4)            // measured against budget in a jig
)

// DefaultLevelling is the levelling of a plan that does not say otherwise.
func DefaultLevelling() Levelling {
	return Levelling{Window: 0.3, AboveBudget: 6, Ceiling: rf.GainOfPowerRatio(level.ClosedLoopPowerFactor)}
}

// Words of the file that are one of a closed set.
type (
	kindWord    RunKind
	modeWord    Mode
	fixtureWord catalog.Fixture
	orderWord   string
	methodWord  Method
)

func (k *kindWord) UnmarshalText(t []byte) error {
	*k = kindWord(t)
	return document.OneOf(string(t), string(Exposure), string(Baseline), string(Control), string(Calibration))
}

func (m *modeWord) UnmarshalText(t []byte) error {
	*m = modeWord(t)
	return document.OneOf(string(t), string(ConstantDrive), string(ClosedLoop), string(Substitution))
}

func (f *fixtureWord) UnmarshalText(t []byte) error {
	*f = fixtureWord(t)
	return document.OneOf(string(t), string(catalog.OnCable), string(catalog.Jig50), string(catalog.Jig150))
}

func (m *methodWord) UnmarshalText(t []byte) error {
	*m = methodWord(t)
	return document.OneOf(string(t), string(Bracket), string(Staircase), string(Adaptive), string(Repeated))
}

func (o *orderWord) UnmarshalText(t []byte) error {
	*o = orderWord(t)
	return document.OneOf(string(t), "ascending", "descending")
}

// planFile is a plan file as written.
type planFile struct {
	Name    string      `yaml:"name" says:"name of the run's purpose"`
	Bench   string      `yaml:"bench,required" says:"bench file, relative to this file"`
	Kind    kindWord    `yaml:"kind,required" says:"what run it is"`
	Mode    modeWord    `yaml:"mode" says:"how the level is set"`
	Fixture fixtureWord `yaml:"fixture" says:"what the clamp is closed around; a calibration needs a jig"`
	Level   levelText   `yaml:"level" says:"what is asked for: a profile, 10 V emf, 60 mA, or a mapping with list or curve"`
	Checked struct {
		By      string `yaml:"by,required" says:"who compared the profile with their own copy of the standard"`
		On      string `yaml:"on,required" says:"date, 2026-11-02"`
		Edition string `yaml:"edition,required" says:"edition of that copy"`
		Figures string `yaml:"figures,required" says:"which figures: range, levels, clause or table"`
	} `yaml:"profile_checked" says:"stands in place of \"not verified against the standard's text\" wherever the profile is told"`
	Grid       []segment           `yaml:"grid,required" says:"frequencies: the union of these segments"`
	Order      orderWord           `yaml:"order" says:"order of the frequencies"`
	First      []rf.Frequency      `yaml:"first" says:"frequencies that are visited before all others, in this order; they are added to the grid"`
	Clocks     []rf.Frequency      `yaml:"clocks" says:"clocks of the product: their harmonics 1 to 10 within the grid are visited before all others too, behind those of first"`
	TimeLimit  rf.Duration         `yaml:"time_limit" says:"time that the run may take: what is worth most comes first, and the run ends when the next step does not fit in; default: no limit"`
	Modulation string              `yaml:"modulation" says:"modulation; default the level's usual one, CW in a calibration"`
	Drive      catalog.SourceLevel `yaml:"drive" says:"constant drive only: generator level, as it shows it"`
	Dwell      rf.Duration         `yaml:"dwell" says:"time at each level; default the shortest of the level's step rule, else 1 s"`
	Settle     rf.Duration         `yaml:"settle" says:"wait after every change of level"`
	Edges      rf.Fraction         `yaml:"edges" says:"width, relative to frequency, to which the edges of a failing band are found; default: not narrowed"`
	Search     struct {
		Onset      bool           `yaml:"onset" says:"look for the lowest level that upsets"`
		Recovery   bool           `yaml:"recovery" says:"look for the level at which the DUT is well again, coming down with RF on"`
		Resolution rf.Gain        `yaml:"resolution" says:"step of the search"`
		Range      rf.Gain        `yaml:"range" says:"how far down the search goes"`
		Approach   rf.Gain        `yaml:"approach" says:"largest step upward toward an onset expected from a neighbour"`
		Confirm    document.Count `yaml:"confirm" says:"times an onset is exposed again; the exposure for the recovery level counts as one"`
		Window     rf.Gain        `yaml:"window" says:"distance below the onset of the low check of a band"`
		EdgeOnset  bool           `yaml:"edge_onset" says:"search the onset at the frequencies at the edges of bands too"`
		Graded     bool           `yaml:"graded" says:"place exposures by how far readings move before they leave their tolerance"`

		Method      methodWord     `yaml:"method" says:"how the onset is found; default bracket"`
		IfRandom    methodWord     `yaml:"if_random" says:"method to go on with where an onset does not upset again"`
		Trials      document.Count `yaml:"trials" says:"exposures of staircase, adaptive and repeat at each frequency; default 30"`
		Probability rf.Fraction    `yaml:"probability" says:"chance of an upset that a staircase looks for; default 50 %"`
		Step        rf.Gain        `yaml:"step" says:"step of a staircase; default 1 dB"`
		Below       rf.Gain        `yaml:"below" says:"repeat: distance below the level"`
	} `yaml:"search" says:"what is looked for after an upset"`
	Drift struct {
		At    rf.Frequency   `yaml:"at,required" says:"frequency"`
		Below rf.Gain        `yaml:"below" says:"distance below the level at which it is visited"`
		Every document.Count `yaml:"every" says:"visited once in so many frequencies"`
	} `yaml:"drift_check" says:"a frequency that is visited again and again to see the bench drift"`
	Levelling struct {
		Window      rf.Gain `yaml:"window" says:"how far above the level the current may stop; never below it"`
		AboveBudget rf.Gain `yaml:"above_budget" says:"drive above the budget's need that is allowed"`
		Ceiling     rf.Gain `yaml:"forward_ceiling" says:"forward power above the budget's need that is allowed"`
	} `yaml:"levelling" says:"the closed loop"`
	FirstLight struct {
		Below   rf.Gain `yaml:"below" says:"distance below the first level at which it is made"`
		Allowed rf.Gain `yaml:"allowed" says:"difference that is allowed in a jig"`
	} `yaml:"first_light" says:"comparison of the first measured current with the budget"`
	Decision           DecisionRule             `yaml:"decision_rule" says:"by which rule a level that was stood counts as the one asked for; a guard band asks for more by the uncertainty"`
	OverTest           string                   `yaml:"over_test" says:"\"accepted by …\": who accepted that the DUT is exposed to more than the level wanted, where a guard band or showing a difference to an earlier run (run --again) needs it"`
	TripAbove          rf.Gain                  `yaml:"trip_above" says:"measured current above the expected that ends the run"`
	RecoverWithin      rf.Duration              `yaml:"recover_within" says:"time in which the DUT has to be well by itself; then it is reset"`
	DeadMan            rf.Duration              `yaml:"dead_man" says:"longest time between two signs of life of the engine"`
	Calibration        document.Count           `yaml:"calibration" says:"run of the job that a substitution replays; default the newest"`
	ConvertCalibration bool                     `yaml:"convert_calibration" says:"replay a calibration of another loop impedance, as an estimate"`
	AcceptFalseAlarms  document.Count           `yaml:"accept_false_alarms" says:"false alarms of the baseline that are accepted"`
	Monitors           map[string]monitorChange `yaml:"monitors" says:"changes of the bench's monitors for this run, by id"`
}

type monitorChange struct {
	Tolerance string      `yaml:"tolerance" says:"tolerance in place of the bench file's"`
	Silence   rf.Duration `yaml:"silence" says:"silence limit in place of the bench file's"`
	Latency   rf.Duration `yaml:"latency" says:"latency in place of the bench file's"`
}

// segment is one part of the grid.
type segment struct {
	From    rf.Frequency   `yaml:"from" says:"lower end"`
	To      rf.Frequency   `yaml:"to" says:"upper end"`
	Step    string         `yaml:"step" says:"step: 1 %, 100 per decade or 50 kHz"`
	StepsOf string         `yaml:"steps_of" says:"step rule of a standard, see provoke level --profiles"`
	List    []rf.Frequency `yaml:"list" says:"list of frequencies"`
	Around  []rf.Frequency `yaml:"around" says:"frequencies with a dense grid around each"`
	Span    string         `yaml:"span" says:"width of that grid, relative to frequency"`
}

// levelText is what is asked for: one scalar, or a list, or a curve.
type levelText struct {
	text   string
	List   []listedText `yaml:"list" says:"levels at single frequencies, as a laboratory's report gives them"`
	Beyond rf.Fraction  `yaml:"beyond" says:"how far from a listed frequency its level still holds"`
	Curve  curveText    `yaml:"curve" says:"current over frequency"`
}

// UnmarshalText takes the scalar as it stands; what it means is decided with the rest of the file.
func (l *levelText) UnmarshalText(t []byte) error {
	l.text = strings.TrimSpace(string(t))
	return nil
}

type listedText struct {
	At    rf.Frequency `yaml:"at,required" says:"frequency"`
	Level string       `yaml:"level,required" says:"level there"`
}

type curveText struct {
	Points map[rf.Frequency]rf.Current `yaml:"points" says:"mapping of frequencies to currents"`
	CSV    string                      `yaml:"csv" says:"CSV file beside the plan"`
	Units  catalog.CSVUnits            `yaml:"units" says:"what the CSV file does not say itself"`
}

// reader reads one plan file: everything it finds wrong goes into the document.
type reader struct {
	doc  *document.Document
	more problem.List // of the files that it names
	file planFile
	read func(string) ([]byte, error)
	plan *Plan
}

// Parse reads a plan file. The file argument is its name, for messages; read returns the bytes of a
// file that the plan names (a curve), relative to the plan's folder. The list holds every problem of
// the file at once; when its Err is not nil the plan is not to be used. The bench is not read here:
// Check compares the plan with it.
//
// The format is the program's own, described by the sample files in testdata:
//
//	provoke: plan 1
//	bench: belt-weigher.yaml       # bench file, relative to this file
//	kind: exposure                 # or baseline, control, calibration
//	mode: closed loop              # or constant drive, substitution; default closed loop
//	fixture: cable                 # or jig50, jig150; default cable; a calibration needs a jig
//	level: iec-61000-4-6/level-3   # a profile, "10 V emf", "60 mA", or a mapping with list or curve
//	grid:                          # union of segments
//	  - {from: 150 kHz, to: 80 MHz, step: 1 %}     # or "100 per decade", "50 kHz"; or steps_of: a rule
//	  - {list: [27.12 MHz]}
//	  - {around: [40.68 MHz], span: 2 %, step: 0.2 %}
//	order: ascending               # or descending
//	first: [41 MHz, 27.12 MHz]     # of the grid or besides: visited before all others
//	clocks: [12 MHz, 14.7456 MHz]  # of the product: their harmonics come behind those of first
//	time_limit: 20 min             # default: none; with one, coarse to fine
//	modulation: AM 80 % 1 kHz      # default the level's usual one; CW in a calibration
//	drive: -20 dBm                 # constant drive only: generator level, as it shows it (or 60 mVpp, 20 mVrms)
//	dwell: 2 s                     # default the shortest of the level's step rule, else 1 s
//	settle: 50 ms
//	edges: 0.2 %                   # default: edges are not narrowed
//	search: {onset: true, recovery: true, resolution: 0.5 dB, range: 40 dB, approach: 3 dB, confirm: 1,
//	         window: 6 dB, edge_onset: true}
//	         # random thresholds: {method: staircase, trials: 30, probability: 50 %, step: 1 dB}, also
//	         # method: adaptive; if_random: staircase goes on with one only where an onset does not upset
//	                               # again; {method: repeat, trials: 20, below: 3 dB} exposes at one level only
//	drift_check: {at: 10 MHz, below: 20 dB, every: 50}   # a frequency of the grid, visited every 50 others
//	levelling: {window: 0.3 dB, above_budget: 6 dB, forward_ceiling: 6.02 dB}
//	decision_rule: simple acceptance   # or guard band 1.645 u, guard band U
//	over_test: accepted by NAME    # levels above the one wanted, where a guard band or a difference needs them
//	first_light: {below: 20 dB, allowed: 4 dB}
//	trip_above: 6 dB
//	recover_within: 10 s
//	dead_man: 2 s
//	calibration: 3                 # run to replay; default the newest that fits
//	convert_calibration: false
//	accept_false_alarms: 0
//	monitors: {SHOWN: {tolerance: 0.1 kg, silence: 5 s, latency: 1 s}}
func Parse(file string, data []byte, read func(string) ([]byte, error)) (*Plan, problem.List) {
	r := reader{read: read, plan: &Plan{File: file, Bytes: data, Files: map[string][]byte{}}}
	r.defaults()
	r.doc = document.Decode(file, data, "plan 1", &r.file)
	if !r.doc.Readable() {
		return r.plan, r.doc.Problems()
	}
	r.what()
	r.level()
	r.grid()
	r.modulation()
	r.times()
	r.timeLimit()
	r.search()
	r.limits()
	r.monitors()
	r.plan.Hash = r.hash()
	return r.plan, append(r.doc.Problems(), r.more...)
}

func (r *reader) defaults() {
	s, l := DefaultSearch(), DefaultLevelling()
	f := &r.file
	f.Mode, f.Fixture, f.Order = modeWord(ClosedLoop), fixtureWord(catalog.OnCable), "ascending"
	f.Search.Onset, f.Search.Recovery, f.Search.EdgeOnset, f.Search.Graded = s.Onset, s.Recovery, true, true
	f.Search.Resolution, f.Search.Range, f.Search.Approach = s.Resolution, s.Range, s.Approach
	f.Search.Confirm, f.Search.Window = document.Count(s.Confirm), s.Window
	f.Levelling.Window, f.Levelling.AboveBudget, f.Levelling.Ceiling = l.Window, l.AboveBudget, l.Ceiling
	f.FirstLight.Below, f.FirstLight.Allowed = DefaultLightBelow, DefaultLightAllowed
	f.Decision = SimpleAcceptance
	f.TripAbove, f.RecoverWithin, f.DeadMan, f.Settle = DefaultTripAbove, DefaultRecoverWithin, DefaultDeadMan,
		DefaultSettle
}

// problem tells what is wrong at a path.
func (r *reader) problem(path, hint, format string, args ...any) {
	r.doc.Problem(path, fmt.Sprintf(format, args...), hint)
}

// what reads which run it is.
func (r *reader) what() {
	p, f := r.plan, &r.file
	p.Name, p.BenchFile = f.Name, f.Bench
	if p.Name == "" {
		p.Name = strings.TrimSuffix(path.Base(strings.ReplaceAll(p.File, `\`, "/")), path.Ext(p.File))
	}
	p.Kind, p.Mode, p.Fixture, p.Descending = RunKind(f.Kind), Mode(f.Mode), catalog.Fixture(f.Fixture),
		f.Order == "descending"
	p.CalibrationRun, p.ConvertCalibration, p.AcceptFalseAlarms = int(f.Calibration), f.ConvertCalibration,
		int(f.AcceptFalseAlarms)
	p.SetAs, p.Drive = f.Drive, f.Drive.Available(catalog.Load50)
	jig := p.Fixture == catalog.Jig50 || p.Fixture == catalog.Jig150
	switch {
	case p.Kind == Calibration && !jig:
		r.problem("fixture", "fixture: jig50 has 50 Ω at both ends, jig150 150 Ω through adaptors",
			"a calibration is made in a jig")
	case p.Kind == Calibration && p.Mode == Substitution:
		r.problem("mode", "use closed loop, or constant drive", "a calibration cannot replay a calibration")
	}
	switch has := r.doc.Has("drive"); {
	case p.Mode == ConstantDrive && !has:
		r.problem("mode", "add drive: the generator's level as it shows it, for example -20 dBm or 60 mVpp",
			"constant drive needs the drive")
	case p.Mode == ConstantDrive && has && !p.Drive.Exact() && !p.Drive.Absent():
		r.problem("drive", "write one level, for example -20 dBm", "the drive must be one known level")
	case p.Mode != ConstantDrive && has:
		r.problem("drive", "remove it, or set mode: constant drive",
			"the drive is given, but in %s it follows from the level", p.Mode)
	}
	for _, key := range []string{"calibration", "convert_calibration"} {
		if r.doc.Has(key) && p.Mode != Substitution {
			r.doc.Warning(key, fmt.Sprintf("%s has no meaning in %s", key, p.Mode), "it is for mode: substitution")
		}
	}
}

// level reads what is asked for.
func (r *reader) level() {
	if !r.doc.Has("level") {
		if r.plan.Mode != ConstantDrive {
			r.problem("level",
				`write a profile ("provoke level --profiles" lists them), "10 V emf", or a current such as "60 mA"`,
				"the level is missing")
		}
		return
	}
	l := r.file.Level
	given := 0
	for _, is := range []bool{l.text != "", len(l.List) > 0, len(l.Curve.Points) > 0 || l.Curve.CSV != ""} {
		if is {
			given++
		}
	}
	if given != 1 {
		if given > 1 {
			r.problem("level", "keep one of them", "the level is given as list and as curve")
		} else {
			r.problem("level", "write a profile, a level, or a mapping with list or curve", "the level is empty")
		}
		return
	}
	var err error
	switch {
	case l.text != "":
		r.plan.Profile, err = namedLevel(l.text)
	case len(l.List) > 0:
		err = r.levelList(l)
	default:
		err = r.levelCurve(l.Curve)
	}
	if err != nil {
		r.problem("level", "", "%v", err)
	}
	r.checked()
	if r.doc.Has("level.beyond") && len(l.List) == 0 {
		r.problem("level.beyond", "a curve and a profile have ends of their own", "beyond belongs to a list of levels")
	}
}

// checked takes who compared a profile with the standard. It is nothing for a level that the user states.
func (r *reader) checked() {
	if !r.doc.Has("profile_checked") {
		return
	}
	c := r.file.Checked
	if _, err := time.Parse(time.DateOnly, c.On); err != nil && c.On != "" {
		r.problem("profile_checked.on", "write the date as 2026-11-02", "%q is no date", c.On)
	}
	for key, text := range map[string]string{"by": c.By, "on": c.On, "edition": c.Edition, "figures": c.Figures} {
		if r.doc.Taken("profile_checked."+key) && strings.TrimSpace(text) == "" {
			r.problem("profile_checked."+key,
				"it stands in place of \"not verified\", so it has to say who, when, which edition and which figures",
				"it is blank")
		}
	}
	if r.plan.Profile.Verified {
		r.doc.Warning("profile_checked", "this level needs no check: "+r.plan.Profile.Confidence,
			"it is for a profile of a standard whose figures are from memory")
	}
	r.plan.Profile.Checked = level.Checked{By: c.By, On: c.On, Edition: c.Edition, Figures: c.Figures}
}

// namedLevel reads "iec-61000-4-6/level-3", "10 V emf" or "60 mA".
func namedLevel(text string) (level.Profile, error) {
	if strings.ContainsAny(text[:1], "+-.,0123456789") {
		asked, err := level.ParseAsked(text)
		switch {
		case err != nil:
			return level.Profile{}, err
		case asked.EMF.Known():
			return level.ConstantEMF(asked.EMF)
		}
		return level.Constant(asked.Current)
	}
	return level.Lookup(text)
}

func (r *reader) levelList(l levelText) error {
	var list []level.Listed
	sound := true
	for i, q := range l.List {
		asked, err := level.ParseAsked(q.Level)
		if err != nil {
			r.problem(fmt.Sprintf("level.list[%d].level", i), "", "%v", err)
			sound = false
			continue
		}
		asked.At = q.At
		sound = sound && q.At.Known()
		list = append(list, asked)
	}
	if !sound {
		return nil
	}
	var err error
	r.plan.Profile, err = level.List(list, l.Beyond)
	return err
}

func (r *reader) levelCurve(c curveText) error {
	if c.CSV != "" && len(c.Points) > 0 {
		return fmt.Errorf("the curve is given by points and by a file: keep one")
	}
	var out curve.Curve[rf.Current]
	var err error
	if c.CSV != "" {
		out, err = r.curveOfFile(c)
	} else {
		var points []curve.Point[rf.Current]
		for f, i := range c.Points {
			points = append(points, curve.Point[rf.Current]{At: f, Value: i})
		}
		out, err = curve.New(points, "the level's curve")
	}
	if err != nil {
		return err
	}
	r.plan.Profile, err = level.OwnCurve(out)
	return err
}

// curveOfFile reads a curve of current from a CSV file.
func (r *reader) curveOfFile(text curveText) (curve.Curve[rf.Current], error) {
	name := text.CSV
	data, err := r.read(name)
	if err != nil {
		return curve.Curve[rf.Current]{}, fmt.Errorf("read the level's curve: %w", err)
	}
	r.plan.Files[name] = data
	c, wrong := trace.Curve[rf.Current](name, data, text.Units.Declared())
	r.more = append(r.more, wrong...)
	if wrong.Err() != nil {
		return c, fmt.Errorf("the level's curve %s cannot be used; its problems are listed with it", name)
	}
	return c, nil
}

// grid reads the frequencies.
func (r *reader) grid() {
	var parts []level.Grid
	total := 0
	sound := r.first()
	r.plan.Stretches = []Stretch{}
	for i, s := range r.file.Grid {
		g, err := s.grid()
		if err == nil {
			var f []rf.Frequency
			f, err = g.Frequencies()
			total += len(f)
			if len(s.List) == 0 {
				r.plan.Stretches = append(r.plan.Stretches, stretchesOf(f)...)
			}
		}
		if total > level.MaximumFrequencies {
			r.problem("grid", "use wider steps, or several plans",
				"the segments of the grid have more than %d frequencies together", level.MaximumFrequencies)
			return
		}
		if err != nil {
			r.problem(fmt.Sprintf("grid[%d]", i), "", "%v", err)
			continue
		}
		parts = append(parts, g)
	}
	if len(parts) == 0 || len(parts) < len(r.file.Grid) || !sound {
		return
	}
	all := level.GridUnion(parts...)
	frequencies, err := all.Frequencies()
	if err == nil {
		for i, f := range r.plan.First { // findings and files tell a frequency to a hertz or seven digits
			r.plan.First[i] = gridOf(frequencies, f)
		}
		for _, f := range harmonicsOf(r.file.Clocks, spansOf(r.plan.Stretches), frequencies) {
			r.plan.First = alsoNamed(r.plan.First, f, crystal)
		}
		frequencies, err = level.GridUnion(all, level.GridList(r.plan.First...)).Frequencies()
	}
	if err != nil {
		r.problem("grid", "", "%v", err)
		return
	}
	r.plan.Grid, r.plan.GridText = frequencies, all.String()
}

// asWritten is how far a frequency may lie from one of the grid and be that one, written with seven digits.
const asWritten = 1e-6

// gridOf is the frequency of a grid, ascending, that one stands for; the frequency itself where there is none.
func gridOf(grid []rf.Frequency, f rf.Frequency) rf.Frequency {
	i, _ := slices.BinarySearch(grid, f)
	for _, k := range []int{i - 1, i} {
		if k >= 0 && k < len(grid) && math.Abs(float64(grid[k]/f)-1) <= asWritten {
			return grid[k]
		}
	}
	return f
}

// first reads what is visited before all others; false where something is wrong with it.
func (r *reader) first() (sound bool) {
	list := r.file.First
	r.plan.First, sound = slices.Clone(list), !r.doc.TroubleBelow("first") && !r.doc.TroubleBelow("clocks")
	for i, f := range list {
		if slices.ContainsFunc(list[:i], func(g rf.Frequency) bool {
			return f.Known() && math.Abs(float64(g/f)-1) <= 2*sameFrequency
		}) {
			r.problem(fmt.Sprintf("first[%d]", i), "take one of them out", "%v is in the list twice", f)
			sound = false
		}
	}
	return sound
}

func (s segment) grid() (level.Grid, error) {
	ends := s.From.Known() || s.To.Known()
	switch {
	case len(s.List) > 0 && !ends && len(s.Around) == 0 && s.Step == "" && s.Span == "" && s.StepsOf == "":
		return level.GridList(s.List...), nil
	case len(s.List) > 0:
		return level.Grid{}, fmt.Errorf("a segment with a list has nothing else in it")
	case len(s.Around) > 0 && !ends && s.StepsOf == "":
		return s.around()
	case len(s.Around) > 0:
		return level.Grid{}, fmt.Errorf("a segment around frequencies has span and step, and neither from nor to")
	case s.Span != "":
		return level.Grid{}, fmt.Errorf("span belongs to a segment around frequencies")
	case !s.From.Known() || !s.To.Known():
		return level.Grid{}, fmt.Errorf("the segment needs from and to, or a list, or around")
	case s.StepsOf != "" && s.Step != "":
		return level.Grid{}, fmt.Errorf("the segment has both step and steps_of")
	case s.StepsOf != "":
		rule, err := level.LookupSteps(s.StepsOf)
		if err != nil {
			return level.Grid{}, err
		}
		return rule.Grid(s.From, s.To)
	case s.Step == "":
		return level.Grid{},
			fmt.Errorf(`the segment has no step: write "1 %%", "100 per decade", "50 kHz", or steps_of with a rule`)
	}
	if n, ok := strings.CutSuffix(strings.TrimSpace(s.Step), "per decade"); ok {
		steps, err := strconv.Atoi(strings.TrimSpace(n))
		if err != nil {
			return level.Grid{}, fmt.Errorf("step %q: write a whole number per decade, for example 100 per decade",
				s.Step)
		}
		return level.GridPerDecade(s.From, s.To, steps), nil
	}
	share, hertz, err := shareOrHertz("step", s.Step)
	if err != nil {
		return level.Grid{}, err
	}
	if hertz.Known() {
		return level.GridLinear(s.From, s.To, hertz), nil
	}
	return level.GridPercent(s.From, s.To, share), nil
}

func (s segment) around() (level.Grid, error) {
	span, spanHertz, err := shareOrHertz("span", s.Span)
	if err != nil {
		return level.Grid{}, err
	}
	step, stepHertz, err := shareOrHertz("step", s.Step)
	if err != nil {
		return level.Grid{}, err
	}
	switch {
	case spanHertz.Known() != stepHertz.Known():
		return level.Grid{}, fmt.Errorf("span %q and step %q must both be shares of frequency or both be in hertz",
			s.Span, s.Step)
	case spanHertz.Known():
		return level.GridAroundLinear(s.Around, spanHertz, stepHertz), nil
	}
	return level.GridAround(s.Around, span, step), nil
}

// shareOrHertz reads "1 %" or "50 kHz".
func shareOrHertz(what, text string) (rf.Fraction, rf.Frequency, error) {
	if strings.TrimSpace(text) == "" {
		return 0, 0, fmt.Errorf(`the segment has no %s: write "1 %%" or "50 kHz"`, what)
	}
	if strings.HasSuffix(strings.TrimSpace(text), "%") {
		var share rf.Fraction
		err := share.UnmarshalText([]byte(text))
		return share, 0, err
	}
	f, err := rf.ParseFrequency(text)
	if err != nil {
		return 0, 0, fmt.Errorf("%s: %w", what, err)
	}
	return 0, f, nil
}

// modulation reads it, or takes the level's usual one.
func (r *reader) modulation() {
	p := r.plan
	if !r.doc.Has("modulation") {
		p.Modulation = level.Modulation{Kind: level.CW}
		if p.Kind != Calibration && len(p.Profile.Modulations) > 0 {
			p.Modulation = p.Profile.Modulations[0]
		}
		return
	}
	m, err := level.ParseModulation(r.file.Modulation)
	if err != nil {
		r.problem("modulation", `for example "CW", "AM 80 % 1 kHz", "AM 80 % 1 kHz peak held", "pulse 1 kHz 50 %"`,
			"%v", err)
		return
	}
	p.Modulation = p.Profile.Convention(m)
}

// times reads dwell, settling and the other durations.
func (r *reader) times() {
	p, f := r.plan, &r.file
	p.Dwell, p.Settle, p.RecoverWithin, p.DeadMan = f.Dwell, f.Settle, f.RecoverWithin, f.DeadMan
	if !r.doc.Has("dwell") {
		p.Dwell = DefaultDwell
		for _, id := range p.Profile.Steps {
			if rule, err := level.LookupSteps(id); err == nil {
				p.Dwell = max(p.Dwell, rule.Dwell)
				break
			}
		}
	}
	r.durationWithin("dwell", p.Dwell, rf.Duration(1e6), rf.Duration(3600*1e9))
	r.durationWithin("settle", p.Settle, 0, rf.Duration(60*1e9))
	r.durationWithin("recover_within", p.RecoverWithin, rf.Duration(1e6), rf.Duration(3600*1e9))
	r.durationWithin("dead_man", p.DeadMan, rf.Duration(50*1e6), rf.Duration(60*1e9))
}

// timeLimit reads the time that the run may take.
func (r *reader) timeLimit() {
	if !r.doc.Has("time_limit") {
		return
	}
	if r.plan.Kind != Exposure && r.plan.Kind != Control {
		r.doc.Warning("time_limit", fmt.Sprintf("time_limit has no meaning in a %s run", r.plan.Kind),
			"it goes through all its frequencies")
		return
	}
	r.plan.TimeLimit = r.file.TimeLimit
	r.durationWithin("time_limit", r.plan.TimeLimit, shortestLimit, rf.Duration(24*3600*1e9))
}

func (r *reader) durationWithin(path string, d, low, high rf.Duration) {
	if (d < low || d > high) && !r.doc.TroubleBelow(path) {
		r.problem(path, "", "%s of %v is not between %v and %v", path, d, low, high)
	}
}

// search reads how thresholds are found.
func (r *reader) search() {
	p, s := r.plan, r.file.Search
	p.Search = Search{
		Onset: s.Onset, Recovery: s.Recovery, Resolution: s.Resolution, Range: s.Range, Approach: s.Approach,
		Confirm: int(s.Confirm), Window: s.Window, EdgeUpsetOnly: !s.EdgeOnset,
		Ungraded: !s.Graded,
	}
	p.Edges = r.file.Edges
	if p.Kind == Control && !r.doc.Has("search.onset") {
		p.Search.Onset = false
	}
	if !p.Search.Onset && !r.doc.Has("search.recovery") {
		p.Search.Recovery = false
	}
	switch {
	case p.Kind == Baseline || p.Kind == Calibration:
		for _, key := range []string{"search", "edges"} {
			if r.doc.Has(key) {
				r.doc.Warning(key, fmt.Sprintf("%s has no meaning in a %s run", key, p.Kind),
					"it has one step per frequency")
			}
		}
		p.Edges = 0
	case p.Search.Recovery && !p.Search.Onset:
		r.problem("search.recovery", "set onset: true too",
			"the recovery level is looked for from the onset down, and the onset is not looked for")
	case p.Kind == Control && !p.Search.Onset && r.doc.Has("edges"):
		r.doc.Warning("edges", "the edges of bands are not narrowed in a control run without onset search", "")
	}
	r.gainWithin("search.resolution", s.Resolution, 0.05, 6)
	r.gainWithin("search.range", s.Range, 1, 80)
	r.gainWithin("search.approach", s.Approach, 0.05, 20)
	r.gainWithin("search.window", s.Window, 0.5, 20)
	if s.Range < s.Resolution {
		r.problem("search.range", "", "the range of %s is less than the resolution of %s", s.Range.Text(2),
			s.Resolution.Text(2))
	}
	if s.Approach < s.Resolution {
		r.problem("search.approach", "", "the approach of %s is less than the resolution of %s", s.Approach.Text(2),
			s.Resolution.Text(2))
	}
	if s.Confirm > 20 {
		r.problem("search.confirm", "", "%d confirmations are more than 20", s.Confirm)
	}
	r.random()
	if r.doc.Has("edges") && !(p.Edges >= 1e-6 && p.Edges <= 0.5) && p.Kind != Baseline && p.Kind != Calibration {
		r.problem("edges", "leave the key out to keep the grid as it is",
			"the width of the edges must be between 0.0001 %% and 50 %%")
	}
}

// random reads the search for random thresholds and the check point for drift.
func (r *reader) random() {
	p, s := r.plan, r.file.Search
	p.Search.Method, p.Search.IfRandom, p.Search.Trials = Method(s.Method), Method(s.IfRandom), int(s.Trials)
	p.Search.Probability, p.Search.Step, p.Search.Below = s.Probability, s.Step, s.Below
	counted := p.Search.Method.Random() || p.Search.Method == Repeated || p.Search.IfRandom.Random()
	switch {
	case p.Search.IfRandom != "" && !p.Search.IfRandom.Random():
		r.problem("search.if_random", "write staircase or adaptive",
			"if_random must be a search for a random threshold")
	case p.Search.IfRandom != "" && p.Search.Method != "" && p.Search.Method != Bracket:
		r.problem("search.if_random", "leave one of them out",
			"if_random belongs to the bracket search, and the method is %s", p.Search.Method)
	case p.Search.IfRandom != "" && p.Search.Confirm == 0:
		r.problem("search.if_random", "set confirm: 1 or more", "without a confirmation a random onset is not noticed")
	case (counted || p.Search.Method != "") && !p.Search.Onset && p.Kind != Baseline && p.Kind != Calibration:
		r.problem("search.method", "set onset: true", "a search without onset has no method")
	}
	for _, key := range []string{"trials", "probability", "step", "below"} {
		if r.doc.Has("search."+key) && (!counted || key == "below" && p.Search.Method != Repeated) {
			r.doc.Warning("search."+key, fmt.Sprintf("search.%s has no meaning here", key),
				"it belongs to method: staircase, adaptive or repeat, or to if_random")
		}
	}
	if r.doc.Has("search.trials") && (s.Trials < 2 || s.Trials > 1000) {
		r.problem("search.trials", "30 is usual; fewer than 20 leave wide limits",
			"%d exposures are not between 2 and 1000", s.Trials)
	}
	if r.doc.Has("search.probability") {
		if _, err := p.Search.Rule(); err != nil {
			r.problem("search.probability", "", "%v", err)
		}
	}
	if r.doc.Has("search.step") {
		r.gainWithin("search.step", s.Step, s.Resolution, 6)
	}
	if r.doc.Has("search.below") {
		r.gainWithin("search.below", s.Below, 0, s.Range)
	}
	r.drift()
	p.Search = p.Search.Filled()
}

func (r *reader) drift() {
	f := r.file.Drift
	if !r.doc.Has("drift_check") {
		return
	}
	d := Drift{At: f.At, Below: f.Below, Every: int(f.Every)}
	if !r.doc.Has("drift_check.below") {
		d.Below = 20
	}
	if !r.doc.Has("drift_check.every") {
		d.Every = 50
	}
	r.gainWithin("drift_check.below", d.Below, 3, 60)
	on := false
	for _, g := range r.plan.Grid {
		on = on || g == d.At
	}
	switch {
	case d.At.Known() && len(r.plan.Grid) > 0 && !on:
		r.problem("drift_check.at", "take one of the grid, or add it with a segment {list: [...]}",
			"the check point %v is not a frequency of the grid", d.At)
	case d.Every < 1:
		r.problem("drift_check.every", "every: 50 visits it after every 50 frequencies",
			"the check point must be visited after a number of frequencies")
	case r.plan.Kind == Baseline:
		r.doc.Warning("drift_check", "a baseline has no RF, so nothing is checked for drift", "")
	default:
		r.plan.Drift = d
	}
}

// limits reads levelling, first light and the trip.
func (r *reader) limits() {
	p, f := r.plan, &r.file
	p.Levelling = Levelling{Window: f.Levelling.Window, AboveBudget: f.Levelling.AboveBudget,
		Ceiling: f.Levelling.Ceiling}
	p.Decision, p.OverTest = f.Decision, strings.TrimSpace(f.OverTest)
	if p.OverTest != "" && !strings.HasPrefix(p.OverTest, "accepted by ") {
		r.problem("over_test", "over_test: accepted by the name of who may decide what the product is exposed to",
			"%q does not say who accepted it", p.OverTest)
	}
	p.FirstLightBelow, p.FirstLightAllowed, p.TripAbove = f.FirstLight.Below, f.FirstLight.Allowed, f.TripAbove
	r.gainWithin("levelling.window", p.Levelling.Window, 0.05, 0.5)
	r.gainWithin("levelling.above_budget", p.Levelling.AboveBudget, 0, 20)
	r.gainWithin("levelling.forward_ceiling", p.Levelling.Ceiling, 0, 20)
	r.gainWithin("first_light.below", p.FirstLightBelow, 6, 60)
	r.gainWithin("first_light.allowed", p.FirstLightAllowed, 0.5, 20)
	r.gainWithin("trip_above", p.TripAbove, 0.5, 20)
	if p.Mode == ConstantDrive && r.doc.Has("levelling") {
		r.doc.Warning("levelling", "levelling has no meaning in constant drive", "")
	}
}

func (r *reader) gainWithin(path string, g, low, high rf.Gain) {
	if !(g >= low && g <= high) {
		r.problem(path, "", "%s of %v is not between %v and %v", path[strings.LastIndexByte(path, '.')+1:], g.Text(2),
			low.Text(2), high.Text(2))
	}
}

// monitors reads what is changed for this run.
func (r *reader) monitors() {
	for id, m := range r.file.Monitors {
		c := MonitorChange{Silence: m.Silence, Latency: m.Latency}
		if m.Tolerance != "" {
			number, unit, _ := strings.Cut(strings.TrimSpace(m.Tolerance), " ")
			x, err := strconv.ParseFloat(strings.Replace(number, ",", ".", 1), 64)
			if err != nil || !(x > 0) || math.IsInf(x, 0) || strings.TrimSpace(unit) == "" {
				r.problem("monitors."+id+".tolerance",
					"write a number above zero and the monitor's unit, for example 0.1 kg",
					"tolerance %q is not understood", m.Tolerance)
				continue
			}
			c.Tolerance, c.ToleranceUnit = x, strings.TrimSpace(unit)
		}
		if r.plan.Monitors == nil {
			r.plan.Monitors = map[string]MonitorChange{}
		}
		r.plan.Monitors[id] = c
	}
}

// MonitorsOf returns the monitors of a bench as this plan changes them. A change of a monitor that the
// bench does not have, or in another unit, is a problem.
func (p *Plan) MonitorsOf(b *catalog.Bench) ([]catalog.Monitor, problem.List) {
	out := append([]catalog.Monitor(nil), b.Monitors...)
	var wrong problem.List
	at := map[string]int{}
	for i, m := range out {
		at[m.ID] = i
	}
	ids := make([]string, 0, len(p.Monitors))
	for id := range p.Monitors {
		ids = append(ids, id)
	}
	sort.Strings(ids)
	for _, id := range ids {
		c := p.Monitors[id]
		i, ok := at[id]
		if !ok {
			wrong = append(wrong, problem.Problem{File: p.File,
				What: fmt.Sprintf("the plan changes the monitor %q, which bench %s does not have", id, b.File)})
			continue
		}
		m := &out[i]
		if c.Tolerance > 0 {
			if c.ToleranceUnit != m.Unit {
				wrong = append(wrong, problem.Problem{File: p.File,
					What: fmt.Sprintf("the tolerance of monitor %q is given in %s, but it counts in %s", id,
						c.ToleranceUnit, m.Unit)})
			}
			m.Tolerance = c.Tolerance
		}
		if c.Silence > 0 {
			m.Silence = c.Silence
		}
		if c.Latency > 0 {
			m.Latency = c.Latency
		}
	}
	return out, wrong
}

// hash is the SHA-256 of the plan's bytes followed by those of every file it names, in the order of
// their names.
func (r *reader) hash() string {
	h := sha256.New()
	h.Write(r.plan.Bytes)
	names := make([]string, 0, len(r.plan.Files))
	for name := range r.plan.Files {
		names = append(names, name)
	}
	sort.Strings(names)
	for _, name := range names {
		h.Write(r.plan.Files[name])
	}
	return hex.EncodeToString(h.Sum(nil))
}
