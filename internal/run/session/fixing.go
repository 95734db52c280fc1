package session

import (
	"fmt"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/job/store"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// mostTracked is how many frequencies are followed at most: more would make a try too long.
const mostTracked = 8

// tracked finds the frequencies of the loop, with the findings that they are from, and adds them to the plan's grid.
// The rest of the grid stays for what is done by hand.
func tracked(fix fixing.Asked, job *store.Job, p *plan.Plan) (*event.Fixing, analysis.Findings, error) {
	if p.Kind != plan.Exposure {
		return nil, analysis.Findings{}, fmt.Errorf("the fixing loop exposes as a plan of kind exposure does; this "+
			"one is of kind %s",
			p.Kind)
	}
	f, at, err := found(fix, job)
	if err != nil {
		return nil, f, err
	}
	if len(fix.At) > 0 {
		at = slices.Clone(fix.At)
	}
	slices.Sort(at)
	at = slices.Compact(at)
	switch {
	case len(at) == 0 && f.Run > 0:
		return nil, f, fmt.Errorf("run %d has no onset to follow: name up to %d frequencies with --at", f.Run,
			mostTracked)
	case len(at) == 0:
		return nil, f, fmt.Errorf("the job has no exposure that upset: name up to %d frequencies to follow with --at",
			mostTracked)
	case len(at) > mostTracked:
		return nil, f, fmt.Errorf("%d frequencies to follow are too many: name at most %d, the worst of each band",
			len(at), mostTracked)
	}
	out := &event.Fixing{Of: f.Run, Alone: fix.Alone}
	if out.Alone <= 0 {
		out.Alone = rf.Duration(engine.DefaultAlone)
	}
	for _, x := range at {
		out.At = append(out.At, event.Tracked{Point: plan.Point{Frequency: x}})
	}
	p.Grid = append(p.Grid, at...)
	slices.Sort(p.Grid)
	p.Grid = slices.Compact(p.Grid)
	p.GridText += "; and the frequencies that are followed"
	return out, f, nil
}

// found returns the findings that the loop begins from, with the worst frequency of each band, the lowest margins of
// many. Nothing is found in a job without an exposure.
func found(fix fixing.Asked, job *store.Job) (f analysis.Findings, at []rf.Frequency, err error) {
	if job == nil {
		return f, nil, nil
	}
	runs, err := job.Runs()
	if err != nil {
		return f, nil, err
	}
	for i := len(runs) - 1; i >= 0; i-- {
		if n := runs[i].Run; fix.Of != 0 && n != fix.Of || fix.Of == 0 && runs[i].Opened.RunKind != plan.Exposure {
			continue
		}
		r, err := result.All(job.Records(runs[i].Run, 1))
		if err != nil {
			return f, nil, fmt.Errorf("read run %d: %w", runs[i].Run, err)
		}
		if f = analysis.Of(r, nil); f.Upsets > 0 || fix.Of != 0 {
			break
		}
		f = analysis.Findings{}
	}
	if fix.Of != 0 && f.Run == 0 {
		return f, nil, fmt.Errorf("the job has no run %d", fix.Of)
	}
	bands := slices.Clone(f.Bands)
	slices.SortStableFunc(bands, func(a, b analysis.Band) int {
		switch {
		case a.Lowest.Margin < b.Lowest.Margin:
			return -1
		case a.Lowest.Margin > b.Lowest.Margin:
			return 1
		}
		return 0
	})
	for _, b := range bands[:min(len(bands), mostTracked)] {
		at = append(at, b.Lowest.Frequency)
	}
	return f, at, nil
}

// expect fills in the points of the loop, and the onsets that the run before found.
func expect(f analysis.Findings, out *event.Fixing, points func(rf.Frequency) (plan.Point, error)) error {
	for i := range out.At {
		p, err := points(out.At[i].Point.Frequency)
		if err != nil {
			return fmt.Errorf("follow the onset at %v: %w", out.At[i].Point.Frequency, err)
		}
		out.At[i].Point = p
		for _, x := range f.Points {
			if x.Frequency != p.Frequency || !x.Upset {
				continue
			}
			g, _ := x.Onset.Minus(p.Target)
			if !p.Target.Exact() || !g.Finite() {
				g = x.OfDrive.Gain
			}
			out.At[i].Expected = &g
		}
	}
	return nil
}

// fixOf is what the newest run of a job follows; nil where it is no fixing loop.
func fixOf(r result.Run) *fixing.Asked {
	if r.Opened.Fixing == nil {
		return nil
	}
	fix := &fixing.Asked{Of: r.Opened.Fixing.Of, Alone: r.Opened.Fixing.Alone}
	for _, at := range r.Opened.Fixing.At {
		fix.At = append(fix.At, at.Point.Frequency)
	}
	return fix
}

// follow gives a run of the fixing loop its state: the fold of what is recorded of it so far.
func (pr *Prepared) follow(job *store.Job, cfg *engine.Config) error {
	r, err := result.All(job.Records(cfg.Run, 1))
	if err != nil {
		return terminal.Damage(err)
	}
	cfg.Folded, cfg.Fixing = &r, fixing.Of(&r)
	return nil
}

// loopWords say what is followed, and how long a try takes by the plan.
func (pr *Prepared) loopWords() string {
	var at []string
	for _, x := range pr.Fixing.At {
		at = append(at, x.Point.Frequency.String())
	}
	from := ""
	if pr.Fixing.Of > 0 {
		from = fmt.Sprintf(", from the findings of run %d", pr.Fixing.Of)
	}
	n := fixing.PerTry * len(at)
	return fmt.Sprintf("follows %s%s; a try takes about %v by the plan (%d exposures, half of them upset); RF goes "+
		"off "+
		"after %v without a sign of you", strings.Join(at, ", "), from, plan.TimeOf(pr.Plan, pr.Bench, n, n/2), n,
		pr.Fixing.Alone)
}

// pointAt is the command that goes to one point by hand.
func (pr *Prepared) pointAt(f rf.Frequency, current rf.Current) (engine.Command, error) {
	m := engine.Move{At: f}
	if current.Known() {
		p, err := pr.points(f)
		if err != nil {
			return engine.Command{}, fmt.Errorf("hold %v at %v: %w", f, current, err)
		}
		g, _ := current.Minus(p.Target)
		switch {
		case !g.Finite():
			return engine.Command{}, fmt.Errorf("hold %v at %v: this plan gives no current there, but a drive", f,
				current)
		case g > 0:
			return engine.Command{}, fmt.Errorf("hold %v at %v: that is above the level wanted, %v", f, current,
				p.Target)
		}
		m.Offset = &g
	}
	return engine.Command{Want: engine.MovePoint, Point: m}, nil
}

// ParseHands reads what hands did, as it is typed: nothing for nothing changed, a name or the number of an earlier
// change for what was put in, with a minus before it for what was taken back out, "?" for a change without a name.
func ParseHands(text string, known []string, try int) event.HandsOut {
	text = strings.TrimSpace(text)
	var did event.HandsOut
	if rest, out := strings.CutPrefix(strings.Replace(text, "\u2212", "-", 1), "-"); out {
		did.Out, text = true, strings.TrimSpace(rest)
	}
	if text == "?" {
		text = fmt.Sprintf("change %d", try)
	}
	for i, name := range known {
		if text == fmt.Sprint(i+1) || strings.EqualFold(text, name) {
			text = name
		}
	}
	did.What = event.Printable(text)
	return did
}
