package calculator

import (
	"slices"
	"testing"

	"provoke/internal/units/rf"
)

func TestRowsThatAreShownHaveFirstAndLastAmongThem(t *testing.T) {
	for _, c := range []struct {
		n, most int
		want    []int
	}{{0, 11, nil}, {1, 11, []int{0}}, {3, 11, []int{0, 1, 2}}, {100, 1, []int{0}}, {101, 3, []int{0, 50, 100}}} {
		if got := Spread(c.n, c.most); !slices.Equal(got, c.want) {
			t.Errorf("of %d rows %d: %v, want %v", c.n, c.most, got, c.want)
		}
	}
}

func TestStepsHaveTheEndsOfTheBandAndNothingBesideThem(t *testing.T) {
	for _, c := range []struct {
		low, high rf.Frequency
		want      []rf.Frequency
	}{
		{150e3, 3e6, []rf.Frequency{150e3, 200e3, 500e3, 1e6, 2e6, 3e6}},
		{100e3, 1e6, []rf.Frequency{100e3, 200e3, 500e3, 1e6}},
		{100.01e3, 199.99e3, []rf.Frequency{100.01e3, 199.99e3}},
		{5e6, 5e6, []rf.Frequency{5e6}},
	} {
		if got := Steps(c.low, c.high, 1, 2, 5); !slices.Equal(got, c.want) {
			t.Errorf("%v to %v: %v", c.low, c.high, got)
		}
	}
}

func TestFrequenciesOfAFlagKeepTheirOrderUnlessTheyAreToAscend(t *testing.T) {
	texts := []string{"27.12 MHz", "1 MHz", "27.12 MHz"}
	if got, err := Frequencies("--at", texts); err != nil || !slices.Equal(got, []rf.Frequency{27.12e6, 1e6, 27.12e6}) {
		t.Errorf("%v, %v", got, err)
	}
	if got, err := Ascending("--at", texts); err != nil || !slices.Equal(got, []rf.Frequency{1e6, 27.12e6}) {
		t.Errorf("%v, %v", got, err)
	}
	if _, err := Ascending("--at", []string{"10"}); err == nil || err.Error()[:5] != "--at:" {
		t.Errorf("%v", err)
	}
}
