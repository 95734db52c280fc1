package levels

import (
	"fmt"
	"math"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// read reads all pieces and returns all problems.
func read(pieces []Piece) (*asked, problem.List) {
	a := &asked{places: map[string]string{}, used: map[string]bool{}}
	var list problem.List
	if len(pieces) == 0 {
		list = append(list, problem.Problem{File: "level", What: "nothing was asked",
			Hint: `write for example provoke level "1 Vpp"; provoke level --help has more`})
	}
	for _, p := range pieces {
		if len(p.Text) > 200 {
			list = append(list, problem.Problem{File: p.Place, What: fmt.Sprintf("%.20q… is too long", p.Text)})
			continue
		}
		if what, hint := a.read(p); what != "" {
			list = append(list, problem.Problem{File: p.Place, What: what, Hint: hint})
		}
	}
	return a, list
}

// read takes in one piece; what is empty when it could be read.
func (a *asked) read(p Piece) (what, hint string) {
	for _, w := range []struct {
		word string
		read func(Piece, string) (string, string)
	}{
		{"pad", a.readLoss}, {"coax", a.readLoss}, {"zt", a.readZt}, {"il", a.readIL}, {"insertion loss", a.readIL},
		{"limit", a.readLimit}, {"s21", a.readS21}, {"vswr", a.readVSWR}, {"return loss", a.readReturnLoss}, {"profile",
			a.readProfile},
		{"am", a.readModulation}, {"pulse", a.readModulation}, {"cw", a.readModulation},
	} {
		if rest, ok := cutWord(p.Text, w.word); ok {
			return w.read(p, rest)
		}
	}
	if p.Flag == "--modulation" {
		return a.readModulation(p, "")
	}
	return a.readLevel(p)
}

// once refuses a second piece of gear of which there can be one.
func (a *asked) once(gear string, p Piece) (string, string) {
	if before, ok := a.places[gear]; ok {
		return fmt.Sprintf("%q is the second %s (the first is at %s)", p.Text, gear, before), "leave one out"
	}
	a.places[gear] = p.Place
	a.gear = append(a.gear, levelGear{gear, plainMinus(p.Text)})
	return "", ""
}

func (a *asked) readLoss(p Piece, rest string) (string, string) {
	g, err := rf.ParseGain(rest)
	name := "pad"
	if startsWith(p.Text, "coax") {
		name = "coax"
	}
	switch {
	case err != nil:
		return err.Error(), fmt.Sprintf("write for example \"%s 20 dB\"", name)
	case g < 0:
		return fmt.Sprintf("the loss of a %s, %v, is negative", name,
			g.Text(3)), "a loss is written as a positive number"
	}
	a.losses = append(a.losses, levelLoss{name, g})
	a.gear = append(a.gear, levelGear{"loss", p.Text})
	if _, ok := a.places["loss"]; !ok {
		a.places["loss"] = p.Place
	}
	return "", ""
}

func (a *asked) readZt(p Piece, rest string) (string, string) {
	z, err := rf.Parse[rf.Ohm](rest)
	if err != nil {
		return err.Error(), `write for example "zt 14 dBohm" or "zt 5 ohm"`
	}
	if !z.Exact() {
		return fmt.Sprintf("a transfer impedance of %v cannot be computed with", z), "give one number above zero"
	}
	a.zt = z
	return a.once("zt", p)
}

func (a *asked) readIL(p Piece, rest string) (string, string) {
	g, err := rf.ParseGain(rest)
	switch {
	case err != nil:
		return err.Error(), `write for example "il 7 dB"`
	case g < 3:
		return fmt.Sprintf("an insertion loss of %v is below 3 dB", g.Text(3)),
			"the far 50 Ω end of the jig takes half: no clamp has less than 3.01 dB; a loss is written as a positive " +
				"number"
	}
	a.il = &g
	return a.once("il", p)
}

func (a *asked) readLimit(p Piece, rest string) (string, string) {
	if i, err := rf.Parse[rf.Ampere](rest); err == nil && i.Exact() {
		a.limitI = i
		return a.once("limit", p)
	}
	power, err := rf.Parse[rf.Watt](rest)
	if err != nil {
		if v, e := rf.Parse[rf.Volt](rest); e == nil {
			power, err = rf.PowerInto(v, rf.Z0), nil
		}
	}
	switch {
	case err != nil:
		return err.Error(), `write for example "limit -10 dBm" or "limit 300 mA"`
	case !power.Exact():
		return fmt.Sprintf("a limit of %v cannot be compared with", power), "give one number"
	}
	a.limit = power
	return a.once("limit", p)
}

func (a *asked) readS21(p Piece, rest string) (string, string) {
	g, err := rf.ParseGain(rest)
	if err != nil {
		return err.Error(), `write for example "s21 -20 dB"`
	}
	a.subjects = append(a.subjects, levelSubject{input: plainMinus(p.Text), s21: &g})
	return "", ""
}

func (a *asked) readVSWR(p Piece, rest string) (string, string) {
	var x float64
	text := strings.TrimSuffix(strings.TrimSuffix(strings.TrimSpace(rest), ":1"), " : 1")
	if _, err := fmt.Sscanf(strings.Replace(text, ",", ".", 1)+"\n", "%g\n", &x); err != nil || math.IsNaN(x) ||
		math.IsInf(x, 0) {
		return fmt.Sprintf("%q has no standing wave ratio", p.Text), `write for example "VSWR 1.5"`
	}
	if x < 1 || x > 1e6 {
		return fmt.Sprintf("a VSWR of %g is not between 1 and 1000000", x), "1 is a perfect match"
	}
	a.vswr = append(a.vswr, vswr{plainMinus(p.Text), x})
	return "", ""
}

func (a *asked) readReturnLoss(p Piece, rest string) (string, string) {
	g, err := rf.ParseGain(rest)
	switch {
	case err != nil:
		return err.Error(), `write for example "return loss 14 dB"`
	case !(g > 0):
		return fmt.Sprintf("a return loss of %v is not above 0 dB", g.Text(3)), "it is written as a positive number"
	}
	gamma := (-g).AmplitudeRatio()
	a.vswr = append(a.vswr, vswr{plainMinus(p.Text), (1 + gamma) / (1 - gamma)})
	return "", ""
}

func (a *asked) readProfile(p Piece, rest string) (string, string) {
	id, where, hasAt := strings.Cut(rest, " at ")
	prof, err := level.Lookup(id)
	if err != nil {
		return err.Error(), ""
	}
	s := levelSubject{input: plainMinus(p.Text), profile: &prof}
	if hasAt {
		if s.at, err = rf.ParseFrequency(where); err != nil {
			return err.Error(), fmt.Sprintf("write for example \"profile %s at 27.12 MHz\"", prof.ID)
		}
		if _, err := prof.At(s.at); err != nil {
			return err.Error(), ""
		}
	}
	a.subjects = append(a.subjects, s)
	return "", ""
}

func (a *asked) readModulation(p Piece, _ string) (string, string) {
	m, err := level.ParseEnvelope(p.Text)
	if err != nil {
		return err.Error(), ""
	}
	a.modulation = &m
	return a.once("modulation", p)
}

// readLevel reads what needs no word before it.
func (a *asked) readLevel(p Piece) (string, string) {
	s := levelSubject{input: plainMinus(p.Text)}
	if strings.HasSuffix(strings.TrimSpace(p.Text), "/m") {
		e, err := level.ParseFieldStrength(p.Text)
		if err != nil {
			return err.Error(), `write for example "20 V/m"`
		}
		s.field = e
		return a.take(s, e.PerMetre().Exact())
	}
	if l, err := level.ParseAsked(p.Text); err == nil {
		s.emf, s.current = l.EMF, l.Current
		return a.take(s, true)
	}
	var err error
	if s.power, err = rf.Parse[rf.Watt](p.Text); err == nil {
		return a.take(s, s.power.Known())
	}
	if s.voltage, err = rf.Parse[rf.Volt](p.Text); err == nil {
		return a.take(s, s.voltage.Known())
	}
	if s.current, err = rf.Parse[rf.Ampere](p.Text); err == nil {
		return a.take(s, s.current.Known())
	}
	if s.frequency, err = rf.ParseFrequency(p.Text); err == nil {
		return a.take(s, true)
	}
	return levelHint(p.Text)
}

func (a *asked) take(s levelSubject, known bool) (string, string) {
	if !known {
		return fmt.Sprintf("%q is nothing that can be computed with", s.input), "give one number above zero"
	}
	a.subjects = append(a.subjects, s)
	return "", ""
}

// unitsOfLevels is the hint where a unit is not known.
const unitsOfLevels = `a level is a number with its unit: dBm, W, mW, dBµV, V, Vpp, dBµA, mA, "V emf"; ` +
	"a frequency Hz, kHz, MHz, GHz"

// levelHint says what is wrong with a text that is no level of any kind, naming the unit that was
// nearly right.
func levelHint(text string) (string, string) {
	if _, err := rf.ParseGain(text); err == nil {
		return fmt.Sprintf("%q is a distance between two levels and says nothing alone",
			text), `say what it is: "pad 20 dB", "coax 1.2 dB", "il 7 dB", "s21 -20 dB"`
	}
	if _, err := rf.Parse[rf.Ohm](text); err == nil {
		return fmt.Sprintf("%q is an impedance and says nothing alone", text), `say what it is: "zt 14 dBohm"`
	}
	_, e1 := rf.Parse[rf.Watt](text)
	_, e2 := rf.Parse[rf.Volt](text)
	_, e3 := rf.Parse[rf.Ampere](text)
	_, e4 := rf.ParseFrequency(text)
	_, e5 := level.ParseAsked(text)
	if !strings.ContainsAny(text[:min(1, len(text))], "0123456789.,+-") && !strings.HasPrefix(text, "−") &&
		!strings.Contains(strings.ToLower(text), "emf") {
		return fmt.Sprintf("%q is neither a level nor a word this calculator knows", text),
			`a level begins with its number, "10 dBm"; the words are pad, coax, zt, il, limit, s21, VSWR, return loss, ` +
				"profile, AM, pulse, CW: see provoke level --help"
	}
	for _, e := range []error{e1, e2, e3, e4} {
		if e != nil && (strings.Contains(e.Error(), "did you mean") || !strings.Contains(e.Error(), "unknown")) {
			return e.Error(), unitsOfLevels
		}
	}
	if t := strings.ToLower(text); strings.Contains(t, "emf") || strings.Contains(t, "e.m.f.") {
		return e5.Error(), `write for example "10 V emf"`
	}
	return fmt.Sprintf("%q is neither a level nor a word this calculator knows", text),
		unitsOfLevels + "; see provoke level --help for the words"
}
