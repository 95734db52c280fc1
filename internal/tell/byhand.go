package tell

import (
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/units/english"
)

// byHand lists what a person did in place of the program, what a source did by itself, and what was
// joined to the run from files of others.
func (d deviations) byHand(r result.Run) {
	for _, h := range r.HardwareOff {
		d.add("", "source not switched by provoke", event.Line(h), "warn")
	}
	if n := len(r.ByHand); n > 0 {
		d.add("", "set and read by hand", english.Count(n, "answer", "answers")+" of a person stand in the journal", "")
	}
	for _, a := range r.ByHand {
		if a.Doubted != "" {
			d.add("", "answer asked for again", event.Line(a), "")
		}
	}
	for _, p := range r.Passes {
		d.add("", "swept by itself", event.Line(p), "")
	}
	if r.Bands != nil {
		d.add("", "bands of the sweep", event.Line(*r.Bands), "")
	}
	for _, t := range r.Traces {
		d.add("", "trace joined", event.Line(t), "")
	}
	for _, l := range r.Logs {
		d.add("", "log joined", event.Line(l), "")
	}
}
