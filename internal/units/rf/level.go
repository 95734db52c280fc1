package rf

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Bound tells how a value relates to the number that is printed with it.
type Bound uint8

const (
	// Exactly: the number is the value.
	Exactly Bound = iota
	// AtLeast: the value is the number or more.
	AtLeast
	// AtMost: the value is the number or less.
	AtMost
	// Unknown: nothing is known about the value.
	Unknown
)

// String returns "", "at least", "at most" or "unknown".
func (b Bound) String() string { return [...]string{"", "at least", "at most", "unknown"}[b] }

type state uint8

const (
	absent state = iota
	exact
	atLeast
	atMost
	off
)

// Unit is a kind of level. The four implementations are Watt, Volt, Ampere and Ohm.
type Unit interface{ describe() unitDescription }

type unitDescription struct {
	kind    string  // what a level of it is called
	symbol  string  // SI symbol
	factor  float64 // 10 for powers, 20 for amplitudes
	shown   string  // unit that String uses
	offset  float64 // dB from the SI unit to the shown unit
	spelled []string
}

// Watt, Volt, Ampere and Ohm mark the kinds of level.
type (
	Watt   struct{}
	Volt   struct{}
	Ampere struct{}
	Ohm    struct{}
)

func (Watt) describe() unitDescription {
	return unitDescription{"power", "W", 10, "dBm", 30, []string{"dBm", "dBW", "W", "mW", "µW", "kW"}}
}
func (Volt) describe() unitDescription {
	return unitDescription{"voltage", "V", 20, "dBµV", 120, []string{"V", "mV", "µV", "Vpp", "mVpp", "Vpk", "dBµV",
		"dBmV", "dBV"}}
}
func (Ampere) describe() unitDescription {
	return unitDescription{"current", "A", 20, "dBµA", 120, []string{"A", "mA", "µA", "dBµA", "dBmA", "dBA"}}
}
func (Ohm) describe() unitDescription {
	return unitDescription{"impedance", "Ω", 20, "dBΩ", 0, []string{"Ω", "mΩ", "kΩ", "dBΩ", "dBS"}}
}

// Level is a point on a logarithmic scale: a power, an r.m.s. voltage, an r.m.s. current or a
// transfer impedance. It may carry a bound. The zero value is absent.
type Level[U Unit] struct {
	db float64 // relative to one SI unit
	st state
}

// The four levels.
type (
	Power          = Level[Watt]
	Voltage        = Level[Volt]
	Current        = Level[Ampere]
	Transimpedance = Level[Ohm]
)

// Z0 is the reference resistance of coaxial gear, in ohm.
const Z0 Resistance = 50

func levelFromDB[U Unit](db float64) Level[U] {
	switch {
	case math.IsNaN(db), math.IsInf(db, 1):
		return Level[U]{}
	case math.IsInf(db, -1):
		return Level[U]{st: off}
	}
	return Level[U]{db: db, st: exact}
}

func levelFromSI[U Unit](x float64) Level[U] {
	var u U
	if x < 0 {
		return Level[U]{}
	}
	return levelFromDB[U](u.describe().factor * math.Log10(x))
}

// FromDB returns a level given in dB relative to its SI unit (dBW, dBV, dBA, dBΩ). NaN and +Inf
// give absent, -Inf gives off.
func FromDB[U Unit](db float64) Level[U] { return levelFromDB[U](db) }

// Off returns the level of nothing at all.
func Off[U Unit]() Level[U] { return Level[U]{st: off} }

// DBm returns a power in dBm.
func DBm(x float64) Power { return levelFromDB[Watt](x - 30) }

// Watts returns a power in watt.
func Watts(x float64) Power { return levelFromSI[Watt](x) }

// Volts returns an r.m.s. voltage.
func Volts(x float64) Voltage { return levelFromSI[Volt](x) }

// VoltsPP returns the r.m.s. voltage of a sine of the given peak-to-peak voltage.
func VoltsPP(x float64) Voltage { return levelFromSI[Volt](x / (2 * math.Sqrt2)) }

// Amperes returns an r.m.s. current.
func Amperes(x float64) Current { return levelFromSI[Ampere](x) }

// DBuA returns a current in dBµA.
func DBuA(x float64) Current { return levelFromDB[Ampere](x - 120) }

// DBOhm returns a transfer impedance in dBΩ.
func DBOhm(x float64) Transimpedance { return levelFromDB[Ohm](x) }

// Ohms returns a transfer impedance in ohm.
func Ohms(x float64) Transimpedance { return levelFromSI[Ohm](x) }

// Absent reports that nothing is known.
func (l Level[U]) Absent() bool { return l.st == absent }

// IsOff reports that the level is that of nothing at all.
func (l Level[U]) IsOff() bool { return l.st == off }

// Known reports that the level has a number, with or without a bound.
func (l Level[U]) Known() bool { return l.st == exact || l.st == atLeast || l.st == atMost }

// Exact reports that the level has a number and no bound.
func (l Level[U]) Exact() bool { return l.st == exact }

// Bound returns Exactly for an exact level or off, Unknown for absent.
func (l Level[U]) Bound() Bound {
	switch l.st {
	case atLeast:
		return AtLeast
	case atMost:
		return AtMost
	case absent:
		return Unknown
	}
	return Exactly
}

// DB returns the number in dB relative to the SI unit: NaN when absent, -Inf when off.
func (l Level[U]) DB() float64 {
	switch l.st {
	case absent:
		return math.NaN()
	case off:
		return math.Inf(-1)
	}
	return l.db
}

// SI returns the number in W, V, A or Ω: NaN when absent, 0 when off.
func (l Level[U]) SI() float64 {
	var u U
	return math.Pow(10, l.DB()/u.describe().factor)
}

// In returns the number in the unit that String shows: dBm, dBµV, dBµA, dBΩ.
func (l Level[U]) In() float64 {
	var u U
	return l.DB() + u.describe().offset
}

// Add moves the level by a gain; a bound, absent and off stay what they are. A gain that is not
// finite gives absent.
func (l Level[U]) Add(g Gain) Level[U] {
	if !l.Known() {
		return l
	}
	if !g.Finite() {
		return Level[U]{}
	}
	if l.db += float64(g); math.IsInf(l.db, 0) {
		return Level[U]{}
	}
	return l
}

// Sub moves the level down by a gain.
func (l Level[U]) Sub(g Gain) Level[U] { return l.Add(-g) }

// Minus returns the distance from m up to l, with the bound that follows from theirs. The gain is
// NaN where there is no number (either is absent or off, or the bounds say nothing together).
func (l Level[U]) Minus(m Level[U]) (Gain, Bound) {
	if !l.Known() || !m.Known() {
		return Gain(math.NaN()), Unknown
	}
	g := Gain(l.db - m.db)
	switch {
	case l.st == exact && m.st == exact:
		return g, Exactly
	case l.st != atMost && m.st != atLeast:
		return g, AtLeast
	case l.st != atLeast && m.st != atMost:
		return g, AtMost
	}
	return Gain(math.NaN()), Unknown
}

// WithBound returns the same number with another bound; absent and off stay what they are.
func (l Level[U]) WithBound(b Bound) Level[U] {
	if !l.Known() {
		return l
	}
	switch b {
	case Exactly:
		l.st = exact
	case AtLeast:
		l.st = atLeast
	case AtMost:
		l.st = atMost
	default:
		return Level[U]{}
	}
	return l
}

// Exceeds reports that the level cannot be shown to be within the limit. It fails closed: an
// absent level, an absent limit, a level "at least X", or a limit that is itself only a bound
// counts as exceeding. Off exceeds no limit that is known.
func (l Level[U]) Exceeds(limit Level[U]) bool {
	if limit.st != exact && limit.st != off {
		return true
	}
	switch l.st {
	case off:
		return false
	case exact, atMost:
		return l.db > limit.DB()
	}
	return true
}

// Above reports that the level is surely above m: both numbers known and no bound in the way.
func (l Level[U]) Above(m Level[U]) bool {
	if m.st == off {
		return l.st == exact || l.st == atLeast
	}
	return (l.st == exact || l.st == atLeast) && (m.st == exact || m.st == atMost) && l.db > m.db
}

// Lower returns the lower of the two numbers; an absent level gives way to the other.
func (l Level[U]) Lower(m Level[U]) Level[U] {
	switch {
	case l.Absent():
		return m
	case m.Absent() || l.DB() <= m.DB():
		return l
	}
	return m
}

// String prints the level in its usual logarithmic unit with one decimal: "80.0 dBµA",
// "at most 12.3 dBµA", "off", or "–" when absent.
func (l Level[U]) String() string { return l.Text(1) }

// Text prints the level in its usual logarithmic unit with the given number of decimals.
func (l Level[U]) Text(decimals int) string {
	var u U
	switch l.st {
	case absent:
		return "–"
	case off:
		return "off"
	}
	s := fmt.Sprintf("%.*f %s", decimals, unsignedZero(l.In(), decimals), u.describe().shown)
	if b := l.Bound().String(); b != "" {
		s = b + " " + s
	}
	return s
}

// Linear prints the level in its SI unit with an engineering prefix and three significant digits:
// "10.0 mA".
func (l Level[U]) Linear() string {
	var u U
	switch l.st {
	case absent:
		return "–"
	case off:
		return "off"
	}
	s := engineering(l.SI(), u.describe().symbol)
	if b := l.Bound().String(); b != "" {
		s = b + " " + s
	}
	return s
}

// MarshalText writes the level with its unit, six decimals and its bound; absent is empty.
func (l Level[U]) MarshalText() ([]byte, error) {
	if l.st == absent {
		return []byte{}, nil
	}
	return []byte(l.Text(6)), nil
}

// UnmarshalText reads what Parse reads; the empty text is absent.
func (l *Level[U]) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*l = Level[U]{}
		return nil
	}
	v, err := Parse[U](string(text))
	if err != nil {
		return err
	}
	*l = v
	return nil
}

// Parse reads a level as an engineer writes it: "-27.4 dBm", "1.2 Vpp", "10 mA", "14 dBohm",
// "off", "at most 12 dBµA". A number without its unit is refused.
func Parse[U Unit](text string) (Level[U], error) {
	t := strings.TrimSpace(text)
	if t == "off" {
		return Off[U](), nil
	}
	b := Exactly
	for _, p := range []struct {
		word string
		b    Bound
	}{{"at least ", AtLeast}, {"at most ", AtMost}} {
		if rest, ok := strings.CutPrefix(t, p.word); ok {
			t, b = rest, p.b
		}
	}
	x, unit, err := splitNumber(t)
	if err != nil {
		return Level[U]{}, err
	}
	l, err := inUnit[U](x, unit, strings.TrimSpace(text))
	switch {
	case err != nil:
		return l, err
	case l.IsOff() && b != Exactly:
		return Level[U]{}, fmt.Errorf("%q is no bound: a bound needs a number above zero", strings.TrimSpace(text))
	case unit == "dBS" && b != Exactly: // the larger the admittance, the smaller the impedance
		b = AtLeast + AtMost - b
	}
	return l.WithBound(b), nil
}

// InUnit returns the level of a number whose unit stands elsewhere, as in the header of a table:
// InUnit[Ohm](14, "dBohm"). It knows the units and spellings of Parse. Zero in a linear unit gives
// off; a negative number in a linear unit, NaN and absurd numbers are refused.
func InUnit[U Unit](x float64, unit string) (Level[U], error) {
	unit = strings.TrimSpace(spellings.Replace(unit))
	return inUnit[U](x, unit, strconv.FormatFloat(x, 'g', -1, 64)+" "+unit)
}

// absurdDB is the largest number of decibel, relative to the SI unit or of a gain, that is read:
// what is beyond is a slip of the keyboard or an overload mark such as 9.9E37.
const absurdDB = 500

func inUnit[U Unit](x float64, unit, text string) (Level[U], error) {
	var u U
	d := u.describe()
	db, ok := unitToDB(d.symbol, unit, x)
	if !ok {
		return Level[U]{}, unitError(d.kind, unit, text, d.spelled...)
	}
	l := levelFromDB[U](db)
	switch {
	case math.IsNaN(db):
		return Level[U]{}, fmt.Errorf("%s %q cannot be negative", d.kind, text)
	case l.Absent() || l.Known() && math.Abs(db) > absurdDB:
		return Level[U]{}, fmt.Errorf("%s %q is beyond anything that can be measured", d.kind, text)
	}
	return l, nil
}

// unitToDB returns x given in unit as dB relative to the SI unit with the given symbol.
func unitToDB(symbol, unit string, x float64) (float64, bool) {
	factor := 20.0
	if symbol == "W" {
		factor = 10
	}
	if rest, ok := strings.CutPrefix(unit, "dB"); ok {
		offset, ok := map[string]float64{
			"W:m": -30, "W:mW": -30, "W:W": 0, "W:µW": -60,
			"V:µV": -120, "V:mV": -60, "V:V": 0,
			"A:µA": -120, "A:mA": -60, "A:A": 0,
			"Ω:Ω": 0,
		}[symbol+":"+rest]
		if symbol == "Ω" && rest == "S" { // a probe's factor as transfer admittance, CISPR 16-1-2
			return -x, true
		}
		return x + offset, ok
	}
	if symbol == "V" {
		for suffix, ratio := range map[string]float64{"Vpp": 2 * math.Sqrt2, "Vpk": math.Sqrt2, "Vp": math.Sqrt2,
			"Vrms": 1} {
			if prefix, ok := strings.CutSuffix(unit, suffix); ok {
				x, unit = x/ratio, prefix+"V"
				break
			}
		}
	}
	prefix, ok := strings.CutSuffix(unit, symbol)
	if !ok {
		return 0, false
	}
	scale, ok := map[string]float64{"": 1, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6}[prefix]
	if !ok {
		return 0, false
	}
	if x < 0 {
		return math.NaN(), true
	}
	return factor * math.Log10(x*scale), true
}
