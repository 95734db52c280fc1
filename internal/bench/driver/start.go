package driver

import (
	"fmt"
	"slices"
	"strings"

	"provoke/internal/bench/scpi"
)

// What a table tells at the beginning of every connection is sent without a permission, by the watcher
// too, and with RF on. So it is read as SCPI is read (long and short forms, optional nodes, paths that go
// on behind a semicolon), and only what is known to leave RF alone is let through.

// raising are the commands that take a permission.
var raising = []Verb{OutputOn, Level, Frequency, AMOn, AMDepth, PulseOn, PulseDuty, PulseWidth, Operate, Route}

// leavesRFAlone are the headers that no instrument raises RF by, in their short forms; a header stands for
// all below it. UNIT and VOLT:UNIT change what is shown, and are read back. HEAD and REM are from before
// SCPI (common practice).
var leavesRFAlone = [][]string{{"*CLS"}, {"*ESE"}, {"*SRE"}, {"*OPC"}, {"*WAI"}, {"DISP"}, {"FORM"}, {"STAT"}, {"HCOP"},
	{"SYST", "REM"}, {"SYST", "RWL"},
	{"SYST", "LOC"}, {"SYST", "KLOC"}, {"SYST", "BEEP"}, {"SYST", "ERR"}, {"SYST", "COMM"}, {"VOLT", "UNIT"},
	{"UNIT"}, {"HEAD"}, {"REM"}}

// startFault says why a message may not be told at every connection, or "".
func (t Table) startFault(message string) string {
	if t.Role != RoleSource && t.Role != RoleAmplifier && t.Role != RoleSwitch {
		return ""
	}
	var path []string
	for _, unit := range scpi.Fields(message) {
		written, _, _ := strings.Cut(unit, " ")
		words := nodes(unit)
		if len(words) == 0 {
			continue
		}
		readings := [][]string{words}
		if !strings.HasPrefix(written, ":") && !strings.HasPrefix(written, "*") && len(path) > 0 {
			// It goes on at the path of the unit before; an instrument that begins at the root again is known too.
			readings = append(readings, append(slices.Clone(path), words...))
		}
		for _, r := range readings {
			if !t.quiet(r, unit) {
				return t.whyNot(message, r)
			}
		}
		if !strings.HasPrefix(written, "*") {
			longest := readings[len(readings)-1]
			path = longest[:len(longest)-1]
		}
	}
	return ""
}

// quiet reports that a command is known to leave RF alone, or takes it away.
func (t Table) quiet(words []string, unit string) bool {
	for _, v := range t.having(OutputOff, Standby) {
		if slices.Equal(nodes(t.say(v)), words) && argumentOf(t.say(v)) == argumentOf(unit) {
			return true
		}
	}
	if a := argumentOf(unit); t.Role != RoleSwitch && plain(words) == "OUTP" && (a == "0" || a == "OFF") {
		return true
	}
	return slices.ContainsFunc(leavesRFAlone, func(h []string) bool {
		rest := strings.Split(plain(words), ":")
		return len(rest) >= len(h) && slices.Equal(rest[:len(h)], h)
	})
}

// raises returns the verb that a command carries out, if it is one that takes a permission.
func (t Table) raises(words []string) Verb {
	for _, v := range t.having(raising...) {
		if plain(nodes(t.say(v))) == plain(words) {
			return v
		}
	}
	return ""
}

func (t Table) whyNot(message string, words []string) string {
	if v := t.raises(words); v != "" {
		return fmt.Sprintf("%q is told at every connection, without a permission, and may raise RF: it is the "+
			"command for %q", message, v)
	}
	return fmt.Sprintf("%q is told at every connection, without a permission, and %s may raise RF: only the table's "+
		"own way to off, *CLS, DISPlay, FORMat, STATus, SYSTem:REMote and their like are let through",
		message, strings.Join(words, ":"))
}

// nodes are the words of a command's header in their short forms, without the numbers at their ends.
func nodes(command string) []string {
	header := upper(command)
	if i := strings.IndexAny(header, " \t"); i >= 0 {
		header = header[:i]
	}
	var out []string
	for _, w := range strings.Split(strings.TrimLeft(header, ":"), ":") {
		if w != "" {
			out = append(out, short(w))
		}
	}
	return out
}

// short is the short form of a mnemonic: four letters, or three where the fourth is a vowel (SCPI-1999
// volume 1, 6.2.1); a word of four letters or fewer is its own.
func short(word string) string {
	word = strings.TrimRight(word, "0123456789")
	if len(word) <= 4 || word[0] == '*' {
		return word
	}
	if strings.ContainsRune("AEIOU", rune(word[3])) {
		return word[:3]
	}
	return word[:4]
}

// plain leaves out the nodes that SCPI-1999 volume 2 lets be left out.
func plain(words []string) string {
	words = slices.Clone(words)
	if len(words) > 1 && words[0] == "SOUR" {
		words = words[1:]
	}
	first := true
	words = slices.DeleteFunc(words, func(w string) bool {
		if first {
			first = false
			return false
		}
		return slices.Contains([]string{"LEV", "IMM", "AMPL", "STAT", "CW", "FIX", "NEXT"}, w)
	})
	return strings.Join(words, ":")
}

// argumentOf is what stands behind a header.
func argumentOf(command string) string {
	_, rest, _ := strings.Cut(upper(command), " ")
	return strings.TrimSpace(rest)
}
