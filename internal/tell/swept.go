package tell

import (
	"fmt"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// sweptStudy tells a run in which the source swept by itself: where the clock puts each upset, the
// bands that the passes make together, and what steps through them said afterwards.
func sweptStudy(r result.Run, others []result.Run) Study {
	out := Study{ID: fmt.Sprintf("swept-run-%d", r.Number), Title: fmt.Sprintf("Free sweep, run %d", r.Number),
		Swept: &r,
		Words: []string{"The source swept by itself; the clock turned the time of each upset into an apparent " +
			"frequency. Passes up and down shift it in opposite directions by the latency of the product, so that " +
			"their middle is free of it."}}
	bands := analysis.SweptBands(r, others)
	out.Words = append(out.Words, latencyWords(r.Bands, bands)...)
	b := Table{ID: fmt.Sprintf("swept-bands-run-%d", r.Number),
		Title: fmt.Sprintf("Bands that the sweeps of run %d found", r.Number), Columns: []Column{
			FrequencyIn("from"), FrequencyIn("to"), FrequencyIn("each within"), words("stepped through"), words("by"),
			currentIn("onset"), FrequencyIn("at"), words("rests on"),
		},
		Note: "The limits of the ends are no statistics: they are the sum of what the readings, the mark of the " +
			"beginning and the source's timing leave open."}
	for _, x := range bands {
		by, fate := "", say(string(x.Confirmation))
		if x.By != 0 {
			by = fmt.Sprintf("%s, %d of %s upset", runName(x.By), x.Upset,
				english.Count(x.Exposed, "frequency", "frequencies"))
		}
		if x.Confirmation == analysis.NotStepped {
			fate.Mark = "warn"
		}
		b.Add(Frequency(x.Low), Frequency(x.High), margin(x.Within), fate, say(by), Amount(x.Onset), Frequency(x.At),
			say(x.Rests))
	}
	p := Table{ID: fmt.Sprintf("passes-run-%d", r.Number), Title: fmt.Sprintf("Passes of run %d", r.Number),
		Columns: []Column{
			counted("pass"), words("direction"), FrequencyIn("from"), FrequencyIn("to"), words("law"),
			secondsIn("time"),
			words("beginning marked by"), secondsIn("within"), counted("looks at the product"), counted("upsets"),
		}}
	u := Table{ID: fmt.Sprintf("swept-upsets-run-%d", r.Number),
		Title: fmt.Sprintf("Upsets of the passes of run %d, not corrected", r.Number), Columns: []Column{
			counted("pass"), words("direction"), words("monitor"), secondsIn("since the pass began"),
			FrequencyIn("apparent"), FrequencyIn("well again by itself at"), secondsIn("reset, since the pass began"),
			FrequencyIn("well after it at"),
		}}
	for _, x := range r.Passes {
		p.Add(tally(x.Pass), say(direction(x)), Frequency(x.From), Frequency(x.To), say(x.Law), duration(x.Time),
			say(x.Marked), duration(x.Within), tally(x.Readings), tally(len(x.Upsets)))
		for _, y := range x.Upsets {
			u.Add(tally(x.Pass), say(direction(x)), say(y.Monitor), duration(y.After), Frequency(y.Apparent),
				Frequency(y.Recovered), duration(y.Reset), Frequency(y.Well))
		}
	}
	out.Tables = []Table{b, u, p}
	return out
}

// margin is a half-width in frequency.
func margin(f rf.Frequency) Cell {
	c := Frequency(f)
	if c.Number != "" {
		c.Text = "± " + c.Text
	}
	return c
}

func direction(p event.SweepPass) string {
	if p.From > p.To {
		return "down"
	}
	return "up"
}

// latencyWords says what the passes tell of the latency, and what the user should know of the bands.
func latencyWords(b *event.SweepBands, bands []analysis.SweptBand) []string {
	switch {
	case b == nil:
		return []string{"The run ended before its passes were put together."}
	case len(bands) == 0:
		return []string{"No pass saw an upset: no band was found."}
	}
	out := []string{fmt.Sprintf("Latency of product and watching together, the longest of the bands: %v ± %v.",
		b.Latency, b.Within)}
	for _, n := range b.Notes {
		out = append(out, n+".")
	}
	return out
}

// sweptChart shows where the clock puts each upset, pass by pass, over the bands that they make.
func sweptChart(r result.Run) (Chart, bool) {
	c := Chart{
		ID: fmt.Sprintf("figure-swept-%d", r.Number), Title: fmt.Sprintf("Upsets of the passes of run %d", r.Number),
		Caption: "Apparent frequency of each upset, with a line to where the product was well again. A pass up shows " +
			"it too high by the latency, a pass down too low. Shaded: the bands with the limits of their ends.",
		Tall: 0.72,
	}
	if len(r.Passes) == 0 {
		return c, false
	}
	low, high := min(r.Passes[0].From, r.Passes[0].To), max(r.Passes[0].From, r.Passes[0].To)
	c.X = Axis{Labels: []string{"frequency (Hz)"}, Log: true, Low: low.Hz(), High: high.Hz()}
	c.Y = Axis{Labels: []string{"pass"}, Low: 0.4, High: float64(len(r.Passes)) + 0.6}
	var bands, up, down, recovered []Spot
	if r.Bands != nil {
		for _, b := range r.Bands.Bands {
			bands = append(bands, Spot{X: max(b.Low-b.Within, low).Hz(), To: min(b.High+b.Within, high).Hz()})
		}
	}
	for _, x := range r.Passes {
		c.Y.At = append(c.Y.At, float64(x.Pass))
		for _, y := range x.Upsets {
			m := Spot{X: y.Apparent.Hz(), Y: float64(x.Pass),
				Says: fmt.Sprintf("pass %d, %v to %v: %s upset at an apparent %v", x.Pass, x.From, x.To, y.Monitor,
					y.Apparent)}
			if direction(x) == "up" {
				up = append(up, m)
			} else {
				down = append(down, m)
			}
			if y.Recovered.Known() {
				recovered = append(recovered, Spot{X: m.X, Y: m.Y}, Spot{X: y.Recovered.Hz(), Y: m.Y}, gap)
			}
		}
	}
	c.draw("band within its limits", Band, RFOn, bands)
	c.draw("", Line, Soft, recovered)
	c.draw("pass up", Dot, Before, up)
	c.draw("pass down", Square, After, down)
	c.explain(len(up) > 0, "pass up", Dot, Before)
	c.explain(len(down) > 0, "pass down", Square, After)
	c.explain(len(bands) > 0, "band within its limits", Band, RFOn)
	return c, true
}
