package analysis

import (
	"fmt"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
	"provoke/internal/job/event"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

// labFile is a laboratory's report as a YAML file.
type labFile struct {
	Laboratory  string `yaml:"laboratory" says:"who tested"`
	Report      string `yaml:"report" says:"number and date of the report"`
	Uncertainty struct {
		Expanded rf.Gain `yaml:"expanded,required" says:"U"`
		K        string  `yaml:"k,required" says:"coverage factor"`
	} `yaml:"uncertainty" says:"expanded uncertainty of the laboratory's level; without it a figure is assumed"`
	Tested   []labRange   `yaml:"tested" says:"what was exposed; without it nothing is said of the rest"`
	Failures []labFailure `yaml:"failures,required" says:"what failed"`
}

type labRange struct {
	From       rf.Frequency `yaml:"from,required" says:"lower end"`
	To         rf.Frequency `yaml:"to,required" says:"upper end"`
	Level      string       `yaml:"level,required" says:"level there, for example 10 V emf"`
	Modulation string       `yaml:"modulation" says:"modulation, for example AM 80 % 1 kHz"`
}

type labFailure struct {
	From       rf.Frequency `yaml:"from,required" says:"lower end"`
	To         rf.Frequency `yaml:"to" says:"upper end"`
	Level      string       `yaml:"level,required" says:"level there, for example 10 V emf"`
	Modulation string       `yaml:"modulation" says:"modulation, for example AM 80 % 1 kHz"`
	What       string       `yaml:"what" says:"what happened"`
	Class      string       `yaml:"class" says:"class, as the report has it"`
	Onset      bool         `yaml:"onset" says:"the level is where it began, not only one at which it failed"`
	Required   string       `yaml:"required" says:"level that has to be passed"`
}

// ParseLaboratory reads what a laboratory reported, from YAML (its first line is "provoke:
// laboratory 1") or from a table with a heading. All problems come back at once.
//
//	provoke: laboratory 1
//	laboratory: invented test house
//	report: 17 of 2026-10-02
//	uncertainty: {expanded: 1.9 dB, k: 2}        # of its level; without it a figure is assumed
//	tested:                                      # what it exposed; without it nothing is said of the rest
//	  - {from: 150 kHz, to: 80 MHz, level: 10 V emf, modulation: AM 80 % 1 kHz}
//	failures:
//	  - {from: 26 MHz, to: 28 MHz, level: 10 V emf, modulation: AM 80 % 1 kHz, class: B, what: reading jumps}
//	  - {from: 21.5 MHz, level: 6 V emf, onset: true, required: 10 V emf, what: error 7}
//
// The columns of a table are from; to; level; modulation; what; class; onset; required, of which
// from and level are needed; onset is yes or empty.
func ParseLaboratory(name string, data []byte) (event.LaboratoryFailures, problem.List) {
	if strings.HasPrefix(strings.TrimLeft(strings.TrimPrefix(string(data), "\ufeff"), " \r\n"), "provoke:") ||
		strings.Contains(string(data), "\nprovoke:") {
		return labYAML(name, data)
	}
	return labTable(name, data)
}

func labYAML(name string, data []byte) (event.LaboratoryFailures, problem.List) {
	var f labFile
	doc := document.Decode(name, data, "laboratory 1", &f)
	out := event.LaboratoryFailures{Laboratory: f.Laboratory, Report: f.Report}
	if !doc.Readable() {
		return out, doc.Problems()
	}
	if doc.Has("uncertainty") {
		out.Expanded = f.Uncertainty.Expanded
		if _, err := fmt.Sscanf(strings.Replace(f.Uncertainty.K, ",", ".", 1), "%g", &out.K); err != nil || out.K < 1 ||
			out.K > 20 {
			doc.Problem("uncertainty.k", fmt.Sprintf("%q is not a coverage factor", f.Uncertainty.K),
				"reports usually have k: 2")
		}
		if out.Expanded <= 0 || out.Expanded > 20 {
			doc.Problem("uncertainty.expanded", "the uncertainty must be above 0 dB and at most 20 dB", "")
		}
	}
	for i, t := range f.Tested {
		at := fmt.Sprintf("tested[%d]", i)
		if err := checkLabLevel(t.Level); err != nil {
			doc.Problem(at+".level", err.Error(), "")
		}
		if t.To < t.From {
			doc.Problem(at+".to", fmt.Sprintf("%v lies below %v", t.To, t.From), "")
		}
		out.Tested = append(out.Tested, event.LaboratoryRange(t))
	}
	for i, x := range f.Failures {
		at := fmt.Sprintf("failures[%d]", i)
		e := event.LaboratoryFailure{From: x.From, To: x.To, Level: x.Level, Modulation: x.Modulation, What: x.What,
			Class: x.Class, Onset: x.Onset, Required: x.Required}
		for key, err := range checkLabFailure(e) {
			doc.Problem(at+"."+key, err.Error(), "")
		}
		out.Failures = append(out.Failures, e)
	}
	return out, doc.Problems()
}

// checkLabFailure returns what is wrong, by key.
func checkLabFailure(e event.LaboratoryFailure) map[string]error {
	out := map[string]error{}
	if e.To.Known() && e.To < e.From {
		out["to"] = fmt.Errorf("%v lies below %v", e.To, e.From)
	}
	if err := checkLabLevel(e.Level); err != nil {
		out["level"] = err
	}
	if e.Required != "" {
		if err := checkLabLevel(e.Required); err != nil {
			out["required"] = err
		} else if a, _ := readLabLevel(e.Level); a.unit != "" {
			if b, _ := readLabLevel(e.Required); b.unit != a.unit {
				out["required"] = fmt.Errorf("%q and %q cannot be compared: give both in the same unit", e.Required,
					e.Level)
			}
		}
	}
	if e.Modulation != "" {
		if _, err := level.ParseEnvelope(e.Modulation); err != nil {
			out["modulation"] = err
		}
	}
	return out
}

func checkLabLevel(text string) error {
	_, err := readLabLevel(text)
	return err
}

// labLevel is a level as a laboratory states it.
type labLevel struct {
	unit    string  // "V", "V/m" or "A"
	db      float64 // relative to one unit
	asks    rf.Current
	high    rf.Current // of an indicative range; same as asks otherwise
	caution string
}

// readLabLevel reads "10 V emf", "10 V/m" or "60 mA" and what it asks of the cable: the matched loop's
// current of an e.m.f.; for a field strength the range of published pairings.
func readLabLevel(text string) (labLevel, error) {
	if e, err := level.ParseFieldStrength(text); err == nil {
		i := level.IndicativeCurrent(e)
		if !e.PerMetre().Exact() {
			return labLevel{}, fmt.Errorf("the field strength %q is not one known level", text)
		}
		return labLevel{"V/m", e.PerMetre().DB(), i.Low, i.High, i.Caution}, nil
	}
	asked, err := level.ParseAsked(text)
	switch {
	case err != nil:
		return labLevel{}, fmt.Errorf("%w (or a field strength, 10 V/m)", err)
	case asked.EMF.Exact():
		return labLevel{"V", asked.EMF.DB(), level.LoopCurrent(asked.EMF, level.Loop150), level.ClampLimit(asked.EMF),
			"an e.m.f. drives between U0/300 Ω, into a matched product, and U0/150 Ω, the clamp's limit, into one of " +
				"low impedance (IEC 61000-4-6, from memory)"}, nil
	case asked.Current.Exact():
		return labLevel{"A", asked.Current.DB(), asked.Current, asked.Current, ""}, nil
	}
	return labLevel{}, fmt.Errorf("the level %q is not one known level", text)
}

// labColumns are the columns of a table, with other words for them.
var labColumns = []tabular.Wanted{
	{Names: []string{"from", "frequency", "f", "start", "von"}, Quantity: tabular.OfFrequency},
	{Names: []string{"to", "until", "stop", "end", "bis"}, Quantity: tabular.OfFrequency, Optional: true},
	{Names: []string{"level", "test level", "severity", "pegel", "prüfpegel"}},
	{Names: []string{"modulation", "mod"}, Optional: true},
	{Names: []string{"what", "what happened", "happened", "failure", "observation", "remark"}, Optional: true},
	{Names: []string{"class", "criterion", "performance"}, Optional: true},
	{Names: []string{"onset", "threshold"}, Optional: true},
	{Names: []string{"required", "required level"}, Optional: true},
}

const mostLabLines = 2000

func labTable(name string, data []byte) (event.LaboratoryFailures, problem.List) {
	var out event.LaboratoryFailures
	t, columns := tabular.Named(name,
		data,
		"the heading names the columns: from; to; level; modulation; what; class; onset; required; one with no "+
			"failure is written as YAML, with what it tested",
		labColumns...)
	if columns == nil {
		return out, t.Sorted()
	}
	for i, r := range t.Rows {
		if i == mostLabLines {
			t.Fail(r.Line, 1, fmt.Sprintf("more than %d lines", mostLabLines), "")
			break
		}
		out.Failures = append(out.Failures, labRow(t, r, columns))
	}
	return out, t.Sorted()
}

func labRow(t *tabular.Table, r tabular.Row, columns []int) event.LaboratoryFailure {
	text := func(k int) string { return t.TextOf(r, columns[k]) }
	e := event.LaboratoryFailure{From: t.Frequency(r, columns[0]), Level: text(2), Modulation: text(3), What: text(4),
		Class: text(5), Required: text(7)}
	if r.Tells(columns[1]) {
		e.To = t.Frequency(r, columns[1])
	}
	switch strings.ToLower(text(6)) {
	case "yes", "true", "x", "1":
		e.Onset = true
	case "", "no", "false", "0":
	default:
		t.Fail(r.Line, r.Cells[columns[6]].Column, fmt.Sprintf("onset: %q is neither yes nor no", text(6)), "")
	}
	wrong := checkLabFailure(e)
	for k, w := range labColumns {
		if err := wrong[w.Names[0]]; err != nil {
			t.Fail(r.Line, max(1, r.Cells[columns[k]].Column), w.Names[0]+": "+err.Error(), "")
		}
	}
	return e
}
