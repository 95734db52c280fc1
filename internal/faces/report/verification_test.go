package report

import (
	"testing"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/tell"
)

// Only figures that were read in their source are said to be.
func TestVerificationIsReadInTheSourceOnlyWhereItWas(t *testing.T) {
	for _, c := range []struct {
		name, want string
		profile    event.Profile
	}{
		{"read", "read in the source", event.Profile{ID: "part-25-l", Confidence: "read", Verified: true}},
		{"the user's own level", "", event.Profile{ID: "own", Confidence: "stated by the user", Verified: true}},
		{"from memory", "not verified against the standard's text",
			event.Profile{ID: "x", Confidence: "from memory, high"}},
		{"no profile", "", event.Profile{}},
	} {
		got := ""
		for _, f := range tell.ExposureFields(result.Run{Opened: event.Opened{Profile: c.profile}}) {
			if f.Name == "verification" {
				got = f.Value
			}
		}
		if got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
