package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/run/engine"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// What the strip and the live page say about RF. The machine's word goes into data-rf and chooses
// sign and colour; the words are for people.
const (
	rfOn      = "on"
	rfOff     = "off"
	rfUnknown = "unknown" // not known to be off
	rfMaybe   = "maybe"   // somebody else drives the bench
)

// liveView is the state of a run as the page shows it: strings, and the few numbers that are drawn.
// It is a function of the fold, of what the runner says and of the time: see liveOf.
type liveView struct {
	Run   int    `json:"run"`
	Title string `json:"title"`
	// RF is the machine's word, RFWords the large one.
	RF      string `json:"rf"`
	RFWords string `json:"rfWords"`
	Doing   string `json:"doing"`
	// DUT is "well", "upset" or "" where nothing is known.
	DUT      string     `json:"dut"`
	DUTWords string     `json:"dutWords"`
	DUTWhy   string     `json:"dutWhy"`
	Monitors []monitorV `json:"monitors"`
	// Alarm is a danger that a person has to do something about now; empty when there is none.
	Alarm string `json:"alarm"`
	at    string // the frequency of the step that is being done, RF on or off
	hint  string // what a person should do, where nothing is dangerous; it stands under the largest figure

	// Prompt is what a person at the bench is asked to do; nil for nothing. Cannot says that provoke
	// cannot switch RF off by itself here, and what can.
	Prompt *promptV `json:"prompt"`
	Cannot string   `json:"cannot"`

	// Large is the largest figure of the page: the frequency while RF is on, else the state of RF. Label stands over
	// it, Tab is the title of the browser's tab.
	Large string `json:"large"`
	Label string `json:"label"`
	Below string `json:"below"`
	Tab   string `json:"tab"`

	Frequency  string `json:"frequency"`
	Modulation string `json:"modulation"`
	Drive      string `json:"drive"`
	Setting    string `json:"setting"` // the drive as the generator counts it
	// Current is what was read last of the level that is on the cable now; CurrentOld says that it is too old to count
	// as now. Read says when it was read, or what the budget says where nobody reads it.
	Current    string `json:"current"`
	CurrentOld bool   `json:"currentOld"`
	Read       string `json:"read"`
	Aim        string `json:"aim"` // in mA, against target and level wanted
	Forward    string `json:"forward"`
	Reverse    string `json:"reverse"`
	Search     string `json:"search"`
	Between    string `json:"between"`
	// Nearest are the ratings with the least headroom, by the budget at this drive.
	Nearest []nearV `json:"nearest"`

	DwellLeft  string  `json:"dwellLeft"`
	DwellShare float64 `json:"dwellShare"` // 0 to 1 of the dwell that is over

	Done     int    `json:"done"`
	Known    int    `json:"known"`
	Progress string `json:"progress"`
	Left     string `json:"left"`
	Counts   string `json:"counts"`

	Ended   bool   `json:"ended"`
	Verdict string `json:"verdict"`
	Here    bool   `json:"here"` // this program does the run
	Held    bool   `json:"held"`
	// Watcher is what the second process did and measured after the program was gone; empty for nothing.
	Watcher string `json:"watcher"`
	At      string `json:"at"` // when this was true, HH:MM:SS
	// Loop is what a run of the fixing loop is at; nil for another kind.
	Loop *loopView `json:"loop,omitempty"`
}

// promptV is what a person is asked to set, to switch or to read.
type promptV struct {
	Number     int      `json:"number"`
	Title      string   `json:"title"`
	Instrument string   `json:"instrument"`
	Lines      []string `json:"lines"`
	Doubt      string   `json:"doubt"`
	Wants      string   `json:"wants"`
	// Plain: an empty answer is one, as Enter is at a terminal.
	Plain bool `json:"plain"`
}

// monitorV is one monitor's newest look.
type monitorV struct {
	ID        string  `json:"id"`
	Reading   string  `json:"reading"`
	Away      string  `json:"away"` // from the baseline
	Tolerance string  `json:"tolerance"`
	Verdict   string  `json:"verdict"`
	Bad       bool    `json:"bad"`
	Place     float64 `json:"place"` // −1 to 1: in the tolerance; clipped at ±2
	HasPlace  bool    `json:"hasPlace"`
}

// nearV is one rating and what is left to it.
type nearV struct {
	Name  string `json:"name"`
	Left  string `json:"left"`
	Share int    `json:"share"` // of the bar, see barOf
	Near  bool   `json:"near"`
	Over  bool   `json:"over"`
}

// underway is what the runner says of a run at a moment.
type underway struct {
	Here   bool // this program does the run
	Status engine.Status
	Looks  []engine.Look // newest of each monitor
	Began  time.Time
	// Chain and Fixture are the bench that is used; Low and High the span that the run is to expose.
	Chain     *chain.Chain
	Fixture   catalog.Fixture
	Low, High rf.Frequency
	// Loop is the state of a run of the fixing loop; nil for another kind.
	Loop *fixing.Loop
	// Elsewhere: another program writes the job.
	Elsewhere bool
	Failed    string
	// Left is what a watcher left, Quiet when “RF off” last read the bench back; zero for never.
	Left  *Left
	Quiet time.Time
}

// liveOf says what a run is doing. r is nil when there is no run.
func liveOf(r *result.Run, u underway, now time.Time) (v liveView) {
	v = liveView{RF: rfOff, RFWords: "RF off", At: now.Format("15:04:05"), DUTWords: notWatched, DwellLeft: "–"}
	v.nothing()
	defer func() { v.headline(); v.hands(u.Status.HandsHow) }()
	if r == nil {
		v.Doing, v.Ended = "no run yet", true
		if u.Failed != "" {
			v.hint = "the last run could not begin: " + u.Failed
		}
		return v
	}
	v.Run, v.Title, v.Here = r.Number, r.Opened.Label, u.Here
	if v.Title == "" {
		v.Title = string(r.Opened.RunKind)
	}
	if !r.Ended() && (u.Here || u.Elsewhere) {
		v.levels(r, u, now)
	}
	v.progress(r, u, now)
	v.dut(r, u, now)
	v.rf(r, u)
	v.dwell(u, now)
	if u.Loop != nil {
		v.follow(r, u, now)
	}
	return v
}

// notWatched is what is said of a product that nobody reads now.
const notWatched = "product not watched"

// oldLook is how old a look may be and count as one of now.
const oldLook = 10 * time.Second

// nothing is what the numbers are while nobody measures: what was read last would look live.
func (v *liveView) nothing() {
	for _, f := range []*string{&v.Frequency, &v.Modulation, &v.Drive, &v.Current, &v.Forward, &v.Reverse, &v.Search} {
		*f = "–"
	}
}

// headline fills in what stands largest, and in the tab.
func (v *liveView) headline() {
	v.Large, v.Label, v.Below, v.Tab = v.RFWords, v.Title, v.Doing, v.RFWords
	if v.Run > 0 {
		v.Label = fmt.Sprintf("run %d, %s", v.Run, v.Title)
	}
	if v.RF == rfOn {
		v.Label, v.Below = "RF ON, "+v.Doing, v.Modulation
		if v.Frequency != "–" {
			v.Large, v.Tab = short(v.Frequency), "RF ON "+v.Frequency
		}
	}
	switch {
	case v.Ended && v.Run > 0 && v.RF == rfOff:
		v.Large, v.Label = v.Verdict, v.Label+" · RF off"
		v.Below = strings.TrimPrefix(strings.TrimPrefix(v.Below, v.Verdict), ": ")
	case v.RF == rfOff && v.at != "":
		v.Below += ", at " + v.at
	}
	if v.hint != "" {
		v.Below = strings.TrimPrefix(strings.TrimSuffix(v.Below, ".")+". "+v.hint, ". ")
	}
}

// rf says whether RF is on, and what is being done.
func (v *liveView) rf(r *result.Run, u underway) {
	switch {
	case r.Ended():
		v.end(r)
	case u.Here:
		v.Doing = u.Status.Phase
		v.Held = strings.HasPrefix(u.Status.Phase, "held")
		v.Cannot = u.Status.CannotSwitchOff
		if p := u.Status.Prompt; p != nil {
			v.Prompt = &promptV{p.Number, p.Title, p.Instrument, p.Lines, p.Doubt, p.Wants,
				strings.HasPrefix(p.Wants, "Enter")}
		}
		if u.Status.RFOn {
			v.RF, v.RFWords = rfOn, "RF ON"
		}
		if r.State == result.Tripped {
			v.Doing, v.Alarm = "tripped: "+r.StopCause, "RF is being switched off. Find the cause before you arm again."
		}
		if strings.HasPrefix(u.Status.Phase, "RF off:") {
			v.hint = "Reset or power-cycle the product; the run goes on when it is well."
		}
		if v.Held {
			v.hint = "Held with RF off. “Go on” takes the run up again."
		}
	case u.Elsewhere:
		v.RF, v.RFWords, v.Doing = rfMaybe, "RF may be on", "another program does this run; this page reads its journal"
		v.Held = r.State == result.Holding
	default:
		v.RF, v.RFWords, v.Doing = rfUnknown, event.RFAlarm, "the program that did this run ended in the middle of it"
		if f := r.Now.Frequency; f.Known() {
			v.Doing += ", at " + f.String()
		}
		v.Alarm = "Press “RF off” to silence the bench and read it back. Where that fails: " + event.TakeRFAway
		v.left(r, u)
	}
}

// left says what is known of the bench of a run that was cut off: what its watcher did, and whether somebody has read
// the bench back since.
func (v *liveView) left(r *result.Run, u underway) {
	l := u.Left
	if l != nil && (l.Run != r.Number || l.At.Before(r.OpenedAt)) {
		l = nil // about another job that had this name
	}
	if l == nil && r.Safed != nil && r.Safed.By != "" {
		l = &Left{At: r.LastAt, Begun: true, Done: true, Safed: *r.Safed}
	}
	if l != nil {
		v.Doing += ". " + l.words()
		if len(l.Steps) > 0 {
			v.Watcher = event.Printable("What its watcher did: " + strings.Join(stepWords(l.Steps), "; ") + ".")
		}
	}
	if u.Quiet.After(r.LastAt) {
		v.RF, v.RFWords, v.Alarm = rfOff, "RF off", ""
		v.Doing = "read back at " + u.Quiet.Format("15:04:05") + " by “RF off”; " + v.Doing
	}
}

// words tell in a sentence what a watcher did and measured.
func (l *Left) words() string {
	at := l.At.Local().Format("15:04:05")
	switch {
	case !l.Begun:
		return "Its watcher is still there and has not acted yet."
	case !l.Done:
		return event.Printable(fmt.Sprintf("Its watcher began to silence the bench at %s (%s) and has not said how "+
			"that ended.", at, l.Cause))
	}
	did := "tried to silence the bench"
	if l.Quiet {
		did = "silenced the bench"
	}
	return event.Printable(fmt.Sprintf("Its watcher %s at %s, within %v (%s): RF %s.", did, at, l.Took, l.Cause,
		l.How))
}

func (v *liveView) end(r *result.Run) {
	v.Ended, v.Verdict, v.Doing = true, string(r.Verdict), string(r.Verdict)
	if r.Why != "" && !strings.HasPrefix(v.Verdict, r.Why) {
		v.Doing += ": " + r.Why
	}
	switch {
	case r.Verdict == event.RFNotKnownOff || r.RFNotKnownOff():
		v.RF, v.RFWords, v.Doing = rfUnknown, event.RFAlarm, r.Why
		v.Alarm = event.TakeRFAway
	case r.Verdict.Kind() == event.TrippedEnd:
		v.hint = "Find the cause of the trip before you arm again: " + r.StopCause
	}
}

// figure is a quantity that is shown large: its unit is smaller.
type figure struct{ Number, Unit string }

// short brings a frequency to five digits, which are read from afar.
func short(text string) string {
	f := figureOf(text)
	if x, err := strconv.ParseFloat(f.Number, 64); err == nil && f.Unit != "" {
		return strconv.FormatFloat(x, 'g', 5, 64) + " " + f.Unit
	}
	return text
}

// figureOf splits a quantity; words stay whole.
func figureOf(text string) figure {
	if i := strings.LastIndexByte(text, ' '); i > 0 && strings.ContainsAny(text[:i], "0123456789") {
		return figure{text[:i], text[i+1:]}
	}
	return figure{Number: text}
}

// levels fills in what is on the cable. While RF is off nothing is, and nothing is shown.
func (v *liveView) levels(r *result.Run, u underway, now time.Time) {
	p := r.Now.Step.Point
	offset, frequency := r.Now.Step.Offset, r.Now.Frequency
	if u.Here {
		p, offset, frequency = u.Status.Step.Point, u.Status.Step.Offset, u.Status.Frequency
	}
	v.Search = blank(string(u.Status.Step.Purpose), u.Here && u.Status.Step.Purpose != "")
	v.Between = between(r, p.Frequency)
	if r.Opened.RunKind == plan.Baseline {
		v.Aim, v.Search = "this run has no RF", "–"
		return
	}
	v.Aim = aim(u, p, p.Target.Add(offset))
	if u.Elsewhere { // the journal says what the step under way is to reach, and nothing of now
		v.Frequency = blank(frequency.String(), frequency.Known())
		v.Read = "read by the other program"
		return
	}
	if u.Here && frequency.Known() {
		v.at = frequency.String()
	}
	if !u.Here || !u.Status.RFOn {
		return
	}
	s := u.Status
	v.Frequency, v.Drive = blank(s.Frequency.String(), s.Frequency.Known()), shown(s.Drive)
	v.Modulation = s.Modulation.String()
	v.Current, v.Forward, v.Reverse = shown(s.Current), shown(s.Forward), shown(s.Reverse)
	if age := now.Sub(s.CurrentAt); s.Current.Known() && !s.CurrentAt.IsZero() {
		v.Read = fmt.Sprintf("read %.1f s ago", max(0, age.Seconds()))
		v.CurrentOld = age > oldLook
	}
	v.chain(u)
}

// chain fills in what the budget says of the drive that is set.
func (v *liveView) chain(u underway) {
	s := u.Status
	if u.Chain == nil || !s.Drive.Known() || !s.Frequency.Known() {
		return
	}
	v.Setting = u.Chain.Bench().Source.Setting(s.Drive)
	p, err := u.Chain.Predict(s.Frequency, s.Drive, chain.CrestOf(s.Modulation), u.Fixture)
	if err != nil {
		return
	}
	if v.Read == "" {
		v.Read = fmt.Sprintf("not read; by the budget %v, %v to %v", p.Current, p.Low, p.High)
	}
	nodes := slices.Clone(p.Nodes)
	nodes = slices.DeleteFunc(nodes, func(n chain.Node) bool { return !n.Headroom.Finite() })
	slices.SortStableFunc(nodes, func(a, b chain.Node) int { return cmp.Compare(a.Headroom, b.Headroom) })
	for _, n := range nodes[:min(3, len(nodes))] {
		v.Nearest = append(v.Nearest, nearV{Name: n.ID + ", " + n.Place, Left: headroom(n), Share: barOf(n.Headroom),
			Near: n.Headroom < nearTo, Over: !n.Within})
	}
}

// aim holds the current against what the step is to reach and what the plan wants.
func aim(u underway, p plan.Point, target rf.Current) string {
	var out []string
	s := u.Status
	on := u.Here && s.RFOn && s.Current.Known()
	if on {
		out = append(out, s.Current.Linear())
	}
	if target.Known() {
		out = append(out, "target "+target.String())
	}
	if w := p.Wanted.Current; w.Known() {
		text := "wanted " + w.String()
		if below, b := w.Minus(s.Current); on && b == rf.Exactly && below > 0.05 {
			text += fmt.Sprintf(" (%v below)", below)
		}
		out = append(out, text)
	}
	return strings.Join(out, " · ")
}

// between says what is known of the onset at a frequency of a run that goes on.
func between(r *result.Run, at rf.Frequency) string {
	stood, upset := rf.Current{}, rf.Current{}
	if p := r.Point(at); p != nil {
		for _, st := range p.Steps {
			current, _ := st.Level()
			switch {
			case st.Outcome.Skipped || !current.Known():
			case st.Outcome.Upset && (!upset.Known() || upset.Above(current)):
				upset = current
			case !st.Outcome.Upset && (!stood.Known() || current.Above(stood)):
				stood = current
			}
		}
	}
	switch {
	case stood.Known() && upset.Known():
		return fmt.Sprintf("stood %v, upset %v", stood, upset)
	case stood.Known():
		return fmt.Sprintf("stood %v", stood)
	case upset.Known():
		return fmt.Sprintf("upset %v", upset)
	}
	return "nothing exposed here yet"
}

func shown[U rf.Unit](l rf.Level[U]) string { return l.String() }

func blank(text string, known bool) string {
	if !known {
		return "–"
	}
	return text
}

func (v *liveView) progress(r *result.Run, u underway, now time.Time) {
	v.Known, v.Done = r.Opened.Points, r.Frequencies()
	if u.Here && u.Status.Known > 0 {
		v.Known, v.Done = u.Status.Known, u.Status.Done
	}
	v.Known = max(v.Known, v.Done)
	one, many, upset, exposed := "frequency", "frequencies", r.Upsets, r.Exposures
	if r.Opened.RunKind == plan.FreeSweepRun {
		one, many, upset, exposed = "pass", "passes", 0, len(r.Passes)
		v.Done, v.Known = len(r.Passes), max(v.Known, len(r.Passes))
		for _, p := range r.Passes {
			upset += len(p.Upsets)
		}
	}
	if kind := r.Verdict.Kind(); r.Ended() && kind != event.Stopped && kind != event.TimeUp {
		v.Progress = fmt.Sprintf("%s exposed", english.Count(v.Done, one, many))
	} else {
		v.Progress = fmt.Sprintf("%d of %s", v.Done, english.Count(v.Known, one, many))
	}
	if u.Here && v.Done > 3 && v.Known > v.Done && !u.Began.IsZero() {
		each := now.Sub(u.Began) / time.Duration(v.Done)
		v.Left = "about " + rf.Duration((each * time.Duration(v.Known-v.Done)).Round(time.Second)).String() + " left"
	}
	if limit := u.Status.TimeLeft(now); u.Here && limit != "" {
		v.Left = limit
	}
	v.Counts = fmt.Sprintf("%d of %s upset", upset, english.Count(exposed, "exposure", "exposures"))
	switch r.Opened.RunKind {
	case plan.Baseline:
		v.Counts = english.Count(r.Upsets, "false alarm", "false alarms") + ", " + english.Count(exposed, "exposure",
			"exposures")
	case plan.FreeSweepRun:
		v.Counts = english.Count(upset, "upset", "upsets") + ", " + english.Count(exposed, "pass", "passes")
	}
}

// dut says how the product is, from the newest look of every monitor.
func (v *liveView) dut(r *result.Run, u underway, now time.Time) {
	for _, look := range u.Looks {
		m := monitorOf(r, look)
		old := now.Sub(look.At) > oldLook
		if old && look.Monitor == engine.OperatorMonitor {
			continue // a mark is no reading that should come again
		}
		if old {
			m.Verdict = "no reading since " + look.At.Local().Format("15:04:05")
			v.Monitors, v.DUTWhy = append(v.Monitors, m), m.ID+": "+m.Verdict
			continue
		}
		v.Monitors = append(v.Monitors, m)
		if v.DUT == "" {
			v.DUT = "well"
		}
		if m.Bad {
			v.DUT, v.DUTWhy = "upset", look.Monitor+": "+look.Why
		}
	}
	if u.Here && strings.HasPrefix(u.Status.Phase, "upset") {
		v.DUT = "upset"
	}
	if r.Ended() {
		v.DUT, v.DUTWhy = "", ""
	}
	if v.DUT == "" && u.Elsewhere && r.Last != nil {
		// Read from the journal: true of the step that closed last, and of nothing later.
		v.DUTWords = "well at the last step"
		if r.Last.Outcome.Upset {
			v.DUTWords, v.DUTWhy = "upset at the last step", r.Last.Note
		}
	}
	switch v.DUT {
	case "well":
		v.DUTWords = "product well"
		if v.DUTWhy == "" {
			v.DUTWhy = v.readings()
		}
	case "upset":
		v.DUTWords = "PRODUCT UPSET"
	}
}

// readings are the newest readings with their tolerances, in a line.
func (v *liveView) readings() string {
	var out []string
	for _, m := range v.Monitors {
		if m.HasPlace {
			out = append(out, m.Reading+", "+m.Away)
		}
	}
	return strings.Join(out, " · ")
}

// monitorOf words a look.
func monitorOf(r *result.Run, look engine.Look) monitorV {
	m := monitorV{ID: look.Monitor, Reading: event.Printable(strings.TrimSpace(look.Text)), Bad: look.Bad,
		Verdict: "well"}
	if look.Bad {
		m.Verdict = look.Why
	}
	var spec event.Monitor
	for _, x := range r.Monitors {
		if x.ID == look.Monitor {
			spec = x
		}
	}
	if !look.HasValue {
		return m
	}
	m.Reading = measure(look.Value, spec.Unit)
	if spec.Tolerance > 0 {
		m.Tolerance = "±" + measure(spec.Tolerance, spec.Unit)
	}
	if !spec.HasBaseline {
		return m
	}
	away := look.Value - spec.Baseline
	if fine := spec.Tolerance / 100; fine > 0 && !math.IsNaN(away) { // no digits that mean nothing
		away = math.Round(away/fine)*fine + 0 // and no -0
	}
	m.Away = fmt.Sprintf("%+.3g %s", away, spec.Unit)
	m.Tolerance = measure(spec.Baseline, spec.Unit) + " " + m.Tolerance
	if spec.Tolerance > 0 && !math.IsNaN(away) {
		m.Place, m.HasPlace = max(-2, min(2, away/spec.Tolerance)), true
	}
	return m
}

// measure prints a monitor's number with its unit.
func measure(x float64, unit string) string {
	return strings.TrimSpace(strconv.FormatFloat(x, 'g', 5, 64) + " " + unit)
}

func (v *liveView) dwell(u underway, now time.Time) {
	s := u.Status
	if !u.Here || s.DwellUntil.IsZero() || v.Ended {
		return
	}
	left := s.DwellUntil.Sub(now)
	if left < 0 {
		left = 0
	}
	v.DwellLeft = fmt.Sprintf("%.1f s", left.Seconds())
	if whole := s.DwellUntil.Sub(s.DwellFrom); whole > 0 {
		v.DwellShare = 1 - float64(left)/float64(whole)
	}
}
