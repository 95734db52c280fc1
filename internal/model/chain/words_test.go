package chain_test

import (
	"math"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

// 12.3 dBm are 10^((12.3 − 30)/10) = 16.98 mW; 80 dBµA are 10 mA.
func TestAValueIsTheOneOfTheTwoThatIsKnown(t *testing.T) {
	power, current := chain.Value{Power: rf.DBm(12.3)}, chain.Value{Current: rf.DBuA(80)}
	for _, c := range []struct {
		v    chain.Value
		text string
		unit string
		si   float64
	}{{power, "12.3 dBm", "W", 0.016982}, {current, "80.0 dBµA", "A", 0.01}} {
		q := c.v.Quantity()
		if c.v.String() != c.text || c.v.Absent() || q == nil || q.Unit != c.unit || q.Text != c.text {
			t.Fatalf("%q, %+v", c.v, q)
		}
		near(t, c.text, q.Value, c.si, 1e-6)
	}
	if none := (chain.Value{}); none.String() != "–" || !none.Absent() || none.Quantity() != nil {
		t.Errorf("nothing is %q", none)
	}
}

// A cable's and a probe's rating is one of r.m.s. current at the crest, an input's one of peak envelope power.
func TestHowALevelCountsIsSaid(t *testing.T) {
	for _, c := range []struct {
		as, want string
		v        chain.Value
	}{
		{chain.RatedPeak, "at the envelope's crest", chain.Value{Power: rf.DBm(0)}},
		{chain.RatedPeak, "r.m.s. at the envelope's crest", chain.Value{Current: rf.DBuA(0)}},
		{chain.RatedAverage, "average", chain.Value{Power: rf.DBm(0)}},
		{chain.RatedAverage, "average", chain.Value{Current: rf.DBuA(0)}},
	} {
		if got := chain.Counted(c.as, c.v); got != c.want {
			t.Errorf("%s of %v: %q, want %q", c.as, c.v, got, c.want)
		}
		if got := (chain.Node{RatedAs: c.as, Peak: c.v}).Counted(); got != c.want {
			t.Errorf("node: %s of %v: %q, want %q", c.as, c.v, got, c.want)
		}
	}
}

// What prints as 0.0 dB is not said; 0.05 dB prints as 0.1 dB.
func TestAnAllowanceIsSaidFromWhereItShows(t *testing.T) {
	for unsure, want := range map[rf.Gain]string{0: "", 0.049: "", 0.05: " with 0.1 dB for what is not measured",
		1.9: " with 1.9 dB for what is not measured"} {
		if got := chain.Allowing(unsure); got != want {
			t.Errorf("%v: %q, want %q", float64(unsure), got, want)
		}
	}
	if got := chain.Allowing(rf.Gain(math.NaN())); got != "" {
		t.Errorf("not known: %q", got)
	}
}

func TestMarginAndRemarkSayWhatWasAdded(t *testing.T) {
	none := rf.Gain(math.NaN())
	for _, c := range []struct {
		n              chain.Node
		margin, remark string
	}{
		{chain.Node{Headroom: 1.2}, "1.2 dB", ""},
		{chain.Node{Headroom: 1.2, Note: "look"}, "1.2 dB", "look"},
		{chain.Node{Headroom: 1.2, Unsure: 1.9}, "1.2 dB, with 1.9 dB for what is not measured",
			"compared with 1.9 dB for what is not measured"},
		{chain.Node{Headroom: 1.2, Unsure: 1.9, Note: "look"}, "1.2 dB, with 1.9 dB for what is not measured",
			"look; compared with 1.9 dB for what is not measured"},
		{chain.Node{Headroom: none, Unsure: 1.9, Note: "no rating is given"}, "–", "no rating is given"},
	} {
		if c.n.Margin() != c.margin || c.n.Remark() != c.remark {
			t.Errorf("%+v: %q and %q, want %q and %q", c.n, c.n.Margin(), c.n.Remark(), c.margin, c.remark)
		}
	}
}

// The least headroom stands in the way; of two alike the one that comes first; before both whatever has no rating.
func TestTheTightestNode(t *testing.T) {
	node := func(id string, headroom float64, within bool) chain.Node {
		return chain.Node{ID: id, Headroom: rf.Gain(headroom), Within: within}
	}
	none := math.NaN()
	for want, nodes := range map[string][]chain.Node{
		"":                 nil,
		"least":            {node("more", 3, true), node("least", 1, true), node("most", 4, true)},
		"first of the two": {node("first of the two", 1, true), node("second", 1, true)},
		"without a rating": {node("over", -3, false), node("without a rating", none, false)},
		"known": {node("not compared", none, true), node("known", 5, true),
			node("not compared either", none, true)},
		"half": {node("half", 0.5, true), node("one", 1, true)},
	} {
		if got := (chain.Prediction{Nodes: nodes}).Tightest(); got.ID != want {
			t.Errorf("%q stands in the way, want %q", got.ID, want)
		}
	}
}

func TestASurplusIsSaidForEachMeter(t *testing.T) {
	const forward, current = "the forward power is 0.5 dB above the prediction",
		"the current is 0.7 dB above the high end of its range"
	for _, c := range []struct {
		s    chain.Surplus
		want string
	}{
		{chain.Surplus{Forward: 0.5}, forward},
		{chain.Surplus{Current: 0.7}, current},
		{chain.Surplus{Forward: 0.5, Current: 0.7},
			forward + " and the current 0.7 dB above the high end of its range"},
		{chain.Surplus{Forward: 0.5, Current: -3}, forward},
		{chain.Surplus{Forward: -3, Current: 0.7}, current},
	} {
		if c.s.String() != c.want {
			t.Errorf("%q, want %q", c.s, c.want)
		}
	}
}

// Levels that a meter reads rise by its surplus, and their headroom falls by it; a forward power below the prediction
// takes nothing back, a current below the high end of its range does. No other level moves, and the prediction that
// was asked is left as it was.
func TestASurplusRaisesWhatItsMeterReads(t *testing.T) {
	p := predict(t, full(), rf.DBm(-30), am80, catalog.OnCable)
	for _, s := range []chain.Surplus{{Forward: 0.5}, {Current: 0.7}, {Forward: 3, Current: 2},
		{Forward: -2, Current: -4}, {}} {
		q := p.With(s)
		for i, before := range p.Nodes {
			by := map[chain.Meter]float64{chain.ByPowerMeter: max(0, s.Forward.DB()),
				chain.ByAnalyser: s.Current.DB()}[before.By]
			after := q.Nodes[i]
			for _, pair := range [][2]chain.Value{{before.Carrier, after.Carrier}, {before.Peak, after.Peak},
				{before.Mean, after.Mean}} {
				x, y := pair[0].Power.DB(), pair[1].Power.DB()
				if pair[0].Power.Absent() {
					x, y = pair[0].Current.DB(), pair[1].Current.DB()
				}
				near(t, before.Place, y-x, by, 1e-9)
			}
			near(t, before.Place+", headroom", before.Headroom.DB()-after.Headroom.DB(), by, 1e-9)
			if after.Within != (after.Headroom >= 0) {
				t.Errorf("%s with %+v: %+v", before.Place, s, after)
			}
		}
	}
}

// A node whose headroom the surplus uses up refuses, and says so by its figures instead of by its note.
func TestASurplusOverTheHeadroomRefuses(t *testing.T) {
	n := chain.Node{ID: "CLAMP1", Place: "clamp forward power", RatedAs: chain.RatedPeak, By: chain.ByPowerMeter,
		Peak:   chain.Value{Power: rf.DBm(38)},
		Rating: chain.Value{Power: rf.DBm(40)}, Headroom: 2, Within: true, Note: "rated for at most 10 min"}
	p := chain.Prediction{Nodes: []chain.Node{n}}
	if q := p.With(chain.Surplus{Forward: 1.5}); !q.Within() || q.Nodes[0].Note != n.Note {
		t.Errorf("0.5 dB are left: %+v", q.Nodes[0])
	}
	if q := p.With(chain.Surplus{Forward: 2}); !q.Within() {
		t.Errorf("just at the rating: %+v", q.Nodes[0])
	}
	q := p.With(chain.Surplus{Forward: 2.5})
	if q.Within() || !strings.Contains(q.Nodes[0].Refusal().Error(),
		"40.5 dBm at the envelope's crest is 0.5 dB over the rating of 40.0 dBm") {
		t.Errorf("%v", q.Nodes[0].Refusal())
	}
	if !p.Within() || p.Nodes[0] != n {
		t.Errorf("the prediction that was asked changed: %+v", p.Nodes[0])
	}
}
