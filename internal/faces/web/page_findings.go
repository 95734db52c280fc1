package web

import (
	"errors"
	"fmt"
	"math"
	"net/http"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/tell"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// findingsPage is what one run shows.
type findingsPage struct {
	Frame   frame
	Runs    []runRow
	Run     int
	Title   string
	Words   []string
	Mark    string // of an unverified level profile
	Chart   chart
	Bands   []bandRow
	Upsets  []pointRow
	Profile []pointRow
	Guesses []string
	Random  tell.Table // where the product is not deterministic
	Studies []studyPart
	Point   *pointPart
	Lab     laboratory
	Notes   []result.Noted
	Photos  []result.Attached
	Empty   string
}

type bandRow struct {
	Span, Low, High, Lowest, Margin, Class, Monotone, Mark string
	Link                                                   string
}

type pointRow struct {
	At, Onset, Wanted, Margin, Recovery, Class, Trials, Mark string
	Link                                                     string
	Here                                                     bool
}

// chosen returns the run that an address names, else the newest exposure, else the newest run.
func (s *Server) chosen(r *http.Request) (int, []runRow, error) {
	run, err := runOf(r)
	if err != nil {
		return 0, nil, err
	}
	infos, err := s.journal.runs()
	if err != nil {
		return 0, nil, err
	}
	var rows []runRow
	newest, exposure := 0, 0
	for i := len(infos) - 1; i >= 0; i-- {
		if infos[i].Opened.RunKind == event.LaboratoryKind {
			continue
		}
		rows = append(rows, rowOf(infos[i]))
		if newest == 0 {
			newest = infos[i].Run
		}
		if exposure == 0 && infos[i].Opened.RunKind == plan.Exposure {
			exposure = infos[i].Run
		}
	}
	switch {
	case run != 0:
	case exposure != 0:
		run = exposure
	default:
		run = newest
	}
	return run, rows, nil
}

// findingsOf folds a run and the control run that it is compared with.
func (s *Server) findingsOf(n int) (result.Run, analysis.Findings, error) {
	r, err := s.journal.run(n)
	if err != nil {
		return r, analysis.Findings{}, err
	}
	infos, err := s.journal.runs()
	if err != nil {
		return r, analysis.Findings{}, err
	}
	var known []result.Run
	for _, i := range infos {
		known = append(known, result.Run{Number: i.Run, Opened: i.Opened})
	}
	control := analysis.ControlFor(known, r)
	if control != nil {
		whole, err := s.journal.run(control.Number)
		if err != nil {
			return r, analysis.Findings{}, err
		}
		control = &whole
	}
	f := analysis.Of(r, control)
	if f.Ended {
		repeats, err := s.repeats()
		if err != nil {
			return r, f, err
		}
		uncertainty.Decide(&f, r, repeats, s.benchThen)
	}
	return r, f, nil
}

func (s *Server) findingsPage(w http.ResponseWriter, r *http.Request) error {
	run, rows, err := s.chosen(r)
	if err != nil {
		return err
	}
	p := findingsPage{Frame: s.frameFor(r, "Findings"), Runs: rows, Run: run}
	if run == 0 {
		p.Empty = "There is no run yet."
		return s.draw(w, "findings", p)
	}
	folded, f, err := s.findingsOf(run)
	if err != nil {
		return err
	}
	p.Frame.Title = fmt.Sprintf("Findings of run %d", run)
	p.fill(folded, f)
	if p.Studies, err = s.studiesOf(folded); err != nil {
		return err
	}
	if p.Lab, err = s.laboratoryNow(); err != nil {
		return err
	}
	p.Lab.mark(&p.Chart)
	if text := r.FormValue("at"); text != "" {
		at, err := rf.ParseFrequency(text)
		if err != nil {
			return withStatus(http.StatusBadRequest, "%v", err)
		}
		if p.Point, err = s.pointPart(folded, f, at, r.FormValue("step")); err != nil {
			return err
		}
		p.Chart.Mark = inMHz(p.Point.At)
		for i := range p.Profile {
			p.Profile[i].Here = p.Profile[i].At == p.Point.Frequency
		}
		for i := range p.Upsets {
			p.Upsets[i].Here = p.Upsets[i].At == p.Point.Frequency
		}
	}
	return s.draw(w, "findings", p)
}

func (p *findingsPage) fill(r result.Run, f analysis.Findings) {
	p.Title = r.Opened.Label
	p.Notes = r.Notes
	for _, a := range r.Attachments {
		p.Photos = append(p.Photos, a)
	}
	p.Words = summary(r, f)
	p.Mark = f.Opened.Profile.Mark()
	for _, b := range f.Bands {
		p.Bands = append(p.Bands, bandRowOf(f.Run, b))
	}
	p.Chart = profileChart(fmt.Sprintf("Immunity profile of run %d", f.Run), f).bare()
	for _, q := range f.Points {
		row := pointRowOf(f.Run, q)
		if q.Tested() {
			p.Profile = append(p.Profile, row)
		}
		if q.Upset {
			p.Upsets = append(p.Upsets, row)
		}
	}
	p.Guesses = guesses(f)
	p.Random = tell.NotDeterministicTable(f)
}

func summary(r result.Run, f analysis.Findings) []string {
	headline, _ := tell.Headline(f)
	out := []string{headline, fmt.Sprintf("%s, %s, %s", r.Opened.RunKind, r.Opened.Mode, analysis.Modulation(r.Opened.Modulation))}
	if r.Opened.Changed != "" {
		out = append(out, "Changed before it: "+r.Opened.Changed)
	}
	verdict := string(r.Verdict)
	if !f.Ended {
		verdict = "still open, or cut off: what follows is what was measured so far"
	}
	out = append(out, "Verdict: "+verdict)
	if f.FalseAlarms == nil && f.Swept == nil && f.Exposed() {
		out = append(out, fmt.Sprintf("%s upset, %s", english.Count(f.Upsets, "frequency", "frequencies"), english.Count(f.Exposures, "exposure", "exposures")))
	}
	if s := tell.LevelWords(f); s != "" {
		out = append(out, s)
	}
	return out
}

func bandRowOf(run int, b analysis.Band) bandRow {
	return bandRow{Span: analysis.Span(b), Low: tell.EdgeWords(b.Low, "below"), High: tell.EdgeWords(b.High, "above"),
		Lowest: tell.OnsetWords(b.Lowest) + " at " + b.Lowest.Frequency.String(), Margin: tell.GainWords(b.Lowest.Margin, b.Lowest.MarginBound),
		Class: string(b.Class), Monotone: tell.MonotoneWords(b.Monotone), Mark: inControl(b.InControl), Link: pointLink(run, b.Lowest.Frequency)}
}

func inControl(yes bool) string {
	if yes {
		return analysis.MonitorOrAE
	}
	return ""
}

func pointLink(run int, f rf.Frequency) string {
	return fmt.Sprintf("/findings?run=%d&at=%s#point", run, query(f.String()))
}

func pointRowOf(run int, q analysis.Point) pointRow {
	row := pointRow{At: q.Frequency.String(), Onset: tell.OnsetWords(q), Wanted: q.Wanted.String(), Margin: tell.GainWords(q.Margin, q.MarginBound),
		Class: string(q.Class), Mark: inControl(q.InControl), Link: pointLink(run, q.Frequency), Recovery: tell.RecoveryWords(q)}
	if q.Upset {
		row.Trials = fmt.Sprintf("%d of %d", q.UpsetsAtOnset, q.TrialsAtOnset)
	} else {
		row.Class, row.Trials = "no upset", "–"
	}
	if q.NotReached && q.Limited != "" {
		row.Class += "; level not reached: " + q.Limited
	}
	return row
}

// profileChart is onset over frequency; a bound is an arrow and not a dot.
func profileChart(title string, f analysis.Findings) chart {
	c := chart{ID: "profile", Title: title, X: frequencyAxis, Y: axis{Label: "onset of upset (dBµA)"}}
	series := onsets("", "upset", "calm")
	wanted := chartSeries{Name: "wanted", Sign: "dash", Paint: "wanted"}
	for _, q := range f.Points {
		if !q.Tested() {
			continue
		}
		c.At = append(c.At, inMHz(q.Frequency))
		c.Tips = append(c.Tips, fmt.Sprintf("%v: %s; wanted %v, margin %s", q.Frequency, tell.OnsetWords(q), q.Wanted, tell.GainWords(q.Margin, q.MarginBound)))
		c.Links = append(c.Links, pointLink(f.Run, q.Frequency))
		wanted.Y = append(wanted.Y, number(q.Wanted))
		addOnset(series, q)
	}
	c.Series = append([]chartSeries{wanted}, series...)
	return c
}

// onsets are the three ways in which an onset is known.
func onsets(name, exact, above string) []chartSeries {
	if name != "" {
		name += ": "
	}
	return []chartSeries{
		{Name: name + "onset", Sign: "dot", Paint: exact},
		{Name: name + "onset there or below", Sign: "down", Paint: exact},
		{Name: name + "no upset up to here", Sign: "up", Paint: above},
	}
}

// addOnset adds a point to the series that fits its bound, and nothing to the others.
func addOnset(series []chartSeries, q analysis.Point) {
	var y [3]*float64
	switch q.Onset.Bound() {
	case rf.Exactly:
		y[0] = number(q.Onset)
	case rf.AtMost:
		y[1] = number(q.Onset)
	case rf.AtLeast:
		y[2] = number(q.Onset)
	}
	for i := range series {
		series[i].Y = append(series[i].Y, y[i])
	}
}

// guesses are likely causes, each with the evidence that it rests on; none without evidence.
func guesses(f analysis.Findings) []string {
	var out []string
	for _, b := range f.Bands {
		if b.InControl {
			out = append(out, fmt.Sprintf("Perhaps it is not the product at %s: control run %d, with the product replaced or its output held, shows the same upsets.", analysis.Span(b), f.Control))
		}
	}
	for _, d := range f.Drift {
		if d.Exceeds() {
			out = append(out, fmt.Sprintf("Perhaps some upsets are drift: without RF, %s moved from %.4g to as far as %.4g %s, more than half its tolerance of %.4g %s.",
				d.Monitor, d.First, d.First+d.Largest, d.Unit, d.Tolerance, d.Unit))
		}
	}
	for _, b := range f.Bands {
		if b.Monotone == plan.NotMonotone {
			out = append(out, fmt.Sprintf("At %s a weaker level upset where a stronger one did not: perhaps the product is disturbed in a window of levels, or something else changed between the exposures.", analysis.Span(b)))
		}
	}
	return out
}

// pointPart is one frequency in full: its attempts, the readings of one of them, and the chain then.
type pointPart struct {
	At        rf.Frequency
	Frequency string
	Words     []string
	Attempts  []attemptRow
	Chosen    *attemptPart
}

type attemptRow struct {
	Seq                                                    int64
	At, Purpose, Offset, Drive, Current, What, OnFor, Mark string
	Link                                                   string
	Here                                                   bool
}

// attemptPart is one exposure: the readings in time, and the chain at that moment.
type attemptPart struct {
	Seq      int64
	Chart    chart
	Readings []readingRow
	Chain    *chainPart
	NoChain  string // why the chain cannot be computed
	Note     string
}

type readingRow struct {
	After, Monitor, Reading, RF, Why string
	Bad                              bool
}

func (s *Server) pointPart(r result.Run, f analysis.Findings, at rf.Frequency, step string) (*pointPart, error) {
	point := nearest(r, at)
	if point == nil {
		return nil, withStatus(http.StatusNotFound, "run %d exposed nothing near %v", r.Number, at)
	}
	p := &pointPart{At: point.Frequency, Frequency: point.Frequency.String()}
	for _, q := range f.Points {
		if q.Frequency == point.Frequency {
			p.Words = append(p.Words, fmt.Sprintf("%s; wanted %v, margin %s; low check: %s", tell.OnsetWords(q), q.Wanted, tell.GainWords(q.Margin, q.MarginBound), tell.MonotoneWords(q.Monotone)))
			if q.NotReached {
				p.Words = append(p.Words, "The level wanted was not reached: "+q.Limited)
			}
		}
	}
	seq, _ := strconv.ParseInt(step, 10, 64)
	var chosen *result.Step
	for _, st := range point.Steps {
		if st.Seq == seq || seq == 0 && (chosen == nil || st.Outcome.Upset && !chosen.Outcome.Upset) {
			chosen = st
		}
	}
	for _, st := range point.Steps {
		p.Attempts = append(p.Attempts, attemptRowOf(r.Number, st, st == chosen))
	}
	if chosen == nil {
		return p, nil
	}
	var err error
	p.Chosen, err = s.attemptPart(r, chosen)
	return p, err
}

// nearest returns the frequency that was meant: addresses are pasted and typed, and a grid is odd.
func nearest(r result.Run, at rf.Frequency) *result.Point {
	const most = 0.05 // beyond it something else was meant
	var best *result.Point
	distance := math.Log(1 + most)
	for _, p := range r.Points() {
		if d := math.Abs(math.Log(p.Frequency.Hz() / at.Hz())); d <= distance {
			best, distance = p, d
		}
	}
	return best
}

func attemptRowOf(run int, st *result.Step, here bool) attemptRow {
	current, origin := st.Level()
	row := attemptRow{Seq: st.Seq, At: st.At.Local().Format("15:04:05"), Purpose: string(st.Step.Purpose), Offset: st.Step.Offset.String(), Drive: st.Drive.String(),
		Current: current.String(), OnFor: st.OnFor.String(), What: "no upset", Here: here}
	if origin != result.Measured {
		row.Current += ", " + string(origin)
	}
	switch {
	case st.Outcome.Skipped:
		row.What = "given up without an exposure: " + st.Limited
	case st.Outcome.Upset:
		row.What, row.Mark = "upset", "upset"
		if st.Class != "" {
			row.What += ", " + string(st.Class)
		}
	case st.Outcome.NotReached:
		row.What = "no upset; level not reached: " + st.Limited
	}
	if at := st.Outcome.RecoveredAt; at != nil {
		row.What += fmt.Sprintf("; well again at %v", *at)
	}
	row.Link = fmt.Sprintf("/findings?run=%d&at=%s&step=%d#point", run, query(st.Step.Point.Frequency.String()), st.Seq)
	return row
}

// attemptPart reads the step's record again: the fold keeps readings only where the DUT upset.
func (s *Server) attemptPart(r result.Run, st *result.Step) (*attemptPart, error) {
	job, err := s.journal.open()
	if err != nil {
		return nil, err
	}
	a := &attemptPart{Seq: st.Seq, Note: st.Note}
	for rec, err := range job.Records(r.Number, st.Seq) {
		if err != nil {
			return nil, err
		}
		if e, ok := rec.Event.(event.StepClosed); ok {
			a.readings(r, e)
		}
		break
	}
	if a.Chain, err = s.chainThen(r, st); err != nil {
		a.NoChain = err.Error()
	}
	return a, nil
}

// readings fills in the table and the chart of a step's readings.
func (a *attemptPart) readings(r result.Run, e event.StepClosed) {
	st := stripOf(&r)
	c := chart{ID: "readings", Title: "Readings in time", X: axis{Label: "seconds since RF came to the level"}, Y: axis{Label: st.Label}}
	good, bad := chartSeries{Name: "well", Sign: "ring", Paint: "calm"}, chartSeries{Name: "bad", Sign: "cross", Paint: "upset"}
	if st.HasBand {
		c.Low, c.High = &st.Low, &st.High
	}
	list := append([]event.Reading(nil), e.Readings...)
	sort.SliceStable(list, func(i, j int) bool { return list[i].After < list[j].After })
	for _, x := range list {
		row := readingRow{After: fmt.Sprintf("%+.3f s", x.After.Std().Seconds()), Monitor: x.Monitor, Reading: event.Printable(x.Text), RF: "off", Why: x.Why, Bad: x.Bad}
		if x.RFOn {
			row.RF = "on"
		}
		if x.HasValue {
			row.Reading = measure(x.Value, unitOf(r, x.Monitor))
		}
		a.Readings = append(a.Readings, row)
		if x.Monitor != st.Monitor || !x.HasValue {
			continue
		}
		t, v := x.After.Std().Seconds(), x.Value
		c.At = append(c.At, t)
		if x.Bad {
			good.Y, bad.Y = append(good.Y, nil), append(bad.Y, &v)
		} else {
			good.Y, bad.Y = append(good.Y, &v), append(bad.Y, nil)
		}
		if n := len(c.Shade); x.RFOn && n > 0 && c.open {
			c.Shade[n-1][1] = t
		} else if x.RFOn {
			c.Shade = append(c.Shade, [2]float64{t, t})
		}
		c.open = x.RFOn
	}
	c.Series = []chartSeries{good, bad}
	if len(c.Shade) > 0 {
		c.ShadeWord = "RF on"
	}
	a.Chart = c
}

func unitOf(r result.Run, monitor string) string {
	for _, m := range r.Monitors {
		if m.ID == monitor {
			return m.Unit
		}
	}
	return ""
}

// benchThen reads the bench file as a run used it, from the attachments.
func (s *Server) benchThen(r result.Run) (*catalog.Bench, error) {
	job, err := s.journal.open()
	if err != nil {
		return nil, err
	}
	_, data, err := job.Attachment(r.Opened.Bench.SHA256)
	if err != nil {
		return nil, fmt.Errorf("the bench file of run %d: %w", r.Number, err)
	}
	read := func(name string) ([]byte, error) {
		for _, a := range r.Opened.Files {
			if a.Name == name {
				_, data, err := job.Attachment(a.SHA256)
				return data, err
			}
		}
		return nil, errors.New("the run does not say which file that was")
	}
	b, list := catalog.Parse(r.Opened.Bench.Name, data, read)
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("the bench file of run %d cannot be read again: %w", r.Number, err)
	}
	return b, nil
}

// chainThen computes the chain at the drive of a step, with the bench as it was used.
func (s *Server) chainThen(r result.Run, st *result.Step) (*chainPart, error) {
	if !st.Drive.Known() {
		return nil, errors.New("the step has no drive")
	}
	b, err := s.benchThen(r)
	if err != nil {
		return nil, err
	}
	p, err := chain.New(b).Predict(st.Step.Point.Frequency, st.Drive, chain.CrestOfLevel(r.Opened.Modulation), catalog.Fixture(r.Opened.Fixture))
	if err != nil {
		return nil, err
	}
	return chainPartOf(b, p), nil
}

// mark adds the frequencies that the laboratory reported to a chart.
func (l laboratory) mark(c *chart) {
	for _, f := range l.Failures {
		to := f.To
		if !to.Known() {
			to = f.From
		}
		c.Reported = append(c.Reported, [2]float64{inMHz(f.From), inMHz(to)})
	}
	if len(c.Reported) > 0 {
		c.ReportedWord = "reported by the laboratory"
	}
}

// trimmed is a text without its ends' spaces, cut to a length.
func trimmed(text string, most int) string { return strings.TrimSpace(shorten(text, most)) }
