package recall

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/archive"
	"provoke/internal/tell"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// ErrNothing is wrapped where a question has no answer.
var ErrNothing = errors.New("nothing in the archive answers that")

// Basis is what an answer rests on.
type Basis struct {
	_       struct{} `tell:"archive=Archive jobs=State.Jobs stale_jobs=State.Stale derived_by=Derived only=Only"`
	Archive string
	Only    []string // the conditions asked with, in words
	State   archive.State
	Derived []string // versions of the program that derived the findings
}

func basis(ctx context.Context, a *archive.Archive) (Basis, error) {
	state, err := a.State(ctx)
	b := Basis{Archive: a.At(), State: state}
	for _, d := range state.Derived {
		b.Derived = append(b.Derived, fmt.Sprintf("%s (%s)", d.Program, english.Count(int(d.Jobs), "job", "jobs")))
	}
	return b, err
}

func (b *Basis) askedWith(only []string) { b.Only = only }

// under ends an answer with what it rests on, and with a warning where findings are missing.
func (b Basis) under(s tell.Section) []tell.Section {
	words := fmt.Sprintf("From the findings of %s", english.Count(int(b.State.Jobs-b.State.Stale), "job", "jobs"))
	if len(b.Derived) > 0 {
		words += ", derived by provoke " + strings.Join(b.Derived, ", ")
	}
	if len(b.Only) > 0 {
		words += "; asked with " + strings.Join(b.Only, ", ")
	}
	s.Blocks = append(s.Blocks, tell.Block{Text: words + ".", Mark: "of"})
	if b.State.Stale > 0 {
		s.Blocks = append(s.Blocks, tell.Block{Mark: "warning", Text: english.Count(int(b.State.Stale), "job is",
			"jobs are") +
			" not in this answer: their findings were not derived since they were pushed. Run provoke archive " +
			"rebuild."})
	}
	return []tell.Section{s}
}

// Spread is how values lie, with counts; the quartiles are by linear interpolation between ordered values. A figure on
// which a bound has a say is itself "at least".
type Spread struct {
	_ struct{} `tell:"least=Least quarter=Quarter median=Median three_quarters=Three most=Most"`
	_ struct{} `tell:"least_is_at_least=LeastBounded quarter_is_at_least=QuarterBounded"`
	_ struct{} `tell:"median_is_at_least=MedianBounded three_quarters_is_at_least=ThreeBounded"`
	_ struct{} `tell:"most_is_at_least=MostBounded"`

	Least, Quarter, Median, Three, Most                                    float64
	LeastBounded, QuarterBounded, MedianBounded, ThreeBounded, MostBounded bool
}

type bounded struct {
	value float64
	bound string
}

func spreadOf(values []bounded) Spread {
	slices.SortFunc(values, func(a, b bounded) int { return cmp.Compare(a.value, b.value) })
	at := func(share float64) float64 {
		x := share * float64(len(values)-1)
		i := int(x)
		if i+1 >= len(values) {
			return values[len(values)-1].value
		}
		return values[i].value + (x-float64(i))*(values[i+1].value-values[i].value)
	}
	first := slices.IndexFunc(values, func(v bounded) bool { return v.bound == "at least" })
	isBound := func(share float64) bool {
		return first >= 0 && first <= int(math.Ceil(share*float64(len(values)-1)))
	}
	return Spread{Least: at(0), Quarter: at(0.25), Median: at(0.5), Three: at(0.75), Most: at(1),
		LeastBounded:   isBound(0),
		QuarterBounded: isBound(0.25), MedianBounded: isBound(0.5), ThreeBounded: isBound(0.75),
		MostBounded: isBound(1)}
}

// FixesTold answers which changes gave so much, in which band, on which cables.
type FixesTold struct {
	_ struct{} `tell:"basis=Basis least_gain_db=Least fixes=Groups"`
	Basis
	Least  float64
	Groups []FixGroup
}

// FixGroup is one change under one wording.
type FixGroup struct {
	_        struct{} `tell:"fix=Fix bands=Bands jobs=Jobs gain_db=Spread gone=Gone unknown_gains=Unknown evidence=Evidence"`
	Fix      string
	Bands    int // with a gain
	Jobs     int
	Gone     int // of the bands, those without an upset up to the level required after it
	Unknown  int // bands without a gain
	Spread   *Spread
	Evidence []archive.Fixed
}

// AskFixes groups what changes did by the words in which they are written, whatever their case.
func AskFixes(ctx context.Context, a *archive.Archive, f archive.Filter, least float64) (t FixesTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	t.Least = least
	all, err := a.Fixes(ctx, f, least)
	if err != nil {
		return t, err
	}
	at := map[string]int{}
	gains, jobs := map[string][]bounded{}, map[string]map[string]bool{}
	for _, x := range all {
		key := strings.ToLower(strings.Join(strings.Fields(x.Fix), " "))
		i, ok := at[key]
		if !ok {
			i = len(t.Groups)
			at[key], jobs[key] = i, map[string]bool{}
			t.Groups = append(t.Groups, FixGroup{Fix: x.Fix})
		}
		g := &t.Groups[i]
		g.Evidence = append(g.Evidence, x)
		jobs[key][x.Job] = true
		if x.Fate == string(analysis.Gone) {
			g.Gone++
		}
		if math.IsNaN(x.Gain) {
			g.Unknown++
			continue
		}
		gains[key] = append(gains[key], bounded{x.Gain, x.Bound})
	}
	for key, i := range at {
		g := &t.Groups[i]
		g.Jobs, g.Bands = len(jobs[key]), len(gains[key])
		if g.Bands > 0 {
			s := spreadOf(gains[key])
			g.Spread = &s
		}
	}
	slices.SortStableFunc(t.Groups, func(a, b FixGroup) int {
		return cmp.Or(cmp.Compare(b.Jobs, a.Jobs), cmp.Compare(b.Bands, a.Bands), strings.Compare(a.Fix, b.Fix))
	})
	return t, nil
}

func word(atLeast bool) string {
	if atLeast {
		return "at least"
	}
	return ""
}

func column(name, unit string) tell.Column {
	return tell.Column{Name: name, Unit: unit, Right: unit != "" || name == "jobs" || name == "bands"}
}

func cell(text string) tell.Cell { return tell.Cell{Text: text} }

func count(n int) tell.Cell { return tell.Cell{Text: fmt.Sprint(n), Number: fmt.Sprint(n)} }

func decibel(x float64, bound string) tell.Cell {
	if math.IsNaN(x) {
		return cell("not known")
	}
	if math.Abs(x) < 0.05 {
		x = 0 // no -0.0
	}
	text := fmt.Sprintf("%.1f dB", x)
	if bound != "" {
		text = bound + " " + text
	}
	return tell.Cell{Text: text, Number: fmt.Sprintf("%.1f", x), Bound: bound}
}

func microamps(x float64) tell.Cell {
	if math.IsNaN(x) {
		return cell("not known")
	}
	return tell.Cell{Text: fmt.Sprintf("%.1f dBµA", x), Number: fmt.Sprintf("%.1f", x)}
}

func band(low, high float64) tell.Cell {
	if low == high {
		return cell(rf.Frequency(low).String())
	}
	return cell(rf.Frequency(low).String() + " to " + rf.Frequency(high).String())
}

func day(at string) string { return at[:min(10, len(at))] }

// evidence names a run so that it is found again: its job, its number and the first digits of its head.
func evidence(w archive.Where) tell.Cell {
	return cell(fmt.Sprintf("%s run %d (%.8s)", w.Job, w.Run, w.Head))
}

// Sections tell the answer.
func (t FixesTold) Sections() []tell.Section {
	s := tell.Section{ID: "fixes", Title: "Changes and what they did to failing bands"}
	if len(t.Groups) == 0 {
		return t.Basis.nothing(s)
	}
	table := tell.Table{ID: "fixes", Title: "Gains by change",
		Note: "The gain of a band is what the onset rose by at the frequency that had the lowest one, between two " +
			"runs of " +
			"one job. Half of the gains lie between the quartiles. A figure marked “at least” rests on bands that " +
			"no longer upset at the highest level " +
			"exposed. Changes are the same where their words are.",
		Columns: []tell.Column{column("change", ""), column("jobs", ""), column("bands", ""), column("least", "dB"),
			column("quartiles", ""), column("median", "dB"), column("most", "dB"), column("no upset after", "")}}
	rows := tell.Table{ID: "fixes-evidence", Title: "Evidence", Columns: []tell.Column{column("change", ""),
		column("band before", ""), column("gain", "dB"), column("at", ""), column("least of the band", "dB"),
		column("became", ""), column("cable", ""), column("product", ""),
		column("bench", ""), column("date", ""), column("run", "")}}
	for _, g := range t.Groups {
		row := []tell.Cell{cell(g.Fix), count(g.Jobs), count(g.Bands), cell(""), cell(""), cell("not known"), cell(""),
			cell(fmt.Sprintf("%d of %d bands", g.Gone, g.Bands+g.Unknown))}
		if x := g.Spread; x != nil {
			row[3], row[5], row[6] = decibel(x.Least, word(x.LeastBounded)), decibel(x.Median, word(x.MedianBounded)),
				decibel(x.Most, word(x.MostBounded))
			row[4] = cell(strings.TrimSpace(fmt.Sprintf("%s %.1f", word(x.QuarterBounded), x.Quarter)) + " to " +
				strings.TrimSpace(fmt.Sprintf("%s %.1f dB", word(x.ThreeBounded), x.Three)))
		}
		table.Add(row...)
		for _, e := range g.Evidence {
			rows.Add(cell(e.Fix), band(e.Low, e.High), decibel(e.Gain, e.Bound), cell(rf.Frequency(e.At).String()),
				decibel(e.Least, ""), cell(e.Fate), cell(e.Cable), cell(e.Product),
				cell(e.Bench), cell(day(e.Opened)),
				cell(fmt.Sprintf("%s run %d to %d (%.8s)", e.Job, e.Before, e.Run, e.Head)))
		}
	}
	if !math.IsNaN(t.Least) {
		s.Blocks = append(s.Blocks, tell.Block{Mark: "warning",
			Text: fmt.Sprintf("Only bands with gains of %.1f dB or more are "+
				"counted: what the same changes failed to do is left out.", t.Least)})
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table}, tell.Block{Table: &rows, Annex: true})
	return t.Basis.under(s)
}

func (b Basis) nothing(s tell.Section) []tell.Section {
	s.Blocks = append(s.Blocks, tell.Block{Text: "Nothing in the archive answers that."})
	return b.under(s)
}

// FailuresTold answers where products failed.
type FailuresTold struct {
	_ struct{} `tell:"basis=Basis jobs=Jobs bands=Bands"`
	Basis
	Jobs  int
	Bands []archive.Failed
}

// AskFailures lists failing bands.
func AskFailures(ctx context.Context, a *archive.Archive, f archive.Filter) (t FailuresTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	t.Bands, err = a.Failures(ctx, f)
	jobs := map[string]bool{}
	for _, b := range t.Bands {
		jobs[b.Job] = true
	}
	t.Jobs = len(jobs)
	return t, err
}

// Sections tell the answer.
func (t FailuresTold) Sections() []tell.Section {
	s := tell.Section{ID: "upsets", Title: "Failing bands"}
	if len(t.Bands) == 0 {
		return t.Basis.nothing(s)
	}
	s.Blocks = append(s.Blocks, tell.Block{Text: fmt.Sprintf("%s in %s.", english.Count(len(t.Bands), "failing band",
		"failing bands"), english.Count(t.Jobs, "job", "jobs"))})
	table := tell.Table{ID: "upsets", Title: "Failing bands, the lowest onset first", Columns: []tell.Column{
		column("band", ""), column("lowest onset", "dBµA"), column("margin", "dB"), column("product", ""),
		column("version", ""), column("changed", ""), column("cable", ""), column("bench", ""), column("date", ""),
		column("run", "")}}
	for _, b := range t.Bands {
		table.Add(band(b.Low, b.High), microamps(b.Lowest), decibel(b.Margin, ""), cell(b.Product), cell(b.Version),
			cell(b.Changed), cell(b.Cable), cell(b.Bench), cell(day(b.Opened)), evidence(b.Where))
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	return t.Basis.under(s)
}

// RunsTold answers which runs there are.
type RunsTold struct {
	_ struct{} `tell:"basis=Basis runs=Runs"`
	Basis
	Runs []archive.Where
}

// AskRuns lists runs.
func AskRuns(ctx context.Context, a *archive.Archive, f archive.Filter) (t RunsTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	t.Runs, err = a.Runs(ctx, f)
	return t, err
}

// Sections tell the answer.
func (t RunsTold) Sections() []tell.Section {
	s := tell.Section{ID: "runs", Title: "Runs"}
	if len(t.Runs) == 0 {
		return t.Basis.nothing(s)
	}
	table := tell.Table{ID: "runs", Title: "Runs, the newest first", Columns: []tell.Column{column("date", ""),
		column("product", ""), column("version", ""), column("label", ""), column("changed", ""), column("cable", ""),
		column("bench", ""), column("operator", ""), column("verdict", ""), column("run", "")}}
	for _, r := range t.Runs {
		table.Add(cell(day(r.Opened)), cell(r.Product), cell(r.Version), cell(r.Label), cell(r.Changed), cell(r.Cable),
			cell(r.Bench), cell(r.Operator), cell(r.Verdict), evidence(r))
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	return t.Basis.under(s)
}

// VersionsTold answers how a product came out over its versions.
type VersionsTold struct {
	_ struct{} `tell:"basis=Basis versions=Versions"`
	Basis
	Versions []Version
}

// Version is what exposures of one version of a product showed, before anything was changed on it.
type Version struct {
	_ struct{} `tell:"product=Product version=Version benches=Benches jobs=Jobs runs=Runs first=First newest=Newest"`
	_ struct{} `tell:"runs_with_upsets=Failing least_margin_db=Least least_margin_hz=LeastAt evidence=Evidence,null"`

	Product, Version string
	Benches          []string
	Jobs, Runs       int
	First, Newest    string
	Failing          int
	Least, LeastAt   float64 // NaN where nothing upset
	Evidence         *archive.Where
}

// AskVersions groups the exposures of products by version, the oldest first.
func AskVersions(ctx context.Context, a *archive.Archive, f archive.Filter) (t VersionsTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	bands, err := a.AsReceived(ctx, f)
	if err != nil {
		return t, err
	}
	at, jobs := map[[2]string]int{}, map[[2]string]map[string]bool{}
	seen, failed := map[string]bool{}, map[string]bool{}
	for _, r := range slices.Backward(bands) {
		key := [2]string{strings.ToLower(r.Product), strings.ToLower(r.Version)}
		i, ok := at[key]
		if !ok {
			i = len(t.Versions)
			at[key], jobs[key] = i, map[string]bool{}
			t.Versions = append(t.Versions, Version{Product: r.Product, Version: r.Version, First: r.Opened,
				Least: math.NaN(), LeastAt: math.NaN()})
		}
		v := &t.Versions[i]
		run := r.Job + r.Head
		if !seen[run] {
			seen[run], jobs[key][r.Job] = true, true
			v.Runs, v.Newest, v.Jobs = v.Runs+1, r.Opened, len(jobs[key])
		}
		if !slices.Contains(v.Benches, r.Bench) {
			v.Benches = append(v.Benches, r.Bench)
		}
		if math.IsNaN(r.Low) {
			continue
		}
		if !failed[run] {
			failed[run] = true
			v.Failing++
		}
		if !(r.Margin >= v.Least) && !math.IsNaN(r.Margin) {
			v.Least, v.LeastAt, v.Evidence = r.Margin, r.LowestAt, &r.Where
		}
	}
	return t, nil
}

// Sections tell the answer.
func (t VersionsTold) Sections() []tell.Section {
	s := tell.Section{ID: "versions", Title: "The product over its versions"}
	if len(t.Versions) == 0 {
		return t.Basis.nothing(s)
	}
	table := tell.Table{ID: "versions", Title: "Exposures before which nothing was changed, by version",
		Note: "The least margin is the lowest onset against the level wanted, over all exposures of the version.",
		Columns: []tell.Column{column("product", ""), column("version", ""), column("first", ""), column("newest", ""),
			column("jobs", ""), column("with upsets", ""), column("least margin", "dB"), column("at", ""),
			column("benches", ""),
			column("run", "")}}
	for _, v := range t.Versions {
		row := []tell.Cell{cell(v.Product), cell(cmp.Or(v.Version, "not stated")), cell(day(v.First)),
			cell(day(v.Newest)),
			count(v.Jobs), cell(fmt.Sprintf("%d of %s", v.Failing, english.Count(v.Runs, "run", "runs"))),
			cell("no upset"),
			cell(""), cell(strings.Join(v.Benches, ", ")), cell("")}
		if v.Evidence != nil {
			row[6], row[7], row[9] = decibel(v.Least, ""), cell(rf.Frequency(v.LeastAt).String()), evidence(*v.Evidence)
		} else if v.Failing > 0 {
			row[6] = cell("not known")
		}
		table.Add(row...)
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	return t.Basis.under(s)
}

// AgreeTold answers whether two benches agree on a product.
type AgreeTold struct {
	_ struct{} `tell:"basis=Basis first=First,null second=Second,null points=Points beyond=Beyond against=Against unknown=Unknown words=Words"`
	Basis
	First  *archive.Where
	Second *archive.Where
	Points []Agreement
	Beyond int // points whose |En| is above 1
	// Against are frequencies that upset on one bench, and that the other stood by more than the uncertainties.
	Against int
	// Unknown are frequencies that upset on both, of which one onset has no stated uncertainty or is only a bound.
	Unknown int
	Words   string
}

// Agreement is one frequency that upset on both benches.
type Agreement struct {
	_                                    struct{} `tell:"hz=Hz first_dbua=First second_dbua=Second difference_db=Difference u_db=U en=En"`
	Hz, First, Second, Difference, U, En float64
}

// AskAgree compares the newest exposures of a product, as received, on two benches: E_n, the difference of two onsets
// over the root of the sum of the squares of their expanded uncertainties (ISO 13528:2022, 9.7; ISO/IEC 17043). Only
// frequencies at which both upset, bracketed and with uncertainties, are compared.
func AskAgree(ctx context.Context, a *archive.Archive, f archive.Filter, benches [2]string) (t AgreeTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	var newest [2]archive.Onsets
	for i, bench := range benches {
		f.Bench = bench
		runs, err := a.OnsetsOf(ctx, f)
		if err == nil {
			runs, err = oneBench(runs, bench)
		}
		if err != nil {
			return t, err
		}
		if i == 1 { // of the same product, asked in the same way
			runs = slices.DeleteFunc(runs, func(r archive.Onsets) bool {
				n := newest[0]
				return r.Product != n.Product || r.Version != n.Version || r.Profile != n.Profile ||
					r.Modulation != n.Modulation ||
					r.Bench == n.Bench
			})
		}
		if len(runs) == 0 {
			return t, fmt.Errorf("%w: no exposure of that product as received on a bench named like %q%s",
				ErrNothing, bench,
				map[bool]string{true: " with the same version, level and modulation as on the other"}[i == 1])
		}
		newest[i] = runs[0]
	}
	t.First, t.Second = &newest[0].Where, &newest[1].Where
	second := map[float64]archive.OnsetFact{}
	for _, o := range newest[1].At {
		second[o.Hz] = o
	}
	only := 0
	for _, x := range newest[0].At {
		y, ok := second[x.Hz]
		switch {
		case !ok:
			continue
		case x.Upset != y.Upset:
			only++
			up, stood := x, y
			if y.Upset {
				up, stood = y, x
			}
			// The bench that stood more is taken to be known as well as the one that upset.
			if up.Bound == "" && stood.Onset-up.Onset > math.Sqrt2*up.U {
				t.Against++
			}
			continue
		case !x.Upset:
			continue
		case x.Bound != "" || y.Bound != "" || math.IsNaN(x.U+y.U+x.Onset+y.Onset):
			t.Unknown++
			continue
		}
		p := Agreement{Hz: x.Hz, First: x.Onset, Second: y.Onset, Difference: y.Onset - x.Onset, U: math.Hypot(x.U,
			y.U)}
		p.En = p.Difference / p.U
		t.Points = append(t.Points, p)
		if math.Abs(p.En) > 1 {
			t.Beyond++
		}
	}
	t.Words = agreeWords(len(t.Points), t.Beyond, t.Unknown, only, t.Against)
	return t, nil
}

// oneBench keeps the runs of the bench with a name, or of the only one whose name holds it.
func oneBench(runs []archive.Onsets, name string) ([]archive.Onsets, error) {
	var names []string
	for _, r := range runs {
		if strings.EqualFold(r.Bench, name) {
			return slices.DeleteFunc(runs, func(r archive.Onsets) bool { return !strings.EqualFold(r.Bench, name) }),
				nil
		}
		if !slices.Contains(names, r.Bench) {
			names = append(names, r.Bench)
		}
	}
	if len(names) > 1 {
		return nil, fmt.Errorf("%w: %q stands in the names of %d benches: %s; give one whole", ErrAsked, name,
			len(names),
			strings.Join(names, "; "))
	}
	return runs, nil
}

func agreeWords(n, beyond, unknown, only, against int) string {
	var words string
	switch {
	case n == 0 && against > 0:
		words = "The benches do not agree"
	case n == 0:
		words = "Whether the benches agree cannot be said: there is no frequency that upset on both with bracketed " +
			"onsets and " +
			"stated uncertainties"
	case beyond == 0:
		words = fmt.Sprintf("The benches agree within their uncertainties at %s that can be compared (|En| at most 1)",
			english.Count(n, "frequency", "frequencies"))
	default:
		words = fmt.Sprintf("The benches differ by more than their uncertainties at %d of %s that can be compared "+
			"(|En| above 1)",
			beyond, english.Count(n, "frequency", "frequencies"))
	}
	if only > 0 {
		words += fmt.Sprintf("; at %s the product upset on one bench only, at %d of them although the other bench "+
			"stood more by "+
			"more than the uncertainties: there they disagree", english.Count(only, "frequency", "frequencies"),
			against)
	}
	if unknown > 0 {
		words += fmt.Sprintf("; at %s an onset is only a bound, or its uncertainty is not known", english.Count(unknown,
			"frequency", "frequencies"))
	}
	return words + "."
}

// Sections tell the answer.
func (t AgreeTold) Sections() []tell.Section {
	s := tell.Section{ID: "agree", Title: "The same product on two benches"}
	s.Blocks = append(s.Blocks, tell.Block{Text: t.Words}, tell.Block{List: []string{
		fmt.Sprintf("%s: %s, %s", t.First.Bench, evidence(*t.First).Text, day(t.First.Opened)),
		fmt.Sprintf("%s: %s, %s", t.Second.Bench, evidence(*t.Second).Text, day(t.Second.Opened))}})
	table := tell.Table{ID: "agree", Title: "Onsets on both benches",
		Note: "U is the root of the sum of the squares of the two expanded uncertainties (k = 2 or as stated); En " +
			"is the " +
			"difference over U (ISO 13528:2022, 9.7). Errors that both benches share do not show.",
		Columns: []tell.Column{column("frequency", "Hz"), column("first", "dBµA"), column("second", "dBµA"),
			column("difference", "dB"), column("U", "dB"), column("En", "1")}}
	for _, p := range t.Points {
		mark := ""
		if math.Abs(p.En) > 1 {
			mark = "bad"
		}
		table.Add(cell(rf.Frequency(p.Hz).String()), microamps(p.First), microamps(p.Second), decibel(p.Difference, ""),
			decibel(p.U, ""), tell.Cell{Text: fmt.Sprintf("%.2f", p.En), Number: fmt.Sprintf("%.2f", p.En), Mark: mark})
	}
	if len(table.Rows) > 0 {
		s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	}
	return t.Basis.under(s)
}

// UsesTold answers which runs used a piece of equipment.
type UsesTold struct {
	_ struct{} `tell:"basis=Basis serial=Serial uses=Uses"`
	Basis

	Serial string
	Uses   []archive.Used
}

// AskUses lists the runs that used equipment with a serial number.
func AskUses(ctx context.Context, a *archive.Archive, serial string, f archive.Filter) (t UsesTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	t.Serial = serial
	t.Uses, err = a.RunsWith(ctx, serial, f)
	return t, err
}

// Sections tell the answer.
func (t UsesTold) Sections() []tell.Section {
	s := tell.Section{ID: "used", Title: "Runs that used serial number " + t.Serial}
	if len(t.Uses) == 0 {
		return t.Basis.nothing(s)
	}
	table := tell.Table{ID: "used", Title: "Runs, the newest first", Columns: []tell.Column{column("date", ""),
		column("equipment", ""), column("certificate", ""), column("calibrated", ""), column("due", ""),
		column("product", ""),
		column("bench", ""), column("verdict", ""), column("run", "")}}
	for _, u := range t.Uses {
		due := cell(u.Due)
		if u.Due != "" && u.Due < day(u.Opened) {
			due = tell.Cell{Text: u.Due + ", before the run", Mark: "bad"}
		}
		table.Add(cell(day(u.Opened)), cell(piece(u.ItemFact)), cell(u.Certificate), cell(u.Calibrated), due,
			cell(u.Product), cell(u.Bench), cell(u.Verdict), evidence(u.Where))
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	return t.Basis.under(s)
}

// ListTold is what an archive holds.
type ListTold struct {
	_ struct{} `tell:"basis=Basis records=Basis.State.Records deleted=Basis.State.Deleted jobs=Jobs"`
	Basis
	Jobs []Listed
}

// Listed is one job of an archive.
type Listed struct {
	_       struct{} `tell:"name=Name root=Root branch=Branch pushed=Pushed runs=Runs integrity=Integrity stale=Stale"`
	Name    string
	Root    string
	Branch  int
	Pushed  string
	Runs    int
	Records int64

	Integrity string
	Stale     bool
}

// List lists the jobs.
func List(ctx context.Context, a *archive.Archive) (t ListTold, err error) {
	if t.Basis, err = basis(ctx, a); err != nil {
		return t, err
	}
	jobs, err := a.Jobs(ctx)
	for _, j := range jobs {
		l := Listed{Name: j.Name, Root: j.Root, Branch: j.Branch, Pushed: j.Pushed, Runs: len(j.Runs),
			Integrity: j.Integrity(),
			Stale:     j.Stale()}
		for _, r := range j.Runs {
			l.Records += r.Count
		}
		t.Jobs = append(t.Jobs, l)
	}
	return t, err
}

// Sections tell it.
func (t ListTold) Sections() []tell.Section {
	s := tell.Section{ID: "jobs", Title: "Jobs of the archive"}
	table := tell.Table{ID: "jobs", Title: "Jobs in the order in which they came",
		Columns: []tell.Column{column("job", ""), column("hash", ""), column("branch", "1"), column("first pushed", ""),
			column("runs", "1"), column("records", "1")}}
	for _, j := range t.Jobs {
		table.Add(cell(j.Name), cell(j.Root[:12]), count(j.Branch), cell(day(j.Pushed)), count(j.Runs),
			count(int(j.Records)))
	}
	if len(table.Rows) == 0 {
		return t.Basis.nothing(s)
	}
	s.Blocks = append(s.Blocks, tell.Block{Table: &table})
	return t.Basis.under(s)
}
