package analysis

import (
	"strings"
	"testing"
)

// FuzzParseLaboratory: what a laboratory reported is refused with its place, or every failure has a
// frequency and a span that rises.
func FuzzParseLaboratory(f *testing.F) {
	f.Add([]byte("provoke: laboratory 1\nlaboratory: invented\nfailures:\n  - {from: 26 MHz, to: 28 MHz, level: 10 V " +
		"emf, what: jumps}\n"))
	f.Add([]byte("from;to;level;modulation;what\n26 MHz;28 MHz;10 V emf;AM 80 % 1 kHz;jumps\n"))
	f.Add([]byte("from,to,level\n\"1 MHz\n\",,\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		lab, list := ParseLaboratory("lab", data)
		for _, p := range list {
			if p.What == "" || p.Line < 0 || p.Column < 0 {
				t.Fatalf("%+v", p)
			}
		}
		if list.Err() != nil {
			return
		}
		if len(lab.Failures) == 0 && !strings.Contains(string(data), "provoke:") || len(lab.Failures) > mostLabLines {
			t.Fatalf("%d failures", len(lab.Failures))
		}
		for _, x := range lab.Failures {
			if !x.From.Known() || x.To.Known() && x.To < x.From {
				t.Errorf("%+v", x)
			}
		}
	})
}
