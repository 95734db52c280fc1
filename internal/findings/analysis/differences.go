package analysis

import (
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// Difference is something that differs between two runs other than the product's change.
type Difference struct {
	_ struct{} `tell:"what=What before=Before after=After forbids=Forbids"`

	What, Before, After string
	// Forbids: with this difference the after-run shows nothing about the change, so the verdict
	// cannot be "shown". Otherwise it is a reservation.
	Forbids bool
	Why     string // why it forbids
}

// String prints the difference in a line.
func (d Difference) String() string {
	s := fmt.Sprintf("%s: %s before, %s after", d.What, orNone(d.Before), orNone(d.After))
	if d.Why != "" {
		s += " (" + d.Why + ")"
	}
	return s
}

func orNone(s string) string {
	if s == "" {
		return "not given"
	}
	return s
}

// differences lists what differs, what forbids the verdict "shown" first.
func differences(before, after result.Run) []Difference {
	b, a := before.Opened, after.Opened
	all := append(decisive(before, after), reserved(b, a)...)
	all = append(all, monitors(b, a)...)
	all = append(all, fields("", b.Setup, a.Setup)...)
	var out, rest []Difference
	for _, d := range all {
		switch {
		case d.Before == d.After:
		case d.Forbids:
			out = append(out, d)
		default:
			rest = append(rest, d)
		}
	}
	return append(out, rest...)
}

// decisive compares what the exposure itself was.
func decisive(before, after result.Run) []Difference {
	b, a := before.Opened, after.Opened
	out := []Difference{
		{What: "run kind", Before: string(b.RunKind), After: string(a.RunKind), Forbids: true,
			Why: "only exposures of the DUT show immunity"},
		{What: "modulation", Before: Modulation(b.Modulation), After: Modulation(a.Modulation), Forbids: true,
			Why: "the upset may depend on it"},
		{What: "fixture", Before: string(b.Fixture), After: string(a.Fixture), Forbids: true,
			Why: "jig current is not cable current"},
		{What: "mode", Before: string(b.Mode), After: string(a.Mode)},
		{What: "dwell", Before: b.Dwell.String(), After: a.Dwell.String()},
		{What: "level profile", Before: b.Profile.ID, After: a.Profile.ID},
		{What: "what the level means", Before: b.Profile.Means, After: a.Profile.Means, Forbids: true,
			Why: "the same number is another current"},
	}
	if b.Calibration != a.Calibration && Replays(b) && Replays(a) {
		out = append(out, Difference{What: "calibration replayed", Before: fmt.Sprintf("run %d", b.Calibration),
			After: fmt.Sprintf("run %d", a.Calibration)})
	}
	if a.Dwell < b.Dwell {
		d := &out[4]
		d.Forbids, d.Why = true, "a shorter dwell may end before the DUT reacts"
	}
	return append(out, wantedLower(before, after))
}

// wantedLower compares the levels wanted at the frequencies of both runs.
func wantedLower(before, after result.Run) Difference {
	d := Difference{What: "level wanted", Forbids: true, Why: "less is asked of the DUT"}
	for _, p := range before.Points() {
		q := after.Point(p.Frequency)
		if q == nil {
			continue
		}
		if g, _ := wantedOf(q).Minus(wantedOf(p)); g.Finite() && g < -0.01 {
			at := " at " + p.Frequency.String()
			d.Before, d.After = wantedOf(p).String()+at, wantedOf(q).String()+at
			return d
		}
	}
	return d
}

func wantedOf(p *result.Point) rf.Current {
	if p.Wanted.Known() {
		return p.Wanted
	}
	return p.Target
}

// reserved compares what may matter.
func reserved(b, a event.Opened) []Difference {
	return []Difference{
		{What: "bench", Before: short(b.Bench.SHA256), After: short(a.Bench.SHA256)},
		{What: "plan", Before: short(b.Plan.SHA256), After: short(a.Plan.SHA256)},
		{What: "resolution", Before: b.Resolution.String(), After: a.Resolution.String()},
		{What: "curves in use", Before: curveList(b.Curves), After: curveList(a.Curves)},
		{What: "equipment", Before: equipmentList(b.Equipment), After: equipmentList(a.Equipment)},
		{What: "room", Before: b.Room, After: a.Room},
		{What: "program", Before: b.Program, After: a.Program},
	}
}

// Modulation prints a modulation with its convention, for people.
func Modulation(m level.Modulation) string {
	if m.IsCW() {
		return "CW"
	}
	var s string
	if m.Kind == level.AM {
		s = fmt.Sprintf("AM %v %v", m.Depth, m.Rate)
	} else {
		s = fmt.Sprintf("%s %v, duty %v", m.Kind, m.Rate, m.Duty)
	}
	if m.Hold != "" {
		s += ", " + string(m.Hold)
	}
	return s
}

// short shows the start of a hash, which is enough to tell two files apart by eye.
func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12]
	}
	return hash
}

func curveList(curves []event.Curve) string {
	var out []string
	for _, c := range curves {
		out = append(out, c.Item+" "+c.What+" "+short(c.SHA256))
	}
	return strings.Join(out, ", ")
}

func equipmentList(list []event.Equipment) string {
	var out []string
	for _, e := range list {
		out = append(out, strings.TrimSpace(e.ID+" "+e.Serial))
	}
	return strings.Join(out, ", ")
}

// monitors compares how the DUT was watched. A monitor that is gone or more tolerant may miss what
// was seen before.
func monitors(b, a event.Opened) []Difference {
	var out []Difference
	for _, m := range b.Monitors {
		d := Difference{What: "monitor " + m.ID, Before: monitor(m), After: "none", Forbids: true,
			Why: "what it saw before may be missed"}
		for _, n := range a.Monitors {
			if n.ID != m.ID {
				continue
			}
			d.After = monitor(n)
			d.Forbids = n.Kind != m.Kind || n.Unit != m.Unit || n.Tolerance > m.Tolerance
			if !d.Forbids {
				d.Why = ""
			}
		}
		out = append(out, d)
	}
	for _, n := range a.Monitors {
		if !watched(b.Monitors, n.ID) {
			out = append(out, Difference{What: "monitor " + n.ID, Before: "none", After: monitor(n)})
		}
	}
	return out
}

func watched(list []event.Monitor, id string) bool {
	for _, m := range list {
		if m.ID == id {
			return true
		}
	}
	return false
}

// monitor describes a monitor without its baseline, which is measured anew for each run.
func monitor(m event.Monitor) string {
	s := m.Kind
	if m.Tolerance != 0 {
		s += fmt.Sprintf(", within %g %s of the baseline", m.Tolerance, m.Unit)
	}
	if m.Latency != 0 {
		s += ", latency " + m.Latency.String()
	}
	return s
}

// fields compares named facts such as distances.
func fields(prefix string, b, a []event.Field) []Difference {
	var out []Difference
	after := map[string]string{}
	for _, x := range a {
		after[x.Name] = x.Value
	}
	for _, x := range b {
		out = append(out, Difference{What: prefix + x.Name, Before: x.Value, After: after[x.Name]})
		delete(after, x.Name)
	}
	for _, x := range a {
		if v, left := after[x.Name]; left {
			out = append(out, Difference{What: prefix + x.Name, After: v})
		}
	}
	return out
}

// comparable says why two runs say nothing about a change whatever their points are; "" when they
// may.
func uncomparable(before, after result.Run) string {
	for _, r := range []result.Run{before, after} {
		switch {
		case r.Opened.RunKind == plan.Baseline:
			return fmt.Sprintf("run %d is a baseline, without RF", r.Number)
		case r.Opened.RunKind == plan.Fixing:
			return fmt.Sprintf("run %d is a fixing loop, not an exposure of the DUT", r.Number)
		case r.Opened.RunKind != plan.Exposure:
			return fmt.Sprintf("run %d is a %s, not an exposure of the DUT", r.Number, r.Opened.RunKind)
		case r.Opened.Fixture != "" && r.Opened.Fixture != string(catalog.OnCable):
			return fmt.Sprintf("run %d was made in a jig, not on the cable", r.Number)
		}
	}
	return ""
}
