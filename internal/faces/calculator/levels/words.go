// Package levels is the desk calculator: it reads levels, gear and standards in words and shows each step of the
// working. words.go and reading.go read, working.go, modulated.go and sheets.go compute, sheet.go and profiles.go
// print.
package levels

import (
	"fmt"
	"regexp"
	"strings"

	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Piece is one expression: the place it was written at, the expression, and the flag ("--pad") that it came as.
type Piece struct {
	Place, Text, Flag string
}

// levelSubject is something to compute with: one level, profile, frequency, field or match.
type levelSubject struct {
	input string
	// One of these is set.
	power     rf.Power
	voltage   rf.Voltage
	emf       rf.Voltage
	current   rf.Current
	field     level.FieldStrength
	frequency rf.Frequency
	s21       *rf.Gain
	profile   *level.Profile
	at        rf.Frequency // of profile; absent for its corners
}

// levelLoss is a pad or a length of coax.
type levelLoss struct {
	name string
	loss rf.Gain
}

// asked is everything the person asked for.
type asked struct {
	subjects   []levelSubject
	losses     []levelLoss
	zt         rf.Transimpedance
	il         *rf.Gain
	limit      rf.Power
	limitI     rf.Current
	modulation *level.Modulation
	vswr       []vswr
	gear       []levelGear       // as written
	places     map[string]string // of gear, for problems about it
	used       map[string]bool   // gear that entered a result
}

// levelGear is a piece of gear as it was written, under the name of what it is used for.
type levelGear struct{ name, text string }

type vswr struct {
	input string
	ratio float64
}

// bareWords are the words after which a figure must follow.
var bareWords = regexp.MustCompile(`(?i)^(pad|coax|zt|il|limit|s21|vswr|return|insertion|loss|profile|at|am|pulse)$`)

var (
	bareNumber = regexp.MustCompile(`^[-+−]?[0-9][0-9.,]*(e[-+]?[0-9]+)?$`)
	trailing   = regexp.MustCompile(`(?i)^(emf|e\.m\.f\.|carrier|peak|held|every)$`)
	rateUnit   = regexp.MustCompile(`^(%|Hz|kHz|MHz|[mµu]?s)$`)
)

// Join puts together what the shell took apart: 66 dBuV pad 20 dB is two pieces in five words.
// A word that is a whole expression stays as it is.
func Join(words []string) []Piece {
	var out []Piece
	wantsFigure, wantsUnit := false, false // of the last piece
	for i, word := range words {
		number := bareNumber.MatchString(word)
		last := ""
		if len(out) > 0 {
			last = out[len(out)-1].Text
		}
		continues := wantsFigure || wantsUnit && !startsWithNumber(word)
		switch {
		case last == "":
			continues = false
		case trailing.MatchString(word), strings.EqualFold(word, "at") && startsWith(last, "profile"):
			continues = true
		case number && i+1 < len(words) && rateUnit.MatchString(words[i+1]) &&
			(startsWith(last, "am") || startsWith(last, "pulse")):
			continues = true
		}
		if continues {
			last += " " + word
			out[len(out)-1].Text = last
		} else {
			last = word
			out = append(out, Piece{Place: fmt.Sprintf("expression %d", i+1), Text: word})
		}
		wantsUnit = number && !startsWith(last, "vswr")
		wantsFigure = bareWords.MatchString(word) || strings.EqualFold(word, "every")
	}
	return out
}

func startsWithNumber(text string) bool {
	return text != "" && strings.IndexByte("+-0123456789", text[0]) >= 0 || strings.HasPrefix(text, "\u2212")
}

// plainMinus undoes minusSigns, for showing.
func plainMinus(text string) string { return strings.ReplaceAll(text, "\u2212", "-") }

func startsWith(text, word string) bool {
	t := strings.ToLower(strings.TrimSpace(text))
	return t == word || strings.HasPrefix(t, word+" ")
}

// cutWord cuts a leading word, in any case, off a text.
func cutWord(text, word string) (string, bool) {
	if !startsWith(text, word) {
		return text, false
	}
	return strings.TrimSpace(strings.TrimSpace(text)[len(word):]), true
}
