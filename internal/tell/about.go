package tell

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"reflect"
	"slices"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// AboutKind is the first line of a file of what a report says besides its job.
const AboutKind = "about 1"

// About is what a report needs and a job does not hold, as a file gives it when the report is written. It adds to what
// the runs recorded and replaces none of it.
type About struct {
	aboutFile
	Name, SHA256 string
	doc          *document.Document
}

type aboutFile struct {
	Client              string        `yaml:"client" says:"for whom the report is"`
	Laboratory          string        `yaml:"laboratory" says:"test laboratory at which the product upset"`
	LaboratoryReference string        `yaml:"laboratory_reference" says:"number and date of the laboratory's report or order"`
	Report              string        `yaml:"report" says:"number of this report"`
	Issued              document.Date `yaml:"issued" says:"date of issue of this report"`
	Sample              struct {
		Type          string `yaml:"type" says:"type of the item tested, as on its label"`
		Serial        string `yaml:"serial" says:"serial number of the item tested"`
		Firmware      string `yaml:"firmware" says:"version of its firmware"`
		OperatingMode string `yaml:"operating_mode" says:"what it did while it was exposed"`
		Auxiliary     string `yaml:"auxiliary_equipment" says:"what was connected to it so that it works"`
	} `yaml:"sample" says:"the item tested"`
	Criteria struct {
		NoUpset      string `yaml:"no_upset" says:"criterion met where nothing upset; default A"`
		During       string `yaml:"during" says:"criterion met by an upset that ends with the RF; default B"`
		Later        string `yaml:"later" says:"criterion met by an upset that ends by itself, later; default B"`
		Reset        string `yaml:"reset" says:"criterion met by an upset that needs a reset; default C"`
		NotRecovered string `yaml:"not_recovered" says:"criterion met by an upset that did not recover; default D"`
	} `yaml:"criteria" says:"performance criteria of your own test plan, by class of upset"`
	DecisionRule string `yaml:"decision_rule" says:"what was agreed on the decision rule, where the plan names none"`
	Temperature  string `yaml:"temperature" says:"temperature of the room, where no run recorded it: 23 °C"`
	Humidity     string `yaml:"humidity" says:"relative humidity of the room, where no run recorded it: 45 %"`
}

// AboutKeys lists the keys of the file.
func AboutKeys() []document.Key {
	return document.Keys(&aboutFile{}, func(reflect.Type) string { return "" })
}

// longestAbout is how many characters a value may have, so that it stands on the first page.
const longestAbout = 600

// ParseAbout reads the file. All problems come back at once.
func ParseAbout(name string, data []byte) (*About, problem.List) {
	sum := sha256.Sum256(data)
	a := &About{Name: name, SHA256: hex.EncodeToString(sum[:])}
	a.doc = document.Decode(name, data, AboutKind, &a.aboutFile)
	for _, k := range AboutKeys() {
		v := a.Value(k.Path)
		if n := len([]rune(v)); n > longestAbout {
			a.doc.Problem(k.Path, fmt.Sprintf("%s has %d characters; at most %d stand on the first page", k.Path,
				n, longestAbout), "put the rest into a note (provoke note)")
		}
		if a.doc.Taken(k.Path) && k.Takes == "a text" && strings.TrimSpace(v) == "" {
			a.doc.Problem(k.Path, k.Path+" is empty", "give it a value or remove the key")
		}
	}
	for key, units := range map[string]string{"temperature": "°C", "humidity": "%"} {
		if v := a.Value(key); strings.ContainsAny(v, "0123456789") && !strings.Contains(v, units) {
			a.doc.Problem(key, fmt.Sprintf("%s: %q has no unit %s", key, v, units), "")
		}
	}
	return a, a.doc.Problems()
}

// Value is what the file gives for a key; "" for nothing, and for a mapping.
func (a *About) Value(key string) string {
	if a == nil || key == "" {
		return ""
	}
	v := reflect.ValueOf(a.aboutFile)
	for name := range strings.SplitSeq(key, ".") {
		i := 0
		for v.Type().Field(i).Tag.Get("yaml") != name {
			i++
		}
		v = v.Field(i)
	}
	switch x := v.Interface().(type) {
	case string:
		return strings.TrimSpace(x)
	case document.Date:
		if !x.IsZero() {
			return x.Format(day)
		}
	}
	return ""
}

// Contradictions tells where the file says something else than the runs that are told in full.
func (a *About) Contradictions(j Job) (problem.List, error) {
	runs, err := pick(j.Runs, j.Detailed)
	if a == nil || err != nil {
		return nil, err
	}
	against := func(key, recorded, by, hint string, same func(a, b string) bool) {
		if given := a.Value(key); given != "" && recorded != "" && !same(given, recorded) {
			a.doc.Problem(key, fmt.Sprintf("%s is %q, but %s %q", key, given, by, recorded), hint)
		}
	}
	const correct = "what was recorded counts: correct the file or remove the key"
	each := func(key, says, hint string, of func(result.Run) string, same func(a, b string) bool) {
		texts, by := distinct(runs, of)
		for i, text := range texts {
			against(key, text, by[i]+says, hint, same)
		}
	}
	each("sample.serial", " recorded", "is the file about another sample? "+correct+
		", or name the runs of this sample with --run", func(r result.Run) string { return sampleOf(j, r).serial },
		sameWords)
	each("temperature", " recorded", correct, func(r result.Run) string { return r.Opened.Temperature },
		sameTemperature)
	each("humidity", " recorded", correct, func(r result.Run) string { return r.Opened.Humidity }, sameWords)
	// other words stand beside it
	if known := plan.DecisionRule(""); known.UnmarshalText([]byte(a.DecisionRule)) == nil {
		each("decision_rule", " took for its rule", "the rule stands in the plan, as decision_rule, before the run",
			ruleOf, sameWords)
	}
	if _, last := tested(runs); a.Issued.Format(day) < last && !a.Issued.IsZero() {
		a.doc.Problem("issued", fmt.Sprintf("the report is issued on %s, before the test was over on %s",
			a.Issued.Format(day), last), "a report is issued after its test")
	}
	if l := reportedBy(j.Runs); l != nil {
		const by = "the laboratory's report in the job says"
		against("laboratory", l.Laboratory, by, correct, sameWords)
		against("laboratory_reference", l.Report, by, correct, sameWords)
	}
	return a.doc.Problems(), nil
}

func sameWords(a, b string) bool {
	return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

func sameTemperature(a, b string) bool {
	var x, y rf.Temperature
	if x.UnmarshalText([]byte(a)) == nil && y.UnmarshalText([]byte(b)) == nil {
		return x == y
	}
	return sameWords(a, b)
}

// reportedBy is the newest report of a laboratory in the job; nil for none.
func reportedBy(runs []result.Run) (l *event.LaboratoryFailures) {
	for _, r := range runs {
		if r.Laboratory != nil {
			l = r.Laboratory
		}
	}
	return l
}

// sample is what a run recorded of the item tested.
type sample struct{ name, serial string }

func sampleOf(j Job, r result.Run) (s sample) {
	id := ""
	if bench, err := Open(j).Bench(r); err == nil {
		id = bench.DUT.ID
	}
	if name, _ := product(r); name != unnamed {
		s.name = name
	}
	for _, e := range r.Opened.Equipment {
		if id != "" && e.ID == id || s.name != "" && e.Description == s.name {
			s.serial = e.Serial
		}
	}
	return s
}

// tested returns the first and last day of some runs: later remarks and pictures do not count.
func tested(runs []result.Run) (from, to string) {
	for _, r := range runs {
		a, b := r.OpenedAt, r.OpenedAt
		if n := len(r.Steps); n > 0 {
			b = r.Steps[n-1].At
		} else if len(r.Notes)+len(r.Attachments) == 0 {
			b = r.LastAt
		}
		if from == "" || a.Format(day) < from {
			from = a.Format(day)
		}
		to = max(to, b.Format(day))
	}
	return from, to
}

func ruleOf(r result.Run) string { return string(r.Opened.DecisionRule.OrDefault()) }

// distinct returns the different texts that runs have for one thing, "" among them, and the runs that have each.
func distinct(runs []result.Run, of func(result.Run) string) (texts, by []string) {
	for _, r := range runs {
		text := strings.TrimSpace(of(r))
		i := slices.Index(texts, text)
		if i < 0 {
			texts, by = append(texts, text), append(by, runName(r.Number))
			continue
		}
		by[i] = strings.Replace(by[i], "run ", "runs ", 1) + fmt.Sprintf(", %d", r.Number)
	}
	return texts, by
}

// givenMark stands behind what was given with the report.
const givenMark = "†"

const notGiven = "not given"

// item is a line of the first page that says what the report is about.
type item struct {
	name string
	text string // as it stands on the page; "" where it is missing
	key  string // of the file that gives it; "" for none
	also string // where else it can be given, before the next run
}

// items lists what the first page says besides the findings, from what the runs recorded and what the file gives.
func (p *Report) items() []item {
	j := p.Job
	var out []item
	add := func(name, recorded, key, also string) {
		text := recorded
		if given := j.About.Value(key); given != "" && !sameWords(given, recorded) {
			if text = given + givenMark; recorded != "" {
				text += " (recorded: " + recorded + ")"
			}
		}
		out = append(out, item{name: name, text: text, key: key, also: also})
	}
	l := reportedBy(j.Runs)
	if l == nil {
		l = &event.LaboratoryFailures{}
	}
	add("Client", "", "client", "")
	add("Laboratory", l.Laboratory, "laboratory", "on the laboratory page of provoke serve")
	add("Laboratory's reference", l.Report, "laboratory_reference", "on the laboratory page of provoke serve")
	add("Report number", "", "report", "")
	add("Date of test", p.tested(), "", "")
	add("Date of issue", "", "issued", "")
	add("Sample", p.recorded(func(r result.Run) string { return sampleOf(j, r).name }), "sample.type",
		"dut.description in the bench file before the next run")
	add("Serial number", p.recorded(func(r result.Run) string { return sampleOf(j, r).serial }), "sample.serial",
		"dut.serial in the bench file before the next run")
	add("Firmware", "", "sample.firmware", "")
	add("Operating mode", "", "sample.operating_mode", "")
	add("Auxiliary equipment", "", "sample.auxiliary_equipment", "")
	out = append(out, item{name: "Performance criterion", text: p.criteria()},
		item{name: "Decision rule", text: p.rules()},
		item{name: "Uncertainty", text: p.U,
			also: "the bench file that the run used, which the job does not hold or this program does not read"})
	add("Temperature", p.recorded(func(r result.Run) string { return r.Opened.Temperature }), "temperature",
		"provoke run --temperature next time")
	add("Relative humidity", p.recorded(func(r result.Run) string { return r.Opened.Humidity }), "humidity",
		"provoke run --humidity next time")
	return append(out,
		item{name: "Scope",
			text: "The results relate only to the item tested, as it was set up and operated for these runs."})
}

// recorded joins what the runs told say of one thing; "" where none says anything.
func (p *Report) recorded(of func(result.Run) string) string {
	texts, by := distinct(p.told, of)
	if len(texts) == 1 {
		return texts[0]
	}
	for i := range texts {
		texts[i] = cmp.Or(texts[i], "not recorded") + " (" + by[i] + ")"
	}
	return strings.Join(texts, "; ")
}

// tested says when, where and by whom the runs told were made.
func (p *Report) tested() string {
	from, to := tested(p.told)
	text := from
	if to != from {
		text += " to " + to
	}
	for _, more := range []struct {
		words string
		of    func(result.Run) string
	}{{", by ", func(r result.Run) string { return r.Opened.Operator }},
		{", in ", func(r result.Run) string { return r.Opened.Room }}} {
		if s := p.recorded(more.of); s != "" {
			text += more.words + s
		}
	}
	return text
}

// criteria says which performance criterion each class of upset meets, and in which of the runs told it was seen.
func (p *Report) criteria() string {
	var out []string
	own := 0
	for _, c := range []struct {
		class       event.Class
		key, letter string
	}{{event.NoUpset, "no_upset", "A"}, {event.DuringOnly, "during", "B"}, {event.RecoversLater, "later", "B"},
		{event.NeedsReset, "reset", "C"}, {event.NotRecovered, "not_recovered", "D"}} {
		text := c.letter
		if given := p.Job.About.Value("criteria." + c.key); given != "" {
			text = given + givenMark
		} else {
			own++
		}
		seen := p.seen(c.class)
		switch {
		case c.class == event.NoUpset: // which runs met it, the findings say
			text += ": works within its limits throughout"
		case seen == "":
			text += ": " + string(c.class) + ", not seen"
		default:
			text += ": " + string(c.class) + ", seen in " + seen
		}
		out = append(out, text)
	}
	if unknown := p.seen(event.NoUpset); unknown != "" {
		out = append(out, "none for the upsets of unknown class in "+unknown)
	}
	text := strings.Join(out, "; ")
	if own > 0 {
		text += ". Letters by the class of the upset, after IEC 61000-4-6, clause 9 (from memory, not verified " +
			"against the standard's text)"
	}
	return text
}

// seen names the runs told in which an upset of a class was seen; for NoUpset those with an upset whose class is not
// known.
func (p *Report) seen(class event.Class) string {
	var out []string
	for _, r := range p.Detailed {
		if k := r.Run.Opened.RunKind; k == plan.Baseline || k == plan.Fixing { // false alarms; a changing product
			continue
		}
		has := class == event.NoUpset && (r.Findings.Marks > 0 || r.Findings.Swept != nil &&
			r.Findings.Swept.Upsets > 0)
		for _, s := range r.Run.Steps {
			has = has || s.Outcome.Upset && s.Class == class
		}
		if has {
			out = append(out, runName(r.Run.Number))
		}
	}
	return strings.Join(out, ", ")
}

// rules says by which rule the findings take a level as stood.
func (p *Report) rules() string {
	text := p.recorded(ruleOf)
	if given := p.Job.About.Value("decision_rule"); given != "" && !sameWords(text, given) {
		text += "; agreed: " + given + givenMark
	}
	return text
}

// tell puts the items onto the first page.
func (p *Report) tell() {
	marked := false
	for _, i := range p.items() {
		f := Fact{Name: i.name, Text: cmp.Or(i.text, notGiven)}
		if i.text == "" {
			f.Mark = "warn"
		}
		marked = marked || strings.Contains(i.text, givenMark)
		p.About = append(p.About, f)
	}
	if marked && p.Job.About != nil {
		p.AboutNote = givenMark + " given with the report in " + p.Job.About.Name + ", not recorded by the runs."
	}
}

// Missing is a field of the first page that nothing fills in.
type Missing struct {
	Name  string `json:"name"`
	Means string `json:"means"` // what it is
	Where string `json:"where"` // where to give it
}

// MissingFrom lists what the first page of a report says is not given.
func MissingFrom(j Job) ([]Missing, error) {
	p, err := Tell(j)
	if err != nil {
		return nil, err
	}
	says := map[string]string{"": "how well the current is known"}
	for _, k := range AboutKeys() {
		says[k.Path] = k.Says
	}
	var out []Missing
	for _, i := range p.items() {
		if i.text != "" {
			continue
		}
		where := i.also
		if i.key != "" {
			where = i.key + " in the --about file"
			if i.also != "" {
				where += ", or " + i.also
			}
		}
		out = append(out, Missing{i.name, says[i.key], where})
	}
	return out, nil
}
