package analysis_test

import (
	"math"
	"strings"
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// Working: Φ((80.0 − 80.2)/1.43) = Φ(−0.140) = 44.4 %; Φ(0.1/1.43) = Φ(0.070) = 52.8 % (tables of the normal
// distribution).
func TestADecisionSaysItsRuleAndItsRisk(t *testing.T) {
	known := analysis.Known{Standard: 1.43, U: 2.8}
	for _, c := range []struct {
		stood float64
		rule  plan.DecisionRule
		holds bool
		risk  float64
		says  string
	}{
		{80.2, "", true,
			0.444,
			"stood 80.2 of 80.0 dBµA at 27 MHz; U 2.8 dB; simple acceptance; risk that the true level was below: 44 %"},
		{79.9, plan.SimpleAcceptance, false, 0.528,
			"stood 79.9 of 80.0 dBµA at 27 MHz; U 2.8 dB; simple acceptance; risk that the true level was below: 53 %"},
		{82.3, plan.GuardBand95, false, 0.054,
			"guard band 1.645 u (2.4 dB) not kept; risk that the true level was below: 5 %"},
		{82.4, plan.GuardBand95, true, 0.047, "guard band 1.645 u (2.4 dB); risk that the true level was below: 5 %"},
		{82.7, plan.GuardBandU, false, 0.0295,
			"guard band U (2.8 dB) not kept; risk that the true level was below: 3 %"},
		{85, plan.GuardBandU, true, 0.0002, "less than 1 %"},
	} {
		d := analysis.Decision{Frequency: 27 * rf.Megahertz, Stood: rf.DBuA(c.stood), Asked: rf.DBuA(80), Known: known,
			Rule: c.rule, Guard: c.rule.Guard(known.Standard, known.U)}
		if d.Holds() != c.holds || math.Abs(float64(d.Risk())-c.risk) > 0.001 || !strings.Contains(d.Says(), c.says) {
			t.Errorf("%g by %q: holds %v, risk %.4f: %s", c.stood, c.rule, d.Holds(), float64(d.Risk()), d.Says())
		}
	}
}

// A guard band forbids "shown" where what was stood does not lie so far above the level.
func TestAGuardBandForbidsTheVerdict(t *testing.T) {
	basis := analysis.Basis{Known: func(analysis.Point) analysis.Known { return analysis.Known{Standard: 1, U: 2} }}
	o := opened
	for rule, want := range map[plan.DecisionRule]analysis.Judgement{plan.SimpleAcceptance: analysis.Shown,
		plan.GuardBand95: analysis.NotShown, plan.GuardBandU: analysis.NotShown} {
		o.DecisionRule = rule
		c := analysis.Compare(run(1, opened, before...), run(2, o, grid(0, 0, 0, 0, 0, 0, 0)...), basis)
		if c.Verdict != want || c.Decision == nil {
			t.Errorf("%s: %s: %q", rule, c.Verdict, c.Reasons)
			continue
		}
		contains(t, c.Reasons, "risk that the true level was below: 50 %")
	}
}
