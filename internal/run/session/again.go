package session

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// raise works out where a plan has to expose to more than the level wanted: for a guard band, and to show a difference
// to the run that it exposes again. It raises the plan's points where that was accepted, and otherwise tells what
// cannot be shown at the level wanted. The plan is then checked as it stands.
func raise(job *store.Job, p *plan.Plan, b *catalog.Bench, again int) (problem.List, error) {
	var before result.Run
	var repeats []analysis.Outline
	var moved func(rf.Frequency) (rf.Gain, error)
	if job != nil && again > 0 {
		var err error
		book := terminal.Book(nil, job)
		if before, err = book.Run(again); err != nil {
			return nil, err
		}
		if repeats, err = book.Repeats(); err != nil {
			return nil, err
		}
		if before.Opened.Bench.SHA256 != sha256Of(b.Bytes) {
			was, err := book.Bench(before)
			if err != nil {
				return nil, fmt.Errorf("work out what shows a difference to run %d, made with another bench file: %w",
					again, err)
			}
			moved = uncertainty.Moved(was, b, p.Mode == plan.Substitution)
		}
	}
	raised, err := uncertainty.RaisedBy(before, p, uncertainty.SetUpOf(repeats), uncertainty.KnownOf(b, p.Mode, nil),
		moved)
	if err != nil || len(raised) == 0 {
		return nil, err
	}
	said := problem.Problem{File: p.File, Field: "level", Warning: true}
	if p.OverTest != "" {
		p.Raised = raised
		said.What = "over-test, " + p.OverTest + ": exposed to more than the level wanted at " + raisedWords(p, raised)
		return problem.List{said}, nil
	}
	said.What = "the level wanted is too low to show a difference, or to keep the guard band, at " +
		raisedWords(p, raised) + ": these rows will not be \"shown\""
	said.Hint = "where the customer accepts the over-test, run with --over-test \"accepted by NAME\", or write " +
		"over_test: accepted by NAME into the plan"
	return problem.List{said}, nil
}

// raisedWords names the frequencies and what they need, the furthest above the level first.
func raisedWords(p *plan.Plan, raised map[rf.Frequency]rf.Current) string {
	over := func(f rf.Frequency) rf.Gain {
		ask, _ := p.Profile.At(f)
		g, _ := raised[f].Minus(ask.Current)
		return g
	}
	var at []rf.Frequency
	for f := range raised {
		at = append(at, f)
	}
	slices.SortFunc(at, func(a, b rf.Frequency) int { return cmp.Or(cmp.Compare(over(b), over(a)), cmp.Compare(a, b)) })
	text := fmt.Sprintf("%s (%v: %v, %s more", english.Count(len(at), "frequency", "frequencies"), at[0], raised[at[0]],
		over(at[0]).Text(1))
	if len(at) > 1 {
		text += fmt.Sprintf("; the least %s at %v", over(at[len(at)-1]).Text(1), at[len(at)-1])
	}
	return text + ")"
}

// exposeAgain adds every frequency at which a run of the job exposed the product to a plan's grid. Where there is only
// so much time, those that upset are visited first.
func exposeAgain(job *store.Job, p *plan.Plan, again int) error {
	if job == nil {
		return errors.New("exposing the frequencies of an earlier run again needs the job: name it with --job")
	}
	r, err := result.All(job.Records(again, 1))
	if err != nil {
		return fmt.Errorf("read run %d, to expose its frequencies again: %w", again, err)
	}
	if err := analysis.NoLoop(r); err != nil {
		return fmt.Errorf("expose again: %w", err)
	}
	for _, s := range r.Steps {
		p.Grid = append(p.Grid, s.Step.Point.Frequency)
	}
	slices.Sort(p.Grid)
	p.Grid = slices.Compact(p.Grid)
	if f := analysis.Of(r, nil); p.TimeLimit > 0 && len(f.Bands) > 0 {
		named, err := analysis.Retest(f)
		if err != nil {
			return fmt.Errorf("expose again: %w", err)
		}
		p.VisitFirst(named)
	}
	p.GridText += fmt.Sprintf("; and every frequency of run %d", again)
	return nil
}

// asBefore returns as what the newest run of a job was asked for, to go on with it: which run it repeats the
// frequencies of, 0 for none; what it says of levels above the one wanted; and what it follows, where it is a fixing
// loop. fix is what is asked for now.
func asBefore(job *store.Job, fix *fixing.Asked, of sort) (again int, overTest string, was *fixing.Asked, err error) {
	n, err := newestOf(job, of)
	if errors.Is(err, store.ErrNoRun) && of == loops {
		if n, other := newestOf(job, anyRun); other == nil {
			return 0, "", nil, fmt.Errorf("the newest run of the job, run %d, is no fixing loop, and there is none "+
				"to go "+
				"on with: begin one without --resume", n)
		}
	}
	if errors.Is(err, store.ErrNoRun) && of == noLoops {
		if n, other := newestOf(job, anyRun); other == nil {
			return 0, "", nil, fmt.Errorf("run %d is a fixing loop, and the job has no other run to go on with: go "+
				"on with "+
				"the loop by provoke fix --resume", n)
		}
	}
	if errors.Is(err, store.ErrNoRun) {
		return 0, "", fix, nil
	}
	if err != nil {
		return 0, "", nil, err
	}
	r, err := result.All(job.Records(n, 1))
	if err != nil {
		return 0, "", nil, err
	}
	was = fixOf(r)
	return r.Opened.Again, r.Opened.OverTest, was, nil
}
