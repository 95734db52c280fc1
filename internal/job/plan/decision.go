package plan

import (
	"provoke/internal/files/document"
	"provoke/internal/units/rf"
)

// DecisionRule is by which rule a level that was stood counts as the one asked for.
type DecisionRule string

// The rules, in the words of the plan file. Simple acceptance takes what was read as it is; a guard band asks for
// so much more that the level asked for was truly reached with 95 % (1.645 u), or with more than that (U).
const (
	SimpleAcceptance DecisionRule = "simple acceptance"
	GuardBand95      DecisionRule = "guard band 1.645 u"
	GuardBandU       DecisionRule = "guard band U"
)

// OrDefault returns the rule, or simple acceptance where none is given.
func (d DecisionRule) OrDefault() DecisionRule {
	if d == "" {
		return SimpleAcceptance
	}
	return d
}

// Guard returns how far above the level asked for the rule wants what was stood to be, from the standard and the
// expanded uncertainty.
func (d DecisionRule) Guard(standard, expanded rf.Gain) rf.Gain {
	switch d {
	case GuardBand95:
		return 1.645 * standard
	case GuardBandU:
		return expanded
	}
	return 0
}

// UnmarshalText takes one of the rules.
func (d *DecisionRule) UnmarshalText(t []byte) error {
	*d = DecisionRule(t)
	return document.OneOf(string(t), string(SimpleAcceptance), string(GuardBand95), string(GuardBandU))
}
