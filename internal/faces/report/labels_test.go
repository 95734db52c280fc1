package report_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"provoke/internal/faces/report"
	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

// wordyJob is a job whose monitors have long names and units, and send many different texts at the upset of each band.
func wordyJob(messages int) tell.Job {
	o := openedOf("wordy", "")
	long := "weight behind the load-cell transmitter as the control room of the quarry shows it, averaged over two " +
		"seconds"
	o.Monitors[0].ID, o.Monitors[0].Unit = long, "kilograms on the belt, net"
	r := exposure(1, o, asReceived, gridOf(60))
	for _, s := range r.Steps {
		if !s.Outcome.Upset || s.Particulars == nil {
			continue
		}
		p := *s.Particulars
		p.Readings = nil
		for _, x := range s.Readings {
			x.Monitor = long
			x.Value = 123456.7 + x.Value/1000 // a span far smaller than the value
			p.Readings = append(p.Readings, x)
		}
		for i := range messages {
			text := fmt.Sprintf("error line: load cell %d: bridge excitation out of range, reading withheld, "+
				"transmitter restarts", i)
			p.Readings = append(p.Readings, event.Reading{Monitor: "LOG",
				After: rf.Duration(time.Duration(900+i*11) * time.Millisecond), Text: text, Bad: true, Why: text})
		}
		s.Particulars = &p
	}
	r.Monitors[0].ID, r.Monitors[0].Unit, r.Monitors[0].Baseline = long, "kilograms on the belt, net", 123456.7
	return tell.Job{Name: "wordy.provoke", Runs: []result.Run{r}, Detailed: []int{1}, Program: "0.1-test"}
}

// longNamesJob has a bench whose pieces have names and descriptions that no box of a sketch has room for.
func longNamesJob() tell.Job {
	return withBench(weigherJob(), "testdata/bench.yaml", func(s string) string {
		const long = "a piece with a description that goes on for longer than any box of a sketch has room for and " +
			"then "
		return strings.NewReplacer("description: \"", "description: \""+long, "description: ", "description: "+long,
			"decoupling: \"", "decoupling: \""+long, "id: ", "id: A-RATHER-LONG-NAME-FOR-").Replace(s)
	})
}

func TestLabelsOfFiguresNeitherOverlapNorEndInDotsNorLeaveTheFigure(t *testing.T) {
	jobs := cannedJobs()
	jobs["wordy"], jobs["wordier"], jobs["long names"] = wordyJob(3), wordyJob(40), longNamesJob()
	if page := htmlOf(t, jobs["long names"]); !strings.Contains(page, "A-RATHER-LONG-NAME-FOR-CLAMP1.") {
		t.Error("the clamp's name does not stand under the sketch")
	}
	seen := 0
	for name, job := range jobs {
		figures, err := report.FiguresOf(job)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range figures {
			labels := report.LabelsOf(f.Figure, f.W, f.H)
			for i, a := range labels {
				seen++
				if strings.HasSuffix(a.Text, "…") {
					t.Errorf("%s, %s: the label %q is cut", name, f.ID, a.Text)
				}
				if a.Left < -0.5 || a.Bottom < -0.5 || a.Right > float64(f.W)+0.5 || a.Top > float64(f.H)+0.5 {
					t.Errorf("%s, %s: the label %q leaves the figure: %.0f to %.0f of %.0f, %.0f to %.0f of %.0f", name,
						f.ID, a.Text, a.Left, a.Right, float64(f.W), a.Bottom, a.Top, float64(f.H))
				}
				for _, b := range labels[:i] {
					if a.Left < b.Right-0.3 && b.Left < a.Right-0.3 && a.Bottom < b.Top-0.3 && b.Bottom < a.Top-0.3 {
						t.Errorf("%s, %s: the labels %q and %q lie over each other", name, f.ID, b.Text, a.Text)
					}
				}
			}
		}
	}
	if seen < 500 {
		t.Errorf("only %d labels were looked at", seen)
	}
}

// A page is read with other typefaces than it was laid out with: every label keeps its width.
func TestEveryLabelOfAPageHasItsWidth(t *testing.T) {
	for name, job := range map[string]tell.Job{"weigher": pictureJob(), "trouble": troubledJob()} {
		page := htmlOf(t, job)
		texts, fixed := strings.Count(page, "<text "), strings.Count(page, ` textLength="`)
		if texts == 0 || texts != fixed {
			t.Errorf("%s: %d of %d labels have their width", name, fixed, texts)
		}
	}
}

// What does not fit into a figure stands under it, whole.
func TestWhatDoesNotFitIntoAFigureStandsUnderIt(t *testing.T) {
	page := htmlOf(t, wordyJob(3))
	for i := range 3 {
		if s := fmt.Sprintf("load cell %d: bridge excitation out of range, reading withheld, transmitter restarts",
			i); !strings.Contains(page, s) {
			t.Errorf("the message %q is not under the figure", s)
		}
	}
	if page = htmlOf(t, wordyJob(40)); !strings.Contains(page, "further") {
		t.Error("of 40 messages the rest is not counted")
	}
}
