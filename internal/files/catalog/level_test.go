package catalog_test

import (
	"math"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
)

// What protects something says which voltage it is: 600 mV read as r.m.s. on a bench that counts peak to peak
// would be 20·log10(2·√2) = 9.03 dB too high.
func TestAVoltageThatProtectsSaysWhichOneItIs(t *testing.T) {
	for _, text := range []string{"600 mV", "0.6 V", "600mV", "1 V", "600 µV", "600 uV", "6e2 mV", "0,6 V"} {
		var l catalog.SourceLevel
		if err := l.UnmarshalText([]byte(text)); err == nil ||
			!strings.Contains(err.Error(), "does not say which voltage") || !strings.Contains(err.Error(), "pp\"") {
			t.Errorf("%s: %v", text, err)
		}
	}
	// 1 Vpp is 1/(2·√2) = 0.35355 V r.m.s., into 50 Ω 2.5 mW = 3.979 dBm; set for high-Z half the voltage arrives,
	// 6.021 dB less. An e.m.f. is an open-circuit voltage, r.m.s., whatever is set.
	for text, dbm := range map[string][2]float64{
		"1 Vpp": {3.979, -2.041}, "353.55 mVrms": {3.979, -2.041}, "0.5 Vpk": {3.979, -2.041}, "3.979 dBm": {3.979,
			3.979},
		"707.1 mV emf": {3.979, 3.979}, "110.969 dBµV": {3.979, -2.041},
	} {
		for i, load := range []catalog.LoadSetting{catalog.Load50, catalog.LoadHighZ} {
			var l catalog.SourceLevel
			if err := l.UnmarshalText([]byte(text)); err != nil {
				t.Fatal(err)
			}
			if got := l.Available(load).In(); math.Abs(got-dbm[i]) > 0.002 {
				t.Errorf("%s set for %s gives %.3f dBm, want %.3f", text, load, got, dbm[i])
			}
		}
	}
}
