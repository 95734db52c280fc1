package web

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"mime"
	"net/http"
	"path"
	"slices"
	"sort"
	"strconv"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/chain"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// findingsPage is what one run shows.
type findingsPage struct {
	Frame    frame
	Runs     []runRow
	Run      int
	Title    string
	Headline *tell.Verdict // what the run shows, in a line
	Mark     string        // of an unverified level profile
	Sections []toldSection
	Point    *pointPart
	Closer   []string // plans whose steps a close look may take; none where nothing is to be looked at closely
	Lab      laboratory
	Notes    []result.Noted
	Photos   []photo
	Empty    string
	Fix      *fixForm // nil where there is nothing to follow
}

// photo is a file that joined the run, and whether a browser shows it.
type photo struct {
	result.Attached
	Shown bool
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
	told, err := s.book().Tell(run)
	if err != nil {
		return err
	}
	shown := told.Run
	p.Frame.Title, p.Title, p.Mark = fmt.Sprintf("Findings of run %d", run), shown.Opened.Label,
		shown.Opened.Profile.Mark()
	p.Notes = shown.Notes
	for _, a := range shown.Attachments {
		if !a.Raw {
			p.Photos = append(p.Photos, photo{a, pictures[mime.TypeByExtension(strings.ToLower(path.Ext(a.Name)))]})
		}
	}
	p.Lab.LaboratoryFailures = told.Laboratory
	if p.Closer, err = s.closer(told); err != nil {
		return err
	}
	here := rf.Frequency(0)
	if text := r.FormValue("at"); text != "" {
		at, err := rf.ParseFrequency(text)
		if err != nil {
			return withStatus(http.StatusBadRequest, "%v", err)
		}
		if p.Point, err = s.pointPart(shown, told.Findings, at, r.FormValue("step")); err != nil {
			return err
		}
		here = p.Point.At
	}
	if p.Fix, err = s.fixFormOf(shown, told.Findings, here); err != nil {
		return err
	}
	p.Sections = onPage(told.Sections(), here)
	p.Headline = answerFirst(&p.Sections[0], told.Findings)
	for i := range p.Sections {
		for k := range p.Sections[i].Blocks {
			if b := &p.Sections[i].Blocks[k]; b.Chart != nil && b.Chart.X.Log {
				p.Lab.mark(&b.Drawn)
			}
		}
	}
	return s.draw(w, "findings", p)
}

// answerFirst arranges a run's section for the page: its headline is the page's heading, the charts stand before the
// tables, and the weakest band stands first.
func answerFirst(s *toldSection, f analysis.Findings) (headline *tell.Verdict) {
	var words, charts, rest []toldBlock
	for _, b := range s.Blocks {
		switch {
		case b.Verdict != nil && headline == nil:
			headline = b.Verdict
		case b.Chart != nil && strings.HasPrefix(b.Chart.ID, "figure-profile"): // with the bands in it
			charts = slices.Insert(charts, 0, b)
		case b.Chart != nil:
			charts = append(charts, b)
		case b.Table != nil || len(rest) > 0:
			rest = append(rest, b)
		default:
			words = append(words, b)
		}
	}
	s.Blocks = slices.Concat(charts[:min(1, len(charts))], words, rest, charts[min(1, len(charts)):])
	for i, b := range s.Blocks {
		if b.Table == nil || len(b.Table.Rows) != len(f.Bands) || b.Table.ID != fmt.Sprintf("bands-run-%d", f.Run) {
			continue
		}
		order := make([]int, len(f.Bands))
		for k := range order {
			order[k] = k
		}
		slices.SortStableFunc(order, func(x, y int) int {
			return cmp.Compare(f.Bands[x].Lowest.Margin, f.Bands[y].Lowest.Margin)
		})
		t := *b.Table
		t.Rows = nil
		for _, k := range order {
			t.Rows = append(t.Rows, b.Table.Rows[k])
		}
		s.Blocks[i].Table = &t
	}
	return headline
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
			p.Words = append(p.Words, fmt.Sprintf("%s; wanted %v, margin %s; low check: %s", tell.OnsetWords(q),
				q.Wanted, tell.GainWords(q.Margin, q.MarginBound), tell.MonotoneWords(q.Monotone)))
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
	row := attemptRow{Seq: st.Seq, At: st.At.Local().Format("15:04:05"), Purpose: string(st.Step.Purpose),
		Offset: st.Step.Offset.String(), Drive: st.Drive.String(),
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
	c := chart{ID: "readings", Title: "Readings in time", X: axis{Label: "seconds since RF came to the level"},
		Y: axis{Label: st.Label}}
	good, bad := chartSeries{Name: "well", Sign: "ring", Paint: "calm"}, chartSeries{Name: "bad", Sign: "cross",
		Paint: "upset"}
	if st.HasBand {
		c.Low, c.High = &st.Low, &st.High
	}
	list := append([]event.Reading(nil), e.Readings...)
	sort.SliceStable(list, func(i, j int) bool { return list[i].After < list[j].After })
	for _, x := range list {
		row := readingRow{After: fmt.Sprintf("%+.3f s", x.After.Std().Seconds()), Monitor: x.Monitor,
			Reading: event.Printable(x.Text), RF: "off", Why: x.Why, Bad: x.Bad}
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

// chainThen computes the chain at the drive of a step, with the bench as it was used.
func (s *Server) chainThen(r result.Run, st *result.Step) (*chainPart, error) {
	if !st.Drive.Known() {
		return nil, errors.New("the step has no drive")
	}
	b, err := s.book().Bench(r)
	if err != nil {
		return nil, err
	}
	p, err := chain.New(b).Predict(st.Step.Point.Frequency, st.Drive, chain.CrestOfLevel(r.Opened.Modulation),
		catalog.Fixture(r.Opened.Fixture))
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
