// Package recall asks an archive of jobs: it derives what questions stand on from the records, asks, and tells the
// answers as sections that a terminal, a page and JSON print.
package recall

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/archive"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// Derive works out the facts of a job from its records, as findings and comparisons print them.
func Derive(job tell.Source) (archive.Facts, error) {
	book := tell.Open(job)
	heads, err := book.Heads()
	if err != nil {
		return archive.Facts{}, err
	}
	var out archive.Facts
	for _, h := range heads {
		r, err := runFacts(book, h)
		if err != nil {
			return out, fmt.Errorf("run %d: %w", h.Number, err)
		}
		out.Runs = append(out.Runs, r)
	}
	for _, pair := range pairs(heads) {
		fixes, err := fixFacts(book, pair[0], pair[1])
		if err != nil {
			return out, fmt.Errorf("runs %d and %d: %w", pair[0], pair[1], err)
		}
		out.Fixes = append(out.Fixes, fixes...)
	}
	return out, nil
}

// pairs are the runs that are compared: each exposure before which something was changed with the exposure before it,
// so that a change is not credited with what earlier ones did.
func pairs(heads []result.Run) (out [][2]int) {
	before := 0
	for _, h := range heads {
		if h.Opened.RunKind != plan.Exposure {
			continue
		}
		if h.Opened.Changed != "" && before != 0 {
			out = append(out, [2]int{before, h.Number})
		}
		before = h.Number
	}
	return out
}

func runFacts(book *tell.Book, head result.Run) (archive.RunFacts, error) {
	o := head.Opened
	set := map[string]string{}
	for _, f := range o.Setup {
		set[f.Name] = f.Value
	}
	f := archive.RunFacts{Number: head.Number, Kind: string(o.RunKind), Label: o.Label, Changed: o.Changed,
		Product: set[event.SetupProduct], Version: set[event.SetupVersion], Port: set[event.SetupPort],
		Cable: set[event.SetupCableKind], Operator: o.Operator, Room: o.Room, Profile: o.Profile.Title,
		Modulation: o.Modulation.String(), Verdict: string(head.Verdict)}
	for _, e := range o.Equipment {
		f.Items = append(f.Items, archive.ItemFact{ID: e.ID, Description: e.Description, Serial: e.Serial,
			Certificate: e.Certificate, Calibrated: e.Calibrated, Due: e.Due})
	}
	words := []string{o.Label, o.Changed, f.Product, f.Version, f.Port, f.Cable, set[event.SetupCable], o.Operator,
		o.Room,
		f.Profile}
	if bench, err := book.Bench(head); err == nil {
		f.Bench, f.Serial = bench.Name, bench.DUT.Serial
		words = append(words, f.Bench, f.Serial)
		f.Curves = curveFacts(bench)
	}
	run, findings, err := book.Findings(head.Number)
	if err != nil {
		return f, err
	}
	f.At = event.FormatTime(run.OpenedAt)
	if o.RunKind == plan.Exposure || o.RunKind == plan.Control {
		if err := bandFacts(book, run, findings, &f); err != nil {
			return f, err
		}
	}
	for _, n := range run.Notes {
		words = append(words, n.Text)
	}
	f.Words = strings.Join(words, " \n")
	return f, nil
}

// sampled are the frequencies at which the curves of equipment are kept: 1, 2, 5 of each decade.
var sampled = func() (out []rf.Frequency) {
	for decade := 1e4; decade < 1e9; decade *= 10 {
		out = append(out, rf.Frequency(decade), rf.Frequency(2*decade), rf.Frequency(5*decade))
	}
	return out
}()

func curveFacts(b *catalog.Bench) (out []archive.CurveFact) {
	for _, c := range b.CurvesUsed() {
		f := archive.CurveFact{Item: c.Item.ID, Serial: c.Item.Serial, What: c.What, Source: c.Source, Unit: c.Unit,
			SHA256: c.Hash}
		if !c.Item.Calibrated.IsZero() {
			f.Calibrated = c.Item.Calibrated.Format(time.DateOnly)
		}
		for _, hz := range sampled {
			if v, ok := c.At(hz); ok {
				f.Points = append(f.Points, [2]float64{float64(hz), v})
			}
		}
		out = append(out, f)
	}
	return out
}

// bandFacts are the onsets and bands of a run, with what its evidence points to.
func bandFacts(book *tell.Book, run result.Run, findings analysis.Findings, f *archive.RunFacts) error {
	onsets, err := book.Onsets(run, findings)
	if err != nil {
		return err
	}
	f.Exposed, f.Upsets = findings.OfGrid, findings.Upsets
	for _, p := range findings.Points {
		if !p.Tested() {
			continue
		}
		x := archive.OnsetFact{Hz: float64(p.Frequency), Upset: p.Upset, Onset: current(p.Onset),
			Bound:  p.Onset.Bound().String(),
			Wanted: current(p.Wanted), Margin: float64(p.Margin), Class: string(p.Class), U: math.NaN()}
		if u, ok := onsets.At[p.Frequency]; ok {
			x.U = float64(u.U())
		}
		f.Onsets = append(f.Onsets, x)
	}
	for _, b := range findings.Bands {
		f.Bands = append(f.Bands, archive.BandFact{Low: float64(b.Low.Frequency), High: float64(b.High.Frequency),
			Lowest: current(b.Lowest.Onset), LowestAt: float64(b.Lowest.Frequency), Margin: float64(b.Lowest.Margin)})
	}
	if len(findings.Bands) == 0 || analysis.NoLoop(run) != nil {
		return nil
	}
	why, err := book.Evidence(run.Number)
	if err != nil {
		return err
	}
	for _, b := range why.Bands {
		for _, l := range b.Lines {
			f.Causes = append(f.Causes, archive.CauseFact{Low: float64(b.Low.Frequency),
				High:  float64(b.High.Frequency),
				Cause: l.For, Strength: string(l.Strength)})
		}
	}
	return nil
}

// current is a level in dBµA, NaN for none.
func current(c rf.Current) float64 {
	if !c.Known() || c.IsOff() {
		return math.NaN()
	}
	return c.In()
}

// fixFacts are what a change did to each band that failed before it.
func fixFacts(book *tell.Book, before, after int) (out []archive.FixFact, err error) {
	c, err := book.Compared(before, after, 0, nil)
	if err != nil {
		return nil, err
	}
	for _, b := range c.Bands {
		if b.Before == nil {
			continue
		}
		x := archive.FixFact{Before: before, After: after, Fix: c.After.Opened.Changed, Verdict: string(c.Verdict),
			Fate: string(b.Fate),
			Low:  float64(b.Before.Low.Frequency), High: float64(b.Before.High.Frequency),
			At: float64(b.Before.Lowest.Frequency), Gain: math.NaN(), Least: float64(b.LeastGain)}
		for _, p := range c.Points {
			if p.Frequency == b.Before.Lowest.Frequency {
				x.Gain, x.Bound = float64(p.Gain), p.GainBound.String()
			}
		}
		out = append(out, x)
	}
	return out, nil
}

// Refresh derives the facts of jobs anew.
func Refresh(ctx context.Context, a *archive.Archive, jobs ...archive.Job) error {
	for _, j := range jobs {
		facts, err := Derive(a.Source(ctx, j))
		if err == nil {
			err = a.SetFacts(ctx, j, facts)
		}
		if err != nil {
			return fmt.Errorf("derive the findings of %s: %w", j.Name, err)
		}
	}
	return nil
}
