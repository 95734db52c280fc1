package simbench

import (
	"fmt"
	"math"
	"time"
)

// Modulation is what is on the generator's carrier. The zero value is none.
type Modulation struct {
	AMDepth   float64 `json:"amDepth,omitempty"`   // 0 to 1, carrier held
	AMRate    float64 `json:"amRate,omitempty"`    // Hz
	PulseDuty float64 `json:"pulseDuty,omitempty"` // 0 to 1, 0 for none
	PulseRate float64 `json:"pulseRate,omitempty"` // Hz
}

// envelope returns amplitudes relative to the carrier over one period, with their shares of time.
func (m Modulation) envelope() (amplitude, share []float64) {
	const n = 16
	on := 1.0
	if m.PulseDuty > 0 {
		on = m.PulseDuty
		amplitude, share = append(amplitude, 0), append(share, 1-on)
	}
	if m.AMDepth == 0 {
		return append(amplitude, 1), append(share, on)
	}
	for k := 0; k <= n; k++ { // half a period: the other half mirrors it
		weight := 1.0
		if k == 0 || k == n {
			weight = 0.5
		}
		amplitude = append(amplitude, 1+m.AMDepth*math.Cos(math.Pi*float64(k)/n))
		share = append(share, on*weight/n)
	}
	return amplitude, share
}

// generatorState is what the generator is set to.
type generatorState struct {
	on    bool
	hz    float64
	volts float64 // r.m.s. into 50 Ω, carrier
	am    bool
	pulse bool
	mod   Modulation
	left  left
}

// modulation is what is really on the carrier.
func (g generatorState) modulation() Modulation {
	m := Modulation{}
	if g.am && !g.left.external {
		m.AMDepth, m.AMRate = g.mod.AMDepth, g.mod.AMRate
	}
	if g.pulse && !g.left.pulseExt {
		m.PulseDuty, m.PulseRate = g.mod.PulseDuty, g.mod.PulseRate
	}
	return g.left.gated(m)
}

// wiring is what a person, or a fault, did to the bench.
type wiring struct {
	fixture        Fixture
	generatorPadIn bool
	analyserPadIn  bool
	extraPad       float64 // dB in front of the analyser
	probeOpen      bool
	levelError     float64 // dB on the generator's real output
	interlock      bool    // closed
	sticky, welded bool    // the source's output relay: sticks once it has closed; has stuck
	// dog is the time-out of the relay in the RF path, 0 where it is bridged; dogUntil is when it opens.
	dog, dogUntil time.Duration
}

// tone is one line of the spectrum, as current at the probe: r.m.s. of the unmodulated carrier, at
// the crest and over the modulation.
type tone struct{ hz, carrier, crest, mean float64 }

// signal is what is on the bench at one moment.
type signal struct {
	on            bool
	modulation    Modulation
	tones         []tone // fundamental, second, third
	dutCarrier    float64
	dutCrest      float64
	inputCrest    float64 // dBm at the amplifier's input
	forwardMean   float64 // dBm at the clamp
	forwardCrest  float64
	reverseMean   float64
	analyserCrest float64 // dBm at the analyser's connector
}

// plant is the shared physical state. Its owner holds the bench's lock.
type plant struct {
	gear
	wiring
	generator         generatorState
	operate           bool
	amplifierDead     bool
	manner            manner
	analyserDead      bool
	product           weigher
	now               signal
	drive             []float64
	at                time.Duration // bench time up to which the states are advanced
	record            record
	cache             map[transferKey]transfer
	chance            *chance // nil where the onsets stand still
	wander            wander
	sweeping          *sweeping      // nil while the generator stands still
	abuseInThisSignal map[string]int // by rating, the abuse that goes on
}

type transferKey struct {
	fixture Fixture
	build   Build
	hz      float64
}

// transfer returns the solved fixture, remembered.
func (p *plant) transfer(hz float64) transfer {
	key := transferKey{p.fixture, p.product.build, hz}
	if t, ok := p.cache[key]; ok {
		return t
	}
	if len(p.cache) > 20000 {
		clear(p.cache)
	}
	t := p.transferAt(key.fixture, key.build, hz)
	p.cache[key] = t
	return t
}

// amplify returns the output of the fundamental and of the harmonics for a linear input voltage.
func (p *plant) amplify(hz, in float64) [3]float64 {
	return p.manner.gives(p.amplifier(hz, in*ratio(p.manner.gain), p.operate && p.possible(), p.amplifierDead))
}

// amplifier is the amplifier's envelope characteristic, volts r.m.s. in and out.
func (g *gear) amplifier(hz, in float64, operate, dead bool) [3]float64 {
	switch {
	case dead:
		return [3]float64{}
	case !operate:
		return [3]float64{in * ratio(g.gain(hz)-standbyIsolation)}
	}
	vsat := g.saturation(hz)
	linear := in * ratio(g.gain(hz))
	drive := linear / (vsat * amplifierAtCompression) // 1 at 1 dB compression
	out := rapp(linear, vsat, amplifierSharpness)
	return [3]float64{out,
		out * secondRatio * math.Min(drive, 2),
		out * thirdRatio * math.Min(drive*drive, 4)}
}

var secondRatio, thirdRatio = ratio(secondHarmonic), ratio(thirdHarmonic)

// solve computes what is on the bench with the present settings.
func (p *plant) solve() signal {
	g := p.generator
	g.on = p.weldedOn(g.on) || g.on
	g.hz, g.volts = g.left.carrier(g.hz, g.volts, g.am, p.at)
	s := signal{on: g.on, modulation: g.modulation(), inputCrest: math.Inf(-1), forwardMean: math.Inf(-1),
		forwardCrest: math.Inf(-1), reverseMean: math.Inf(-1), analyserCrest: math.Inf(-1)}
	if !g.on {
		return s
	}
	level := p.levelError
	if p.generatorPadIn {
		level -= p.generatorPad
	}
	in := g.volts * ratio(level)
	outputs := p.outputs(g.hz, in, s.modulation)
	if g.left.square {
		p.squared(&outputs, g.hz, in)
	}
	s.inputCrest = dBmOf(in * outputs.crestOfEnvelope)
	p.spread(&s, g.hz, outputs)
	return s
}

// outputs holds amplifier output voltages for fundamental and harmonics.
type outputs struct {
	carrier, crest, mean [3]float64
	crestOfEnvelope      float64
}

func (p *plant) outputs(hz, in float64, m Modulation) outputs {
	o := outputs{carrier: p.amplify(hz, in)}
	amplitude, share := m.envelope()
	for k, a := range amplitude {
		v := p.amplify(hz, in*a)
		for h := range v {
			o.crest[h] = math.Max(o.crest[h], v[h])
			o.mean[h] += share[k] * v[h] * v[h]
		}
		o.crestOfEnvelope = math.Max(o.crestOfEnvelope, a)
	}
	for h := range o.mean {
		o.mean[h] = math.Sqrt(o.mean[h])
	}
	return o
}

// spread carries the amplifier's output to clamp, cable, probe and analyser.
func (p *plant) spread(s *signal, hz float64, o outputs) {
	var forwardMean, forwardCrest, reverse, analyser float64
	for h := range o.carrier {
		f := hz * float64(h+1)
		t := p.transfer(f)
		s.tones = append(s.tones, tone{f, o.carrier[h] * t.probe, o.crest[h] * t.probe, o.mean[h] * t.probe})
		loss := 1 / ratio(p.driveLoss(f))
		forwardMean += math.Pow(o.mean[h]*loss, 2)
		forwardCrest += math.Pow(o.crest[h]*loss, 2)
		reverse += math.Pow(o.mean[h]*loss*magnitude(t.reflection), 2)
		analyser += math.Pow(p.atAnalyser(f, s.tones[h].crest), 2)
		if h == 0 {
			s.dutCarrier, s.dutCrest = o.carrier[0]*t.dut, o.crest[0]*t.dut
		}
	}
	s.forwardMean, s.forwardCrest = dBmOf(math.Sqrt(forwardMean)), dBmOf(math.Sqrt(forwardCrest))
	s.reverseMean, s.analyserCrest = dBmOf(math.Sqrt(reverse)), dBmOf(math.Sqrt(analyser))
}

// atAnalyser returns the voltage at the analyser's connector for a current at the probe.
func (p *plant) atAnalyser(hz, current float64) float64 {
	if p.probeOpen {
		return 0
	}
	loss := p.readLoss(hz) + p.extraPad
	if p.analyserPadIn {
		loss += p.analyserPad
	}
	return current * magnitude(p.probe.transfer(hz)) / ratio(loss)
}

// advance brings the bench up to bench time t.
func (p *plant) advance(t time.Duration) {
	p.advanceSweep(t)
	p.advanceWander(t)
	p.advanceSteady(t)
}

// advanceSteady brings the product's states up to bench time t with what is on the bench now.
func (p *plant) advanceSteady(t time.Duration) {
	dt := t - p.at
	if dt <= 0 {
		return
	}
	p.at = t
	p.wandered = p.wander.at(t)
	p.manner.advance(t)
	for i := range p.product.states {
		p.product.states[i].advance(&p.bands[i], p.drive[i], dt.Seconds())
	}
	if p.now.on {
		p.record.on += dt
	}
}

// changed recomputes the bench after anything on it was changed: ratings, maxima, exposures.
func (p *plant) changed() {
	before := p.now
	p.now = p.solve()
	if p.checkRatings(); p.amplifierDead {
		p.now = p.solve()
	}
	p.drives()
	p.record.note(p.at, before, p.now, p.fixture)
	p.record.rf.note(p.now, p.at)
}

// checkRatings compares every rating and destroys what does not stand it.
func (p *plant) checkRatings() {
	s := p.now
	excess := map[string]int{}
	for _, i := range p.abuseInThisSignal { // what was over until now
		a := &p.record.abuses[i]
		a.Lasted = p.at - a.At
	}
	over := func(instrument, rating, unit string, value, limit float64) bool {
		if !(value > limit+1e-9) {
			return false
		}
		key := instrument + rating
		i, still := p.abuseInThisSignal[key]
		if !still {
			i = len(p.record.abuses)
			p.record.abuses = append(p.record.abuses, Abuse{At: p.at, Instrument: instrument, What: rating,
				Value: value, Limit: limit, Unit: unit, Frequency: p.generator.hz})
		}
		excess[key] = i
		return true
	}
	if over("amplifier", "input, peak envelope", "dBm", s.inputCrest, amplifierInputRating) && !p.amplifierDead {
		p.amplifierDead = true
		p.record.abuses[len(p.record.abuses)-1].Destroyed = true
	}
	if over("analyser", "input, peak envelope", "dBm", s.analyserCrest, analyserRating) && !p.analyserDead {
		p.analyserDead = true
		p.record.abuses[len(p.record.abuses)-1].Destroyed = true
	}
	if s.on {
		over("amplifier", "direct voltage at its input", "V", math.Abs(p.generator.left.offset), directRating)
	}
	over("clamp", "forward power, mean", "dBm", s.forwardMean, clampRating)
	over("amplifier", "reverse power, mean", "dBm", s.reverseMean, reverseRating)
	over("powermeter", "input, mean", "dBm", s.forwardMean-coupling, meterRating)
	if len(s.tones) > 0 {
		over("probe", "current at the crest", "dBµA", dBuA(s.tones[0].crest), dBuA(probeRating))
	}
	p.abuseInThisSignal = excess
}

// Abuse is one time that something was driven over its rating.
type Abuse struct {
	At           time.Duration // bench time since the start
	Instrument   string
	What         string // the rating
	Value, Limit float64
	Unit         string
	Frequency    float64 // Hz
	Destroyed    bool
	Lasted       time.Duration // bench time that it went on for, so far
}

// String tells the abuse in a line.
func (a Abuse) String() string {
	end := ""
	if a.Destroyed {
		end = ", destroyed"
	}
	return fmt.Sprintf("%s: %s %.2f %s is %.2f dB over its rating of %.2f %s at %.6g Hz after %.3f s%s",
		a.Instrument, a.What, a.Value, a.Unit, a.Value-a.Limit, a.Limit, a.Unit, a.Frequency, a.At.Seconds(), end)
}

// record is what the bench remembers of its past.
type record struct {
	abuses           []Abuse
	on               time.Duration // bench time with the generator's output on
	exposures        int           // times that RF came on
	highestCarrier   float64       // A at the probe, on the cable or in a jig
	highestCrest     float64
	highestDUT       float64 // crest at the product's connector
	highestOnCable   float64 // crest at the probe, on the cable
	highestOnCableCW float64 // carrier at the probe, on the cable
	history          []Sample
	keep             bool
	rf               rfLog
}

// Sample is one change of the RF on the bench.
type Sample struct {
	At         time.Duration // bench time
	On         bool
	Frequency  float64 // Hz
	Carrier    float64 // A r.m.s. at the probe, unmodulated carrier
	Crest      float64 // A r.m.s. at the crest
	Forward    float64 // dBm at the clamp, mean
	Modulation Modulation
	Fixture    Fixture
}

func (r *record) note(at time.Duration, before, now signal, f Fixture) {
	if now.on && !before.on {
		r.exposures++
	}
	s := Sample{At: at, On: now.on, Forward: now.forwardMean, Modulation: now.modulation, Fixture: f}
	if len(now.tones) > 0 {
		t := now.tones[0]
		s.Frequency, s.Carrier, s.Crest = t.hz, t.carrier, t.crest
		r.highestCarrier = math.Max(r.highestCarrier, t.carrier)
		r.highestCrest = math.Max(r.highestCrest, t.crest)
		if f == Cable {
			r.highestDUT = math.Max(r.highestDUT, now.dutCrest)
			r.highestOnCable = math.Max(r.highestOnCable, t.crest)
			r.highestOnCableCW = math.Max(r.highestOnCableCW, t.carrier)
		}
	}
	const longest = 1 << 20
	if r.keep && len(r.history) < longest && (len(r.history) == 0 || !r.history[len(r.history)-1].same(s)) {
		r.history = append(r.history, s)
	}
}

func (s Sample) same(o Sample) bool {
	s.At = o.At
	return s == o
}
