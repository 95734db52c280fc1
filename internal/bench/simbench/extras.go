package simbench

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// rides is a band that moves the analogue output with the envelope and not on average: right in the
// mean, wrong at each peak of the modulation.
const rides bandKind = "ride"

// ridingSwing is how far the output moves at the onset, in V, each way.
const ridingSwing = 0.06

// RidingBand adds such a band to a bench: 3 per cent around 9 MHz, upset above 74 dBµA at the crest.
func (b *Bench) RidingBand() {
	b.do(func(p *plant) {
		d := dip{centre: 9e6, lowest: 74, width: 0.06}
		p.bands = append(p.bands, band{name: "R", kind: rides, detects: peakOfEnvelope, constant: 0.05,
			builds: map[Build]dip{Original: d, Fixed: d}})
		p.product.states = append(p.product.states, bandState{})
	})
}

// swing is the amplitude in V that the analogue output moves by with the modulation.
func (w *weigher) swing(bands []band, m Modulation) float64 {
	if m.AMDepth == 0 {
		return 0
	}
	total := 0.0
	for i, s := range w.states {
		if bands[i].kind == rides && !w.held && s.severity >= 1 {
			total += ridingSwing * math.Min(s.severity, 4)
		}
	}
	return total
}

// digitiser is the part of the meter that takes a burst of readings of the analogue output.
type digitiser struct {
	b        *Bench
	count    float64
	interval float64
}

func (b *Bench) digitiserCommands(in *instrument) []command {
	d := &digitiser{b: b, count: 1, interval: 1e-3}
	reset := in.reset
	in.reset = func() { reset(); d.count, d.interval = 1, 1e-3 }
	return []command{
		numeric("SAMPle:COUNt", nil, 1, 100000, &d.count),
		numeric("SAMPle:TIMer", map[string]float64{"": 1, "S": 1, "MS": 1e-3, "US": 1e-6}, 1e-7, 1, &d.interval),
		{header: "READ:ARRay", query: func([]string) (string, error) { return d.read(), nil }},
	}
}

// read takes the burst from now on; time on the bench does not pass meanwhile.
func (d *digitiser) read() string {
	p := &d.b.plant
	swing, m := p.product.swing(p.bands, p.now.modulation), p.now.modulation
	var s strings.Builder
	for i := range int(d.count) {
		if i > 0 {
			s.WriteByte(',')
		}
		v := p.product.volts(p.bands) + swing*math.Cos(2*math.Pi*m.AMRate*d.interval*float64(i))
		s.WriteString(strconv.FormatFloat(v, 'E', 6, 64))
	}
	return s.String()
}

// outputCommands are the outputs of the digital box whose input is the interlock: a relay that feeds
// the product, a switch matrix of four routes that carries nothing, and a relay in the RF path with a time-out
// of its own, in seconds of the wall clock, which is bridged until a time-out is set.
func (b *Bench) outputCommands(in *instrument) []command {
	route := "1"
	reset := in.reset
	in.reset = func() { reset(); route = "1" }
	return []command{
		{"OUTPut[:STATe]", func(a []string) error {
			on, err := oneBool(a)
			if err == nil {
				b.plant.product.power(on)
			}
			return err
		}, func([]string) (string, error) { return showBool(!b.plant.product.off), nil }},
		{"WATChdog[:STATe]", func(a []string) error {
			on, err := oneBool(a)
			if err == nil {
				b.armDog(on)
			}
			return err
		}, func([]string) (string, error) { return showBool(b.plant.possible()), nil }},
		{"WATChdog:TIMeout", func(a []string) error {
			t, err := oneNumber(a, nil, 0.05, 60)
			if err == nil {
				b.plant.dog = time.Duration(t * b.config.Speed * float64(time.Second))
				b.armDog(false)
			}
			return err
		}, func([]string) (string, error) { return show(b.plant.dog.Seconds() / b.config.Speed), nil }},
		{"ROUTe:CLOSe", func(a []string) error {
			text, err := one(a)
			if err != nil {
				return err
			}
			if len(text) != 1 || text < "1" || text > "4" {
				return errIllegal
			}
			route = text
			return nil
		}, func([]string) (string, error) { return route, nil }},
	}
}

// power gives the product its supply or takes it away; it starts afresh.
func (w *weigher) power(on bool) {
	if w.off && on {
		clear(w.states)
		w.starts++
	}
	w.off = !on
}

// Starts returns how often the product was switched on again by its relay.
func (b *Bench) Starts() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.plant.product.starts
}

// FreeSweep is a generator that sweeps by itself, as a person starts it at its front. Times are bench
// time.
type FreeSweep struct {
	From, To float64       // Hz
	Log      bool          // so many decades a second, else so many hertz
	Time     time.Duration // of one pass
	Pause    time.Duration // at From, before the next pass
	Passes   int
	// Back lets every second pass go from To to From.
	Back bool
}

// sweeping is a free sweep that was started.
type sweeping struct {
	FreeSweep
	began time.Duration
}

// StartSweep starts a free sweep now. The output and its level are set as ever.
func (b *Bench) StartSweep(s FreeSweep) {
	b.do(func(p *plant) {
		p.sweeping = &sweeping{s, p.at}
		p.generator.hz = s.From
	})
}

// StopSweep stops where the sweep is.
func (b *Bench) StopSweep() { b.do(func(p *plant) { p.sweeping = nil }) }

// at returns where the sweep is at a bench time, and whether it has ended.
func (s *sweeping) at(t time.Duration) (hz float64, ended bool) {
	period := s.Time + s.Pause
	pass := int((t - s.began) / period)
	if last := max(s.Passes, 1); pass >= last {
		pass, ended = last-1, true
	}
	in := math.Min((t-s.began-time.Duration(pass)*period).Seconds()/s.Time.Seconds(), 1)
	from, to := s.From, s.To
	if s.Back && pass%2 == 1 {
		from, to = to, from
	}
	if s.Log {
		return from * math.Pow(to/from, in), ended
	}
	return from + (to-from)*in, ended
}

// slice is the time in which a sweep moves so little that it stands still for the product.
func (s *sweeping) slice() time.Duration {
	return max(min(s.Time/4000, 10*time.Millisecond), time.Millisecond)
}

// advanceSweep brings the bench up to a time in slices while the generator sweeps.
func (p *plant) advanceSweep(t time.Duration) {
	for p.sweeping != nil && p.at < t {
		next := min(t, p.at+p.sweeping.slice())
		p.advanceSteady(next)
		hz, ended := p.sweeping.at(next)
		p.generator.hz = hz
		if ended {
			p.sweeping = nil
		}
		p.changed()
	}
}

// armDog closes the relay in the RF path for its own time, or opens it.
func (b *Bench) armDog(on bool) {
	p := &b.plant
	p.dogUntil = p.at
	if on {
		p.dogUntil += p.dog
		wait := time.Duration(float64(p.dog)/b.config.Speed) + time.Millisecond
		b.running.Go(func() {
			if b.wait(wait) {
				b.do(func(*plant) {})
			}
		})
	}
	p.changed()
}

// possible reports that the relay in the RF path lets RF pass.
func (p *plant) possible() bool { return p.dog == 0 || p.at < p.dogUntil }
