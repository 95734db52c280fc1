package touchstone

import (
	"fmt"
	"strconv"
	"strings"
)

// keywordNames holds the keywords of version 2 as the format writes them, by lower case.
var keywordNames = map[string]string{
	"version": "[Version]", "number of ports": "[Number of Ports]", "two-port data order": "[Two-Port Data Order]",
	"number of frequencies": "[Number of Frequencies]", "number of noise frequencies": "[Number of Noise Frequencies]",
	"reference": "[Reference]", "matrix format": "[Matrix Format]", "mixed-mode order": "[Mixed-Mode Order]",
	"begin information": "[Begin Information]", "end information": "[End Information]",
	"network data": "[Network Data]", "noise data": "[Noise Data]", "end": "[End]",
}

// keyword reads a line that starts with a bracket.
func (p *parser) keyword(line []byte) {
	inside, rest, closed := strings.Cut(string(line[1:]), "]")
	name := strings.ToLower(strings.Join(strings.Fields(inside), " "))
	known := keywordNames[name]
	if p.stage == information {
		if name == "end information" {
			p.stage = before
		}
		return
	}
	if p.stage == ended {
		p.warnOnce("ended", p.line, p.column(), "data after [End] are ignored", "")
		return
	}
	switch {
	case !closed:
		p.fail(p.column(), fmt.Sprintf("the bracket of %q is not closed", strings.TrimSpace(string(line))), "")
		return
	case known == "":
		p.fail(p.column(), fmt.Sprintf("[%s] is no keyword of the format", strings.TrimSpace(inside)),
			"the keywords are those of versions 2.0 and 2.1")
		return
	case !p.two && name != "version":
		p.failOnce("no version", p.column(), known+" stands in a file that does not start with [Version]",
			"put [Version] 2.0 on the first line, or leave the keywords out")
		return
	case p.seen[name] > 0:
		p.fail(p.column(), fmt.Sprintf("%s stands on line %d already", known, p.seen[name]), "")
		return
	}
	p.seen[name] = p.line
	p.closeBlock()
	if p.n.Points() > 0 && name != "noise data" && name != "end" {
		p.fail(p.column(), known+" stands behind the network data", "put it before [Network Data]")
		return
	}
	p.perform(name, words([]byte(rest), p.column()+len(inside)+2))
}

// perform does what a keyword says.
func (p *parser) perform(name string, args []word) {
	if p.stage == references || p.stage == modes {
		p.stage = before
	}
	switch name {
	case "version":
		p.version(args)
	case "number of ports":
		p.n.Ports = p.count(args, "[Number of Ports]", 1, MaximumPorts)
	case "number of frequencies":
		p.counted = p.count(args, "[Number of Frequencies]", 1, MaximumBytes)
	case "number of noise frequencies":
		p.noises = p.count(args, "[Number of Noise Frequencies]", 1, MaximumBytes)
	case "two-port data order":
		p.swapped = p.choice(args, "[Two-Port Data Order]", "12_21", "21_12") == "21_12"
	case "matrix format":
		if p.triangle = p.choice(args, "[Matrix Format]", "full", "lower", "upper"); p.triangle == "full" {
			p.triangle = ""
		}
	case "reference":
		p.stage = references
		p.referenceRow(args)
	case "mixed-mode order":
		p.stage = modes
		p.modeRow(args)
	case "begin information":
		p.stage = information
	case "end information":
		p.fail(p.column(), "[End Information] closes nothing", "")
	case "network data":
		p.startNetwork()
		p.nothingBehind(args, "[Network Data]")
	case "noise data":
		p.startNoise()
		p.nothingBehind(args, "[Noise Data]")
	case "end":
		p.stage = ended
	}
}

func (p *parser) version(args []word) {
	p.two = true
	if p.option || len(p.seen) > 1 {
		p.warnOnce("version", p.line, p.column(), "[Version] is not the first line", "")
	}
	switch v := p.argument(args, "[Version]"); v {
	case "2.0", "2.1":
		p.n.Version = v
	case "":
	default:
		p.fail(args[0].column, fmt.Sprintf("version %q is not known", v),
			"[Version] is 2.0 or 2.1; a version 1 file has no keywords")
	}
}

// argument returns the one word that a keyword takes, in lower case; "" when there is a problem.
func (p *parser) argument(args []word, keyword string) string {
	switch len(args) {
	case 0:
		p.fail(p.column(), keyword+" says nothing", "its value belongs on the same line")
		return ""
	case 1:
		return strings.ToLower(args[0].text)
	}
	p.fail(args[1].column, fmt.Sprintf("%s takes one value; %q is left over", keyword, args[1].text), "")
	return ""
}

func (p *parser) nothingBehind(args []word, keyword string) {
	if len(args) > 0 {
		p.fail(args[0].column, fmt.Sprintf("%q stands on the line of %s", args[0].text, keyword),
			"data start on the next line")
	}
}

func (p *parser) count(args []word, keyword string, least, most int) int {
	s := p.argument(args, keyword)
	if s == "" {
		return -1
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < least || n > most {
		p.fail(args[0].column, fmt.Sprintf("%s is %q", keyword, s),
			fmt.Sprintf("it is a whole number from %d to %d", least, most))
		return -1
	}
	return n
}

func (p *parser) choice(args []word, keyword string, choices ...string) string {
	s := p.argument(args, keyword)
	for _, c := range choices {
		if s == c {
			return c
		}
	}
	if s != "" {
		p.fail(args[0].column, fmt.Sprintf("%s is %q", keyword, s), "it is "+strings.Join(choices, " or "))
	}
	return ""
}

// referenceRow reads one line of [Reference].
func (p *parser) referenceRow(args []word) {
	for _, w := range args {
		x, ok := p.resistance(w)
		if !ok {
			x = 50 // told; keeps the count
		}
		if len(p.n.Reference) <= MaximumPorts {
			p.n.Reference = append(p.n.Reference, x)
		}
	}
}

// modeRow reads one line of [Mixed-Mode Order]: "D2,3 C2,3 S1".
func (p *parser) modeRow(args []word) {
	for _, w := range args {
		text := strings.ToUpper(w.text)
		m := Mode{Kind: text[0]}
		a, b, two := strings.Cut(text[1:], ",")
		var err, err2 error
		m.A, err = strconv.Atoi(a)
		if two {
			m.B, err2 = strconv.Atoi(b)
		}
		good := m.Kind == 'S' && !two || (m.Kind == 'D' || m.Kind == 'C') && two
		if !good || err != nil || err2 != nil {
			p.fail(w.column, fmt.Sprintf("%q is no mode", w.text),
				"write S1 for a single-ended port, D2,3 or C2,3 for a pair")
			continue
		}
		if len(p.n.Modes) <= MaximumPorts {
			p.n.Modes = append(p.n.Modes, m)
		}
	}
}

// startNetwork checks that what the data need to be read is there.
func (p *parser) startNetwork() {
	p.stage = network
	if !p.option {
		p.fail(p.column(), "no option line stands before [Network Data]",
			"write for example # MHz S MA R 50 behind [Version]")
	}
	if p.n.Ports <= 0 {
		if p.seen["number of ports"] == 0 {
			p.fail(p.column(), "[Number of Ports] is missing", "version 2 does not take it from the file's name")
		}
		p.stop = true
		return
	}
	if p.fileN > 0 && p.fileN != p.n.Ports {
		p.warnOnce("name", p.seen["number of ports"],
			1, fmt.Sprintf("the file's name says %s, [Number of Ports] says %d", ports(p.fileN), p.n.Ports),
			"the keyword counts")
	}
	if p.seen["two-port data order"] == 0 && p.n.Ports == 2 {
		p.fail(p.column(), "[Two-Port Data Order] is missing",
			"without it S12 and S21 cannot be told apart: 21_12 means S11 S21 S12 S22")
	} else if p.seen["two-port data order"] > 0 && p.n.Ports != 2 {
		p.warnOnce("order", p.seen["two-port data order"], 1,
			fmt.Sprintf("[Two-Port Data Order] means nothing for %s", ports(p.n.Ports)), "")
	}
	if p.seen["number of frequencies"] == 0 {
		p.fail(p.column(), "[Number of Frequencies] is missing", "")
	}
	p.swapped = p.swapped && p.n.Ports == 2
	p.prepare()
	p.checkModes()
}

func (p *parser) startNoise() {
	p.stage = noise
	if p.n.Points() == 0 && p.seen["network data"] == 0 {
		p.fail(p.column(), "[Noise Data] stands before [Network Data]", "")
	}
	if p.n.Ports != 2 {
		p.fail(p.column(), fmt.Sprintf("noise data belong to 2 ports, not to %d", p.n.Ports), "")
	}
	if p.seen["number of noise frequencies"] == 0 {
		p.fail(p.column(), "[Number of Noise Frequencies] is missing", "")
	}
}

// checkModes compares the mixed-mode order with the ports: every port is used, in one place.
func (p *parser) checkModes() {
	line := p.seen["mixed-mode order"]
	if line == 0 {
		return
	}
	type use struct {
		kind byte
		a, b int
	}
	used := map[use]bool{}
	covered := map[int]bool{}
	for _, m := range p.n.Modes {
		u := use{m.Kind, min(m.A, max(m.B, m.A)), m.B}
		bad := m.A < 1 || m.A > p.n.Ports || m.Kind != 'S' && (m.B < 1 || m.B > p.n.Ports || m.A == m.B) || used[u]
		if bad {
			p.add(line, 1, false, fmt.Sprintf("the mode %v does not fit %s", m, ports(p.n.Ports)), "")
		}
		used[u] = true
		covered[m.A] = true
		if m.B > 0 {
			covered[m.B] = true
		}
	}
	if len(p.n.Modes) != p.n.Ports || len(covered) != p.n.Ports {
		p.add(line, 1, false, fmt.Sprintf("[Mixed-Mode Order] gives %d modes for %s", len(p.n.Modes), ports(p.n.Ports)),
			"give one mode per port, each port in one of them")
	}
	if p.n.Parameter != "S" {
		p.add(line, 1, false, fmt.Sprintf("a mixed-mode file of %s cannot be converted", p.n.Parameter),
			"write it as S")
	}
}

func ports(n int) string {
	if n == 1 {
		return "1 port"
	}
	return strconv.Itoa(n) + " ports"
}
