package simbench

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

// Part is something that a person puts on the belt weigher or its cable to make it stand more. It moves the
// product's onsets, as detected current at the monitoring probe, and not the cable's impedance: the current
// that a drive gives stays what it was. The effects of parts that are on add in dB.
type Part struct {
	Name  string `json:"name"`
	Is    string `json:"is"`
	On    bool   `json:"on"`
	Humps []Hump `json:"humps"` // the effect is their sum: none does nothing
}

// Hump is a smooth piece of a part's effect: DB·exp(−½·(ln(f/CentreHz)/Width)²).
type Hump struct {
	CentreHz float64 `json:"centreHz"`
	DB       float64 `json:"db"`
	Width    float64 `json:"width"`
}

// humpWidth is the width of every hump in ln(f): wider than a failing band, narrower than the gap between two.
const humpWidth = 0.35

// EffectDB returns by how much the part raises the product's onsets at a frequency, whether or not it is on.
func (p Part) EffectDB(hz float64) float64 {
	sum := 0.0
	for _, h := range p.Humps {
		x := math.Log(hz/h.CentreHz) / h.Width
		sum += h.DB * math.Exp(-x*x/2)
	}
	return sum
}

// drawParts draws what there is to put on: a ferrite that helps at one of the first two bands and hurts at the
// other, a capacitor that helps much at one, a strap that helps a little at both, a clip-on that does nothing.
func drawParts(seed uint64, bands []band) []Part {
	r := rand.New(rand.NewPCG(seed, 0x70617274))
	at := []float64{bands[0].builds[Original].centre, bands[1].builds[Original].centre}
	if r.IntN(2) == 0 {
		slices.Reverse(at)
	}
	hump := func(i int, low, high float64) Hump { return Hump{at[i], uniform(r, low, high), humpWidth} }
	return []Part{
		{Name: "ferrite", Is: "ferrite sleeve at the transmitter's end of the cable",
			Humps: []Hump{hump(0, 4.5, 10), hump(1, -5, -2)}},
		{Name: "capacitor", Is: "capacitor from the wires to chassis at the connector",
			Humps: []Hump{hump(r.IntN(2), 15.5, 19)}},
		{Name: "strap", Is: "strap from the cable's shield to the case",
			Humps: []Hump{hump(0, 1, 2.5), hump(1, 1, 2.5)}},
		{Name: "clip-on", Is: "clip-on ferrite of a material for another frequency"},
	}
}

// threshold returns the onset in dBµA of the detected current at the monitoring probe, with the parts that
// are on and as far as it has wandered. The monitor's own onset stays where it is.
func (g *gear) threshold(x *band, build Build, hz float64) float64 {
	t := x.builds[build].threshold(hz)
	if x.monitor {
		return t
	}
	t += g.wandered
	for i := range g.parts {
		if g.parts[i].On {
			t += g.parts[i].EffectDB(hz)
		}
	}
	return t
}

// putOn puts a part on or takes it off; false, with the names of those that there are, where there is no such part.
func (g *gear) putOn(name string, on bool) (names string, found bool) {
	for i := range g.parts {
		x := &g.parts[i]
		if strings.EqualFold(x.Name, name) {
			x.On = on
			return "", true
		}
		names += ", " + x.Name
	}
	return strings.TrimPrefix(names, ", "), false
}

// PutOn puts a part on the product or takes it off, whether or not RF is on. No part is on at the start.
func (b *Bench) PutOn(name string, on bool) (err error) {
	b.do(func(p *plant) {
		if names, found := p.putOn(name, on); !found {
			err = fmt.Errorf("the simulated belt weigher has no part %q; its parts are %s", name, names)
		}
	})
	return err
}

// Parts returns the parts that there are, with what each does and whether it is on.
func (b *Bench) Parts() []Part {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.plant.parts)
}

// OnsetNow returns the onset in dBµA, as carrier current at the probe before modulation, of the build that is on
// the bench, with the parts that are on and as far as it has wandered at this moment; +Inf where it is never
// upset. What RandomOnset adds to each exposure is not in it.
func (b *Bench) OnsetNow(hz float64, m Modulation) (onset float64) {
	b.do(func(p *plant) { onset = dBuA(p.lowestOnset(p.product.build, hz, m)) })
	return onset
}

// handProduct are the commands by which a person changes the product: its parts, its wandering, its chance.
func (b *Bench) handProduct() []command {
	p := &b.plant
	decibels := wanted{units: map[string]float64{"": 1, "DB": 1}, high: LargestMove}
	period := wanted{units: map[string]float64{"": 1, "S": 1}, low: 10, high: 86400, otherwise: WanderPeriod.Seconds()}
	seed := wanted{high: 1 << 53, otherwise: float64(b.config.Seed)}
	return []command{
		{"PART[:STATe]", func(a []string) error {
			if len(a) < 2 {
				return errMissing
			}
			on, err := oneBool(a[1:])
			if err != nil {
				return err
			}
			if names, found := p.putOn(strings.Trim(a[0], `"'`), on); !found {
				return &scpiError{errIllegal.code, errIllegal.text + ";the parts are " + names}
			}
			return nil
		}, nil},
		{"PART:LIST", nil, func([]string) (string, error) {
			var out []string
			for _, x := range p.parts {
				out = append(out, `"`+x.Name+`",`+showBool(x.On))
			}
			return strings.Join(out, ","), nil
		}},
		{"WANDer", func(a []string) error {
			x, err := numbers(a, decibels, period, seed)
			if err == nil {
				p.startWander(x[0], time.Duration(x[1]*float64(time.Second)), uint64(x[2]))
			}
			return err
		}, func([]string) (string, error) { return show(p.wander.decibels), nil }},
		{"SPRead", func(a []string) error {
			x, err := numbers(a, decibels, seed)
			if err == nil {
				p.randomOnset(x[0], uint64(x[1]))
			}
			return err
		}, func([]string) (string, error) {
			if p.chance == nil {
				return show(0), nil
			}
			return show(p.chance.spread), nil
		}},
		{"ONSet", nil, func(a []string) (string, error) {
			x, err := numbers(a, wanted{units: frequencyUnits, low: 1e3, high: 1e9},
				wanted{units: percentUnits, high: 100})
			if err != nil {
				return "", err
			}
			onset := p.lowestOnset(p.product.build, x[0], Modulation{AMDepth: x[1] / 100, AMRate: 1e3})
			return show(math.Min(dBuA(onset), overrange)), nil
		}},
	}
}
