package archive

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Filter narrows a question to runs and frequencies. Empty fields ask for all; texts are looked for anywhere in the
// field, whatever their case.
type Filter struct {
	Product, Version, Cable, Bench, Operator, Fix, Cause string
	// Text is words, "phrases" and -words in everything that people wrote.
	Text         string
	Since, Until string  // dates, 2026-11-30; both days belong to it
	Low, High    float64 // Hz; 0 for no end
	// LevelLow and LevelHigh bound an onset in dBµA; NaN for no end.
	LevelLow, LevelHigh float64
}

// Where names a run as evidence.
type Where struct {
	_      struct{} `tell:"job=Job run=Run head=Head opened=Opened product=Product version=Version cable=Cable bench=Bench"`
	_      struct{} `tell:"operator=Operator label=Label changed=Changed verdict=Verdict"`
	Job    string
	Run    int
	Head   string
	Opened string

	Product, Version, Cable, Bench, Operator, Label, Changed, Verdict string
	id                                                                int64
}

const whereColumns = "j.name, r.run, r.head, r.opened, f.product, f.version, f.cable, f.bench, f.operator, f.label, " +
	"f.changed, f.verdict, r.id"

const whereFields = 13

func whereOf(s []string) Where {
	return Where{Job: s[0], Run: int(number(s[1])), Head: s[2], Opened: s[3], Product: s[4], Version: s[5], Cable: s[6],
		Bench: s[7], Operator: s[8], Label: s[9], Changed: s[10], Verdict: s[11], id: number(s[12])}
}

// asking gathers the conditions of a question.
type asking struct {
	a     *Archive
	where []string
	args  []any
}

func (q *asking) add(condition string, args ...any) {
	q.where = append(q.where, condition)
	q.args = append(q.args, args...)
}

// like is a text for LIKE that is found anywhere, with nothing of it read as a pattern. The engine lowers both sides:
// not every server's locale knows the same letters.
func like(text string) string {
	return "%" + strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(text) + "%"
}

// asking begins a question about runs that are told once, where a run was imported into another job.
func (a *Archive) asking(f Filter) (*asking, error) {
	q := &asking{a: a}
	q.add("f.original = 1")
	for _, x := range []struct{ column, text string }{{"product", f.Product}, {"version", f.Version}, {"cable",
		f.Cable},
		{"bench", f.Bench}, {"operator", f.Operator}} {
		if x.text != "" {
			q.add("lower(f."+x.column+`) LIKE lower(?) ESCAPE '\'`, like(x.text))
		}
	}
	if f.Cause != "" {
		q.add("EXISTS (SELECT 1 FROM causes c WHERE c.run = f.run AND lower(c.cause) LIKE lower(?) ESCAPE '\\')",
			like(f.Cause))
	}
	if f.Since != "" {
		q.add("f.at >= ?", f.Since)
	}
	if f.Until != "" {
		q.add("f.at < ?", f.Until+"~") // behind every time of that day
	}
	if f.Text != "" {
		all := terms(f.Text)
		some := false
		for _, t := range all {
			some = some || !t.not
		}
		if !some {
			return nil, fmt.Errorf("the text %q names no word that is to be there", f.Text)
		}
		q.add(a.say.match, a.say.query(all))
	}
	return q, nil
}

// overlap asks for what lies at least partly between two frequencies.
func (q *asking) overlap(low, high string, f Filter) {
	if f.Low > 0 {
		q.add(high+" >= ?", f.Low)
	}
	if f.High > 0 {
		q.add(low+" <= ?", f.High)
	}
}

// get asks; take gets the columns of a Where first.
func (q *asking) get(ctx context.Context, columns, from, behind string, take func(w Where, rest []string)) error {
	text := "SELECT " + whereColumns
	if columns != "" {
		text += ", " + columns
	}
	text += " FROM " + from + " WHERE " + strings.Join(q.where, " AND ") + " " + behind
	err := q.a.within(ctx, false, func(t tx) error {
		return t.rows(ctx, text, func(fields [][]byte) error {
			s := texts(fields)
			take(whereOf(s), s[whereFields:])
			return nil
		}, q.args...)
	})
	if err != nil {
		return fmt.Errorf("ask %s: %w", q.a.At(), err)
	}
	return nil
}

const runsFrom = "run_facts f JOIN runs r ON r.id = f.run JOIN jobs j ON j.id = f.job"

func float(s string) float64 {
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.NaN()
	}
	return x
}

// Runs lists runs, the newest first.
func (a *Archive) Runs(ctx context.Context, f Filter) (out []Where, err error) {
	q, err := a.asking(f)
	if err != nil {
		return nil, err
	}
	if f.Fix != "" {
		q.add(`lower(f.changed) LIKE lower(?) ESCAPE '\'`, like(f.Fix))
	}
	if f.Low > 0 || f.High > 0 || !math.IsNaN(f.LevelLow) || !math.IsNaN(f.LevelHigh) {
		in := asking{}
		in.overlap("o.hz", "o.hz", f)
		in.levels(f)
		q.add("EXISTS (SELECT 1 FROM onsets o WHERE o.run = f.run AND o.upset = 1 AND "+strings.Join(in.where,
			" AND ")+")",
			in.args...)
	}
	return out, q.get(ctx, "", runsFrom, "ORDER BY f.at DESC, r.id DESC", func(w Where,
		_ []string) {
		out = append(out, w)
	})
}

func (q *asking) levels(f Filter) {
	if !math.IsNaN(f.LevelLow) {
		q.add("o.onset >= ?", f.LevelLow)
	}
	if !math.IsNaN(f.LevelHigh) {
		q.add("o.onset <= ?", f.LevelHigh)
	}
}

// Fixed is a change and what it did to one failing band.
type Fixed struct {
	_     struct{} `tell:"fix=Fix gain_db=Gain gain_bound=Bound gain_hz=At least_gain_db=Least fate=Fate"`
	_     struct{} `tell:"comparison=Shown low_hz=Low high_hz=High"`
	_     struct{} `tell:"before_run=Before"`
	Where          // of the run after it
	Fix   string
	// Gain is that of the frequency At with the lowest onset before, in dB; Least is the least over the band. NaN where
	// not known.
	Gain, At, Least float64
	Bound           string
	Fate            string
	Shown           string // the verdict of the comparison
	// Low and High are the band before.
	Low, High float64
	Before    int
}

// Fixes lists what changes did to failing bands; least is the smallest gain asked for, NaN for all.
func (a *Archive) Fixes(ctx context.Context, f Filter, least float64) (out []Fixed, err error) {
	q, err := a.asking(f)
	if err != nil {
		return nil, err
	}
	q.overlap("x.low", "x.high", f)
	if f.Fix != "" {
		q.add(`lower(x.fix) LIKE lower(?) ESCAPE '\'`, like(f.Fix))
	}
	if !math.IsNaN(least) {
		q.add("x.gain >= ? AND x.bound <> 'at most'", least)
	}
	return out, q.get(ctx, "x.fix, x.gain, x.bound, x.fate, x.verdict, x.low, x.high, b.run, x.at_hz, x.least",
		"fixes x JOIN run_facts f ON f.run = x.after JOIN runs r ON r.id = f.run JOIN jobs j ON j.id = f.job "+
			"JOIN runs b ON b.id = x.before", "ORDER BY x.gain DESC, f.at, r.id, x.low", func(w Where, s []string) {
			out = append(out, Fixed{Where: w, Fix: s[0], Gain: float(s[1]), Bound: s[2], Fate: s[3], Shown: s[4],
				Low: float(s[5]), High: float(s[6]), Before: int(number(s[7])), At: float(s[8]),
				Least: float(s[9])})
		})
}

// Failed is a failing band of a run.
type Failed struct {
	_ struct{} `tell:"low_hz=Low high_hz=High onset_dbua=Lowest onset_hz=LowestAt margin_db=Margin causes=Causes,omit"`
	Where
	Low, High        float64
	Lowest, LowestAt float64 // dBµA
	Margin           float64
	Causes           []string
}

// Failures lists failing bands of exposures.
func (a *Archive) Failures(ctx context.Context, f Filter) (out []Failed, err error) {
	q, err := a.asking(f)
	if err != nil {
		return nil, err
	}
	q.add("f.kind = 'exposure'")
	q.overlap("o.low", "o.high", f)
	if f.Fix != "" {
		q.add(`lower(f.changed) LIKE lower(?) ESCAPE '\'`, like(f.Fix))
	}
	if !math.IsNaN(f.LevelLow) {
		q.add("o.lowest >= ?", f.LevelLow)
	}
	if !math.IsNaN(f.LevelHigh) {
		q.add("o.lowest <= ?", f.LevelHigh)
	}
	err = q.get(ctx, "o.low, o.high, o.lowest, o.lowest_at, o.margin", "bands o JOIN run_facts f ON f.run = o.run "+
		"JOIN runs r ON r.id = f.run JOIN jobs j ON j.id = f.job", "ORDER BY o.lowest, r.id, o.low",
		func(w Where, s []string) {
			out = append(out, Failed{Where: w, Low: float(s[0]), High: float(s[1]), Lowest: float(s[2]),
				LowestAt: float(s[3]),
				Margin:   float(s[4])})
		})
	return out, err
}

// AsReceived lists exposures before which nothing was changed, the newest first, each with its failing bands, or once
// with none where it has no upset.
func (a *Archive) AsReceived(ctx context.Context, f Filter) (out []Failed, err error) {
	q, err := a.asking(f)
	if err != nil {
		return nil, err
	}
	q.add("f.kind = 'exposure' AND f.changed = ''")
	in := asking{}
	in.overlap("o.low", "o.high", f)
	q.args = append(in.args, q.args...)
	join := strings.Join(append([]string{"o.run = f.run"}, in.where...), " AND ")
	return out, q.get(ctx, "o.low, o.high, o.lowest, o.lowest_at, o.margin", runsFrom+" LEFT JOIN bands o ON "+join,
		"ORDER BY f.at DESC, r.id DESC, o.low", func(w Where, s []string) {
			out = append(out, Failed{Where: w, Low: float(s[0]), High: float(s[1]), Lowest: float(s[2]),
				LowestAt: float(s[3]), Margin: float(s[4])})
		})
}

// Onsets are the upsets of one run by frequency, in dBµA with their expanded uncertainties in dB.
type Onsets struct {
	Where
	Profile, Modulation string
	At                  []OnsetFact
}

// OnsetsOf lists the exposures of a product before which nothing was changed, with their upsets, the newest first.
func (a *Archive) OnsetsOf(ctx context.Context, f Filter) (out []Onsets, err error) {
	q, err := a.asking(f)
	if err != nil {
		return nil, err
	}
	q.add("f.kind = 'exposure' AND f.changed = ''")
	q.overlap("o.hz", "o.hz", f)
	last := int64(0)
	err = q.get(ctx, "f.profile, f.modulation, o.hz, o.upset, o.onset, o.bound, o.wanted, o.margin, o.class, o.u",
		"onsets o JOIN run_facts f ON f.run = o.run JOIN runs r ON r.id = f.run JOIN jobs j ON j.id = f.job",
		"ORDER BY f.at DESC, r.id DESC, o.hz", func(w Where, s []string) {
			if w.id != last {
				last = w.id
				out = append(out, Onsets{Where: w, Profile: s[0], Modulation: s[1]})
			}
			o := &out[len(out)-1]
			o.At = append(o.At, OnsetFact{Hz: float(s[2]), Upset: s[3] == "1", Onset: float(s[4]), Bound: s[5],
				Wanted: float(s[6]), Margin: float(s[7]), Class: s[8], U: float(s[9])})
		})
	return out, err
}

// Used is a run that used a piece of equipment.
type Used struct {
	_ struct{} `tell:"id=ID description=Description serial=Serial certificate=Certificate calibrated=Calibrated due=Due"`
	Where
	ItemFact
}

// RunsWith lists the runs that used equipment with a serial number, or one whose description holds a text.
func (a *Archive) RunsWith(ctx context.Context, serial string, f Filter) (out []Used, err error) {
	q, err := a.asking(f)
	if err != nil {
		return nil, err
	}
	if serial != "" {
		q.add("i.serial = ?", serial)
	}
	return out, q.get(ctx, "i.id, i.description, i.serial, i.certificate, i.calibrated, i.due",
		"items i JOIN run_facts f ON f.run = i.run JOIN runs r ON r.id = f.run JOIN jobs j ON j.id = f.job",
		"ORDER BY f.at DESC, r.id DESC, i.id",
		func(w Where, s []string) {
			out = append(out, Used{Where: w, ItemFact: ItemFact{s[0], s[1], s[2], s[3], s[4], s[5]}})
		})
}

// State is what an archive holds, and from which version of the program its findings are.
type State struct {
	Jobs, Runs, Records, Files, Deleted int64
	// Derived counts jobs by the version of the program that derived their findings; Stale those whose findings are not
	// of what they hold now.
	Derived []DerivedBy
	Stale   int64
}

// DerivedBy counts the jobs whose findings a version derived.
type DerivedBy struct {
	Program string
	Jobs    int64
}

// State counts.
func (a *Archive) State(ctx context.Context) (s State, err error) {
	err = a.within(ctx, false, func(t tx) error {
		row, _, err := one(ctx, t, "SELECT (SELECT count(*) FROM jobs), (SELECT count(*) FROM runs), "+
			"(SELECT coalesce(sum(count), 0) FROM runs), (SELECT count(*) FROM files), (SELECT count(*) FROM "+
			"deletions), "+
			"(SELECT count(*) FROM jobs WHERE derived = '')")
		if err != nil {
			return err
		}
		s.Jobs, s.Runs, s.Records, s.Files, s.Deleted = number(row[0]), number(row[1]), number(row[2]), number(row[3]),
			number(row[4])
		s.Stale = number(row[5])
		return t.rows(ctx, "SELECT program, count(*) FROM jobs WHERE derived <> '' GROUP BY program ORDER BY program",
			func(f [][]byte) error {
				s.Derived = append(s.Derived, DerivedBy{string(f[0]), number(string(f[1]))})
				return nil
			})
	})
	if err != nil {
		return s, err
	}
	return s, err
}

// Calibration is a curve of a piece of equipment as runs used it: one row for each that its hash tells apart.
type Calibration struct {
	_ struct{} `tell:"id=Item serial=Serial what=What source=Source unit=Unit calibrated=Calibrated curve=SHA256"`
	_ struct{} `tell:"first_used=First last_used=Last runs=Runs points=Points"`

	Item, Serial, What, Source, Unit, Calibrated, SHA256, First, Last string
	Runs                                                              int
	Points                                                            []CurvePoint
}

// CurvePoint is a value of a curve.
type CurvePoint struct {
	_         struct{} `tell:"hz=Hz value=Value"`
	Hz, Value float64
}

// Calibrations lists the curves of equipment by serial number ("" for all that have one), the oldest first: by the day
// of calibration where the bench files say it, else by the first use.
func (a *Archive) Calibrations(ctx context.Context, serial string) (out []Calibration, err error) {
	where, args := "c.serial <> ''", []any{}
	if serial != "" {
		where, args = "c.serial = ?", []any{serial}
	}
	err = a.within(ctx, false, func(t tx) error {
		if err := t.rows(ctx, "SELECT min(c.item), c.serial, c.what, min(c.source), c.unit, c.calibrated, "+
			"c.sha256, min(f.at), "+
			"max(f.at), count(*) FROM curves c JOIN run_facts f ON f.run = c.run WHERE f.original = 1 AND "+where+
			" GROUP BY c.serial, c.what, c.unit, c.calibrated, c.sha256 ORDER BY c.serial, c.what, "+
			"CASE WHEN c.calibrated <> '' THEN c.calibrated ELSE min(f.at) END, min(f.at)", func(f [][]byte) error {
			s := texts(f)
			out = append(out, Calibration{Item: s[0], Serial: s[1], What: s[2], Source: s[3], Unit: s[4],
				Calibrated: s[5],
				SHA256:     s[6], First: s[7], Last: s[8], Runs: int(number(s[9]))})
			return nil
		}, args...); err != nil {
			return err
		}
		for i := range out {
			if err := t.rows(ctx, "SELECT hz, value FROM curve_points WHERE sha256 = ? ORDER BY hz",
				func(f [][]byte) error {
					p := CurvePoint{Hz: float(string(f[0])), Value: float(string(f[1]))}
					out[i].Points = append(out[i].Points, p)
					return nil
				}, out[i].SHA256); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		err = fmt.Errorf("ask %s: %w", a.At(), err)
	}
	return out, err
}

// Equipment lists what runs used, by serial number, with certificates and due dates over time.
func (a *Archive) Equipment(ctx context.Context) (out []Registered, err error) {
	err = a.within(ctx, false, func(t tx) error {
		return t.rows(ctx, "SELECT i.serial, min(i.id), min(i.description), i.certificate, i.calibrated, i.due, "+
			"count(*), min(f.at), "+
			"max(f.at) FROM items i JOIN run_facts f ON f.run = i.run WHERE i.serial <> '' AND f.original = 1 "+
			"GROUP BY i.serial, i.certificate, i.calibrated, i.due ORDER BY i.serial, i.calibrated, min(f.at)",
			func(f [][]byte) error {
				s := texts(f)
				out = append(out, Registered{ItemFact: ItemFact{Serial: s[0], ID: s[1], Description: s[2],
					Certificate: s[3],
					Calibrated:  s[4], Due: s[5]}, Runs: int(number(s[6])), First: s[7], Last: s[8]})
				return nil
			})
	})
	if err != nil {
		err = fmt.Errorf("ask %s: %w", a.At(), err)
	}
	return out, err
}

// Registered is a piece of equipment under one certificate.
type Registered struct {
	_ struct{} `tell:"serial=Serial id=ID description=Description certificate=Certificate calibrated=Calibrated due=Due"`
	_ struct{} `tell:"runs=Runs first_used=First last_used=Last"`
	ItemFact

	Runs        int
	First, Last string
}

// OnsetsOfRun are the onsets of a run by frequency, and what it stood where nothing upset.
func (a *Archive) OnsetsOfRun(ctx context.Context, w Where) (out []OnsetFact, err error) {
	err = a.within(ctx, false, func(t tx) error {
		return t.rows(ctx, "SELECT hz, upset, onset, bound, wanted, margin, class, u FROM onsets WHERE run = ? "+
			"ORDER BY hz",
			func(f [][]byte) error {
				s := texts(f)
				out = append(out, OnsetFact{Hz: float(s[0]), Upset: s[1] == "1", Onset: float(s[2]), Bound: s[3],
					Wanted: float(s[4]), Margin: float(s[5]), Class: s[6], U: float(s[7])})
				return nil
			}, w.id)
	})
	return out, err
}

// JobOf is the job of a run that was named as evidence.
func (a *Archive) JobOf(ctx context.Context, w Where) (j Job, err error) {
	err = a.within(ctx, false, func(t tx) error {
		jobs, err := a.jobs(ctx, t, "id = (SELECT job FROM runs WHERE id = ?)", w.id)
		if err == nil && len(jobs) != 1 {
			err = ErrNoJob
		}
		if err == nil {
			j = jobs[0]
		}
		return err
	})
	return j, err
}
