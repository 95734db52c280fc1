package budget

import (
	"fmt"

	"provoke/internal/model/chain"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// reach says at how many frequencies the level wanted is reached, and where most is missing.
func reach(short, of int, worst string, missing rf.Gain) string {
	if short == 0 {
		return "the level wanted is reached at " + english.Count(of, "frequency", "frequencies")
	}
	return fmt.Sprintf("the level wanted is not reached at %d of %d frequencies; most is missing at %s: %v", short, of,
		worst, missing)
}

// counted says in words how a rating counts.
func counted(as string, rating *rf.Quantity) string {
	if rating.Unit == "A" {
		return chain.Counted(as, chain.Value{Current: rf.Amperes(rating.Value)})
	}
	return chain.Counted(as, chain.Value{})
}

// rangeText is the range of a current; empty where it is none.
func rangeText(low, high *rf.Quantity) string {
	if low == nil || high == nil || low.Value == high.Value {
		return ""
	}
	return low.Text + " to " + high.Text
}
