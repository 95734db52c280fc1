package simbench

import (
	"math"
	"slices"
)

// CarrierHeldAM is the modulation of most conducted immunity tests: 80 % AM at 1 kHz.
var CarrierHeldAM = Modulation{AMDepth: 0.8, AMRate: 1e3}

// Truth is what the simulator knows of the product on the cable, to compare findings with. Every
// level is the current at the monitoring probe as the r.m.s. of the unmodulated carrier, for the
// modulation that is named.
type Truth struct {
	Note   string      `json:"note"`
	Seed   uint64      `json:"seed"`
	Cable  TruthCable  `json:"cable"`
	Bands  []TruthBand `json:"bands"`
	Levels []float64   `json:"levelsDBuA"` // levels for which edges are given
	Parts  []Part      `json:"parts"`      // that can be put on; Bands are told without any
}

// TruthCable is the cable as it is.
type TruthCable struct {
	CharacteristicOhm float64 `json:"characteristicOhm"`
	HeightM           float64 `json:"heightM"`
	ClampToDUTM       float64 `json:"clampToDutM"`
	ProbeToDUTM       float64 `json:"probeToDutM"`
	ClampToAEM        float64 `json:"clampToAeM"`
	DUTOhm            float64 `json:"dutOhm"`
	DUTFarad          float64 `json:"dutFarad"`
	AEOhm             float64 `json:"aeOhm"`
	AEHenry           float64 `json:"aeHenry"`
	Velocity          float64 `json:"velocity"`       // against that of light
	LossDBPerM        float64 `json:"lossDbPerMetre"` // at 50 MHz, grows with the root of frequency
}

// TruthBand is one way in which RF upsets the product.
type TruthBand struct {
	Name         string      `json:"name"`
	Does         string      `json:"does"`       // "shift" or "latch"
	RespondsTo   string      `json:"respondsTo"` // "peak" or "mean" of the envelope
	NeedsReset   bool        `json:"needsReset"`
	HysteresisDB float64     `json:"hysteresisDb"` // 0 for a latch: it does not recover by itself
	Monitor      bool        `json:"monitor,omitempty"`
	Cases        []TruthCase `json:"cases"`
}

// TruthCase is a band for one build and one modulation.
type TruthCase struct {
	Build      Build        `json:"build"`
	Modulation string       `json:"modulation"` // "CW" or "AM 80 % 1 kHz, carrier held"
	CentreHz   float64      `json:"centreHz"`
	LowestDBuA float64      `json:"lowestDbua"`
	Edges      []TruthEdges `json:"edges"`
	Points     []TruthPoint `json:"points"`
}

// TruthEdges are the frequencies between which a level upsets the product; Upsets is false where
// it does not at any.
type TruthEdges struct {
	LevelDBuA float64 `json:"levelDbua"`
	Upsets    bool    `json:"upsets"`
	LowHz     float64 `json:"lowHz,omitempty"`
	HighHz    float64 `json:"highHz,omitempty"`
}

// TruthPoint is a threshold at a frequency; Recovery is null where the product needs a reset.
type TruthPoint struct {
	Hz           float64  `json:"hz"`
	OnsetDBuA    float64  `json:"onsetDbua"`
	RecoveryDBuA *float64 `json:"recoveryDbua"`
	Reachable    bool     `json:"reachable"` // with this amplifier, however hard it is driven
}

// TruthLevels are the levels for which Truth gives edges: 3 V and 10 V e.m.f. in a 300 Ω loop.
var TruthLevels = []float64{80, 90.457}

// Truth returns what the simulator knows.
func (b *Bench) Truth() Truth {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.truth()
}

func (b *Bench) truth() Truth {
	bare := b.plant.gear
	bare.parts, bare.wandered = nil, 0
	g := &bare
	t := Truth{
		Note: "invented product on a simulated bench; levels are currents at the monitoring probe, r.m.s. of the " +
			"unmodulated carrier; bands are those without parts, parts raise their onsets by so many dB",
		Seed: b.config.Seed, Levels: TruthLevels,
		Cable: TruthCable{g.cable.impedance, g.height, g.cable.clampToDUT, g.cable.probeToDUT, g.cable.clampToAE,
			g.dutResistance, g.dutCapacity, g.aeResistance, g.aeInductance, g.cable.velocity / speedOfLight,
			g.cable.loss},
		Parts: slices.Clone(b.plant.parts),
	}
	for i := range g.bands {
		t.Bands = append(t.Bands, g.truthOf(&g.bands[i]))
	}
	return t
}

func (g *gear) truthOf(x *band) TruthBand {
	t := TruthBand{Name: x.name, Does: string(x.kind), RespondsTo: string(x.detects), NeedsReset: x.kind == latches,
		HysteresisDB: x.hysteresis, Monitor: x.monitor}
	for _, build := range []Build{Original, Fixed, Cured} {
		for _, m := range []struct {
			name string
			Modulation
		}{{"CW", Modulation{}}, {"AM 80 % 1 kHz, carrier held", CarrierHeldAM}} {
			t.Cases = append(t.Cases, g.truthCase(x, build, m.name, m.Modulation))
		}
	}
	return t
}

func (g *gear) truthCase(x *band, build Build, name string, m Modulation) TruthCase {
	d := x.builds[build]
	c := TruthCase{Build: build, Modulation: name, CentreHz: d.centre}
	if onset := g.onset(x, build, d.centre, m, 0); !math.IsInf(onset, 0) {
		c.LowestDBuA = dBuA(onset)
	}
	for _, level := range TruthLevels {
		e := TruthEdges{LevelDBuA: level}
		e.LowHz, e.HighHz, e.Upsets = g.edges(x, build, m, amperes(level))
		c.Edges = append(c.Edges, e)
	}
	const n = 40
	reach := 2 * d.width // 40 dB above the lowest
	for k := -n; k <= n; k++ {
		hz := d.centre * math.Exp(reach*float64(k)/n)
		onset := g.onset(x, build, hz, m, 0)
		if math.IsInf(onset, 0) {
			continue
		}
		point := TruthPoint{Hz: hz, OnsetDBuA: dBuA(onset), Reachable: g.reaches(x, build, hz, m)}
		if x.kind == shifts {
			r := dBuA(g.onset(x, build, hz, m, x.hysteresis))
			point.RecoveryDBuA = &r
		}
		c.Points = append(c.Points, point)
	}
	return c
}

// Onset returns the carrier current at the probe (A r.m.s., unmodulated) from which the build is
// upset at a frequency with a modulation, over all bands; +Inf where it never is. Parts that are on and what it has
// wandered count, for Edges as well.
func (b *Bench) Onset(build Build, hz float64, m Modulation) (onset float64) {
	b.do(func(p *plant) { onset = p.lowestOnset(build, hz, m) })
	return onset
}

func (g *gear) lowestOnset(build Build, hz float64, m Modulation) float64 {
	lowest := math.Inf(1)
	for i := range g.bands {
		lowest = math.Min(lowest, g.onset(&g.bands[i], build, hz, m, 0))
	}
	return lowest
}

// Edges returns the frequencies between which a carrier current upsets the build in each band that
// it upsets at all.
func (b *Bench) Edges(build Build, m Modulation, current float64) (out [][2]float64) {
	b.do(func(p *plant) {
		for i := range p.bands {
			if low, high, ok := p.edges(&p.bands[i], build, m, current); ok {
				out = append(out, [2]float64{low, high})
			}
		}
	})
	return out
}

// onset returns the carrier current at the probe whose detected current, as modulated and as the
// amplifier compresses it, is the threshold minus below dB. Where the amplifier cannot put it on
// the cable, it says what an amplifier without limits would need.
func (g *gear) onset(x *band, build Build, hz float64, m Modulation, below float64) float64 {
	threshold := amperes(g.threshold(x, build, hz) - below)
	if math.IsInf(threshold, 0) {
		return threshold
	}
	probe := g.transferAt(Cable, build, hz).probe
	vsat := g.saturation(hz)
	factor := detectedOf(x.detects, m, vsat*1e-6, vsat) / (vsat * 1e-6)
	linear := threshold / factor / probe // volts at the amplifier's output without compression
	if linear < 0.05*vsat || threshold >= 0.999*detectedOf(x.detects, m, 10*vsat, vsat)*probe {
		return threshold / factor
	}
	low, high := linear*0.999, vsat*10
	for range 40 {
		middle := math.Sqrt(low * high)
		if detectedOf(x.detects, m, middle, vsat)*probe < threshold {
			low = middle
		} else {
			high = middle
		}
	}
	return rapp(high, vsat, amplifierSharpness) * probe
}

// reaches reports that the amplifier can bring the detected current to the onset at all.
func (g *gear) reaches(x *band, build Build, hz float64, m Modulation) bool {
	vsat := g.saturation(hz)
	largest := detectedOf(x.detects, m, 10*vsat, vsat) * g.transferAt(Cable, build, hz).probe
	return amperes(g.threshold(x, build, hz)) < 0.999*largest
}

// detectedOf returns crest or mean at the amplifier's output for a linear carrier amplitude.
func detectedOf(d detects, m Modulation, linear, vsat float64) float64 {
	amplitude, share := m.envelope()
	var crest, mean float64
	for k, a := range amplitude {
		v := rapp(linear*a, vsat, amplifierSharpness)
		crest = math.Max(crest, v)
		mean += share[k] * v * v
	}
	if d == peakOfEnvelope {
		return crest
	}
	return math.Sqrt(mean)
}

// edges finds where a carrier current begins and ceases to upset in a band.
func (g *gear) edges(x *band, build Build, m Modulation, current float64) (low, high float64, upsets bool) {
	d := x.builds[build]
	if !(g.onset(x, build, d.centre, m, 0) <= current) {
		return 0, 0, false
	}
	find := func(sign float64) float64 {
		inside, outside := 0.0, 3*d.width
		for range 40 {
			middle := (inside + outside) / 2
			if g.onset(x, build, d.centre*math.Exp(sign*middle), m, 0) <= current {
				inside = middle
			} else {
				outside = middle
			}
		}
		return d.centre * math.Exp(sign*inside)
	}
	return find(-1), find(1), true
}

// usable reports that every band of the product as received can be reached with AM at 80 dBµA with
// some headroom, that no two bands touch at 96 dBµA, and that no harmonic upsets it.
func (g *gear) usable() bool {
	wanted := amperes(90.457)
	var spans [][2]float64
	for i := range g.bands {
		x := &g.bands[i]
		d := x.builds[Original]
		reach := d.width * math.Sqrt((96-d.lowest+6)/10)
		spans = append(spans, [2]float64{d.centre * math.Exp(-reach), d.centre * math.Exp(reach)})
		for k := -8; k <= 8; k++ {
			hz := d.centre * math.Exp(reach*float64(k)/8)
			if g.linearCurrent(hz, amplifierP1dB-1) < amperes(80)*1.8 {
				return false
			}
			if g.harmonicUpsets(hz, 2, wanted) || g.harmonicUpsets(hz, 3, wanted) {
				return false
			}
		}
	}
	for i := range spans {
		for k := range i {
			if spans[i][0] < spans[k][1]*1.05 && spans[k][0] < spans[i][1]*1.05 {
				return false
			}
		}
	}
	return true
}

// linearCurrent is the current at the probe for a power in dBm at the amplifier's output.
func (g *gear) linearCurrent(hz, dbm float64) float64 {
	return voltsOf(dbm) * g.transferAt(Cable, Original, hz).probe
}

// harmonicUpsets reports that the order-th harmonic, which falls at hz, upsets the product while
// the fundamental is at the carrier current wanted with AM, or at what the amplifier can give.
func (g *gear) harmonicUpsets(hz float64, order int, wanted float64) bool {
	fundamental := hz / float64(order)
	if fundamental < 100e3 {
		return false
	}
	t := g.transferAt(Cable, Original, fundamental)
	vsat := g.saturation(fundamental)
	linear := math.Min(1.8*wanted/t.probe, vsat*1.2)
	in := linear / ratio(g.gain(fundamental))
	v := g.amplifier(fundamental, in, true, false)[order-1]
	current := v * g.transferAt(Cable, Original, hz).probe * ratio(1)
	for i := range g.bands {
		x := &g.bands[i]
		if current >= amperes(g.threshold(x, Original, hz)) {
			return true
		}
	}
	return false
}
