package catalog

import (
	"fmt"
	"math"
	"strconv"

	"provoke/internal/units/rf"
)

// Setting returns a level as the generator counts it: "-12.34 dBm", or "632.4 mVpp (set for 50 Ω)".
// It is rounded down, so that what is set by hand after it is never louder.
func (s Source) Setting(available rf.Power) string {
	if !available.Known() {
		return available.String()
	}
	if s.CountsIn != CountsVpp {
		return fmt.Sprintf("%.2f dBm", math.Floor(available.In()*100+1e-6)/100)
	}
	// A sine's peak-to-peak voltage is 2·√2 times its r.m.s.; set for high-Z the generator shows twice
	// what it gives into 50 Ω.
	vpp := rf.VoltageAcross(available, rf.Z0).SI() * 2 * math.Sqrt2
	if s.Load == LoadHighZ {
		vpp *= 2
	}
	return fmt.Sprintf("%s (set for %s)", volts(vpp), s.Load)
}

// volts prints a peak-to-peak voltage with four significant digits, rounded down.
func volts(vpp float64) string {
	unit, scale := "Vpp", 1.0
	vpp *= 1 + 1e-9 // what is a round number stays one
	switch {
	case vpp < 1e-3:
		unit, scale = "µVpp", 1e6
	case vpp < 1:
		unit, scale = "mVpp", 1e3
	}
	x := vpp * scale
	decimals := max(0, 3-int(math.Floor(math.Log10(x))))
	p := math.Pow(10, float64(decimals))
	return strconv.FormatFloat(math.Floor(x*p)/p, 'f', decimals, 64) + " " + unit
}

// ParseSetting reads a level as the generator counts it: a power, or a voltage under the generator's
// load setting. It returns the power available into 50 Ω.
func (s Source) ParseSetting(text string) (rf.Power, error) {
	var f SourceLevel
	if err := f.UnmarshalText([]byte(text)); err != nil {
		return rf.Power{}, err
	}
	p := f.Available(s.Load)
	if !p.Exact() {
		return rf.Power{}, fmt.Errorf("%q is not one exact level", text)
	}
	return p, nil
}
