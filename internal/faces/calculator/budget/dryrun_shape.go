package budget

import (
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

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
		TimeLimit   *reachShape        `json:"time_limit,omitempty"`
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
		First       []float64    `json:"first,omitempty"` // in Hz, in their order
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
	reachShape struct {
		Text        string       `json:"text"`
		Limit       *rf.Quantity `json:"limit"`
		Frequencies int          `json:"frequencies"`
		Step        *rf.Quantity `json:"step"` // the widest; null where parts of the range are left out
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

// Shape is the dry run for --json, with points every frequency of it.
func (d DryRun) Shape(points bool) planShape {
	p, c := d.plan, d.checked
	s := planShape{
		Name: p.Name, File: p.File, Hash: p.Hash, Kind: p.Kind, Mode: p.Mode, Fixture: p.Fixture,
		Modulation: modulationShape{p.Modulation.String(), p.Modulation.CrestOverLevel().Quantity(rf.Exactly),
			p.Modulation.MeanOverCarrier().Quantity(rf.Exactly)},
		Grid: gridShape{p.GridText, len(p.Grid), p.Grid[0].Quantity(), p.Grid[len(p.Grid)-1].Quantity(),
			order(p), nil},
		Dwell: p.Dwell.Quantity(), Settle: p.Settle.Quantity(),
		Duration: durationShape{c.Duration.Shortest.Quantity(), c.Duration.Likely.Quantity(),
			c.Duration.Longest.Quantity(), c.Duration.Assumes},
		Worst: []worstShape{}, Refusals: []refusalShape{}, Unreachable: []unreachableShape{},
		Notes: append([]string{}, c.Notes...), Problems: append(problem.List{}, d.list...),
	}
	if r := c.Reach; r != nil {
		s.TimeLimit = &reachShape{Text: r.String(), Limit: r.Limit.Quantity(), Frequencies: r.Frequencies}
		if r.Step > 0 {
			s.TimeLimit.Step = &rf.Quantity{Text: r.Step.String(), Value: 100 * float64(r.Step), Unit: "%"}
		}
	}
	for _, f := range p.First {
		s.Grid.First = append(s.Grid.First, f.Hz())
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
		s.Search = &searchShape{q.Onset, q.Recovery, q.Resolution.Quantity(rf.Exactly), q.Range.Quantity(rf.Exactly),
			q.Approach.Quantity(rf.Exactly), q.Confirm, q.Window.Quantity(rf.Exactly), q.Stated()}
	}
	for _, x := range c.Worst {
		n := x.Node
		s.Worst = append(s.Worst, worstShape{n.ID, n.Place, x.Frequency.Hz(), x.Drive.Quantity(),
			n.Compared().Quantity(),
			n.Rating.Quantity(), n.RatedAs, n.Unsure.Quantity(rf.Exactly), n.Headroom.Quantity(rf.Exactly), n.Within,
			n.Note})
	}
	for _, x := range c.Refusals {
		s.Refusals = append(s.Refusals, refusalShape{x.ID, x.Place, x.Frequency.Hz(), x.Level.Quantity(),
			x.Rating.Quantity(),
			x.RatedAs, x.Over.Quantity(rf.Exactly), x.Count, x.String()})
	}
	for _, x := range c.Unreachable {
		s.Unreachable = append(s.Unreachable, unreachableShape{x.Frequency.Hz(), x.Wanted.Quantity(),
			x.Reach.Quantity(), x.Short.Quantity(rf.Exactly), x.Why})
	}
	if points {
		s.Points = d.pointShapes()
	}
	return s
}

func (d DryRun) pointShapes() []pointShape {
	out := []pointShape{}
	for _, q := range d.checked.Points {
		out = append(out, pointShape{q.Frequency.Hz(), q.Wanted.Current.Quantity(), q.Drive.Quantity(),
			q.Ceiling.Quantity(),
			q.Safe.Quantity(), q.LimitedBy, q.Predicted.Forward.Quantity(), q.Predicted.Current.Quantity(),
			q.Predicted.Low.Quantity(), q.Predicted.High.Quantity()})
	}
	return out
}
