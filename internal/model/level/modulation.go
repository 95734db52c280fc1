package level

import (
	"fmt"
	"math"
	"strings"

	"provoke/internal/units/rf"
)

// Kind of modulation.
type Kind string

const (
	// CW is the carrier alone.
	CW Kind = "CW"
	// AM is sinusoidal amplitude modulation.
	AM Kind = "AM"
	// Pulse switches the carrier on and off; on, it has the level of the carrier.
	Pulse Kind = "pulse"
)

// Convention says which part of the modulated signal a level describes.
type Convention string

const (
	// CarrierHeld: the level is the r.m.s. of the unmodulated carrier, and the peak rises when
	// modulation goes on (IEC 61000-4-6).
	CarrierHeld Convention = "carrier held"
	// PeakHeld: the level is the r.m.s. at the crest of the envelope, and the carrier is lowered
	// when modulation goes on (ISO 11452-1).
	PeakHeld Convention = "peak held"
)

// Modulation of the carrier. The zero value is CW.
type Modulation struct {
	Kind  Kind         `json:"kind"`
	Depth rf.Fraction  `json:"depth,omitempty"` // AM
	Rate  rf.Frequency `json:"rate,omitempty"`  // AM and pulse
	Duty  rf.Fraction  `json:"duty,omitempty"`  // pulse
	Hold  Convention   `json:"hold,omitempty"`
}

// IsCW reports that the carrier is not modulated.
func (m Modulation) IsCW() bool { return m.Kind == CW || m.Kind == "" }

// CrestOverCarrier returns the crest of the envelope above the unmodulated carrier:
// 20·log10(1+m) for AM, 0 dB for CW and for pulse.
func (m Modulation) CrestOverCarrier() rf.Gain {
	if m.Kind == AM {
		return rf.GainOfAmplitudeRatio(1 + float64(m.Depth))
	}
	return 0
}

// CarrierOverLevel returns where the carrier is set against the level: 0 dB when the carrier is
// held, minus the crest when the peak is held.
func (m Modulation) CarrierOverLevel() rf.Gain {
	if m.Hold == PeakHeld {
		return -m.CrestOverCarrier()
	}
	return 0
}

// CrestOverLevel returns the crest of the envelope against the level.
func (m Modulation) CrestOverLevel() rf.Gain { return m.CarrierOverLevel() + m.CrestOverCarrier() }

// MeanOverCarrier returns the mean power against the unmodulated carrier: 10·log10(1+m²/2) for
// AM, 10·log10(duty) for pulse.
func (m Modulation) MeanOverCarrier() rf.Gain {
	switch m.Kind {
	case AM:
		return rf.GainOfPowerRatio(1 + math.Pow(float64(m.Depth), 2)/2)
	case Pulse:
		return rf.GainOfPowerRatio(float64(m.Duty))
	}
	return 0
}

// String writes the modulation as ParseModulation reads it: "AM 80 % 1 kHz peak held",
// "pulse 1 kHz 50 %", "CW". Depth and duty are printed with five digits, the rate with seven.
func (m Modulation) String() string {
	var s string
	switch m.Kind {
	case AM:
		s = "AM " + m.Depth.String()
		if m.Rate.Known() {
			s += " " + m.Rate.String()
		}
	case Pulse:
		s = "pulse"
		if m.Rate.Known() {
			s += " " + m.Rate.String()
		}
		s += " " + m.Duty.String()
	case CW, "":
		return string(CW)
	default:
		return fmt.Sprintf("unknown modulation %q", string(m.Kind))
	}
	if m.Hold != "" {
		s += " " + string(m.Hold)
	}
	return s
}

// Check reports what is missing or impossible: a kind that is not known, a depth outside 0 to
// 100 %, a duty that is not between 0 and 100 %, no rate, a convention that is not known.
func (m Modulation) Check() error {
	if err := m.checkEnvelope(); err != nil {
		return err
	}
	if !m.IsCW() && !m.Rate.Known() {
		return fmt.Errorf("modulation %q has no rate: write for example %q", m, m.String()+" 1 kHz")
	}
	return nil
}

func (m Modulation) checkEnvelope() error {
	switch m.Kind {
	case CW, "":
		return nil
	case AM:
		if !(m.Depth > 0 && m.Depth <= 1) {
			return fmt.Errorf("AM depth %v must be above 0 %% and at most 100 %%", m.Depth)
		}
	case Pulse:
		if !(m.Duty > 0 && m.Duty < 1) {
			return fmt.Errorf("pulse duty %v must be above 0 %% and below 100 %%; 100 %% is CW", m.Duty)
		}
	default:
		return fmt.Errorf("unknown modulation %q (want CW, AM or pulse)", string(m.Kind))
	}
	if m.Hold != "" && m.Hold != CarrierHeld && m.Hold != PeakHeld {
		return fmt.Errorf("unknown convention %q (want %q or %q)", string(m.Hold), CarrierHeld, PeakHeld)
	}
	return nil
}

// ParseModulation reads "CW", "AM 80 % 1 kHz", "AM 80 % 1 kHz peak held", "pulse 1 kHz 50 %" and
// "pulse 577 µs every 4600 µs". The order of depth, duty and rate does not count. Where no
// convention is written Hold stays empty; Profile.Convention fills it in.
func ParseModulation(text string) (Modulation, error) {
	m, err := ParseEnvelope(text)
	if err != nil {
		return Modulation{}, err
	}
	if err := m.Check(); err != nil {
		return Modulation{}, err
	}
	return m, nil
}

// ParseEnvelope reads what ParseModulation reads, and lets the rate be missing: depth or duty is
// all that crest and mean depend on.
func ParseEnvelope(text string) (Modulation, error) {
	t := strings.TrimSpace(text)
	if len(t) > 100 {
		return Modulation{}, fmt.Errorf("%.20q… is too long for a modulation", t)
	}
	var m Modulation
	for _, h := range []Convention{CarrierHeld, PeakHeld} {
		if rest, ok := cutSuffixFold(t, string(h)); ok {
			t, m.Hold = rest, h
		}
	}
	word, rest, _ := strings.Cut(t, " ")
	switch strings.ToUpper(word) {
	case "CW":
		if strings.TrimSpace(rest) != "" || m.Hold != "" {
			return Modulation{}, fmt.Errorf("modulation %q: CW takes no figures and no convention", text)
		}
		m.Kind = CW
	case "AM":
		m.Kind = AM
	case "PULSE":
		m.Kind = Pulse
	default:
		return Modulation{},
			fmt.Errorf("unknown modulation %q (want for example \"CW\", \"AM 80 %% 1 kHz\" or \"pulse 1 kHz 50 %%\")",
				text)
	}
	if err := m.readFigures(rest); err != nil {
		return Modulation{}, fmt.Errorf("modulation %q: %w", text, err)
	}
	if m.Kind == AM && m.Depth == 0 {
		return Modulation{}, fmt.Errorf("modulation %q has no depth: write for example \"AM 80 %% 1 kHz\"", text)
	}
	if m.Kind == Pulse && m.Duty == 0 {
		return Modulation{}, fmt.Errorf("modulation %q has no duty: write for example \"pulse 1 kHz 50 %%\"", text)
	}
	if err := m.checkEnvelope(); err != nil {
		return Modulation{}, err
	}
	return m, nil
}

// readFigures reads depth or duty and rate in any order, or a pulse as on-time and period.
func (m *Modulation) readFigures(text string) error {
	if on, period, ok := strings.Cut(text, "every"); ok && m.Kind == Pulse {
		return m.readPulse(on, period)
	}
	for _, q := range quantities(text) {
		if strings.HasSuffix(q, "%") {
			var x rf.Fraction
			if err := x.UnmarshalText([]byte(q)); err != nil {
				return err
			}
			into := &m.Depth
			if m.Kind == Pulse {
				into = &m.Duty
			}
			if *into != 0 {
				return fmt.Errorf("%q is the second figure in per cent", q)
			}
			if x == 0 {
				return fmt.Errorf("%q leaves nothing of the modulation", q)
			}
			*into = x
			continue
		}
		f, err := rf.ParseFrequency(q)
		if err != nil {
			return err
		}
		if m.Rate.Known() {
			return fmt.Errorf("%q is the second rate", q)
		}
		m.Rate = f
	}
	return nil
}

func (m *Modulation) readPulse(on, period string) error {
	a, err := rf.ParseDuration(strings.TrimSpace(on))
	if err != nil {
		return err
	}
	b, err := rf.ParseDuration(strings.TrimSpace(period))
	if err != nil {
		return err
	}
	if a <= 0 || b <= a {
		return fmt.Errorf("the period %v must be longer than the pulse %v", b, a)
	}
	m.Duty = rf.Fraction(float64(a) / float64(b))
	m.Rate = rf.Frequency(1 / b.Std().Seconds())
	return nil
}

// quantities splits "80 % 1 kHz" into "80 %" and "1 kHz": a new quantity starts at each word that
// begins with a digit or sign.
func quantities(text string) []string {
	var out []string
	for _, w := range strings.Fields(text) {
		if len(out) == 0 || strings.IndexByte("+-.0123456789", w[0]) >= 0 {
			out = append(out, w)
		} else {
			out[len(out)-1] += " " + w
		}
	}
	return out
}

func cutSuffixFold(s, suffix string) (string, bool) {
	if n := len(s) - len(suffix); n >= 0 && strings.EqualFold(s[n:], suffix) {
		return strings.TrimSpace(s[:n]), true
	}
	return s, false
}
