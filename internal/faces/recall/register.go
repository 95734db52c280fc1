package recall

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/archive"
	"provoke/internal/tell"
	"provoke/internal/units/curve"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// driftConfidence is that of the limits of a control chart: 3 standard deviations of a normal distribution.
const driftConfidence rf.Fraction = 0.9973

// leastCalibrations is how many earlier calibrations limits rest on at least.
const leastCalibrations = 3

// Control is the control chart of one curve of a piece of equipment: of each calibration the mean difference, over the
// frequencies that all of them have, from the mean of those before it.
type Control struct {
	_      struct{} `tell:"serial=Serial id=Item what=What unit=Unit frequencies=Frequencies calibrations=Entries"`
	Serial string
	Item   string
	What   string
	Unit   string

	Frequencies int
	Entries     []Entry
}

// Entry is one calibration in a chart.
type Entry struct {
	_ struct{} `tell:"calibrated=Calibrated first_used=First runs=Runs curve=SHA256 mean=Mean shift_db=Shift limit_db=Limit"`
	_ struct{} `tell:"drifted=Drifted largest_shift_db=Largest largest_hz=LargestAt"`
	archive.Calibration
	Mean float64 // of the curve over the chart's frequencies
	// Shift is Mean less the mean of those before it, and Limit how far it may lie off; NaN where fewer than three came
	// before.
	Shift, Limit float64
	Drifted      bool
	// Largest is the largest difference at one frequency from the mean of those before it, at LargestAt.
	Largest, LargestAt float64
}

// charts makes the control charts of calibrations that are ordered by part, curve and time.
func charts(all []archive.Calibration) (out []Control) {
	for len(all) > 0 {
		n := 1
		for n < len(all) && all[n].Serial == all[0].Serial && all[n].What == all[0].What && all[n].Unit == all[0].Unit {
			n++
		}
		out = append(out, chartOf(all[:n]))
		all = all[n:]
	}
	return out
}

func chartOf(all []archive.Calibration) Control {
	c := Control{Serial: all[0].Serial, Item: all[0].Item, What: all[0].What, Unit: all[0].Unit}
	values := map[float64][]float64{}
	var seen []archive.Calibration
	for _, x := range all {
		if i := slices.IndexFunc(seen, func(y archive.Calibration) bool {
			return y.SHA256 == x.SHA256 && y.Calibrated == x.Calibrated
		}); i >= 0 {
			seen[i].Runs += x.Runs
			continue
		}
		seen = append(seen, x)
		for _, p := range x.Points {
			values[p.Hz] = append(values[p.Hz], p.Value)
		}
	}
	var common []float64
	for hz, v := range values {
		if len(v) == len(seen) {
			common = append(common, hz)
		}
	}
	slices.Sort(common)
	c.Frequencies = len(common)
	// A drift is no base for what comes after: the means of those that had not drifted, and their numbers.
	var before []float64
	var base []int
	for i, x := range seen {
		e := Entry{Calibration: x, Mean: math.NaN(), Shift: math.NaN(), Limit: math.NaN(), Largest: math.NaN(),
			LargestAt: math.NaN()}
		if len(common) > 0 {
			e.Mean = 0
			for _, hz := range common {
				e.Mean += values[hz][i] / float64(len(common))
			}
			e.shift(before)
			for _, hz := range common {
				if len(base) == 0 {
					break
				}
				sum := 0.0
				for _, k := range base {
					sum += values[hz][k] / float64(len(base))
				}
				if d := values[hz][i] - sum; !(math.Abs(d) <= math.Abs(e.Largest)) {
					e.Largest, e.LargestAt = d, hz
				}
			}
			if !e.Drifted {
				before, base = append(before, e.Mean), append(base, i)
			}
		}
		c.Entries = append(c.Entries, e)
	}
	return c
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// shift holds a calibration against those before it: the next value of a normal distribution of which n values are
// known lies within t·s·√(1+1/n) of their mean (prediction interval, ISO 16269-8).
func (e *Entry) shift(before []float64) {
	n := float64(len(before))
	if len(before) < leastCalibrations {
		return
	}
	m, squares := mean(before), 0.0
	for _, x := range before {
		squares += (x - m) * (x - m)
	}
	k, err := uncertainty.CoverageFactor(driftConfidence, n-1)
	if err != nil {
		return
	}
	e.Shift, e.Limit = e.Mean-m, k*math.Sqrt(squares/(n-1)*(1+1/n))
	e.Drifted = math.Abs(e.Shift) > e.Limit
}

// RegisterTold answers what equipment there is, and how its calibrations went.
type RegisterTold struct {
	_ struct{} `tell:"basis=Basis equipment=Equipment control_charts=Charts"`
	Basis
	Equipment []archive.Registered
	Charts    []Control
	today     string
}

// AskRegister lists equipment by serial number with its certificates, and the control charts of its curves.
func AskRegister(ctx context.Context, a *archive.Archive, serial string, now time.Time) (t RegisterTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	t.today = now.Format(time.DateOnly)
	if t.Equipment, err = a.Equipment(ctx); err != nil {
		return t, err
	}
	if serial != "" {
		t.Equipment = slices.DeleteFunc(t.Equipment, func(r archive.Registered) bool { return r.Serial != serial })
	}
	all, err := a.Calibrations(ctx, serial)
	t.Charts = charts(all)
	return t, err
}

// Sections tell it.
func (t RegisterTold) Sections() []tell.Section {
	s := tell.Section{ID: "equipment", Title: "Equipment"}
	if len(t.Equipment) == 0 {
		return t.Basis.nothing(s)
	}
	table := tell.Table{ID: "equipment", Title: "Equipment by serial number, with its certificates over time",
		Columns: []tell.Column{column("serial number", ""), column("equipment", ""), column("certificate", ""),
			column("calibrated", ""), column("due", ""), column("runs", "1"), column("first used", ""),
			column("last used", "")}}
	for _, r := range t.Equipment {
		table.Add(cell(r.Serial), cell(piece(r.ItemFact)), cell(r.Certificate), cell(r.Calibrated), t.due(r),
			count(r.Runs),
			cell(day(r.First)), cell(day(r.Last)))
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	for _, c := range t.Charts {
		if len(c.Entries) > 1 {
			c.tell(&s)
		}
	}
	return t.Basis.under(s)
}

func (t RegisterTold) due(r archive.Registered) tell.Cell {
	switch {
	case r.Due != "" && r.Due < day(r.Last):
		return tell.Cell{Text: r.Due + ", used after it", Mark: "bad"}
	case r.Due != "" && r.Due < t.today:
		return tell.Cell{Text: r.Due + ", past", Mark: "warn"}
	}
	return cell(r.Due)
}

// chart draws the shifts with their limits, in the order of the calibrations.
func (c Control) chart() (tell.Chart, bool) {
	var shifts, limits []tell.Spot
	var at []float64
	most := 0.1
	for i, e := range c.Entries {
		x := float64(i + 1)
		at = append(at, x)
		if math.IsNaN(e.Limit) {
			continue
		}
		shifts = append(shifts, tell.Spot{X: x, Y: e.Shift, Says: fmt.Sprintf("calibration %d, %s: %+.2f dB, limit "+
			"%.2f dB", i+1,
			e.Calibrated, e.Shift, e.Limit)})
		limits = append(limits, tell.Spot{X: x, Y: -e.Limit, To: e.Limit})
		most = max(most, math.Abs(e.Shift), e.Limit)
	}
	return tell.Chart{ID: "figure-control-" + c.Serial + "-" + strings.ReplaceAll(c.What, " ", "-"),
		Title:   fmt.Sprintf("Shift of each calibration: %s of %s, %s", c.What, c.Item, c.Serial),
		Caption: "Shifts against the mean of the calibrations before, with their limits.", Tall: 0.6,
		X: tell.Axis{Labels: []string{"calibration, as numbered in the table", "calibration"}, Low: 0.5,
			High: float64(len(at)) + 0.5, At: at},
		Y: tell.Axis{Labels: []string{"shift (dB)"}, Low: -1.1 * most, High: 1.1 * most, Ticks: 5},
		Series: []tell.Series{{Name: "limits", Sign: tell.Whisker, Paint: tell.Soft, Spots: limits},
			{Name: "shift", Sign: tell.Dot, Paint: tell.After, Spots: shifts}},
	}, len(shifts) > 0
}

func (c Control) tell(s *tell.Section) {
	table := tell.Table{ID: "control-" + c.Serial + "-" + c.What,
		Title: fmt.Sprintf("Control chart: %s of %s, serial number %s", c.What,
			c.Item, c.Serial), Note: fmt.Sprintf("The mean over %s that all calibrations have; its shift is against "+
			"the mean of the "+
			"calibrations before it, and the limit holds the next of them with %v if nothing changed (prediction "+
			"interval, ISO 16269-8; normal, independent). No limit rests on fewer than %d calibrations.",
			english.Count(c.Frequencies, "frequency", "frequencies"), driftConfidence, leastCalibrations),
		Columns: []tell.Column{column("no.", "1"), column("calibrated", ""), column("first used", ""), column("runs",
			"1"),
			column("mean", c.Unit), column("shift", "dB"), column("limit", "dB"), column("largest at one frequency",
				""), column("", "")}}
	for i, e := range c.Entries {
		limit, word := cell("none yet"), tell.Cell{}
		if !math.IsNaN(e.Limit) {
			limit, word = decibel(e.Limit, ""), cell("within")
		}
		if e.Drifted {
			word = tell.Cell{Text: "DRIFTED", Mark: "bad"}
		}
		largest := cell("")
		if !math.IsNaN(e.Largest) {
			largest = cell(fmt.Sprintf("%+.2f dB at %v", e.Largest, rf.Frequency(e.LargestAt)))
		}
		shift := cell("")
		if !math.IsNaN(e.Shift) {
			shift = tell.Cell{Text: fmt.Sprintf("%+.2f dB", e.Shift), Number: fmt.Sprintf("%.3f", e.Shift)}
		}
		table.Add(count(i+1), cell(e.Calibrated), cell(day(e.First)), count(e.Runs), cell(fmt.Sprintf("%.2f %s", e.Mean,
			c.Unit)), shift, limit,
			largest, word)
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	if chart, ok := c.chart(); ok {
		s.Blocks = append(s.Blocks, tell.Block{Chart: &chart, Kind: tell.KindChart})
	}
}

// CheckTold says what an archive has against the equipment of a bench file.
type CheckTold struct {
	_ struct{} `tell:"basis=Basis bench=Bench warnings=Warnings notes=Notes"`
	Basis
	Bench    string
	Warnings []string
	Notes    []string
}

// Check holds the curves and due dates of a bench against what the archive knows of its equipment.
func Check(ctx context.Context, a *archive.Archive, b *catalog.Bench, now time.Time) (t CheckTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	t.Bench = b.Name
	for _, id := range b.Pieces() {
		if !id.Due.IsZero() && id.Due.Before(now) {
			t.Warnings = append(t.Warnings, fmt.Sprintf("%s, serial number %s: its calibration was due on %s", id.ID,
				id.Serial,
				id.Due.Format(time.DateOnly)))
		}
	}
	for _, f := range curveFacts(b) {
		if f.Serial == "" {
			continue
		}
		known, err := a.Calibrations(ctx, f.Serial)
		if err != nil {
			return t, err
		}
		known = slices.DeleteFunc(known, func(c archive.Calibration) bool {
			later := f.Calibrated != "" && c.Calibrated >= f.Calibrated
			return c.What != f.What || c.Unit != f.Unit || later || c.SHA256 == f.SHA256 && c.Calibrated == f.Calibrated
		})
		mine := archive.Calibration{Item: f.Item, Serial: f.Serial, What: f.What, Unit: f.Unit,
			Calibrated: f.Calibrated,
			SHA256:     f.SHA256}
		for _, p := range f.Points {
			mine.Points = append(mine.Points, archive.CurvePoint{Hz: p[0], Value: p[1]})
		}
		chart := chartOf(append(known, mine))
		e := chart.Entries[len(chart.Entries)-1]
		words := fmt.Sprintf("%s, serial number %s: %s", f.Item, f.Serial, f.What)
		switch {
		case len(known) == 0:
			t.Notes = append(t.Notes, words+": the archive knows no other calibration of it")
		case e.Drifted:
			t.Warnings = append(t.Warnings, fmt.Sprintf("%s: DRIFTED by %+.2f dB against %s before, %.2f dB is the "+
				"limit; most at %v, "+
				"%+.2f dB. Look for a damaged part or a wrong file before a run", words, e.Shift,
				english.Count(len(known),
					"calibration", "calibrations"), e.Limit, rf.Frequency(e.LargestAt), e.Largest))
		case math.IsNaN(e.Limit):
			t.Notes = append(t.Notes, fmt.Sprintf("%s: differs by at most %+.2f dB from %s before, too few for "+
				"limits", words, e.Largest,
				english.Count(len(known), "calibration", "calibrations")))
		default:
			t.Notes = append(t.Notes, fmt.Sprintf("%s: %+.2f dB against %s before, within the limit of %.2f dB",
				words, e.Shift,
				english.Count(len(known), "calibration", "calibrations"), e.Limit))
		}
	}
	return t, nil
}

// Sections tell it.
func (t CheckTold) Sections() []tell.Section {
	s := tell.Section{ID: "check", Title: "The equipment of " + t.Bench + " against the archive"}
	for _, w := range t.Warnings {
		s.Blocks = append(s.Blocks, tell.Block{Text: w, Mark: "warning"})
	}
	if len(t.Warnings) == 0 {
		s.Blocks = append(s.Blocks, tell.Block{Text: "Nothing that the archive knows speaks against a run."})
	}
	if len(t.Notes) > 0 {
		s.Blocks = append(s.Blocks, tell.Block{List: t.Notes})
	}
	return t.Basis.under(s)
}

// CorrectedTold is what a corrected curve makes of currents that were measured with the wrong one. No record changes.
type CorrectedTold struct {
	_ struct{} `tell:"basis=Basis serial=Serial corrected_with=Curve recomputed=Recomputed runs=Runs left=Left"`
	Basis
	Serial string
	Curve  string

	Recomputed bool // always: it is no measurement
	Runs       []Corrected
	Left       []string // runs that could not be recomputed, and why
}

// Corrected is one run with its upsets recomputed.
type Corrected struct {
	_ struct{} `tell:"upsets=Upsets stood=Stood"`
	archive.Where
	Upsets []CorrectedOnset
	Stood  []CorrectedOnset // frequencies that did not upset: the highest current that was stood
}

// CorrectedOnset is one onset as recorded and as recomputed, in dBµA.
type CorrectedOnset struct {
	_ struct{} `tell:"hz=Hz recorded_dbua=Recorded bound=Bound recomputed_dbua=Now change_db=Change margin_db=Margin"`

	Hz, Recorded float64
	Bound        string
	Now, Change  float64
	Margin       float64 // recomputed, NaN where no level was wanted
}

// AskCorrected recomputes the onsets of runs that measured with a probe: a current is a voltage less the probe's
// transfer impedance in dB, so that it moves by the old curve less the corrected one.
func AskCorrected(ctx context.Context, a *archive.Archive, serial, name string,
	corrected curve.Curve[rf.Transimpedance],
	f archive.Filter) (t CorrectedTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	t.Serial, t.Curve, t.Recomputed = serial, name, true
	uses, err := a.RunsWith(ctx, serial, f)
	if err != nil {
		return t, err
	}
	for _, u := range uses {
		r, err := correct(ctx, a, u.Where, serial, corrected)
		if err != nil {
			t.Left = append(t.Left, fmt.Sprintf("%s: %v", evidence(u.Where).Text, err))
		} else if len(r.Upsets)+len(r.Stood) > 0 {
			t.Runs = append(t.Runs, r)
		}
	}
	return t, nil
}

func correct(ctx context.Context, a *archive.Archive, w archive.Where, serial string,
	corrected curve.Curve[rf.Transimpedance]) (r Corrected, err error) {
	r.Where = w
	onsets, err := a.OnsetsOfRun(ctx, w)
	if err != nil || len(onsets) == 0 {
		return r, err
	}
	j, err := a.JobOf(ctx, w)
	if err != nil {
		return r, err
	}
	book := tell.Open(a.Source(ctx, j))
	run, err := book.Run(w.Run)
	if err != nil {
		return r, err
	}
	bench, err := book.Bench(run)
	if err != nil {
		return r, err
	}
	if bench.Probe == nil || bench.Probe.Serial != serial {
		return r, fmt.Errorf("serial number %s was not its monitoring probe: only a probe's curve can be corrected "+
			"afterwards", serial)
	}
	for _, o := range onsets {
		old, err := bench.Probe.TransferImpedance.At(rf.Frequency(o.Hz))
		if err != nil {
			return r, err
		}
		now, err := corrected.At(rf.Frequency(o.Hz))
		if err != nil {
			return r, fmt.Errorf("the corrected curve: %w", err)
		}
		x := CorrectedOnset{Hz: o.Hz, Recorded: o.Onset, Bound: o.Bound, Change: old.In() - now.In()}
		x.Now = o.Onset + x.Change
		if x.Margin = o.Margin + x.Change; !o.Upset {
			x.Margin = x.Now - o.Wanted
			r.Stood = append(r.Stood, x)
			continue
		}
		r.Upsets = append(r.Upsets, x)
	}
	return r, nil
}

// larger is the one of two changes that lies further from 0.
func larger(a, b float64) float64 {
	if math.Abs(b) > math.Abs(a) {
		return b
	}
	return a
}

// Sections tell it.
func (t CorrectedTold) Sections() []tell.Section {
	s := tell.Section{ID: "corrected", Title: "Recomputed with the corrected curve of serial number " + t.Serial}
	if len(t.Runs)+len(t.Left) == 0 {
		return t.Basis.nothing(s)
	}
	s.Blocks = append(s.Blocks, tell.Block{Mark: "warning", Text: "RECOMPUTED from records: no measurement, and no " +
		"record was " +
		"changed. Where the curves differ, the levels that were exposed were other ones than the plan asked for too."})
	table := tell.Table{ID: "corrected", Title: "Each run, as recorded and recomputed",
		Note: "Stood is the least, over the frequencies that did not upset, of what was stood against the level " +
			"wanted: below " +
			"0 dB the product was not shown to stand the level.",
		Columns: []tell.Column{column("date", ""), column("product", ""), column("lowest onset at", ""),
			column("recorded", "dBµA"), column("recomputed", "dBµA"), column("margin recomputed", "dB"),
			column("stood recomputed", ""), column("largest change", "dB"), column("run", "")}}
	every := tell.Table{ID: "corrected-all", Title: "Every onset", Columns: []tell.Column{column("run", ""),
		column("at", ""),
		column("recorded", "dBµA"), column("recomputed", "dBµA"), column("change", "dB")}}
	for _, r := range t.Runs {
		row := []tell.Cell{cell(day(r.Opened)), cell(r.Product), cell("no upset"), cell(""), cell(""), cell(""),
			cell(""), cell(""),
			evidence(r.Where)}
		low, most, stood := CorrectedOnset{Now: math.NaN()}, 0.0, CorrectedOnset{Margin: math.NaN()}
		for _, u := range r.Upsets {
			if !(u.Now >= low.Now) {
				low = u
			}
			most = larger(most, u.Change)
			every.Add(evidence(r.Where), cell(rf.Frequency(u.Hz).String()), microamps(u.Recorded), microamps(u.Now),
				decibel(u.Change, ""))
		}
		for _, u := range r.Stood {
			if !math.IsNaN(u.Margin) && !(u.Margin >= stood.Margin) {
				stood = u
			}
			most = larger(most, u.Change)
		}
		if len(r.Upsets) > 0 {
			row[2], row[3], row[4], row[5] = cell(rf.Frequency(low.Hz).String()), microamps(low.Recorded),
				microamps(low.Now),
				decibel(low.Margin, "")
		}
		if !math.IsNaN(stood.Margin) {
			row[6] = cell(fmt.Sprintf("%+.1f dB at %v", stood.Margin, rf.Frequency(stood.Hz)))
			if stood.Margin < -0.05 {
				row[6].Mark = "bad"
			}
		}
		row[7] = decibel(most, "")
		table.Add(row...)
	}
	if len(table.Rows) > 0 {
		s.Blocks = append(s.Blocks, tell.Block{Table: &table}, tell.Block{Table: &every, Annex: true})
	}
	if len(t.Left) > 0 {
		s.Blocks = append(s.Blocks, tell.Block{Text: "Not recomputed:"}, tell.Block{List: t.Left})
	}
	return t.Basis.under(s)
}

// piece names a piece of equipment.
func piece(i archive.ItemFact) string {
	if i.Description == "" {
		return i.ID
	}
	return i.ID + ", " + i.Description
}
