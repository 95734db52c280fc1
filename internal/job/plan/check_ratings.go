package plan

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

// forbidden records why not even the generator's lowest level is allowed.
func (c *checker) forbidden(f rf.Frequency) {
	predicted, err := c.budget.Predict(f, c.bench.Source.Minimum, c.at.crest, c.plan.Fixture)
	if err != nil {
		c.errors = append(c.errors, fmt.Sprintf("%v: %v", f, err))
		return
	}
	for _, n := range predicted.Nodes {
		if !n.Within {
			c.addRefusal(f, n, n.Compared(), n.Headroom)
		}
	}
}

// refuse records the ratings that a prediction at the level wanted exceeds. In closed loop the
// measured current is held at the level, so behind the clamp the expected current counts and not the
// high end of its range: the ceiling keeps that within the ratings.
func (c *checker) refuse(p chain.Prediction) {
	spread := rf.Gain(0)
	if c.plan.Mode == ClosedLoop {
		spread, _ = p.High.Minus(p.Current)
		spread -= c.plan.Levelling.Window // the loop may stop so far above the level
	}
	behind := false
	for _, n := range p.Nodes {
		behind = behind || n.Carrier.Current.Known()
		if n.Within {
			continue
		}
		level, headroom := n.Compared(), n.Headroom
		if behind && spread.Finite() && headroom.Finite() {
			if headroom += spread; headroom >= 0 {
				continue
			}
			level = chain.Value{Power: level.Power.Sub(spread), Current: level.Current.Sub(spread)}
		}
		c.addRefusal(p.Frequency, n, level, headroom)
	}
}

func (c *checker) addRefusal(f rf.Frequency, n chain.Node, level chain.Value, headroom rf.Gain) {
	key := n.ID + "\x00" + n.Place
	r := Refusal{ID: n.ID, Place: n.Place, Frequency: f, Level: level, Rating: n.Rating, RatedAs: n.RatedAs,
		Unsure: n.Unsure, Regain: n.Regain, Over: -headroom, Note: n.Note}
	i, ok := c.refused[key]
	if !ok {
		c.refused[key] = len(c.out.Refusals)
		r.Count = 1
		c.out.Refusals = append(c.out.Refusals, r)
		return
	}
	was := &c.out.Refusals[i]
	was.Count++
	if r.Over > was.Over {
		r.Count = was.Count
		*was = r
	}
}

// worstAt records the levels at the ceiling of a point.
func (c *checker) worstAt(f rf.Frequency, p Point) {
	predicted, err := c.budget.Predict(f, p.Ceiling, c.at.crest, c.plan.Fixture)
	if err != nil {
		return
	}
	if c.plan.Mode == ClosedLoop {
		predicted = predicted.Looped()
	}
	for _, n := range predicted.Nodes {
		key := n.ID + "\x00" + n.Place
		w := Worst{Frequency: f, Drive: p.Ceiling, Node: n}
		i, ok := c.worst[key]
		if !ok {
			c.worst[key] = len(c.out.Worst)
			c.out.Worst = append(c.out.Worst, w)
		} else if tightness(n) < tightness(c.out.Worst[i].Node) {
			c.out.Worst[i] = w
		}
	}
}

// tightness orders nodes by headroom; one that refuses without a number of decibel comes first.
func tightness(n chain.Node) float64 {
	switch {
	case !math.IsNaN(float64(n.Headroom)):
		return float64(n.Headroom)
	case n.Within:
		return math.Inf(1)
	}
	return math.Inf(-1)
}

// reach records a level that is not reached by the budget.
func (c *checker) reach(p Point, predicted chain.Prediction, safe rf.Power, limit chain.Node) {
	wanted := p.Wanted.Current
	if c.plan.Mode == ClosedLoop {
		wanted = p.Target
	}
	if !wanted.Exact() {
		return
	}
	drive, why := p.Drive, ""
	switch {
	case c.plan.Mode == ConstantDrive:
		why = "the constant drive gives less"
	case drive.Above(safe):
		drive, why = safe, fmt.Sprintf("held back by %s, %s", limit.ID, limit.Place)
	default:
		why = "amplifier and generator give no more"
		if p.HeldBy != "" {
			why += ": " + p.HeldBy
		}
	}
	if c.plan.Mode == Substitution && !c.at.estimated {
		return // the current on the cable is whatever the calibrated drive gives
	}
	if drive != p.Drive {
		var err error
		if predicted, err = c.budget.Predict(p.Frequency, drive, c.at.crest, c.plan.Fixture); err != nil {
			return
		}
	}
	if short, _ := wanted.Minus(predicted.Current); short > 0.05 {
		c.out.Unreachable = append(c.out.Unreachable, Unreachable{
			Frequency: p.Frequency, Wanted: wanted, Reach: predicted.Current.WithBound(rf.AtMost), Short: short,
			Why: why,
		})
	}
}

func (c *checker) sayRefusals() {
	sort.SliceStable(c.out.Refusals, func(i, j int) bool {
		a, b := c.out.Refusals[i].Over, c.out.Refusals[j].Over
		return a > b || math.IsNaN(float64(a)) && !math.IsNaN(float64(b))
	})
	sort.SliceStable(c.out.Worst, func(i,
		j int) bool {
		return tightness(c.out.Worst[i].Node) < tightness(c.out.Worst[j].Node)
	})
	for _, r := range c.out.Refusals {
		hint := "lower the level, or leave these frequencies out"
		if !r.Over.Finite() {
			hint = "write the rating into the bench file"
		} else if r.Regain != "" {
			hint += "; " + r.Regain
		}
		c.list = append(c.list, problem.Problem{File: c.plan.File, What: r.String(), Hint: hint, Field: c.levelField()})
	}
}

// levelField is the key of the plan file that sets how much is asked for.
func (c *checker) levelField() string {
	if c.plan.Mode == ConstantDrive {
		return "drive"
	}
	return "level"
}

func (c *checker) sayUnreachable() {
	if len(c.out.Unreachable) == 0 {
		return
	}
	worst := c.out.Unreachable[0]
	for _, u := range c.out.Unreachable {
		if u.Short > worst.Short {
			worst = u
		}
	}
	c.warn(c.levelField(), "a pass there is a bound, not a pass at the level wanted",
		"by the budget the level wanted is not reached at %d of %d frequencies; worst at %v: %v of %v, %v short (%s)",
		len(c.out.Unreachable), len(c.plan.Grid), worst.Frequency, worst.Reach, worst.Wanted, worst.Short, worst.Why)
}

// sayErrors tells the first few frequencies that could not be computed.
func (c *checker) sayErrors() {
	const told = 5
	if len(c.errors) == 0 {
		return
	}
	more := ""
	if len(c.errors) > told {
		more = fmt.Sprintf("\n\tand %d more", len(c.errors)-told)
	}
	c.problem("grid", "no level can be computed at %d of %d frequencies:\n\t%s%s", len(c.errors), len(c.plan.Grid),
		strings.Join(c.errors[:min(told, len(c.errors))], "\n\t"), more)
}
