package archive

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
)

// RunFacts is what questions ask of a run. Numbers that are not known are NaN.
type RunFacts struct {
	Number                                                     int
	At, Kind, Label, Changed, Product, Version, Serial, Port   string
	Cable, Bench, Operator, Room, Profile, Modulation, Verdict string
	Exposed, Upsets                                            int
	Words                                                      string // all of it that text is looked for in
	Onsets                                                     []OnsetFact
	Bands                                                      []BandFact
	Causes                                                     []CauseFact
	Items                                                      []ItemFact
	Curves                                                     []CurveFact
}

// OnsetFact is one frequency: the onset in dBµA, or what was stood ("at least"), the level wanted, the margin in dB,
// and the expanded uncertainty in dB.
type OnsetFact struct {
	Hz                float64
	Upset             bool
	Onset             float64
	Bound             string
	Wanted, Margin, U float64
	Class             string
}

// BandFact is a failing band.
type BandFact struct{ Low, High, Lowest, LowestAt, Margin float64 }

// CauseFact is a cause that the evidence of a band points to.
type CauseFact struct {
	Low, High       float64
	Cause, Strength string
}

// ItemFact is a piece of equipment of a run.
type ItemFact struct{ ID, Description, Serial, Certificate, Calibrated, Due string }

// CurveFact is a curve of figures that a run used.
type CurveFact struct {
	Item, Serial, What, Source, Unit, Calibrated, SHA256 string
	Points                                               [][2]float64 // hertz and value in the unit
}

// FixFact is what one change did to one failing band, by the comparison of two runs.
type FixFact struct {
	Before, After      int
	Fix, Verdict, Fate string
	Low, High          float64
	// Gain is what the onset rose by at the frequency At that had the lowest one in the band, in dB, with its bound;
	// Least is the least over the band, which its edges give that just failed before.
	At, Gain, Least float64
	Bound           string
}

// Facts are what is derived from a job.
type Facts struct {
	Runs  []RunFacts
	Fixes []FixFact
}

// known is a number for the database, nil where it is not known.
func known(x float64) any {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return x
}

// SetFacts puts what was derived from a job in the place of what was derived from it before. Where the job has grown
// since it was looked up, nothing is put: whoever let it grow derives.
func (a *Archive) SetFacts(ctx context.Context, j Job, f Facts) error {
	err := a.within(ctx, true, func(t tx) error {
		if err := a.lock(ctx, t, jobLock(j.Root)); err != nil {
			return err
		}
		now, err := a.jobs(ctx, t, "id = ?", j.ID)
		if err != nil || len(now) != 1 || now[0].Integrity() != j.Integrity() {
			return err
		}
		if err := a.forget(ctx, t, j); err != nil {
			return err
		}
		if err := a.put(ctx, t, j, f); err != nil {
			return err
		}
		_, err = t.exec(ctx, "UPDATE jobs SET derived = ?, program = ? WHERE id = ?", j.Integrity(), a.program, j.ID)
		return err
	})
	if err != nil {
		return fmt.Errorf("keep the findings of %s in %s: %w", j.Name, a.At(), err)
	}
	return nil
}

// forget takes out what was derived from a job.
func (a *Archive) forget(ctx context.Context, t tx, j Job) error {
	for _, table := range factTables {
		if _, err := t.exec(ctx, "DELETE FROM "+table+" WHERE run IN (SELECT id FROM runs WHERE job = ?)",
			j.ID); err != nil {
			return err
		}
	}
	_, err := t.exec(ctx, "DELETE FROM fixes WHERE job = ?", j.ID)
	return err
}

func (a *Archive) put(ctx context.Context, t tx, j Job, f Facts) error {
	ids := map[int]Run{}
	for _, r := range j.Runs {
		ids[r.Number] = r
	}
	tables := map[string][][]any{}
	add := func(table string, row ...any) {
		for i, v := range row { // what a product or a person wrote; a server's text holds no NUL
			if text, ok := v.(string); ok {
				row[i] = strings.ReplaceAll(strings.ToValidUTF8(text, "\uFFFD"), "\x00", "\uFFFD")
			}
		}
		tables[table] = append(tables[table], row)
	}
	for _, r := range f.Runs {
		run, ok := ids[r.Number]
		if !ok {
			return fmt.Errorf("no run %d", r.Number)
		}
		// A run that is in two jobs, imported or in a copy that went another way, is told once.
		_, elsewhere, err := one(ctx, t, "SELECT 1 FROM runs WHERE root = ? AND id <> ? AND imported = 0 AND (id < "+
			"? OR ? = 1) "+
			"LIMIT 1", run.Root, run.ID, run.ID, flag(run.Imported))
		if err != nil {
			return err
		}
		original := flag(!elsewhere)
		if !run.Imported {
			if _, err := t.exec(ctx, "UPDATE run_facts SET original = 0 WHERE run IN (SELECT id FROM runs WHERE "+
				"root = ? AND imported = 1)", run.Root); err != nil {
				return err
			}
		}
		add("run_facts", run.ID, j.ID, r.Number, r.At, r.Kind, r.Label, r.Changed, r.Product, r.Version, r.Serial,
			r.Port,
			r.Cable, r.Bench, r.Operator, r.Room, r.Profile, r.Modulation, r.Verdict, r.Exposed, r.Upsets, original,
			r.Words,
			a.program)
		for _, o := range r.Onsets {
			add("onsets", run.ID, o.Hz, flag(o.Upset), known(o.Onset), o.Bound, known(o.Wanted), known(o.Margin),
				o.Class,
				known(o.U))
		}
		for _, b := range r.Bands {
			add("bands", run.ID, b.Low, b.High, known(b.Lowest), known(b.LowestAt), known(b.Margin))
		}
		for _, c := range r.Causes {
			add("causes", run.ID, c.Low, c.High, c.Cause, c.Strength)
		}
		for _, i := range r.Items {
			add("items", run.ID, i.ID, i.Description, i.Serial, i.Certificate, i.Calibrated, i.Due)
		}
		for _, c := range r.Curves {
			add("curves", run.ID, c.Item, c.Serial, c.What, c.Source, c.Unit, c.Calibrated, c.SHA256)
			if err := putPoints(ctx, t, c); err != nil {
				return err
			}
		}
	}
	for _, x := range f.Fixes {
		before, ok := ids[x.Before]
		after, ok2 := ids[x.After]
		if !ok || !ok2 {
			return errors.New("a comparison of runs that are not there")
		}
		add("fixes", j.ID, before.ID, after.ID, x.Fix, x.Verdict, x.Low, x.High, x.Fate, x.At, known(x.Gain), x.Bound,
			known(x.Least))
	}
	for _, table := range factColumns {
		rows := tables[table.name]
		n := 0
		if len(rows) == 0 {
			continue
		}
		if err := t.load(ctx, table.name, table.columns, func() ([]any, error) {
			if n == len(rows) {
				return nil, nil
			}
			n++
			return rows[n-1], nil
		}); err != nil {
			return err
		}
	}
	return nil
}

// factColumns are the columns of the tables of facts in the order in which put writes them.
var factColumns = []struct {
	name    string
	columns []string
}{
	{"run_facts", []string{"run", "job", "number", "at", "kind", "label", "changed", "product", "version", "serial",
		"port",
		"cable", "bench", "operator", "room", "profile", "modulation", "verdict", "exposed", "upsets", "original",
		"words",
		"program"}},
	{"onsets", []string{"run", "hz", "upset", "onset", "bound", "wanted", "margin", "class", "u"}},
	{"bands", []string{"run", "low", "high", "lowest", "lowest_at", "margin"}},
	{"causes", []string{"run", "low", "high", "cause", "strength"}},
	{"items", []string{"run", "id", "description", "serial", "certificate", "calibrated", "due"}},
	{"curves", []string{"run", "item", "serial", "what", "source", "unit", "calibrated", "sha256"}},
	{"fixes", []string{"job", "before", "after", "fix", "verdict", "low", "high", "fate", "at_hz", "gain",
		"bound", "least"}},
}

// putPoints keeps the values of a curve, which its hash names, once.
func putPoints(ctx context.Context, t tx, c CurveFact) error {
	_, there, err := one(ctx, t, "SELECT 1 FROM curve_points WHERE sha256 = ? LIMIT 1", c.SHA256)
	if err != nil || there {
		return err
	}
	for _, p := range c.Points {
		if _, err := t.exec(ctx, "INSERT INTO curve_points (sha256, hz, value) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
			c.SHA256, p[0], p[1]); err != nil {
			return err
		}
	}
	return nil
}
