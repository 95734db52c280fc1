package report_test

import (
	"testing"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

func TestARecoveryThatIsNotKnownSaysWhy(t *testing.T) {
	for want, x := range map[string]result.Threshold{
		"74.0 dBµA":         {Upset: true, RecoverySought: true, Recovery: rf.DBuA(74)},
		"at most 74.0 dBµA": {Upset: true, RecoverySought: true, Recovery: rf.DBuA(74).WithBound(rf.AtMost)},
		"needs a reset":     {Upset: true, RecoverySought: true, Latched: true},
		"not found":         {Upset: true, RecoverySought: true},
		"not asked":         {Upset: true}, // a point that only seeks the edge of a band
		"–":                 {},            // no upset, nothing to recover from
	} {
		if got := tell.RecoveryWords(analysis.Point{Threshold: x}); got != want {
			t.Errorf("%+v: %q, not %q", x, got, want)
		}
	}
}
