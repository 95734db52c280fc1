package tell

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/model/threshold"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Study is what a run, or several, show beside onsets: a random threshold, the time to upset, or what
// of the modulation the product answers to. The page and the report tell it from here; Random and
// Dwell are what figures are drawn of.
type Study struct {
	ID, Title string
	Words     []string
	Tables    []Table
	Random    []analysis.Random
	Dwell     []analysis.DwellAt
	Swept     *result.Run // a run in which the source swept by itself
}

// What a study that nobody asked questions of is asked.
var (
	studyProbabilities = []rf.Fraction{0.1, 0.5, 0.9}
	studyShare         = rf.Fraction(0.95) // of the upsets that a dwell must catch
	studyTolerance     = rf.Gain(1)        // within which onsets count as the same
)

// Studies returns what a run was made to study. stepping are the runs that step through the bands of a free sweep (see
// analysis.Stepping); modulated are runs that differ in their modulation, this one among them (see
// analysis.OneOfEachModulation).
func Studies(r result.Run, stepping []result.Run, modulated []analysis.Outline) []Study {
	var out []Study
	if len(r.Passes) > 0 {
		return []Study{sweptStudy(r, stepping)}
	}
	if r.Opened.RunKind != plan.Exposure {
		return nil
	}
	if o := r.Opened.Search; o != nil && o.Method.Random() {
		q := analysis.RandomQuestion{Probabilities: probabilities(o.Probability),
			Confidence: uncertainty.DefaultConfidence}
		if s := analysis.RandomStudyOf(r, nil, q); len(s.Points) > 0 {
			out = append(out, ThresholdStudy(s))
		}
	}
	if o := r.Opened.Search; o != nil && o.Method == plan.Repeated {
		if s, err := analysis.DwellStudyOf(r, nil, studyShare, uncertainty.DefaultConfidence); err == nil &&
			len(s.At) > 0 {
			out = append(out, DwellTold(s))
		}
	}
	if s, ok := modulationStudy(modulated); ok {
		out = append(out, s)
	}
	return out
}

// probabilities adds the one that was searched for to the usual ones, in order.
func probabilities(searched rf.Fraction) []rf.Fraction {
	var out []rf.Fraction
	for _, p := range studyProbabilities {
		if searched > 0 && searched < p-0.001 && (len(out) == 0 || out[len(out)-1] < searched-0.001) {
			out = append(out, searched)
		}
		out = append(out, p)
	}
	if last := out[len(out)-1]; searched > last+0.001 && searched < 1 {
		out = append(out, searched)
	}
	return out
}

// ThresholdStudy tells a search for a random threshold.
func ThresholdStudy(s analysis.RandomStudy) Study {
	out := Study{ID: fmt.Sprintf("random-run-%d", s.Run), Title: fmt.Sprintf("Random thresholds, run %d", s.Run),
		Random: s.Points,
		Words:  []string{"Near its onset the product upsets with a probability. " + stated(s)}}
	t := Table{ID: "thresholds-run-" + strconv.Itoa(s.Run), Title: fmt.Sprintf("What the exposures of run %d show",
		s.Run), Columns: []Column{
		FrequencyIn("frequency"), counted("exposures"), counted("upsets"), words("passes and upsets"),
		currentIn("highest without an upset"), currentIn("lowest with one"),
		plainDecibels("spread"), plainDecibels("a plain ramp would be off by"),
	},
		Note: fmt.Sprintf("Spread: scale of the %s. A plain upward ramp with the run's steps and dwell reports its "+
			"onset that far from the level of 50 %% upsets.", s.Question.Model)}
	levels := Table{ID: "levels-run-" + strconv.Itoa(s.Run),
		Title: fmt.Sprintf("Current at which the product of run %d upsets with a probability", s.Run),
		Columns: []Column{
			FrequencyIn("frequency"), words("probability"), currentIn("current"), words("limits (profile likelihood)"),
			words("limits (Fieller)"),
		}, Note: fmt.Sprintf("%s fitted by maximum likelihood; limits with a confidence of %v.",
			modelName(s.Question.Model), s.Question.Confidence)}
	shares := Table{ID: "shares-run-" + strconv.Itoa(s.Run),
		Title: fmt.Sprintf("How often the product upset at each level of run %d", s.Run), Columns: []Column{
			FrequencyIn("frequency"), currentIn("level asked"), words("upsets"), words("share"), words("exact limits"),
		}, Note: fmt.Sprintf("Limits after Clopper and Pearson, confidence %v; without an upset, the bound above.",
			s.Question.Confidence)}
	for _, x := range s.Points {
		if d := x.DixonMood; d != nil && x.Fit != nil {
			weak := ""
			if d.Weak {
				weak = ", weak"
			}
			out.Words = append(out.Words, fmt.Sprintf("%v: by hand after Dixon and Mood %s, spread %s%s.",
				x.Frequency, d.Mean.Text(2), d.Sigma.Text(2), weak))
		}
		t.Add(Frequency(x.Frequency), tally(x.Exposures), tally(x.Upsets), say(overlapWords[x.Overlap]),
			Amount(x.Passed), Amount(x.Upset),
			gain(x.Spread(), rf.Exactly), gain(x.RampBias, rf.Exactly))
		for _, l := range x.Levels {
			levels.Add(Frequency(x.Frequency), say(l.Probability.String()), Amount(l.Current),
				say(LimitWords(l.Low, l.High)), say(LimitWords(l.FiellerLow, l.FiellerHigh)))
		}
		for _, a := range x.At {
			shares.Add(Frequency(x.Frequency), Amount(a.Current), say(fmt.Sprintf("%d of %d", a.Upsets, a.Trials)),
				say(hundredths(float64(a.Upsets)/float64(a.Trials))), say(shareLimits(a)))
		}
		for _, n := range append(x.Notes[:len(x.Notes):len(x.Notes)], x.NoFit) {
			if n != "" {
				out.Words = append(out.Words, fmt.Sprintf("%v: %s.", x.Frequency, n))
			}
		}
	}
	for _, t := range s.Refused {
		out.Words = append(out.Words, t+".")
	}
	if len(s.Points) == 0 {
		out.Words = append(out.Words,
			"No frequency of it upset, or is shown not to be deterministic; --at FREQUENCY chooses one.")
	}
	out.Tables = []Table{t, levels, shares}
	return out
}

func stated(s analysis.RandomStudy) string {
	if s.Stated != "" {
		return "Stated before the run: " + s.Stated + "."
	}
	return "The run was no search for a random threshold: its exposures were not placed for this, and no length was " +
		"stated beforehand."
}

func modelName(m threshold.Model) string {
	return strings.ToUpper(string(m)[:1]) + string(m)[1:]
}

var overlapWords = map[threshold.Overlap]string{
	threshold.Mixed: "mixed", threshold.Separated: "every pass below every upset: only a bracket is known",
	threshold.NoUpset: "no upset", threshold.OnlyUpsets: "only upsets",
}

func hundredths(share float64) string { return fmt.Sprintf("%.0f %%", 100*share) }

func shareLimits(a analysis.UpsetShare) string {
	if a.Upsets == 0 {
		return fmt.Sprintf("at most %.1f %%", 100*float64(a.High))
	}
	return fmt.Sprintf("%.1f %% to %.1f %%", 100*float64(a.Low), 100*float64(a.High))
}

func lasting(x float64) Cell {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return Cell{Text: none}
	}
	return duration(rf.Duration(time.Duration(x * 1e9).Round(time.Microsecond)))
}

// DwellTold tells a study of the time to upset.
func DwellTold(s analysis.DwellStudy) Study {
	out := Study{ID: fmt.Sprintf("dwell-run-%d", s.Run), Title: fmt.Sprintf("Time to upset, run %d", s.Run),
		Dwell: s.At,
		Words: []string{fmt.Sprintf("The same level again and again, each time until the product upset or %v were "+
			"over.", s.Longest)}}
	if s.Latency > 0 {
		out.Words = append(out.Words, fmt.Sprintf("Times hold the monitor's own delay, up to %v.", s.Latency))
	}
	t := Table{ID: fmt.Sprintf("dwell-run-%d", s.Run), Title: fmt.Sprintf("Time to upset in run %d", s.Run),
		Columns: []Column{
			FrequencyIn("frequency"), counted("exposures"), counted("upsets"), secondsIn("shortest"),
			secondsIn("median"),
			secondsIn("longest"), words("the times are"),
		}}
	need := Table{ID: fmt.Sprintf("needed-dwell-run-%d", s.Run),
		Title: fmt.Sprintf("Dwell that catches %v of the upsets", s.Share), Columns: []Column{
			FrequencyIn("frequency"), secondsIn("dwell needed"), words("found by"), words("shown"),
			counted("exposures that would show it"),
		},
		Note: fmt.Sprintf("Confidence %v. An estimate rests on the distribution that is named; what is shown holds "+
			"whatever the distribution.", s.Confidence)}
	longest := 0.0
	times := Table{ID: fmt.Sprintf("times-run-%d", s.Run), Title: fmt.Sprintf("Every time to upset of run %d", s.Run),
		FileOnly: true, Columns: []Column{FrequencyIn("frequency"), secondsIn("time to upset")}}
	for _, d := range s.At {
		first, last := math.NaN(), math.NaN()
		if n := len(d.Times); n > 0 {
			first, last = d.Times[0], d.Times[n-1]
		}
		t.Add(Frequency(d.Frequency), tally(d.Exposures), tally(d.Upsets), lasting(first), lasting(d.Median),
			lasting(last), say(string(d.Character)))
		shown := say("yes")
		if !d.Needed.Shown {
			shown = say("no: an estimate").marked("warn")
		}
		if math.IsNaN(d.Needed.Seconds) {
			shown = say("no").marked("warn")
		}
		need.Add(Frequency(d.Frequency), lasting(d.Needed.Seconds), say(d.Needed.Method), shown,
			tally(d.Needed.Exposures))
		for _, x := range d.Times {
			times.Add(Frequency(d.Frequency), lasting(x))
		}
		if d.Upsets == 0 && !math.IsNaN(d.RateHigh) && !math.IsInf(d.RateHigh, 0) {
			out.Words = append(out.Words, fmt.Sprintf("%v: upsets come at most %.3g times a second.", d.Frequency,
				d.RateHigh))
		}
		if !math.IsNaN(d.Needed.Seconds) {
			longest = max(longest, d.Needed.Seconds)
		}
	}
	if longest > 0 {
		text, _ := rf.Duration(math.Ceil(longest*100) * 1e7).MarshalText()
		out.Words = append(out.Words, fmt.Sprintf(
			"Written into the bench file, it has every plan with a shorter dwell warned of: dut: {needed_dwell: %s}.",
			text))
	}
	out.Tables = []Table{t, need, times}
	return out
}

func modulationStudy(modulated []analysis.Outline) (Study, bool) {
	if len(modulated) < 2 {
		return Study{}, false
	}
	at := slices.DeleteFunc(analysis.ModulationStudy(modulated, studyTolerance),
		func(x analysis.ModulationAt) bool { return len(x.Results) < 2 })
	return ModulationStudy(Numbers(analysis.Heads(modulated)), studyTolerance, at), len(at) > 0
}

// ModulationShape is what study modulation --json prints.
type ModulationShape struct {
	Runs      []int                   `tell:"runs"`
	Tolerance rf.Gain                 `tell:"tolerance_db"`
	At        []analysis.ModulationAt `tell:"at"`
}

// Numbers are the numbers of runs.
func Numbers(runs []result.Run) (out []int) {
	for _, r := range runs {
		out = append(out, r.Number)
	}
	return out
}

// ModulationStudy tells the onsets of runs that differ in their modulation.
func ModulationStudy(runs []int, tolerance rf.Gain, at []analysis.ModulationAt) Study {
	id := "runs"
	for _, n := range runs {
		id += fmt.Sprintf("-%d", n)
	}
	out := Study{ID: "modulation-" + id, Title: "Modulations, " + RunNumbers(runs),
		Words: []string{fmt.Sprintf("Onset at the same frequency under several modulations: as each run's level "+
			"means it, as unmodulated carrier, r.m.s. at the crest, and r.m.s. over the modulation. Within %v they "+
			"count as the same.", tolerance)}}
	t := Table{ID: "modulation-" + id, Title: "Onset under several modulations", Columns: []Column{
		FrequencyIn("frequency"), words("modulation"), words("run"), currentIn("onset"), currentIn("carrier"),
		currentIn("crest"), currentIn("mean"),
	}}
	a := Table{ID: "answers-" + id, Title: "What of the modulation the product answers to", Columns: []Column{
		FrequencyIn("frequency"), words("answers to"), plainDecibels("crests within"), plainDecibels("means within"),
		words("why"),
	}}
	for _, x := range at {
		for _, m := range x.Results {
			t.Add(Frequency(x.Frequency), say(analysis.Modulation(m.Modulation)), keep(runName(m.Run)), Amount(m.Onset),
				Amount(m.Carrier), Amount(m.Crest), Amount(m.Mean))
		}
		a.Add(Frequency(x.Frequency), say(string(x.Responds)), gain(x.PeakSpread, rf.Exactly),
			gain(x.MeanSpread, rf.Exactly), say(x.Why))
	}
	if len(at) == 0 {
		out.Words = append(out.Words, "No frequency was exposed under more than one modulation.")
	}
	out.Tables = []Table{a, t}
	return out
}

// studies returns every study of the job, each once.
func (b *Book) studies() ([]Study, error) {
	heads, err := b.Heads()
	var out []Study
	told := map[string]bool{}
	for _, h := range heads {
		r, err := b.Run(h.Number)
		if err != nil {
			return nil, err
		}
		of, err := b.Studies(r)
		if err != nil {
			return nil, err
		}
		for _, s := range of {
			if !told[s.ID] {
				told[s.ID] = true
				out = append(out, s)
			}
		}
	}
	return out, err
}

// Section tells the study.
func (s Study) Section() Section {
	out := Section{ID: s.ID, Title: s.Title}
	for _, w := range s.Words {
		out.say("", w)
	}
	for _, x := range s.Random {
		if c, ok := randomChart(s.ID, x); ok {
			out.chart(c)
		}
	}
	for _, d := range s.Dwell {
		if c, ok := dwellChart(s.ID, d); ok {
			out.chart(c)
		}
	}
	if s.Swept != nil {
		if c, ok := sweptChart(*s.Swept); ok {
			out.chart(c)
		}
	}
	for _, t := range s.Tables {
		if !t.FileOnly {
			out.table(t)
		}
	}
	return out
}

// randomChart shows how often the product upset over the level, with exact limits, and the fitted curve with the
// limits of its levels.
func randomChart(id string, x analysis.Random) (Chart, bool) {
	var seen, exact, limits []Spot
	for _, a := range x.At {
		if a.Current.Known() {
			l := a.Current.In()
			seen = append(seen, Spot{X: l, Y: 100 * float64(a.Upsets) / float64(a.Trials),
				Says: fmt.Sprintf("%v: %d of %d upset; the share lies between %.1f %% and %.1f %%", a.Current, a.Upsets,
					a.Trials, 100*float64(a.Low), 100*float64(a.High))})
			exact = append(exact, Spot{X: l, Y: 100 * float64(a.Low), To: 100 * float64(a.High)})
		}
	}
	span := newSpan()
	span.take(seen)
	for _, l := range x.Levels {
		if l.Low.Known() && l.High.Known() {
			b := Spot{X: l.Low.In(), To: l.High.In(), Y: 100 * float64(l.Probability)}
			limits = append(limits, b)
			span.take([]Spot{b, {X: b.To, Y: b.Y}})
		}
	}
	c := Chart{
		ID: fmt.Sprintf("figure-%s-%.0f", id, x.Frequency.Hz()), Title: fmt.Sprintf("Upsets over the level at %v",
			x.Frequency),
		Caption: fmt.Sprintf("%s, %s. Upright lines are exact limits at each level; lying lines are the limits of "+
			"the level of a probability, confidence %v.", english.Count(x.Exposures, "exposure", "exposures"),
			english.Count(x.Upsets, "upset", "upsets"), x.Question.Confidence),
		Tall: 0.86,
	}
	if len(seen) == 0 {
		return c, false
	}
	room := math.Max(0.06*(span.right-span.left), 0.5)
	c.X = Axis{Labels: []string{"level (dBµA)"}, Low: span.left - room, High: span.right + room, Ticks: 9}
	c.Y = Axis{Labels: []string{"upsets (%)"}, Low: -6, High: 106, Ticks: 5}
	c.draw("exact limits", Whisker, After, exact)
	if x.Fit != nil {
		c.draw("fitted curve", Line, Before, curved(c.X, x.Fit.Probability))
	}
	c.draw("limits of the level", Limits, Ink, limits)
	c.draw("share of upsets", Dot, After, seen)
	c.explain(true, "share of upsets", Dot, After)
	c.explain(x.Fit != nil, "fitted "+string(x.Question.Model), Line, Before)
	c.explain(len(limits) > 0, "limits of the level", Line, Ink)
	return c, true
}

// curved samples a probability along an axis, in percent.
func curved(x Axis, p func(float64) float64) (out []Spot) {
	const n = 120
	for i := range n + 1 {
		l := x.Low + (x.High-x.Low)*float64(i)/n
		out = append(out, Spot{X: l, Y: 100 * p(l)})
	}
	return out
}

// dwellChart shows how many of the exposures had upset by a time, and the fitted distribution.
func dwellChart(id string, d analysis.DwellAt) (Chart, bool) {
	c := Chart{
		ID: fmt.Sprintf("figure-%s-%.0f", id, d.Frequency.Hz()), Title: fmt.Sprintf("Time to upset at %v", d.Frequency),
		Caption: fmt.Sprintf("%d of %s upset; %s.", d.Upsets, english.Count(d.Exposures, "exposure", "exposures"),
			d.Character),
		Tall: 0.8,
	}
	if len(d.Times) == 0 {
		return c, false
	}
	longest := math.Max(d.Longest, d.Times[len(d.Times)-1])
	needed := !math.IsNaN(d.Needed.Seconds)
	if needed {
		longest = math.Max(longest, d.Needed.Seconds)
	}
	c.X = Axis{Labels: []string{"time since RF came to the level (s)"}, High: 1.06 * longest, Ticks: 9}
	c.Y = Axis{Labels: []string{"upset by then (%)"}, Low: -4, High: 106, Ticks: 5}
	var seen []Spot
	for i, t := range d.Times {
		share := 100 * float64(i+1) / float64(d.Exposures)
		seen = append(seen, Spot{X: t, Y: share, Says: fmt.Sprintf("%s: %.0f %% of %s had upset", lasting(t).Text,
			share, english.Count(d.Exposures, "exposure", "exposures"))})
	}
	weibull := !math.IsNaN(d.Shape) && !math.IsNaN(d.Scale)
	if weibull {
		c.draw("fitted Weibull distribution", Line,
			Before, curved(c.X, func(t float64) float64 { return -math.Expm1(-math.Pow(t/d.Scale, d.Shape)) }))
	}
	if needed {
		c.draw("dwell needed", Dash, Ink, []Spot{{X: d.Needed.Seconds, Y: -everywhere},
			{X: d.Needed.Seconds, Y: everywhere}})
	}
	c.draw("upset by then", Dot, After, seen)
	c.explain(true, "upset by then", Dot, After)
	c.explain(weibull, "fitted Weibull distribution", Line, Before)
	c.explain(needed, "dwell needed", Dash, Ink)
	return c, true
}
