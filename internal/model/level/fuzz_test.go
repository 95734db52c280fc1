package level

import "testing"

// FuzzParseAsked: a level that somebody asks for is refused, or is one level.
func FuzzParseAsked(f *testing.F) {
	for _, s := range []string{"10 V emf", "100 mA", "106 dBµA", "iec-61000-4-6/level-3", "1e999 V", "-20 dBm",
		"3 V/m"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if x, err := ParseAsked(text); err == nil && x.EMF.Exact() == x.Current.Exact() {
			t.Errorf("%q is %+v", text, x)
		}
		if x, err := ParseFieldStrength(text); (err == nil) == x.PerMetre().Absent() {
			t.Errorf("%q is %v, %v", text, x, err)
		}
		if m, err := ParseEnvelope(text); err == nil && !m.CrestOverCarrier().Finite() {
			t.Errorf("%q is %+v", text, m)
		}
	})
}
