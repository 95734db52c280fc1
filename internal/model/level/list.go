package level

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"provoke/internal/units/rf"
)

// Listed is one line of a laboratory's report: a frequency and the level at which something was
// seen or asked, either an e.m.f. behind 150 Ω or a current.
type Listed struct {
	At      rf.Frequency
	EMF     rf.Voltage
	Current rf.Current
}

// ParseAsked reads a level as a laboratory report gives it, "10 V emf", "140 dBµV emf", "60 mA" or
// "95 dBµA", into a Listed without its frequency. A voltage without the word emf is refused: in a
// report it may be an e.m.f., a reading in the jig, or a voltage across the port.
func ParseAsked(text string) (Listed, error) {
	t := strings.TrimSpace(text)
	for _, word := range []string{"e.m.f.", "emf"} {
		rest, ok := cutSuffixFold(t, word)
		if !ok {
			continue
		}
		u0, err := rf.Parse[rf.Volt](rest)
		if err != nil {
			return Listed{}, err
		}
		return Listed{EMF: u0}, checkAsked(u0.Exact(), text)
	}
	i, err := rf.Parse[rf.Ampere](t)
	if err == nil {
		return Listed{Current: i}, checkAsked(i.Exact(), text)
	}
	if _, e := rf.Parse[rf.Volt](t); e == nil {
		return Listed{}, fmt.Errorf("level %q is a voltage: write %q for an e.m.f. behind 150 Ω, or give the current",
			t, t+" emf")
	}
	return Listed{}, err
}

func checkAsked(exact bool, text string) error {
	if !exact {
		return fmt.Errorf("level %q must be one number above zero", text)
	}
	return nil
}

func (l Listed) ask() Ask {
	if l.EMF.Known() {
		return emfAsk(l.EMF)
	}
	return Ask{Current: l.Current}
}

// List returns the profile of frequencies with levels, as a laboratory's report gives them. Each
// level holds at its frequency; between two of them it lies on the straight line in decibel over
// the logarithm of frequency and the Ask is marked Interpolated. Beyond the first and the last the
// level there holds for the given share of frequency, 0 for not at all, so that a dense grid can be
// laid round a single frequency. E.m.f. and current may not be mixed in one list.
func List(points []Listed, beyond rf.Fraction) (Profile, error) {
	sorted := append([]Listed(nil), points...)
	sort.SliceStable(sorted, func(i, j int) bool { return sorted[i].At < sorted[j].At })
	if err := checkList(sorted, beyond); err != nil {
		return Profile{}, err
	}
	p := own(Profile{
		ID: "list", Title: fmt.Sprintf("list of %d frequencies with levels", len(sorted)),
		Means: "r.m.s. current of the unmodulated carrier, on the cable or in the calibration loop",
		Low:   rf.Frequency(float64(sorted[0].At) * (1 - float64(beyond))),
		High:  rf.Frequency(float64(sorted[len(sorted)-1].At) * (1 + float64(beyond))),
		at:    func(f rf.Frequency) (Ask, error) { return listAt(sorted, f), nil },
	})
	if sorted[0].EMF.Known() {
		p.Means = meansEMF
	}
	for _, q := range sorted {
		p.Corners = append(p.Corners, q.At)
	}
	return p, nil
}

func checkList(sorted []Listed, beyond rf.Fraction) error {
	switch {
	case len(sorted) == 0:
		return fmt.Errorf("the list of levels is empty")
	case len(sorted) > MaximumFrequencies:
		return fmt.Errorf("the list of levels has more than %d frequencies", MaximumFrequencies)
	case !(beyond >= 0 && beyond < 1):
		return fmt.Errorf("the levels cannot hold for %v beyond their frequencies: the share must be 0 %% to below "+
			"100 %%", beyond)
	}
	for i, l := range sorted {
		switch {
		case !l.At.Known():
			return fmt.Errorf("a level of the list has no frequency above 0 Hz")
		case l.EMF.Exact() == l.Current.Exact():
			return fmt.Errorf("the list must have one level at %v, an e.m.f. or a current", l.At)
		case i > 0 && l.At-sorted[i-1].At <= sameFrequency*l.At:
			return fmt.Errorf("the list has two levels at %v", l.At)
		case i > 0 && l.EMF.Exact() != sorted[0].EMF.Exact():
			return fmt.Errorf("the list mixes e.m.f. and current (at %v): make two lists, for an e.m.f. is a current "+
				"only in a matched loop", l.At)
		}
	}
	return nil
}

// listAt returns the level of a sorted list at a frequency inside its band.
func listAt(sorted []Listed, f rf.Frequency) Ask {
	i := sort.Search(len(sorted), func(i int) bool { return sorted[i].At >= f*(1-endSlack) })
	switch {
	case i == len(sorted):
		a := sorted[i-1].ask()
		a.Interpolated = true
		return a
	case math.Abs(float64(sorted[i].At-f)) <= endSlack*float64(f):
		return sorted[i].ask()
	case i == 0:
		a := sorted[0].ask()
		a.Interpolated = true
		return a
	}
	a, b := sorted[i-1], sorted[i]
	t := math.Log(float64(f/a.At)) / math.Log(float64(b.At/a.At))
	var out Ask
	if a.EMF.Known() {
		out = emfAsk(between(a.EMF, b.EMF, t))
	} else {
		out = Ask{Current: between(a.Current, b.Current, t)}
	}
	out.Interpolated = true
	return out
}

func between[U rf.Unit](a, b rf.Level[U], t float64) rf.Level[U] {
	g, _ := b.Minus(a)
	return a.Add(rf.Gain(t * float64(g)))
}
