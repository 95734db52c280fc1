package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type planCommand struct {
	Plan   string `arg:"" type:"existingfile" help:"Plan file."`
	Job    string `type:"existingfile" help:"Job whose calibration run a substitution replays."`
	Points bool   `help:"Print every frequency with its level, drive and ceiling."`
	JSON   bool   `name:"json" help:"Print the dry run as JSON."`
}

// Help is printed by provoke plan --help.
func (c *planCommand) Help() string {
	return `Nothing is switched on. The worst case is computed at the ceiling of every frequency, at the crest of the
modulation and at the high end of the current's stated range. Exit code 4 means that a rating refuses the plan.

--json prints {"name","file","hash","kind","mode","fixture","profile":{...},"modulation":{"text","crest","mean"},
"grid":{"text","frequencies","low","high","order"},"dwell","settle","edges","search":{...},"worst":[...],
"refusals":[...],"unreachable":[...],"duration":{"shortest","likely","longest","assumes"},
"calibration":{"run","label","at","fixture","loop_ohm","points"},"notes":[...],"problems":[...]}, and with --points "points":[{"hz","wanted","drive","ceiling","safe","limited_by","forward","current","low","high"}].`
}

// Run computes the plan on its bench and prints what it would do.
func (c *planCommand) Run(w *terminal.World) error {
	p, b, list, err := loadPlan(c.Plan)
	if err != nil {
		return err
	}
	budget := chain.New(b)
	var cal *plan.Calibrated
	if c.Job != "" && p.Mode == plan.Substitution && p.Kind != plan.Baseline && p.Kind != plan.Calibration {
		if cal, err = c.calibration(p); err != nil {
			return err
		}
	}
	checked, more := plan.Check(p, budget, cal)
	list = append(list, more...)
	d := dryRun{plan: p, bench: b, checked: checked, list: list, calibration: cal}
	if c.JSON {
		if err := terminal.PrintJSON(w.Stdout, d.shape(c.Points)); err != nil {
			return err
		}
	} else {
		terminal.OnPage(w.Stdout, func(out io.Writer) error { return d.print(out, c.Points) })
	}
	var faults problem.List
	for _, x := range list {
		if !x.Warning {
			faults = append(faults, x)
		}
	}
	if len(checked.Refusals) > 0 {
		return terminal.WithCode(terminal.ExitRefused, fmt.Errorf("refused before RF: the plan would exceed a rating\n%w", faults.Err()))
	}
	return faults.Err()
}

func (c *planCommand) calibration(p *plan.Plan) (*plan.Calibrated, error) {
	job, err := store.OpenReadOnly(c.Job)
	if err != nil {
		return nil, err
	}
	cal, err := calibrationOf(job, p)
	return cal, errors.Join(err, job.Close())
}

// dryRun is a plan with what its check found.
type dryRun struct {
	plan *plan.Plan
	// calibration is the run that a substitution replays; nil where no job was named.
	calibration *plan.Calibrated
	bench       *catalog.Bench
	checked     plan.Checked
	list        problem.List
}

func (d dryRun) print(out io.Writer, points bool) error {
	p := d.plan
	d.answer(out)
	fmt.Fprintf(out, "\n%s: dry run, nothing is switched on\n\n", p.Name)
	t := terminal.Table(out)
	row := func(name, format string, args ...any) { fmt.Fprintf(t, "%s\t%s\n", name, fmt.Sprintf(format, args...)) }
	row("run", "%s, %s, %s", p.Kind, p.Mode, fixtureWords(p.Fixture))
	row("bench", "%s (%s)", d.bench.Name, d.bench.File)
	if p.Mode == plan.Substitution && p.Kind != plan.Baseline && p.Kind != plan.Calibration {
		if d.calibration != nil {
			row("replays", "%v", d.calibration)
		} else {
			row("replays", "not known: --job JOB names the job whose calibration run is replayed")
		}
	}
	d.printLevel(row)
	row("frequencies", "%d: %s; %s", len(p.Grid), p.GridText, order(p))
	row("dwell", "%v, settling %v after every change of level", p.Dwell, p.Settle)
	d.printSearch(row)
	if p.Kind != plan.Baseline {
		d.printDrive(row)
	}
	row("duration", "%v", d.checked.Duration)
	row("", "%s", d.checked.Duration.Words())
	t.Flush()
	d.printUnreachable(out)
	if len(d.checked.Worst) > 0 {
		fmt.Fprintln(out)
		printWorst(out, d.checked)
	}
	if points {
		d.printPoints(out)
	}
	for _, x := range folded(d.list.Warnings()) {
		fmt.Fprintf(out, "\n%v\n", x)
	}
	return nil
}

// answer is the plan in three lines: may it run, does it reach its level, how long does it take.
func (d dryRun) answer(out io.Writer) {
	c := d.checked
	switch {
	case len(c.Refusals) > 0:
		fmt.Fprintf(out, "refused: %s\n", c.Refusals[0])
	case d.list.Err() != nil:
		fmt.Fprintln(out, "not possible as it stands: see what is listed")
	case len(c.Worst) > 0:
		n := c.Worst[0]
		fmt.Fprintf(out, "within every rating; least headroom %v, %s %s at %v\n", n.Node.Margin(), n.Node.ID, n.Node.Place, n.Frequency)
	}
	if d.plan.Kind != plan.Baseline {
		if n := len(c.Unreachable); n == 0 {
			fmt.Fprintf(out, "by the budget the level is reached at %s\n", english.Count(len(d.plan.Grid), "frequency", "frequencies"))
		} else {
			worst := c.Unreachable[0]
			for _, u := range c.Unreachable {
				if u.Short > worst.Short {
					worst = u
				}
			}
			fmt.Fprintf(out, "by the budget the level is not reached at %d of %d frequencies; most is missing at %v: %v (%s)\n", n, len(d.plan.Grid), worst.Frequency, worst.Short, worst.Why)
		}
	}
	fmt.Fprintf(out, "%v\n", c.Duration)
}

func fixtureWords(f catalog.Fixture) string {
	switch f {
	case catalog.Jig50:
		return "in the 50 + 50 Ω jig"
	case catalog.Jig150:
		return "in the 150 + 150 Ω jig"
	}
	return "on the cable"
}

func order(p *plan.Plan) string {
	if p.Descending {
		return "descending"
	}
	return "ascending"
}

func (d dryRun) printLevel(row func(string, string, ...any)) {
	p := d.plan
	if p.Profile.ID != "" {
		row("level", "%s", p.Profile.Title)
		if source := p.Profile.Source; source != "" {
			if p.Profile.Confidence != source {
				source += " (" + p.Profile.Confidence + ")"
			}
			row("", "%s", source)
		}
		if mark := p.Profile.Mark(); mark != "" {
			row("", "%s", mark)
		}
		row("means", "%s", p.Profile.Means)
		for _, note := range p.Profile.Notes {
			row("", "%s", note)
		}
	}
	if p.Kind == plan.Baseline {
		return
	}
	m := p.Modulation
	row("modulation", "%s", m)
	if !m.IsCW() {
		row("", "crest %v against the level, %v against the carrier in the dwell; mean power %v against that carrier",
			m.CrestOverLevel(), m.CrestOverCarrier(), m.MeanOverCarrier())
	}
	if m.Hold == level.PeakHeld && !m.IsCW() {
		row("", "the level is the crest: it is set unmodulated, then the carrier goes down by %v", -m.CarrierOverLevel())
	}
}

func (d dryRun) printSearch(row func(string, string, ...any)) {
	p, s := d.plan, d.plan.Search
	if p.Kind != plan.Exposure && p.Kind != plan.Control {
		return
	}
	if !s.Onset {
		row("after an upset", "it is recorded; no threshold is looked for")
		return
	}
	text := "onset"
	if s.Recovery {
		text += " and recovery"
	}
	row("after an upset", "%s to %v, down to %v below the level; %s; low check %v below onset", text, s.Resolution, s.Range,
		english.Count(s.Confirm, "confirmation", "confirmations"), s.Window)
	if stated := s.Stated(); stated != "" {
		row("", "%s", stated)
	}
	if d := p.Drift; d.At.Known() {
		row("drift", "checked at %v, %v below the level, at the start, after every %s and at the end", d.At, d.Below, english.Count(d.Every, "frequency", "frequencies"))
	}
	if p.Edges > 0 {
		row("", "edges of failing bands to %v", p.Edges)
	}
}

func (d dryRun) printDrive(row func(string, string, ...any)) {
	var low, high, ceiling rf.Power
	for _, q := range d.checked.Points {
		low = low.Lower(q.Drive)
		if high.Absent() || q.Drive.Above(high) {
			high = q.Drive
		}
		if ceiling.Absent() || q.Ceiling.Above(ceiling) {
			ceiling = q.Ceiling
		}
	}
	if low.Absent() {
		return
	}
	drives := low.String()
	if high.String() != drives {
		drives += " to " + high.String()
	}
	how := "by the budget"
	if p := d.plan; p.Mode == plan.ConstantDrive || p.Mode == plan.Substitution && len(d.checked.Notes) == 0 {
		how = "as " + map[plan.Mode]string{plan.ConstantDrive: "the plan says", plan.Substitution: "calibrated"}[p.Mode]
	}
	row("generator", "%s into 50 Ω, %s; never above %v", drives, how, ceiling)
	for _, note := range d.checked.Notes {
		row("", "%s", note)
	}
}

// printUnreachable prints the frequencies at which the level is not reached, neighbours of the grid
// with the same reason as one line.
func (d dryRun) printUnreachable(out io.Writer) {
	all := d.checked.Unreachable
	if len(all) == 0 {
		return
	}
	fmt.Fprintf(out, "\nBy the budget the level is not reached at %d of %d frequencies; a pass there is a bound.\n", len(all), len(d.plan.Grid))
	t := terminal.Table(out)
	fmt.Fprintln(t, "from\tto\tworst at\treach\twanted\tshort\twhy")
	for _, g := range d.gathered() {
		fmt.Fprintf(t, "%v\t%v\t%v\t%v\t%v\t%v\t%s\n", g.low, g.high, g.worst.Frequency, g.worst.Reach, g.worst.Wanted, g.worst.Short, g.worst.Why)
	}
	t.Flush()
}

type stretch struct {
	low, high rf.Frequency
	worst     plan.Unreachable
}

func (d dryRun) gathered() []stretch {
	next := map[rf.Frequency]rf.Frequency{}
	for i := 1; i < len(d.plan.Grid); i++ {
		next[d.plan.Grid[i-1]] = d.plan.Grid[i]
	}
	var out []stretch
	for _, u := range d.checked.Unreachable {
		if n := len(out); n > 0 && next[out[n-1].high] == u.Frequency && out[n-1].worst.Why == u.Why {
			out[n-1].high = u.Frequency
			if u.Short > out[n-1].worst.Short {
				out[n-1].worst = u
			}
			continue
		}
		out = append(out, stretch{u.Frequency, u.Frequency, u})
	}
	return out
}

func (d dryRun) printPoints(out io.Writer) {
	fmt.Fprintln(out)
	t := terminal.Table(out)
	fmt.Fprintln(t, "frequency\tlevel\tgenerator\tceiling\tforward power\texpected current\tits range\tceiling set by the ratings")
	for _, q := range d.checked.Points {
		if d.plan.Kind == plan.Baseline {
			fmt.Fprintf(t, "%v\t%v\toff\t–\t–\t–\t–\t–\n", q.Frequency, q.Wanted.Current)
			continue
		}
		fmt.Fprintf(t, "%v\t%v\t%v\t%v\t%v\t%v\t%v to %v\t%v (%s)\n", q.Frequency, q.Wanted.Current, q.Drive.Text(2), q.Ceiling.Text(2),
			q.Predicted.Forward, q.Predicted.Current, q.Predicted.Low, q.Predicted.High, q.Safe.Text(2), q.LimitedBy)
	}
	t.Flush()
}

// The shape of plan --json.
type (
	planShape struct {
		Name        string             `json:"name"`
		File        string             `json:"file"`
		Hash        string             `json:"hash"`
		Kind        plan.RunKind       `json:"kind"`
		Mode        plan.Mode          `json:"mode"`
		Fixture     catalog.Fixture    `json:"fixture"`
		Profile     *profileShape      `json:"profile"`
		Modulation  modulationShape    `json:"modulation"`
		Grid        gridShape          `json:"grid"`
		Dwell       *rf.Quantity       `json:"dwell"`
		Settle      *rf.Quantity       `json:"settle"`
		Edges       *rf.Quantity       `json:"edges"` // relative width, in %
		Search      *searchShape       `json:"search"`
		Worst       []worstShape       `json:"worst"`
		Refusals    []refusalShape     `json:"refusals"`
		Unreachable []unreachableShape `json:"unreachable"`
		Duration    durationShape      `json:"duration"`
		Calibration *calibrationShape  `json:"calibration"` // that a substitution replays
		Notes       []string           `json:"notes"`
		Problems    problem.List       `json:"problems"`
		Points      []pointShape       `json:"points,omitempty"`
	}
	profileShape struct {
		ID         string `json:"id"`
		Title      string `json:"title"`
		Source     string `json:"source"`
		Confidence string `json:"confidence"`
		Verified   bool   `json:"verified"`
		Means      string `json:"means"`
	}
	modulationShape struct {
		Text  string       `json:"text"`
		Crest *rf.Quantity `json:"crest"` // against the level
		Mean  *rf.Quantity `json:"mean"`  // power against the carrier in the dwell
	}
	gridShape struct {
		Text        string       `json:"text"`
		Frequencies int          `json:"frequencies"`
		Low         *rf.Quantity `json:"low"`
		High        *rf.Quantity `json:"high"`
		Order       string       `json:"order"`
	}
	searchShape struct {
		Onset      bool         `json:"onset"`
		Recovery   bool         `json:"recovery"`
		Resolution *rf.Quantity `json:"resolution"`
		Range      *rf.Quantity `json:"range"`
		Approach   *rf.Quantity `json:"approach"`
		Confirm    int          `json:"confirm"`
		Window     *rf.Quantity `json:"window"`
		Stated     string       `json:"stated,omitempty"` // a search for a random threshold, in words
	}
	worstShape struct {
		ID       string       `json:"id"`
		Place    string       `json:"place"`
		Hz       float64      `json:"hz"`
		Drive    *rf.Quantity `json:"drive"`
		Level    *rf.Quantity `json:"level"`
		Rating   *rf.Quantity `json:"rating"`
		RatedAs  string       `json:"rated_as"`
		Unsure   *rf.Quantity `json:"not_measured"`
		Headroom *rf.Quantity `json:"headroom"`
		Within   bool         `json:"within"`
		Note     string       `json:"note,omitempty"`
	}
	refusalShape struct {
		ID      string       `json:"id"`
		Place   string       `json:"place"`
		Hz      float64      `json:"hz"`
		Level   *rf.Quantity `json:"level"`
		Rating  *rf.Quantity `json:"rating"`
		RatedAs string       `json:"rated_as"`
		Over    *rf.Quantity `json:"over"`
		Count   int          `json:"count"`
		Text    string       `json:"text"`
	}
	unreachableShape struct {
		Hz     float64      `json:"hz"`
		Wanted *rf.Quantity `json:"wanted"`
		Reach  *rf.Quantity `json:"reach"`
		Short  *rf.Quantity `json:"short"`
		Why    string       `json:"why"`
	}
	calibrationShape struct {
		Run     int             `json:"run"`
		Label   string          `json:"label"`
		At      time.Time       `json:"at"`
		Fixture catalog.Fixture `json:"fixture"`
		LoopOhm float64         `json:"loop_ohm"`
		Points  int             `json:"points"`
	}
	durationShape struct {
		Shortest *rf.Quantity `json:"shortest"`
		Likely   *rf.Quantity `json:"likely"`
		Longest  *rf.Quantity `json:"longest"`
		Assumes  []string     `json:"assumes"`
	}
	pointShape struct {
		Hz        float64      `json:"hz"`
		Wanted    *rf.Quantity `json:"wanted"`
		Drive     *rf.Quantity `json:"drive"`
		Ceiling   *rf.Quantity `json:"ceiling"`
		Safe      *rf.Quantity `json:"safe"`
		LimitedBy string       `json:"limited_by"`
		Forward   *rf.Quantity `json:"forward"`
		Current   *rf.Quantity `json:"current"`
		Low       *rf.Quantity `json:"low"`
		High      *rf.Quantity `json:"high"`
	}
)

func decibels(g rf.Gain) *rf.Quantity {
	if math.IsNaN(float64(g)) {
		return nil
	}
	return g.Quantity(rf.Exactly)
}

func (d dryRun) shape(points bool) planShape {
	p, c := d.plan, d.checked
	s := planShape{
		Name: p.Name, File: p.File, Hash: p.Hash, Kind: p.Kind, Mode: p.Mode, Fixture: p.Fixture,
		Modulation: modulationShape{p.Modulation.String(), decibels(p.Modulation.CrestOverLevel()), decibels(p.Modulation.MeanOverCarrier())},
		Grid:       gridShape{p.GridText, len(p.Grid), p.Grid[0].Quantity(), p.Grid[len(p.Grid)-1].Quantity(), order(p)},
		Dwell:      p.Dwell.Quantity(), Settle: p.Settle.Quantity(),
		Duration: durationShape{c.Duration.Shortest.Quantity(), c.Duration.Likely.Quantity(), c.Duration.Longest.Quantity(), c.Duration.Assumes},
		Worst:    []worstShape{}, Refusals: []refusalShape{}, Unreachable: []unreachableShape{},
		Notes: append([]string{}, c.Notes...), Problems: append(problem.List{}, d.list...),
	}
	if q := d.calibration; q != nil {
		s.Calibration = &calibrationShape{q.Run, q.Label, q.At, q.Fixture, float64(q.Loop), len(q.Points)}
	}
	if q := p.Profile; q.ID != "" {
		s.Profile = &profileShape{q.ID, q.Title, q.Source, q.Confidence, q.Verified, q.Means}
	}
	if p.Edges > 0 {
		s.Edges = &rf.Quantity{Text: p.Edges.String(), Value: 100 * float64(p.Edges), Unit: "%"}
	}
	if p.Kind == plan.Exposure || p.Kind == plan.Control {
		q := p.Search
		s.Search = &searchShape{q.Onset, q.Recovery, decibels(q.Resolution), decibels(q.Range), decibels(q.Approach), q.Confirm, decibels(q.Window), q.Stated()}
	}
	for _, x := range c.Worst {
		n := x.Node
		s.Worst = append(s.Worst, worstShape{n.ID, n.Place, x.Frequency.Hz(), x.Drive.Quantity(), n.Compared().Quantity(),
			n.Rating.Quantity(), n.RatedAs, decibels(n.Unsure), decibels(n.Headroom), n.Within, n.Note})
	}
	for _, x := range c.Refusals {
		s.Refusals = append(s.Refusals, refusalShape{x.ID, x.Place, x.Frequency.Hz(), x.Level.Quantity(), x.Rating.Quantity(),
			x.RatedAs, decibels(x.Over), x.Count, x.String()})
	}
	for _, x := range c.Unreachable {
		s.Unreachable = append(s.Unreachable, unreachableShape{x.Frequency.Hz(), x.Wanted.Quantity(), x.Reach.Quantity(), decibels(x.Short), x.Why})
	}
	if points {
		s.Points = d.pointShapes()
	}
	return s
}

func (d dryRun) pointShapes() []pointShape {
	out := []pointShape{}
	for _, q := range d.checked.Points {
		out = append(out, pointShape{q.Frequency.Hz(), q.Wanted.Current.Quantity(), q.Drive.Quantity(), q.Ceiling.Quantity(),
			q.Safe.Quantity(), q.LimitedBy, q.Predicted.Forward.Quantity(), q.Predicted.Current.Quantity(),
			q.Predicted.Low.Quantity(), q.Predicted.High.Quantity()})
	}
	return out
}
