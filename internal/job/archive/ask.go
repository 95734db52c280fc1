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
	Text                                                 string  // words, "phrases" and -words in everything that people wrote
	Since, Until                                         string  // dates, 2026-11-30; both days belong to it
	Low, High                                            float64 // Hz; 0 for no end
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

// like is a text for LIKE that is found anywhere, with nothing of it read as a pattern.
func like(text string) string {
	return "%" + strings.NewReplacer(`\`, `\\`, `%`, `\%`, `_`, `\_`).Replace(strings.ToLower(text)) + "%"
}

// asking begins a question about runs that are told once, where a run was imported into another job.
func (a *Archive) asking(f Filter) (*asking, error) {
	q := &asking{a: a}
	q.add("f.original = 1")
	for _, x := range []struct{ column, text string }{{"product", f.Product}, {"version", f.Version}, {"cable", f.Cable},
		{"bench", f.Bench}, {"operator", f.Operator}} {
		if x.text != "" {
			q.add("lower(f."+x.column+`) LIKE ? ESCAPE '\'`, like(x.text))
		}
	}
	if f.Cause != "" {
		q.add("EXISTS (SELECT 1 FROM causes c WHERE c.run = f.run AND lower(c.cause) LIKE ? ESCAPE '\\')", like(f.Cause))
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
		q.add(`lower(f.changed) LIKE ? ESCAPE '\'`, like(f.Fix))
	}
	if f.Low > 0 || f.High > 0 || !math.IsNaN(f.LevelLow) || !math.IsNaN(f.LevelHigh) {
		in := asking{}
		in.overlap("o.hz", "o.hz", f)
		in.levels(f)
		q.add("EXISTS (SELECT 1 FROM onsets o WHERE o.run = f.run AND o.upset = 1 AND "+strings.Join(in.where, " AND ")+")",
			in.args...)
	}
	return out, q.get(ctx, "", runsFrom, "ORDER BY f.at DESC, r.id DESC", func(w Where, _ []string) { out = append(out, w) })
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
		q.add(`lower(x.fix) LIKE ? ESCAPE '\'`, like(f.Fix))
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
		q.add(`lower(f.changed) LIKE ? ESCAPE '\'`, like(f.Fix))
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
			out = append(out, Failed{Where: w, Low: float(s[0]), High: float(s[1]), Lowest: float(s[2]), LowestAt: float(s[3]),
				Margin: float(s[4])})
		})
	return out, err
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
	return out, q.get(ctx, "i.id, i.description, i.serial, i.certificate, i.calibrated, i.due", "items i JOIN run_facts f ON "+
		"f.run = i.run JOIN runs r ON r.id = f.run JOIN jobs j ON j.id = f.job", "ORDER BY f.at DESC, r.id DESC, i.id",
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
			"(SELECT coalesce(sum(count), 0) FROM runs), (SELECT count(*) FROM files), (SELECT count(*) FROM deletions), "+
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
