package touchstone

import (
	"fmt"
	"strings"
)

var unitScale = map[string]struct {
	name  string
	scale float64
}{"hz": {"Hz", 1}, "khz": {"kHz", 1e3}, "mhz": {"MHz", 1e6}, "ghz": {"GHz", 1e9}}

// optionLine reads "# <unit> <parameter> <format> R <n>", the fields in any order, each at most once.
func (p *parser) optionLine(line []byte) {
	if p.option {
		p.warnOnce("second option line", p.line, p.column(), "a second option line is ignored",
			"only the first one counts")
		return
	}
	if len(p.rec) > 0 || p.n.Points() > 0 || p.told["no option line"] {
		p.failOnce("late option line", p.column(), "the option line stands behind data", "put it before the first row")
		return
	}
	p.option = true
	if len(line) > 1 && line[1] != ' ' && line[1] != '\t' {
		p.warnOnce("blank after #", p.line, p.column()+1,
			fmt.Sprintf("no blank follows the # of %q", strings.TrimSpace(string(line))),
			"other programs may take the default unit, GHz")
	}
	given := map[string]string{}
	fields := words(line[1:], p.column()+1)
	for i := 0; i < len(fields); i++ {
		w := fields[i]
		lower := strings.ToLower(w.text)
		field := ""
		switch u, isUnit := unitScale[lower]; {
		case isUnit:
			field = "unit"
			p.n.Unit, p.scale = u.name, u.scale
		case len(lower) == 1 && strings.Contains("syzhg", lower):
			field = "parameter"
			p.n.Parameter = strings.ToUpper(lower)
		case lower == "ma" || lower == "db" || lower == "ri":
			field = "format"
			p.n.Format = strings.ToUpper(lower)
		case lower[0] == 'r':
			field = "reference"
			i = p.resistances(fields, i)
		default:
			p.fail(w.column, fmt.Sprintf("%q is no option", w.text), optionHint(lower))
			continue
		}
		if earlier, twice := given[field]; twice {
			p.fail(w.column, fmt.Sprintf("the option line gives two values of the %s, %q and %q", field, earlier,
				w.text), "leave one")
		}
		given[field] = w.text
	}
}

func optionHint(lower string) string {
	switch {
	case strings.HasSuffix(lower, "hz"):
		return "the unit is Hz, kHz, MHz or GHz"
	case strings.Trim(lower, "0123456789.+-eE") == "":
		return "a number on the option line belongs behind R: R 50"
	}
	return "write for example # MHz S MA R 50"
}

// resistances reads the numbers behind R, which stands at fields[i], and returns the index of the last
// field it took. Several numbers are one reference per port (versions 1.1 and 2.1).
func (p *parser) resistances(fields []word, i int) int {
	r := fields[i]
	var texts []word
	if len(r.text) > 1 {
		texts = append(texts, word{r.text[1:], r.column + 1})
		p.warnOnce("blank after R", p.line, r.column, fmt.Sprintf("no blank follows the R of %q", r.text),
			"other programs may take the default reference, 50 Ω")
	}
	for i+1 < len(fields) && strings.IndexByte("+-.0123456789(", fields[i+1].text[0]) >= 0 {
		i++
		texts = append(texts, fields[i])
	}
	if len(texts) == 0 {
		p.fail(r.column, "no resistance follows the R", "write R 50")
	}
	for _, w := range texts {
		if x, ok := p.resistance(w); ok {
			p.option1 = append(p.option1, x)
		}
	}
	return i
}

// resistance reads one reference, a real number above zero.
func (p *parser) resistance(w word) (float64, bool) {
	x, ok := number(w.text)
	switch {
	case !ok && strings.ContainsAny(w.text, "jJiI("):
		p.fail(w.column, fmt.Sprintf("the reference %q is complex", w.text),
			"the format knows only real references; renormalise the network to a resistance")
	case !ok:
		p.fail(w.column, fmt.Sprintf("the reference %q is not a number of ohm", w.text), numberHint(w.text))
	case x <= 0:
		p.fail(w.column, fmt.Sprintf("the reference %q is not above 0 Ω", w.text), "")
	default:
		return x, true
	}
	return 0, false
}

// settleReference gives every port its reference, from [Reference] or the option line.
func (p *parser) settleReference() {
	n := p.n
	given := n.Reference
	switch {
	case p.seen["reference"] > 0:
		if len(given) != n.Ports {
			p.add(p.seen["reference"], 1, false, fmt.Sprintf("[Reference] gives %d of %d resistances", len(given),
				n.Ports), "give one per port")
			given = nil
		}
	case len(p.option1) > 1:
		given = p.option1
		if len(given) != n.Ports {
			p.add(0, 0, false, fmt.Sprintf("the option line gives %d references for %d ports", len(given), n.Ports),
				"give one for all, or one per port")
			given = nil
		}
		p.severalReferences()
	case len(p.option1) == 1:
		given = p.option1
	default:
		given = []float64{50}
	}
	n.Reference = make([]float64, n.Ports)
	for i := range n.Reference {
		n.Reference[i] = 50
		if len(given) == 1 {
			n.Reference[i] = given[0]
		} else if i < len(given) {
			n.Reference[i] = given[i]
		}
	}
}

// severalReferences tells what several references on the option line mean for the version.
func (p *parser) severalReferences() {
	switch {
	case !p.two:
		p.n.Version = "1.1"
	case p.n.Version == "2.0":
		p.warnOnce("references", 0, 0, "several references on the option line belong to version 2.1", "")
	}
}
