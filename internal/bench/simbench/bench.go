package simbench

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// Names of the faces, in the order in which they are listed and given ports.
var Names = []string{"source", "amplifier", "analyser", "powermeter", "meter", "interlock", "hand", "dut"}

// Config of a bench. The zero value is seed 0 in real time, a function generator, the product's
// cable.
type Config struct {
	Seed      uint64
	Speed     float64   // how many times faster than the wall clock; 0 means 1
	Generator Generator // "" means FunctionGenerator
	Fixture   Fixture   // "" means Cable
	Fix       Fix       // "" means FixCures
	// MonitorBand adds a band from 2 to 3 per cent around 7 MHz in which the monitor itself is upset,
	// whether or not the product's output is held.
	MonitorBand bool
	// Steady takes the random part out of every reading: what two runs then differ by is not the bench's.
	Steady bool
	// KeepHistory keeps every change of the RF for History.
	KeepHistory bool
	// Serial is the serial number in every answer to *IDN?; "" means S1. Benches that follow each other on
	// the same ports differ in it.
	Serial string
	// Camera looks at the product; nil for none. It is served with the bench, by Serve.
	Camera *CameraView
	// Sound listens to the product; nil for nothing. It is served as the camera is.
	Sound *SoundView
}

// Bench is a simulated bench. Make it with New, end it with Close.
type Bench struct {
	config Config
	began  time.Time

	mu       sync.Mutex // guards plant, faces' settings and faults
	plant    plant
	faces    map[string]*face
	source   *source
	analyser *analyser

	serving Serving // as asked for
	network network // what belongs to no face alone

	cameraURL string
	lookers   atomic.Int32 // streams of the camera
	soundPort int

	ctx     context.Context
	stop    context.CancelFunc
	running sync.WaitGroup
	closed  bool // guarded by mu
}

// New makes a bench. It serves nobody until Listen or Dial.
func New(c Config) *Bench {
	if c.Speed <= 0 {
		c.Speed = 1
	}
	if c.Serial == "" {
		c.Serial = "S1"
	}
	if c.Generator == "" {
		c.Generator = FunctionGenerator
	}
	if c.Fixture == "" {
		c.Fixture = Cable
	}
	if c.Fix == "" {
		c.Fix = FixCures
	}
	b := &Bench{config: c, began: time.Now(), faces: map[string]*face{}}
	b.ctx, b.stop = context.WithCancel(context.Background())
	b.plant = plant{
		gear:   drawGear(c.Seed),
		wiring: wiring{fixture: c.Fixture, generatorPadIn: true, analyserPadIn: true, interlock: true},
		cache:  map[transferKey]transfer{},
		record: record{keep: c.KeepHistory},
	}
	b.plant.applyFix(c.Fix)
	if c.MonitorBand {
		d := dip{centre: 7e6, lowest: 74, width: 0.06}
		b.plant.bands = append(b.plant.bands, band{name: "M", kind: shifts, detects: meanOfEnvelope, monitor: true,
			hysteresis: 2, constant: 0.1, builds: map[Build]dip{Original: d, Fixed: d}})
	}
	b.plant.product = weigher{build: Original, states: make([]bandState, len(b.plant.bands)), noise: c.noise(0x6b67)}
	for i, name := range Names {
		b.faces[name] = b.newFace(name, i)
	}
	b.plant.changed()
	return b
}

// noise gives numbers between -1 and 1, each face its own.
func (c Config) noise(of uint64) func() float64 {
	if c.Steady {
		return func() float64 { return 0 }
	}
	r := rand.New(rand.NewPCG(c.Seed, of))
	return func() float64 { return 2*r.Float64() - 1 }
}

// benchTime is the bench's own time since the start: the wall clock times the speed. It is the one
// place that asks for the time.
func (b *Bench) benchTime() time.Duration {
	return time.Duration(float64(time.Since(b.began)) * b.config.Speed)
}

// wall turns a bench time into a wall time.
func (b *Bench) wall(seconds float64) time.Duration {
	return max(time.Duration(seconds/b.config.Speed*float64(time.Second)), 200*time.Microsecond)
}

// do runs f with the plant brought up to now, then recomputes the bench.
func (b *Bench) do(f func(p *plant)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.plant.advance(b.benchTime())
	f(&b.plant)
	b.plant.changed()
}

// Close ends every connection and goroutine of the bench. RF is gone with it.
func (b *Bench) Close() error {
	b.mu.Lock()
	b.closed = true
	var ends []net.Conn
	for _, f := range b.faces {
		for _, l := range f.listeners {
			l.Close()
		}
		for c := range f.conns {
			ends = append(ends, c)
		}
	}
	ends = append(ends, b.network.close()...)
	b.mu.Unlock()
	b.stop()
	for _, c := range ends {
		c.Close()
	}
	b.running.Wait()
	return nil
}

// State is what RF is really on the bench now.
type State struct {
	On         bool // the generator's output is on
	Operating  bool // the amplifier is not in standby
	Frequency  float64
	Modulation Modulation
	Carrier    float64 // A r.m.s. at the probe, unmodulated carrier
	Crest      float64 // A r.m.s. at the probe, at the crest of the envelope
	DUTCarrier float64 // A r.m.s. at the product's connector
	DUTCrest   float64
	Forward    float64 // dBm at the clamp, mean; -Inf for none
	Fixture    Fixture
	Upset      bool    // the product's reading is off or its error line is shown
	Kilograms  float64 // reading without noise
	Seconds    float64 // bench time with RF on so far
	Exposures  int     // times that RF came on so far
}

// State returns what RF is really on the bench now.
func (b *Bench) State() State {
	var s State
	b.do(func(p *plant) {
		s = State{On: p.now.on, Operating: p.operate, Frequency: p.generator.hz, Modulation: p.now.modulation,
			DUTCarrier: p.now.dutCarrier, DUTCrest: p.now.dutCrest, Forward: p.now.forwardMean, Fixture: p.fixture,
			Seconds: p.record.on.Seconds(), Exposures: p.record.exposures}
		if len(p.now.tones) > 0 {
			s.Frequency, s.Carrier, s.Crest = p.now.tones[0].hz, p.now.tones[0].carrier, p.now.tones[0].crest
		}
		kg, failed := p.product.kilograms(p.bands)
		s.Kilograms, s.Upset = kg, failed || kg-weight > tolerance
	})
	return s
}

// Abuses returns everything that was driven over a rating so far.
func (b *Bench) Abuses() []Abuse {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Abuse(nil), b.plant.record.abuses...)
}

// History returns every change of the RF so far, when Config.KeepHistory asks for it.
func (b *Bench) History() []Sample {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]Sample(nil), b.plant.record.history...)
}

// Highest holds the highest currents so far, in A r.m.s.
type Highest struct {
	Carrier      float64 // at the probe, unmodulated carrier, any fixture
	Crest        float64 // at the probe, at the crest, any fixture
	CableCarrier float64 // at the probe on the product's cable
	CableCrest   float64
	DUTCrest     float64 // at the product's connector
}

// HighestCurrent returns the highest currents so far.
func (b *Bench) HighestCurrent() Highest {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := b.plant.record
	return Highest{r.highestCarrier, r.highestCrest, r.highestOnCableCW, r.highestOnCable, r.highestDUT}
}

// ForgetHighest starts the highest currents and the history anew.
func (b *Bench) ForgetHighest() {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := &b.plant.record
	r.highestCarrier, r.highestCrest, r.highestOnCableCW, r.highestOnCable, r.highestDUT = 0, 0, 0, 0, 0
	r.history = nil
}

// SetFixture closes the clamp around something else.
func (b *Bench) SetFixture(f Fixture) { b.do(func(p *plant) { p.fixture = f }) }

// SetBuild puts the other build of the product on the bench, freshly switched on.
func (b *Bench) SetBuild(build Build) {
	b.do(func(p *plant) {
		p.product.build = build
		clear(p.product.states)
	})
}

// ResetDUT resets the product as its RESET line does.
func (b *Bench) ResetDUT() { b.do(func(p *plant) { p.product.reset(p.bands) }) }

// HoldDUT holds the product's output at its value without RF: a control run.
func (b *Bench) HoldDUT(held bool) { b.do(func(p *plant) { p.product.held = held }) }

// SetInterlock closes or opens the interlock.
func (b *Bench) SetInterlock(closed bool) { b.do(func(p *plant) { p.interlock = closed }) }

// SetAnalyserPad puts the pad in front of the analyser in or out.
func (b *Bench) SetAnalyserPad(in bool) { b.do(func(p *plant) { p.analyserPadIn = in }) }

// SetGeneratorPad puts the pad between generator and amplifier in or out.
func (b *Bench) SetGeneratorPad(in bool) { b.do(func(p *plant) { p.generatorPadIn = in }) }

// SetProbe connects or disconnects the monitoring probe.
func (b *Bench) SetProbe(connected bool) { b.do(func(p *plant) { p.probeOpen = !connected }) }

// Name returns the bench's name for a report.
func (b *Bench) Name() string { return fmt.Sprintf("simulated bench, seed %d", b.config.Seed) }
