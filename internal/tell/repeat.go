package tell

import (
	"fmt"
	"math"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// RepeatTold is what runs that repeat one another show.
type RepeatTold struct {
	analysis.Repeatability `tell:"runs=Runs onset=Onset transfer=Transfers"`
	Drift                  []RunDrift `tell:"drift"`
}

// Transfers are the spreads of the current at the same drive.
func (t RepeatTold) Transfers() (out []transferTold) {
	for _, x := range t.Transfer {
		out = append(out, transferTold{x})
	}
	return out
}

type transferTold struct {
	analysis.Repeated `tell:"hz=Frequency n=N deviation_db=Deviation"`
}

// RunDrift is how the check point of a run moved; U is what its current is known to, NaN where that is not known.
type RunDrift struct {
	_ struct{} `tell:"run=Run hz=Frequency drift_db=Drift u_db=U drifted=TooFar says=Words"`

	Run int
	analysis.Stability
	U     rf.Gain
	Words string
}

// TooFar reports a drift beyond U.
func (d RunDrift) TooFar() bool { return d.Drifted(d.U) }

// Repeat works out by what runs that repeat one another differ; without runs, those that repeat the given one.
func (b *Book) Repeat(runs []int, as int) (RepeatTold, error) {
	var all []analysis.Outline
	for _, n := range runs {
		o, err := b.outline(n)
		if err != nil {
			return RepeatTold{}, err
		}
		all = append(all, o)
	}
	if len(runs) == 0 {
		o, err := b.outline(as)
		if err == nil {
			all, err = b.same(o.Head)
		}
		if err != nil {
			return RepeatTold{}, err
		}
	}
	if len(all) < 2 {
		return RepeatTold{},
			fmt.Errorf("a spread needs two runs of the same plan on the same bench; there is %s: give --plan "+
				"PLAN.yaml to make them", english.Count(len(all), "run", "runs"))
	}
	return b.repeated(all), nil
}

func (b *Book) repeated(runs []analysis.Outline) RepeatTold {
	t := RepeatTold{Repeatability: analysis.Repeat(runs)}
	for _, o := range runs {
		if o.Stability != nil {
			t.Drift = append(t.Drift, b.drift(o.Head, *o.Stability))
		}
	}
	return t
}

// drift says how the check point of a run moved.
func (b *Book) drift(r result.Run, s analysis.Stability) RunDrift {
	d := RunDrift{Run: r.Number, Stability: s, U: rf.Gain(math.NaN())}
	bench, err := b.Bench(r)
	if err == nil {
		var u uncertainty.Current
		if u, err = uncertainty.OfCurrent(bench, s.Frequency, uncertainty.Conditions{},
			uncertainty.DefaultConfidence); err == nil {
			d.U, d.Words = u.U(), s.Says(u.U())
			return d
		}
	}
	d.Words = fmt.Sprintf("the current at the check point %v moved by %s at most at the same drive; its uncertainty "+
		"is not known: %v", s.Frequency, s.Drift.Text(2), err)
	return d
}

// Study tells the repeated runs.
func (t RepeatTold) Study() Study {
	out := Study{ID: fmt.Sprintf("repeated-run-%d", t.Runs[len(t.Runs)-1]),
		Title: "The same run again, " + RunNumbers(t.Runs),
		Words: []string{"The spread of the onset is that of set-up and product together; that of the current at the " +
			"same drive is the set-up's alone."}}
	table := Table{ID: out.ID, Title: "Spread from run to run", Columns: []Column{
		FrequencyIn("frequency"), words("upset in"), currentIn("mean onset"), currentIn("lowest"), currentIn("highest"),
		words("deviation of the onset"), words("of the current at the same drive"),
	}}
	spread := analysis.Transfers(t.Transfer)
	for _, x := range t.Onset {
		current, deviation := none, none
		if d, n := spread.At(x.Frequency); n > 1 {
			current = fmt.Sprintf("%s (%d runs)", d.Text(2), n)
		}
		if x.Deviation.Finite() {
			deviation = fmt.Sprintf("%s (%d runs)", x.Deviation.Text(2), x.N)
		}
		if x.Bounds > 0 && x.Upset > 0 {
			deviation += fmt.Sprintf(", %d only bounds", x.Bounds)
		}
		table.Add(Frequency(x.Frequency), say(fmt.Sprintf("%d of %d", x.Upset, x.Tested)), Amount(x.Mean),
			Amount(x.Low), Amount(x.High), say(deviation), say(current))
		if x.Upset > 0 && x.Upset < x.Tested {
			out.Words = append(out.Words, fmt.Sprintf(
				"%v: upset in %d of %d runs only: the product is not deterministic there, or the set-up is not.",
				x.Frequency, x.Upset, x.Tested))
		}
	}
	for _, d := range t.Drift {
		out.Words = append(out.Words, fmt.Sprintf("Run %d: %s.", d.Run, d.Words))
	}
	out.Tables = []Table{table}
	return out
}
