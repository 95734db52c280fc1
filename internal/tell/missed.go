package tell

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/plan"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// missed says what a run may have missed: what fits between its frequencies, what it did not come to, and how far its
// bands and onsets are from exact. It is marked where that is much.
func missed(f analysis.Findings) (words, mark string) {
	var say []string
	if left := f.Unexposed(); left != "" && len(f.Covered.Stepped) > 0 {
		say = append(say, fmt.Sprintf("Looked over %.0f %% of the range, over the logarithm of frequency, in steps of "+
			"up to %s; in the plan's own steps %.0f %%, %d of its %d frequencies.", 100*float64(f.Covered.Share),
			stepWords(f.Covered.Widest()), 100*float64(f.Covered.Own), f.OfGrid, f.Opened.Points))
	}
	if len(f.Covered.Stepped) > 0 {
		say = append(say, "A failing band narrower than "+narrower(f.Covered.Stepped)+
			" may lie between two frequencies.")
	}
	if len(f.Covered.Missing) > 0 {
		say = append(say, "Not covered of what the plan steps through: "+plan.Spans(f.Covered.Missing)+".")
	}
	if len(say) == 0 {
		return "", ""
	}
	if len(f.Bands) > 0 && f.Opened.Edges == 0 {
		say = append(say, fmt.Sprintf("Edges of bands were not looked for, onsets in steps of %v.",
			f.Opened.Resolution))
	}
	say = append(say, unsearched(f)...)
	if mark = "of"; f.Covered.Coarse() || len(f.Covered.Missing) > 0 {
		mark = "warning"
	}
	return strings.Join(say, " "), mark
}

// unsearched says what is not known of the frequencies that upset, of a run that did not get through.
func unsearched(f analysis.Findings) (say []string) {
	rough, recovery, edges := 0, 0, 0
	for _, p := range f.Points {
		if p.Upset && !(p.Bracket <= f.Opened.Resolution*1.001) {
			rough++
		}
		if p.Upset && !p.Latched && !p.RecoverySought {
			recovery++
		}
	}
	for _, b := range f.Bands {
		for _, e := range []analysis.Edge{b.Low, b.High} {
			if e.Resolution() > f.Opened.Edges*1.001 && e.Shown && f.Opened.Edges > 0 {
				edges++
			}
		}
	}
	if f.Unfinished() == "" || f.Upsets == 0 {
		return nil
	}
	if rough > 0 {
		say = append(say, fmt.Sprintf("The onset is not known to %v at %d of the %s that upset.", f.Opened.Resolution,
			rough, english.Count(f.Upsets, "frequency", "frequencies")))
	}
	if edges > 0 {
		say = append(say, english.Count(edges, "edge", "edges")+" of bands not narrowed to "+
			f.Opened.Edges.String()+".")
	}
	if recovery > 0 {
		say = append(say, "No recovery level at "+english.Count(recovery, "frequency", "frequencies")+".")
	}
	return say
}

// mostRanges is how many ranges of one step are told one by one.
const mostRanges = 4

// mostSteps is how many different steps are told.
const mostSteps = 3

// narrower words the steps, each with where it is: "10 % (1 MHz to 30 MHz) or 1 % (30 MHz to 80 MHz)". Of many only
// the widest are told.
func narrower(stepped []plan.Stretch) string {
	var out []string
	at := map[string][]plan.Span{}
	for _, s := range stepped {
		step := stepWords(s.Step)
		at[step] = append(at[step], plan.Span{From: s.From, To: s.To})
	}
	if len(at) > mostSteps {
		stepped = slices.SortedStableFunc(slices.Values(stepped), func(a, b plan.Stretch) int {
			return cmp.Compare(b.Step, a.Step)
		})
	}
	for _, s := range stepped {
		if step := stepWords(s.Step); at[step] != nil {
			where := plan.Spans(at[step])
			if n := len(at[step]); n > mostRanges {
				where = fmt.Sprintf("%d ranges from %v to %v", n, at[step][0].From, at[step][n-1].To)
			}
			if len(out) == mostSteps {
				out = append(out, "finer steps elsewhere")
				break
			}
			out, at[step] = append(out, step+" ("+where+")"), nil
		}
	}
	return strings.Join(out, " or ")
}

// stepWords is a step to two digits.
func stepWords(step rf.Fraction) string { return fmt.Sprintf("%.2g %%", 100*float64(step)) }
