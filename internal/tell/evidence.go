package tell

import (
	"fmt"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
)

// evidenceTable lists what the runs of the job show about the cause of a run's failing bands. It is
// empty where nothing bears on it.
func evidenceTable(e evidence.Explanation) Table {
	t := Table{ID: fmt.Sprintf("evidence-%d", e.Run), Title: "What the runs show about the cause", Columns: []Column{
		words("failing band"), words("question"), words("speaks for"), words("evidence"), words("what was compared"),
	}}
	for _, b := range e.Bands {
		for _, l := range b.Lines {
			t.Add(keep(analysis.Span(b.Band)), say(string(l.Topic)), say(l.For), say(string(l.Strength)),
				say(l.Compared))
		}
	}
	return t
}
