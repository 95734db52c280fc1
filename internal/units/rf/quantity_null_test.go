package rf

import (
	"math"
	"testing"
)

func TestWhatIsNoNumberIsNull(t *testing.T) {
	for _, x := range []Gain{Gain(math.NaN()), Gain(math.Inf(1)), Gain(math.Inf(-1))} {
		if OrNull(x) != nil || OrNullRounded(x, 3) != nil {
			t.Errorf("%v is printed as a number", x)
		}
	}
	if v := OrNullRounded(Gain(1.23456), 3); v == nil || *v != 1.235 {
		t.Errorf("1.23456 with three decimals is %v", v)
	}
	if v := OrNull(1.23456789); v == nil || *v != 1.23456789 {
		t.Errorf("1.23456789 with all digits is %v", v)
	}
	if v := Frequency(0).OrNull(); v != nil {
		t.Errorf("an absent frequency is %v Hz", *v)
	}
	if v := Megahertz.OrNull(); v == nil || *v != 1e6 {
		t.Errorf("1 MHz is %v Hz", v)
	}
}
