package level

import (
	"fmt"
	"math"

	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// Shape is the form that the injected currents of the standards share: a flat part between two
// corners, a straight line in decibel over the logarithm of frequency on either side.
type Shape struct {
	Flat       rf.Current   // between the corners
	LowCorner  rf.Frequency // below it the level falls with frequency going down
	LowSlope   float64      // dB per decade of frequency, 0 or above
	HighCorner rf.Frequency // above it the level falls with frequency going up
	HighSlope  float64      // dB per decade of frequency, 0 or below
}

// At returns the level of the shape; it knows no ends.
func (s Shape) At(f rf.Frequency) rf.Current {
	switch {
	case f < s.LowCorner:
		return s.Flat.Add(rf.Gain(s.LowSlope * math.Log10(float64(f/s.LowCorner))))
	case f > s.HighCorner:
		return s.Flat.Add(rf.Gain(s.HighSlope * math.Log10(float64(f/s.HighCorner))))
	}
	return s.Flat
}

// ask makes the At of a profile from the shape, the loop it is set in, and the limit.
func (s Shape) ask(loop rf.Resistance, limit func(asked rf.Current) rf.Current) func(rf.Frequency) (Ask, error) {
	return func(f rf.Frequency) (Ask, error) {
		i := s.At(f)
		a := Ask{Current: i, LoopImpedance: loop}
		if limit != nil {
			a.Limit = limit(i)
		}
		return a, nil
	}
}

// emfAsk is what an e.m.f. behind 150 Ω asks for: U0/300 in the matched loop and U0/150 at most.
func emfAsk(u0 rf.Voltage) Ask {
	return Ask{EMF: u0, LoopImpedance: Loop150, Current: LoopCurrent(u0, Loop150), Limit: ClampLimit(u0)}
}

// Constant returns the profile of one current at every frequency. The current must be exactly
// known.
func Constant(i rf.Current) (Profile, error) {
	if !i.Exact() {
		return Profile{}, fmt.Errorf("a constant level must be a current such as \"80 dBµA\", not %v", i)
	}
	return own(Profile{
		ID: "constant", Title: "constant current of " + i.String(),
		Means: "r.m.s. current of the unmodulated carrier, on the cable or in the calibration loop",
		at:    func(rf.Frequency) (Ask, error) { return Ask{Current: i}, nil },
	}), nil
}

// ConstantEMF returns the profile of one e.m.f. behind 150 Ω at every frequency, as IEC 61000-4-6
// states its levels. The e.m.f. must be exactly known.
func ConstantEMF(u0 rf.Voltage) (Profile, error) {
	if !u0.Exact() {
		return Profile{}, fmt.Errorf("a constant level must be an e.m.f. such as \"10 V emf\", not %v", u0)
	}
	return own(Profile{
		ID: "constant-emf", Title: "constant e.m.f. of " + u0.Linear() + " behind 150 Ω",
		Means: meansEMF,
		at:    func(rf.Frequency) (Ask, error) { return emfAsk(u0), nil },
	}), nil
}

// OwnCurve returns the profile of a user's own curve of current.
func OwnCurve(c curve.Curve[rf.Current]) (Profile, error) {
	if c.Absent() {
		return Profile{}, fmt.Errorf("the curve of levels is empty")
	}
	low, high := c.Band()
	p := own(Profile{
		ID: "own-curve", Title: "own curve of current",
		Means: "r.m.s. current of the unmodulated carrier, on the cable or in the calibration loop",
		Low:   low, High: high,
		at: func(f rf.Frequency) (Ask, error) {
			i, err := c.At(f)
			return Ask{Current: i}, err
		},
	})
	p.Source = c.Source()
	for _, q := range c.Points() {
		p.Corners = append(p.Corners, q.At)
	}
	return p, nil
}

// own fills in what holds for every level that the user states himself.
func own(p Profile) Profile {
	p.Source, p.Confidence, p.Verified = "stated by the user", "stated by the user", true
	p.Hold = CarrierHeld
	return p
}
