package plan

import (
	"fmt"

	"provoke/internal/model/threshold"
	"provoke/internal/units/rf"
)

// Method is how the threshold of a frequency at which the DUT upsets is found.
type Method string

// The methods. Bracket halves between a pass and an upset and is for a DUT that is deterministic; the
// zero Method is Bracket. Staircase and Adaptive take a number of exposures stated beforehand and are
// for one that upsets with a probability (package threshold). Repeated exposes at one level only.
const (
	Bracket   Method = "bracket"
	Staircase Method = "staircase"
	Adaptive  Method = "adaptive"
	Repeated  Method = "repeat"
)

// Random reports that the method takes a stated number of exposures and gives a probability.
func (m Method) Random() bool { return m == Staircase || m == Adaptive }

// What a search for a random threshold does when the plan does not say otherwise.
const (
	DefaultTrials      = 30
	DefaultProbability = rf.Fraction(0.5)
	DefaultStep        = rf.Gain(1)
)

// Drift is a check point that is visited again and again: one exposure far below the level wanted,
// whose current at its drive is compared over the run.
type Drift struct {
	At    rf.Frequency // of the grid; absent for none
	Below rf.Gain      // below the level wanted; default 20 dB
	Every int          // frequencies of the grid between two visits; default 50
}

// Rule returns the staircase rule of the search.
func (s Search) Rule() (threshold.Rule, error) {
	return threshold.RuleFor(float64(s.Probability))
}

// Stated words a search for a random threshold as it is fixed before the run: rule, steps, length and
// where it ends. Empty for Bracket without IfRandom.
func (s Search) Stated() string {
	method, when := s.Method, "at each frequency that upsets"
	if !method.Random() && method != Repeated && s.IfRandom.Random() {
		method, when = s.IfRandom, "at each frequency whose onset does not upset again"
	}
	ends := fmt.Sprintf("ends after %d exposures, whatever they give", s.Trials)
	switch method {
	case Staircase:
		r, err := s.Rule()
		if err != nil {
			return ""
		}
		return fmt.Sprintf("staircase %s: steps of %v, %v; before the first pass the way down doubles; %s", when,
			s.Step, r, ends)
	case Adaptive:
		return fmt.Sprintf("adaptive search %s for the level of %v upsets: steps of %v, each exposure where a probit "+
			"fit of those before learns most; %s", when, s.Probability, s.Step, ends)
	case Repeated:
		return fmt.Sprintf("exposures at one level, %v below the level wanted, at each frequency; %s", s.Below, ends)
	}
	return ""
}

// randomSearch is what search needs of it.
type randomSearch struct {
	method, ifRandom Method
	trials           int
	probability      float64
	step             depth
	rule             threshold.Rule
	below            depth
}

func newRandomSearch(s Search, sc scale) randomSearch {
	out := randomSearch{method: s.Method, ifRandom: s.IfRandom, trials: s.Trials, probability: float64(s.Probability),
		step: max(1, sc.depth(-s.Step)), below: sc.depth(-s.Below)}
	out.rule, _ = s.Rule() // Parse refuses a probability without a rule; the zero rule is up-and-down
	return out
}

// methodAt returns the random method that is to go on at a place, or "".
func (s search) methodAt(p *place) Method {
	switch {
	case !s.onset || p.added || p.upset == unknown:
		return ""
	case s.random.method.Random():
		return s.random.method
	case s.random.ifRandom.Random() && p.failed > 0:
		return s.random.ifRandom
	}
	return ""
}

// randomly returns the next exposure of a search for a random threshold. It may lie above a level that
// upset, because the DUT passed there, but never above the level wanted.
func (s search) randomly(p *place, m Method) (request, bool) {
	if p.stairs >= s.random.trials {
		return request{}, false
	}
	return request{purpose: StaircaseStep, at: min(max(s.nextStair(p, m), 0), s.bottom)}, true
}

func (s search) nextStair(p *place, m Method) depth {
	if m == Adaptive {
		r := threshold.Range{Low: float64(s.offset(s.bottom)),
			High: 0, Step: float64(s.random.step) * float64(s.resolution)}
		return s.depth(rf.Gain(threshold.Place(threshold.Probit, p.exposed, r, s.random.probability)))
	}
	trials := p.exposed
	passed := -1
	for i, t := range trials {
		if !t.Upset {
			passed = i
			break
		}
	}
	last := s.depth(rf.Gain(trials[len(trials)-1].Level))
	if passed < 0 { // nothing but upsets: the way down doubles
		return last + s.random.step<<min(len(trials)-1, 6)
	}
	if p.stairs == 0 { // after another search: begin where the DUT upset at its lowest
		return p.upset
	}
	return last - depth(s.random.rule.Move(trials[passed:]))*s.random.step
}

// recordExposed keeps what an exposure at a depth showed.
func (p *place) recordExposed(s scale, d depth, o Outcome) {
	if o.Skipped || o.NotReached && !o.Upset {
		return
	}
	p.exposed = append(p.exposed, threshold.Trial{Level: float64(s.offset(d)), Upset: o.Upset})
}

// driftCheck makes the check point the current place when it is due; false otherwise.
func (g *Program) driftCheck() bool {
	d := g.plan.Drift
	if g.drift == nil || g.checked == g.visits+1 || g.visits < len(g.order) && g.visits%max(1, d.Every) != 0 {
		return false
	}
	g.checked = g.visits + 1
	g.drift.checkWanted = true
	g.current, g.errand = g.drift, DriftCheck
	return true
}
