package simbench

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// analyser is a spectrum analyser with a peak detector and a Gaussian resolution filter.
type analyser struct {
	p              *plant
	centre, span   float64
	bandwidth      float64
	reference      float64 // dBm
	attenuation    float64 // dB
	continuous     bool
	points         int
	binary, little bool
	trace          []float64
	marker         int
	condition      int // of the last sweep
	noise          func() float64
}

// Bits of the questionable power condition.
const (
	mixerOverloaded     = 1
	aboveReferenceLevel = 2
	overrange           = 9.9e37
	notANumber          = 9.91e37
)

var (
	errInitIgnored = &scpiError{-213, "Init ignored"}
	bandwidths     = []float64{1e3, 3e3, 10e3, 30e3, 100e3, 300e3, 1e6}
)

func (b *Bench) newAnalyser(in *instrument) {
	a := &analyser{p: &b.plant, noise: b.config.noise(0x6e6f697365)}
	b.analyser = a
	in.reset = a.reset
	in.commands = append(in.commands, a.setupCommands()...)
	in.commands = append(in.commands, a.sweepCommands()...)
	a.reset()
}

func (a *analyser) reset() {
	*a = analyser{p: a.p, noise: a.noise, centre: 50e6, span: 100e6, bandwidth: 100e3, attenuation: 10,
		continuous: true, points: 201}
}

// numeric makes a command that sets and tells a number.
func numeric(header string, units map[string]float64, low, high float64, into *float64) command {
	return command{header,
		func(args []string) error {
			v, err := oneNumber(args, units, low, high)
			if err == nil {
				*into = v
			}
			return err
		},
		func(args []string) (string, error) { return limited(args, *into, low, high) }}
}

func (a *analyser) setupCommands() []command {
	return []command{
		numeric("[SENSe:]FREQuency:CENTer", frequencyUnits, 9e3, 1e9, &a.centre),
		numeric("[SENSe:]FREQuency:SPAN", frequencyUnits, 0, 1e9, &a.span),
		numeric("DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel", decibelUnits, -100, 30, &a.reference),
		numeric("INPut:ATTenuation", decibelUnits, 0, 60, &a.attenuation),
		{"[SENSe:]BANDwidth[:RESolution]",
			func(args []string) error {
				v, err := oneNumber(args, frequencyUnits, bandwidths[0], bandwidths[len(bandwidths)-1])
				if err == nil && !slices.Contains(bandwidths, v) {
					return errIllegal
				}
				if err == nil {
					a.bandwidth = v
				}
				return err
			},
			func(args []string) (string, error) {
				return limited(args, a.bandwidth, bandwidths[0], bandwidths[len(bandwidths)-1])
			}},
		{"[SENSe:]SWEep:POINts",
			func(args []string) error {
				v, err := oneNumber(args, nil, 11, 1001)
				if err == nil {
					a.points = int(math.Round(v))
				}
				return err
			},
			func([]string) (string, error) { return strconv.Itoa(a.points), nil }},
		{"INITiate:CONTinuous",
			func(args []string) error {
				on, err := oneBool(args)
				if err == nil {
					a.continuous = on
				}
				return err
			},
			func([]string) (string, error) { return showBool(a.continuous), nil }},
		{"FORMat[:DATA]", a.setFormat, func([]string) (string, error) {
			if a.binary {
				return "REAL,32", nil
			}
			return "ASC,0", nil
		}},
		{"FORMat:BORDer", a.setByteOrder, func([]string) (string, error) {
			if a.little {
				return "SWAP", nil
			}
			return "NORM", nil
		}},
	}
}

func (a *analyser) setFormat(args []string) error {
	if len(args) == 0 {
		return errMissing
	}
	switch strings.ToUpper(args[0]) {
	case "ASC", "ASCII":
		a.binary = false
		return nil
	case "REAL":
		if len(args) == 2 && args[1] != "32" {
			return errIllegal
		}
		a.binary = true
		return nil
	}
	return errIllegal
}

func (a *analyser) setByteOrder(args []string) error {
	text, err := one(args)
	switch {
	case err != nil:
		return err
	case text == "NORM" || text == "NORMAL":
		a.little = false
	case text == "SWAP" || text == "SWAPPED":
		a.little = true
	default:
		return errIllegal
	}
	return nil
}

func (a *analyser) sweepCommands() []command {
	return []command{
		{"INITiate[:IMMediate]", func([]string) error {
			if a.continuous {
				return errInitIgnored
			}
			a.sweep()
			return nil
		}, nil},
		{"CALCulate:MARKer:MAXimum", func([]string) error {
			a.refresh()
			a.marker = 0
			for i, v := range a.trace {
				if v > a.trace[a.marker] {
					a.marker = i
				}
			}
			return nil
		}, nil},
		{"CALCulate:MARKer:Y", nil, func([]string) (string, error) {
			a.refresh()
			if a.marker >= len(a.trace) {
				return show(notANumber), nil
			}
			return show(a.trace[a.marker]), nil
		}},
		{"CALCulate:MARKer:X", nil, func([]string) (string, error) { return show(a.frequencyOf(a.marker)), nil }},
		{"TRACe[:DATA]", nil, func(args []string) (string, error) {
			text, err := one(args)
			if err == nil && text != "TRACE1" && text != "TRAC1" {
				return "", errIllegal
			}
			if err != nil {
				return "", err
			}
			a.refresh()
			return a.formatTrace(), nil
		}},
		{"READ:POWer", nil, func([]string) (string, error) { return show(a.readOnce()), nil }},
		{"STATus:QUEStionable:POWer:CONDition", nil, func([]string) (string, error) {
			return strconv.Itoa(a.condition),
				nil
		}},
		{"STATus:QUEStionable:CONDition", nil, func([]string) (string, error) {
			if a.condition != 0 {
				return "8", nil // bit 3: power
			}
			return "0", nil
		}},
	}
}

// refresh sweeps anew where the analyser sweeps all the time or has not swept at all.
func (a *analyser) refresh() {
	if a.continuous || a.trace == nil {
		a.sweep()
	}
}

func (a *analyser) frequencyOf(i int) float64 {
	return a.centre - a.span/2 + a.span*float64(i)/float64(a.points-1)
}

func (a *analyser) sweep() {
	a.trace = make([]float64, a.points)
	lines := a.lines()
	a.condition = a.overload()
	for i := range a.trace {
		v := a.level(lines, a.frequencyOf(i))
		if v > a.reference {
			v = a.reference
			a.condition |= aboveReferenceLevel
		}
		a.trace[i] = v
	}
	a.marker = min(a.marker, a.points-1)
}

// readOnce measures at the centre frequency; 9.9E37 beyond the display.
func (a *analyser) readOnce() float64 {
	a.condition = a.overload()
	v := a.level(a.lines(), a.centre)
	if v > a.reference+0.5 {
		a.condition |= aboveReferenceLevel
		return overrange
	}
	return v
}

// spectral is one line at the analyser's connector, volts r.m.s.
type spectral struct{ hz, volts float64 }

// lines returns what the resolution filter sees: the crest where it lets the modulation through,
// else carrier and sidebands.
func (a *analyser) lines() []spectral {
	var out []spectral
	m := a.p.now.modulation
	for _, t := range a.p.now.tones {
		carrier := a.p.atAnalyser(t.hz, t.carrier)
		wide := a.bandwidth > 3*math.Max(m.AMRate, m.PulseRate)
		switch {
		case m == (Modulation{}):
			out = append(out, spectral{t.hz, carrier})
		case wide:
			out = append(out, spectral{t.hz, a.p.atAnalyser(t.hz, t.crest)})
		default:
			if m.PulseDuty > 0 {
				carrier *= m.PulseDuty
			}
			side := carrier * m.AMDepth / 2
			out = append(out, spectral{t.hz, carrier}, spectral{t.hz - m.AMRate, side}, spectral{t.hz + m.AMRate, side})
		}
	}
	return out
}

// floor is the displayed noise in dBm.
func (a *analyser) floor() float64 {
	f := displayedNoise + a.attenuation + 10*math.Log10(a.bandwidth)
	if a.p.analyserDead {
		f += 30
	}
	return f
}

// level is the reading at a frequency in dBm.
func (a *analyser) level(lines []spectral, hz float64) float64 {
	power := math.Pow(10, (a.floor()+a.noise())/10)
	for _, l := range lines {
		if a.p.analyserDead || l.volts == 0 {
			continue
		}
		off := 2 * (l.hz - hz) / a.bandwidth
		filter := math.Min(3.0103*off*off, 90)
		power += math.Pow(10, (dBmOf(l.volts)-filter)/10)
	}
	v := 10*math.Log10(power) + 0.01*a.noise()
	if over := a.mixer() - mixerLimit; over > 0 {
		v -= 0.3 + 0.7*over
	}
	return v
}

// mixer is the crest of everything at the mixer in dBm.
func (a *analyser) mixer() float64 {
	if a.p.analyserDead {
		return math.Inf(-1)
	}
	return a.p.now.analyserCrest - a.attenuation
}

func (a *analyser) overload() int {
	if a.mixer() > mixerLimit {
		return mixerOverloaded
	}
	return 0
}

// formatTrace writes the trace as text or as an IEEE 488.2 definite length block of 32-bit reals.
func (a *analyser) formatTrace() string {
	if !a.binary {
		parts := make([]string, len(a.trace))
		for i, v := range a.trace {
			parts[i] = strconv.FormatFloat(v, 'E', 6, 64)
		}
		return strings.Join(parts, ",")
	}
	data := make([]byte, 4*len(a.trace))
	for i, v := range a.trace {
		bits := math.Float32bits(float32(v))
		if a.little {
			binary.LittleEndian.PutUint32(data[4*i:], bits)
		} else {
			binary.BigEndian.PutUint32(data[4*i:], bits)
		}
	}
	return block(data)
}

// block puts bytes into an IEEE 488.2 definite length block.
func block(data []byte) string {
	length := strconv.Itoa(len(data))
	return fmt.Sprintf("#%d%s%s", len(length), length, data)
}
