package tell

import (
	"cmp"
	"errors"
	"fmt"
	"slices"

	"provoke/internal/files/catalog"
	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// Source is a job that is told from.
type Source interface {
	// Heads are the runs by number, of each its number, how it was opened, and its verdict where that is known.
	Heads() ([]result.Run, error)
	// Run is a run as a whole.
	Run(number int) (result.Run, error)
	// Attachment is a file of the job by its hash.
	Attachment(hash string) ([]byte, error)
}

// Book answers the questions that several faces ask of a job, each in one place. It reads no more runs than an answer
// rests on. It is for one look at a job: what it has read it does not read again.
type Book struct {
	from     Source
	heads    []result.Run
	runs     map[int]result.Run
	outlines map[int]analysis.Outline
	benches  map[string]benchThen
}

type benchThen struct {
	bench *catalog.Bench
	err   error
}

// Open begins a look at a job.
func Open(from Source) *Book {
	return &Book{from: from, runs: map[int]result.Run{}, outlines: map[int]analysis.Outline{},
		benches: map[string]benchThen{}}
}

// Heads are the runs by number as they were opened.
func (b *Book) Heads() ([]result.Run, error) {
	if b.heads == nil {
		var err error
		if b.heads, err = b.from.Heads(); err != nil {
			return nil, err
		}
	}
	return b.heads, nil
}

// Run is a run as a whole.
func (b *Book) Run(number int) (result.Run, error) {
	if r, ok := b.runs[number]; ok {
		return r, nil
	}
	r, err := b.from.Run(number)
	if err == nil {
		b.runs[number] = r
	}
	return r, err
}

// All are the runs of the job as wholes, by number.
func (b *Book) All() ([]result.Run, error) { return b.whole(func(result.Run) bool { return true }) }

// whole reads the runs whose heads are chosen.
func (b *Book) whole(chosen func(result.Run) bool) ([]result.Run, error) {
	heads, err := b.Heads()
	if err != nil {
		return nil, err
	}
	var out []result.Run
	for _, h := range heads {
		if !chosen(h) {
			continue
		}
		r, err := b.Run(h.Number)
		if err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// outline is what other runs take from a run. A run of which only that is asked is not held.
func (b *Book) outline(number int) (analysis.Outline, error) {
	if o, ok := b.outlines[number]; ok {
		return o, nil
	}
	r, ok := b.runs[number]
	if !ok {
		var err error
		if r, err = b.from.Run(number); err != nil {
			return analysis.Outline{}, err
		}
	}
	o := analysis.OutlineOf(r)
	b.outlines[number] = o
	return o, nil
}

// Outlines are those of the runs whose heads are chosen.
func (b *Book) Outlines(chosen func(result.Run) bool) ([]analysis.Outline, error) {
	heads, err := b.Heads()
	if err != nil {
		return nil, err
	}
	var out []analysis.Outline
	for _, h := range heads {
		if !chosen(h) {
			continue
		}
		o, err := b.outline(h.Number)
		if err != nil {
			return nil, err
		}
		out = append(out, o)
	}
	return out, nil
}

// ahead reads what the findings of a run take from others, so that none of those is held beside it.
func (b *Book) ahead(number int) error {
	heads, err := b.Heads()
	i := slices.IndexFunc(heads, func(h result.Run) bool { return h.Number == number })
	if _, held := b.runs[number]; err != nil || held || i < 0 {
		return err
	}
	wanted := []int{analysis.ControlFor(heads, heads[i])}
	if heads[i].Verdict == event.DoneUpset {
		wanted = append(wanted, Numbers(evidence.SameState(heads, i))...)
	}
	_, err = b.Outlines(func(h result.Run) bool {
		return h.Number != number && (repeats(h, heads[i]) || slices.Contains(wanted, h.Number))
	})
	return err
}

// ErrNoBench is why a bench file as used cannot be had.
var ErrNoBench = errors.New("the job does not hold the bench file")

// Bench is the bench file as a run used it.
func (b *Book) Bench(r result.Run) (*catalog.Bench, error) {
	o := r.Opened
	if o.Bench.SHA256 == "" {
		return nil, ErrNoBench
	}
	key := o.Bench.SHA256
	for _, a := range o.Files {
		key += " " + a.Name + " " + a.SHA256
	}
	if kept, ok := b.benches[key]; ok {
		return kept.bench, kept.err
	}
	bench, err := b.readBench(o)
	b.benches[key] = benchThen{bench, err}
	return bench, err
}

func (b *Book) readBench(o event.Opened) (*catalog.Bench, error) {
	data, err := b.from.Attachment(o.Bench.SHA256)
	if errors.Is(err, ErrNoBench) {
		return nil, ErrNoBench
	} else if err != nil {
		return nil, fmt.Errorf("the bench file cannot be read from the job: %w", err)
	}
	bench, list := catalog.Parse(o.Bench.Name, data, func(name string) ([]byte, error) {
		for _, a := range o.Files {
			if a.Name == name {
				return b.from.Attachment(a.SHA256)
			}
		}
		return nil, fmt.Errorf("%s is not in the job", name)
	})
	if err := list.Err(); err != nil {
		return nil, fmt.Errorf("this program does not read the bench file as used: %w", err)
	}
	return bench, nil
}

// noRun is an ErrNoRun in words of its own.
type noRun string

func (e noRun) Error() string     { return string(e) }
func (e noRun) Is(err error) bool { return err == ErrNoRun }

// ErrNoRun is wrapped when a run that is named is not in the job.
var ErrNoRun = errors.New("no such run in the job")

// Choose is the run with a number; with 0 the newest exposure, else the newest run that was made on the bench.
func (b *Book) Choose(number int) (int, error) {
	heads, err := b.Heads()
	if err != nil {
		return 0, err
	}
	if len(heads) == 0 {
		return 0, errors.New("the job holds no run yet; make one with provoke run")
	}
	if number == 0 {
		exposure, other := 0, 0
		newest := heads[len(heads)-1].Number
		for _, h := range heads {
			switch h.Opened.RunKind {
			case plan.Exposure:
				exposure = h.Number
			case event.LaboratoryKind: // nothing was done on the bench
			default:
				other = h.Number
			}
		}
		return cmp.Or(exposure, other, newest), nil
	}
	if !slices.ContainsFunc(heads, func(r result.Run) bool { return r.Number == number }) {
		var all []int
		for _, r := range heads {
			all = append(all, r.Number)
		}
		return 0, noRun(fmt.Sprintf("there is no run %d; the job holds %s", number, RunNumbers(all)))
	}
	return number, nil
}

// control is the control run that a run is compared with; nil for none.
func (b *Book) control(r result.Run) (*analysis.Outline, error) {
	heads, err := b.Heads()
	if err != nil {
		return nil, err
	}
	number := analysis.ControlFor(heads, r)
	if number == 0 {
		return nil, nil
	}
	o, err := b.outline(number)
	return &o, err
}

// Repeats are the runs that may repeat one another: what set-ups differ by is worked out from them.
func (b *Book) Repeats() ([]analysis.Outline, error) {
	heads, err := b.Heads()
	if err != nil {
		return nil, err
	}
	may := analysis.MayRepeat(heads)
	return b.Outlines(func(r result.Run) bool { return slices.Contains(may, r.Number) })
}

// same are the runs that repeat a run, that one among them.
func (b *Book) same(r result.Run) ([]analysis.Outline, error) {
	all, err := b.Outlines(func(h result.Run) bool { return repeats(h, r) })
	return analysis.Repeatable(all, r), err
}

// repeats reports that a run, by how it was opened, may repeat another.
func repeats(a, b result.Run) bool {
	return a.Opened.RunKind == b.Opened.RunKind && a.Opened.Plan.SHA256 == b.Opened.Plan.SHA256 &&
		a.Opened.Bench.SHA256 == b.Opened.Bench.SHA256
}

// Findings are what a run shows, with the decision that rests on how well its levels are known.
func (b *Book) Findings(number int) (result.Run, analysis.Findings, error) {
	if err := b.ahead(number); err != nil {
		return result.Run{}, analysis.Findings{}, err
	}
	r, err := b.Run(number)
	if err != nil {
		return r, analysis.Findings{}, err
	}
	control, err := b.control(r)
	if err != nil {
		return r, analysis.Findings{}, err
	}
	f := analysis.Of(r, control)
	f.Graded = analysis.GradedOf(&r)
	same, err := b.same(r)
	if err == nil {
		uncertainty.Decide(&f, r, same, b.Bench)
	}
	return r, f, err
}

// Compare compares two runs; margin is what the later one has to stand above the onset before.
func (b *Book) Compare(before, after int, margin rf.Gain) (c analysis.Comparison, runs [2]result.Run, err error) {
	for i, n := range []int{before, after} {
		if runs[i], err = b.Run(n); err == nil {
			err = analysis.NoLoop(runs[i])
		}
		if err != nil {
			return c, runs, err
		}
	}
	repeats, err := b.Repeats()
	if err != nil {
		return c, runs, err
	}
	return analysis.Compare(runs[0], runs[1], uncertainty.BasisOf(runs[0], runs[1], repeats, b.Bench, margin)),
		runs, nil
}

// Laboratory is what a laboratory reported, as the newest entry says, and the run that holds it; 0 for none.
func (b *Book) Laboratory() (event.LaboratoryFailures, int, error) {
	heads, err := b.Heads()
	for i := len(heads) - 1; i >= 0 && err == nil; i-- {
		if heads[i].Opened.RunKind != event.LaboratoryKind {
			continue
		}
		var r result.Run
		if r, err = b.Run(heads[i].Number); err == nil && r.Laboratory != nil {
			return *r.Laboratory, r.Number, nil
		}
	}
	return event.LaboratoryFailures{}, 0, err
}

// CloseLook makes from a plan the one that looks closely at what a run found, and at what a laboratory reported and it
// did not show.
func (b *Book) CloseLook(number int, p *plan.Plan, lab event.LaboratoryFailures) (*plan.Look, error) {
	_, f, err := b.Findings(number)
	if err != nil {
		return nil, err
	}
	spans, err := analysis.Closely(f, lab)
	if err != nil {
		return nil, err
	}
	var also []string
	if missing := f.Covered.Missing; len(missing) > 0 {
		also = append(also, fmt.Sprintf("Run %d did not cover %s: nothing is known of that.", number,
			plan.Spans(missing)))
	}
	return plan.CloseLook(p, spans, also...)
}

// Named is what a plan for a time exposes first: what a run upset at, to test it again, or else what the laboratory
// reported and what upset in the exposures of the job. b may be nil where there is no job.
func (b *Book) Named(lab event.LaboratoryFailures, retest bool, number int) (named []plan.Named, err error) {
	if retest {
		if number, err = b.Choose(number); err != nil {
			return nil, err
		}
		_, f, err := b.Findings(number)
		if err != nil {
			return nil, err
		}
		return analysis.Retest(f)
	}
	named = plan.NamedAt(lab.Frequencies(), plan.FromLaboratory)
	if b == nil {
		return named, nil
	}
	heads, err := b.Heads()
	if err != nil {
		return nil, err
	}
	var earlier []analysis.Findings
	for _, h := range heads {
		if h.Opened.RunKind == plan.Exposure {
			_, f, err := b.Findings(h.Number)
			if err != nil {
				return nil, err
			}
			earlier = append(earlier, f)
		}
	}
	return append(named, analysis.Suspects(earlier)...), nil
}

// ErrConfidence is wrapped where a confidence that is asked for is none.
var ErrConfidence = errors.New("the confidence")

// Beside holds what a laboratory reported against a run of the product as the laboratory had it. coupling says how an
// e.m.f. drives the product, by a model of the cable; nil where only a range is known.
func (b *Book) Beside(lab event.LaboratoryFailures, number int, confidence rf.Fraction,
	coupling func(rf.Frequency) (over, half rf.Gain, source string, err error)) (analysis.BesideLaboratory, error) {
	r, err := b.Run(number)
	if err != nil {
		return analysis.BesideLaboratory{}, err
	}
	bench, err := b.Bench(r)
	var same []analysis.Outline
	if err != nil {
		bench = nil // both levels are then told as assumed
	} else if same, err = b.same(r); err != nil {
		return analysis.BesideLaboratory{}, err
	}
	c, err := uncertainty.CertaintyOf(bench, r, same, lab, confidence)
	if err != nil {
		return analysis.BesideLaboratory{}, fmt.Errorf("%w: %w", ErrConfidence, err)
	}
	c.Coupling = coupling
	return analysis.CompareLaboratory(lab, r, c)
}

// Evidence is what the runs of the same state of the product show about the cause of a run's failing bands.
func (b *Book) Evidence(number int) (evidence.Explanation, error) {
	r, err := b.Run(number)
	if err != nil {
		return evidence.Explanation{}, err
	}
	bench, err := b.Bench(r)
	if err != nil {
		bench = nil // then nothing is known of the amplifier's harmonics, and no line says anything of them
	}
	return b.Explain(number, evidence.OfAmplifier(bench))
}

// Explain is Evidence with what is known of the harmonics; nil for nothing.
func (b *Book) Explain(number int, harmonics evidence.Harmonics) (evidence.Explanation, error) {
	heads, err := b.Heads()
	if err != nil {
		return evidence.Explanation{}, err
	}
	i := slices.IndexFunc(heads, func(r result.Run) bool { return r.Number == number })
	if i < 0 {
		return evidence.Explanation{}, fmt.Errorf("explain run %d: %w", number, ErrNoRun)
	}
	from := Numbers(evidence.SameState(heads, i))
	same, err := b.Outlines(func(r result.Run) bool { return slices.Contains(from, r.Number) })
	if err != nil {
		return evidence.Explanation{}, err
	}
	r, err := b.Run(number)
	if err != nil {
		return evidence.Explanation{}, err
	}
	return evidence.Explain(r, same, harmonics)
}

// Studies are what a run was made to study.
func (b *Book) Studies(r result.Run) ([]Study, error) {
	heads, err := b.Heads()
	if err != nil {
		return nil, err
	}
	stepping, err := b.whole(func(h result.Run) bool {
		return r.Opened.RunKind == plan.FreeSweepRun && analysis.Stepping(r.Opened, h.Opened)
	})
	if err != nil {
		return nil, err
	}
	named := analysis.OneOfEachModulation(heads, r)
	modulated, err := b.Outlines(func(h result.Run) bool {
		return len(named) > 1 && slices.Contains(named, r.Number) && slices.Contains(named, h.Number)
	})
	if err != nil {
		return nil, err
	}
	out := Studies(r, stepping, modulated)
	if same, err := b.same(r); err == nil && len(same) > 1 && same[len(same)-1].Head.Number == r.Number &&
		r.Opened.RunKind == plan.Exposure {
		out = append(out, b.repeated(same).Study())
	}
	return out, nil
}

// Onsets is how well the onsets of a run are known.
type Onsets struct {
	_ struct{} `tell:"confidence=Worst.Expanded.Confidence bench=Bench.Name bench_sha256=Bench.Hash"`
	_ struct{} `tell:"rests=Worst.Rests"`

	Bench *catalog.Bench
	At    map[rf.Frequency]uncertainty.Onset
	// Worst is the largest of them; Check is the current at the check point for drift.
	Worst, Check uncertainty.Current
	Why          string // why there is none; "" where nothing was to be known
}

// Onsets works out how well the onsets of a run are known, from the bench file as used.
func (b *Book) Onsets(r result.Run, f analysis.Findings) (Onsets, error) {
	o := Onsets{At: map[rf.Frequency]uncertainty.Onset{}}
	if r.Opened.RunKind != plan.Exposure && r.Opened.RunKind != plan.Control {
		return o, nil
	}
	var err error
	if o.Bench, err = b.Bench(r); err != nil {
		o.Why = err.Error()
		return o, nil
	}
	same, err := b.same(r)
	if err != nil {
		return o, err
	}
	spread := analysis.RepeatedTransfer(same)
	for _, p := range f.Points {
		if !p.Upset {
			continue
		}
		u, err := uncertainty.OfOnset(o.Bench, r.Opened.Mode, p, spread.At, uncertainty.DefaultConfidence)
		if err != nil {
			o.Why = err.Error()
			continue
		}
		o.At[p.Frequency] = u
		if o.Worst.Components == nil || u.U() > o.Worst.U() {
			o.Worst = u.Current
		}
	}
	if f.Stability != nil {
		if u, err := uncertainty.OfCurrent(o.Bench, f.Stability.Frequency, uncertainty.Conditions{Repeated: spread.At},
			uncertainty.DefaultConfidence); err == nil {
			o.Check = u
		}
	}
	return o, nil
}

// Stated returns the onsets where an uncertainty of them is stated, nil where none is.
func (o Onsets) Stated() *Onsets {
	if o.Worst.Components == nil {
		return nil
	}
	return &o
}

// Between says from where to where an onset lies; "" where that is not known.
func (o Onsets) Between(f rf.Frequency) string {
	if u, ok := o.At[f]; ok {
		return u.Between()
	}
	return ""
}

// Remark says what the figures rest on; "" where there is nothing to say.
func (o Onsets) Remark() string {
	if o.Worst.Components == nil {
		if o.Why == "" {
			return ""
		}
		return "uncertainty of the onsets: not stated, " + o.Why
	}
	return fmt.Sprintf("the onset lies from … to … with a confidence of %v: between stood and upset, each current "+
		"known to %s, from bench %q; %s",
		o.Worst.Expanded.Confidence, o.Worst.Says(), o.Bench.Name, o.Worst.Rests())
}
