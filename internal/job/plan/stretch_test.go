package plan

import (
	"testing"

	"provoke/internal/units/rf"
)

func TestFrequenciesOfAListStandAlone(t *testing.T) {
	parse := func(grid string) *Plan {
		p, list := Parse("plan.yaml", []byte(
			"provoke: plan 1\nbench: b.yaml\nkind: exposure\nmode: closed loop\nlevel: 60 mA\ngrid: "+grid+"\n"), nil)
		if err := list.Err(); err != nil {
			t.Fatal(err)
		}
		return p
	}
	if p := parse("[{list: [1 MHz, 1.01 MHz, 28 MHz]}]"); len(p.Stretches) != 0 || Joins(p.Stretches, 1e6, 1.01e6) {
		t.Errorf("%+v", p.Stretches)
	}
	p := parse("[{from: 1 MHz, to: 2 MHz, step: 1 %}, {from: 20 MHz, to: 21 MHz, step: 50 kHz}, {list: [5 MHz]}]")
	for _, c := range []struct {
		a, b rf.Frequency
		want bool
	}{
		{1e6, 1.01e6, true}, {1.01e6, 1e6, true}, {1e6, 1.0201e6, false}, {1.99e6, 2e6, true}, {2e6, 5e6, false},
		{2e6, 2.01e6, false}, {0.995e6, 1e6, false}, {2e6, 20e6, false},
		{20e6, 20.05e6, true}, {20e6, 20.025e6, true}, {20e6, 20.1e6, false}, {20.95e6, 21e6, true}, {5e6, 5.01e6,
			false},
	} {
		if got := Joins(p.Stretches, c.a, c.b); got != c.want {
			t.Errorf("%v and %v: %v, want %v (%+v)", c.a, c.b, got, c.want, p.Stretches)
		}
	}
	around := parse("[{around: [10 MHz, 30 MHz], span: 4 %, step: 1 %}]")
	if len(around.Stretches) != 2 || Joins(around.Stretches, 10.2e6, 29.4e6) || !Joins(around.Stretches, 10e6,
		10.1e6) || !Joins(around.Stretches, 30e6, 30.3e6) {
		t.Errorf("%+v", around.Stretches)
	}
}

// Who checked a profile stands in place of "not verified": a blank says nothing.
func TestABlankCheckOfAProfileIsRefused(t *testing.T) {
	text := func(check string) string {
		return "provoke: plan 1\nbench: b.yaml\nkind: exposure\nmode: closed loop\nlevel: " +
			"iec-61000-4-6/level-1\ngrid: [{from: 1 MHz, to: 2 MHz, step: 1 %}]\nprofile_checked: " + check + "\n"
	}
	for _, bad := range []string{`{by: " ", on: 2026-01-05, edition: "5", figures: y}`,
		`{by: A. Example, on: 2026-01-05, edition: "", figures: y}`,
		`{by: A. Example, on: 2026-13-05, edition: "5", figures: y}`, `{by: A. Example}`} {
		if _, list := Parse("plan.yaml", []byte(text(bad)), nil); list.Err() == nil {
			t.Errorf("%s is taken", bad)
		}
	}
	p, list := Parse("plan.yaml", []byte(text(`{by: A. Example, on: 2026-01-05, edition: "5.0", figures: level 1}`)),
		nil)
	if list.Err() != nil ||
		p.Profile.Mark() != "checked by A. Example on 2026-01-05 against edition 5.0 of the standard: level 1" {
		t.Errorf("%v, %v", p.Profile.Mark(), list.Err())
	}
}
