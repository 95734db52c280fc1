package event

import (
	"bytes"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"provoke/internal/job/plan"
	"provoke/internal/units/rf"
)

// Printable returns the text with everything that would move a cursor, break a line or hide itself
// as an escape, so that what a DUT or a file name says cannot dress up a terminal or a page.
func Printable(text string) string {
	if strings.IndexFunc(text, hidden) < 0 {
		return text
	}
	var b strings.Builder
	for _, r := range text {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			b.WriteString(map[rune]string{'\n': `\n`, '\r': `\r`, '\t': `\t`}[r])
		case hidden(r):
			fmt.Fprintf(&b, "\\u%04x", r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

func hidden(r rune) bool { return !unicode.IsPrint(r) || r == unicode.ReplacementChar }

// Harmless is Printable for a text of several lines, a page or a whole output: line feeds, tabs and
// spaces of every kind pass, and what is escaped inside JSON is escaped as JSON does.
func Harmless(p []byte) []byte {
	if bytes.IndexFunc(p, Dangerous) < 0 {
		return p
	}
	out := make([]byte, 0, len(p)+len(p)/4)
	for len(p) > 0 {
		r, n := utf8.DecodeRune(p)
		switch {
		case r == utf8.RuneError && n == 1:
			out = fmt.Appendf(out, "\\x%02x", p[0])
		case !Dangerous(r):
			out = append(out, p[:n]...)
		case r > 0xffff:
			high, low := utf16.EncodeRune(r)
			out = fmt.Appendf(out, "\\u%04x\\u%04x", high, low)
		default:
			out = fmt.Appendf(out, "\\u%04x", r)
		}
		p = p[n:]
	}
	return out
}

// Dangerous reports control characters, those that turn or join text without being seen, and separators
// of lines other than the line feed. Bytes that are no UTF-8 come as utf8.RuneError.
func Dangerous(r rune) bool {
	return r != '\n' && r != '\t' && (unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) ||
		r == utf8.RuneError)
}

// Line tells an event in one line for a person: what was set, what was measured, what the DUT did.
func Line(e Event) string { return Printable(line(e)) }

func line(e Event) string {
	if text, ok := byHandLine(e); ok {
		return text
	}
	switch e := e.(type) {
	case Opened:
		return words(string(e.RunKind), string(e.Mode), on(e.Fixture), quoted(e.Label), after("changed: ", e.Changed),
			after("by ", e.Operator),
			fmt.Sprintf("%d frequencies", e.Points), after("bench ", e.Bench.Name), after("plan ", e.Plan.Name),
			"provoke "+e.Program)
	case Watching:
		return "DUT without RF: " + monitors(e.Monitors)
	case Armed:
		return words(after("by ", e.By), worst(e.Worst), "dead-man "+e.DeadMan.String(), after("watcher: ", e.Watcher),
			strings.Join(e.Limits, ", "), e.Suspend,
			words(e.Dwell...), every(e.ReadEvery), after("level not proved in the dwell: ", words(e.Unproved...)),
			e.Interlock)
	case FirstLight:
		return firstLight(e)
	case Intent:
		return words(step(e.Step), "drive at most "+e.Step.Point.Ceiling.String(), attempt(e.Attempt))
	case StepClosed:
		return closedStep(e)
	case Imported:
		return words("from "+e.From, "manifest "+e.Manifest, "head "+e.Head)
	case Hold:
		return e.Why
	case Resumed:
		return e.Why
	case Tripped:
		return words(e.Cause, after("by ", e.By))
	case OperatorMark:
		return e.Text
	case HandsIn:
		return words("RF off, read back: "+e.How, after("by ", e.By), "took "+e.Took.String())
	case HandsOut:
		return words(fmt.Sprintf("try %d", e.Try), e.Did(), after("by ", e.By))
	case Reference:
		return e.Text
	case Stopping:
		if e.ByOperator {
			return words("by the operator", e.Cause)
		}
		return e.Cause
	case Safed:
		return safed(e)
	case Note:
		return words(e.Text, after("by ", e.By))
	case Attached:
		return words(e.Name, quoted(e.Caption), "sha256 "+short(e.SHA256))
	case LaboratoryFailures:
		return laboratory(e)
	case Closed:
		return words(string(e.Verdict), e.Why, fmt.Sprintf("%d records before this one, head %s",
			e.Count, short(e.Head)))
	case Unknown:
		return string(e.Body)
	}
	return ""
}

func laboratory(e LaboratoryFailures) string {
	parts := []string{e.Laboratory, after("report ", e.Report)}
	for _, f := range e.Failures {
		at := f.From.String()
		if f.To.Known() {
			at += " to " + f.To.String()
		}
		parts = append(parts, strings.TrimSpace(at+" "+f.Level+" "+f.Modulation)+": "+f.What)
	}
	return words(parts...)
}

func every(d rf.Duration) string {
	if d == 0 {
		return ""
	}
	return fmt.Sprintf("read every %v in a dwell", d)
}

// words joins what is not empty with semicolons.
func words(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, "; ")
}

func after(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}

func quoted(text string) string {
	if text == "" {
		return ""
	}
	return "“" + text + "”"
}

func on(fixture string) string { return after("on ", fixture) }

func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12] + "…"
	}
	return hash
}

func attempt(n int) string {
	if n <= 1 {
		return ""
	}
	return fmt.Sprintf("attempt %d", n)
}

func monitors(list []Monitor) string {
	var out []string
	for _, m := range list {
		if m.HasBaseline {
			out = append(out, strings.TrimSpace(fmt.Sprintf("%s %s ± %s", m.ID, figure(m.Baseline, m.Unit),
				figure(m.Tolerance, m.Unit))))
		} else {
			out = append(out, m.ID+" ("+m.Kind+")")
		}
	}
	return strings.Join(out, ", ")
}

// figure prints a reading with no more digits than a reading has, and its unit.
func figure(x float64, unit string) string { return strings.TrimSpace(fmt.Sprintf("%.7g %s", x, unit)) }

func worst(list []Worst) string {
	var out []string
	for _, w := range list {
		out = append(out, fmt.Sprintf("%s %s of %s at %v", w.Place, w.Peak, w.Rating, w.Frequency))
	}
	return after("worst case: ", strings.Join(out, ", "))
}

func step(s plan.Step) string {
	text := fmt.Sprintf("%v %s %s", s.Point.Frequency, s.Purpose, s.Offset)
	if !s.Point.Target.Absent() {
		text += " from " + s.Point.Target.String()
	}
	if n := len(s.Descend); n > 0 {
		text += fmt.Sprintf(", down to %s", s.Descend[n-1])
	}
	return text
}

func firstLight(e FirstLight) string {
	says := "agrees with the budget"
	if !e.Passed {
		says = "does not agree with the budget"
	}
	return words(fmt.Sprintf("%v at drive %s: measured %s, predicted %s (%s to %s)", e.Frequency, e.Drive, e.Measured,
		e.Predicted, e.Low, e.High), says,
		after("perhaps ", strings.Join(e.Causes, ", or ")))
}

func closedStep(e StepClosed) string {
	did := "no upset"
	switch {
	case e.Outcome.Skipped:
		did = "given up without an exposure"
	case e.Outcome.Upset && e.Class != NoUpset:
		did = "UPSET, " + string(e.Class)
		if e.RecoveredAfter > 0 {
			did += " (well after " + e.RecoveredAfter.String() + ")"
		}
	case e.Outcome.Upset:
		did = "UPSET"
	}
	recovered := ""
	if at := e.Outcome.RecoveredAt; at != nil {
		recovered = "well at " + at.String()
	}
	forward := ""
	if !e.Forward.Absent() {
		forward = "forward " + e.Forward.String()
		if e.ForwardPredicted {
			forward += " predicted"
		}
	}
	return words(step(e.Step), did, recovered, known("current ", e.Current), known("drive ", e.Drive), forward,
		after("not reached: ", e.Limited), reading(e.Readings), attempt(e.Attempt), e.Note)
}

func known[U rf.Unit](name string, l rf.Level[U]) string {
	if l.Absent() {
		return ""
	}
	return name + l.String()
}

// reading tells the reading that says most: the first bad one, else the last.
func reading(list []Reading) string {
	if len(list) == 0 {
		return ""
	}
	r := list[len(list)-1]
	for _, bad := range list {
		if bad.Bad {
			r = bad
			break
		}
	}
	return words(strings.TrimSpace(r.Monitor+" "+strings.TrimSpace(r.Text)), r.Why)
}

func safed(e Safed) string {
	quiet := "RF OFF"
	if !e.Quiet {
		quiet = "RF NOT KNOWN TO BE OFF"
	}
	var steps []string
	for _, s := range e.Steps {
		steps = append(steps, s.What+": "+s.Result)
	}
	return words(quiet, e.How, e.Cause, strings.Join(steps, ", "), "took "+e.Took.String())
}
