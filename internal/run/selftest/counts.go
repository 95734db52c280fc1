package selftest

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// countsJSON is the stable form of the counts.
type countsJSON struct {
	Messages     int            `json:"messages"`
	FaultKinds   int            `json:"fault_kinds"`
	Faults       int            `json:"faults_tried"`
	FaultVerdict map[string]int `json:"fault_verdicts"`
	OffCause     float64        `json:"rf_off_after_cause_s"`
	Changes      int            `json:"changes_tried"`
	OffLevel     float64        `json:"off_level_in_a_step_that_counts_s"`
	OverRating   float64        `json:"over_a_rating_s"`
	Kills        map[string]int `json:"kills"`
	KillsWithRF  int            `json:"kills_with_rf_on"`
	KillsEarly   int            `json:"kills_before_a_run"`
	TakenUp      int            `json:"runs_taken_up_again"`
	Acknowledged int            `json:"points_acknowledged"`
	Lost         int            `json:"points_lost"`
	OffDeath     float64        `json:"rf_off_after_death_s"`
	OffStop      float64        `json:"rf_off_after_stop_s"`
	Again        int            `json:"rf_on_again_after_stop"`
	AgainFor     float64        `json:"rf_on_again_for_s"`
	Breaches     []string       `json:"breaches"`
}

func (c Whole) print(w *terminal.World, f SampleResult, x ChangesResult, k KillsResult, breaches []string,
	took time.Duration) {
	t := terminal.Table(w.Stdout)
	if c.Faults > 0 {
		c.printFaults(t, f)
	}
	if c.Changes > 0 {
		printChanges(t, x)
	}
	if c.Kills > 0 {
		c.printKills(t, k)
	}
	fmt.Fprintf(t, "breaches\t%d\n", len(breaches))
	t.Flush()
	for _, b := range breaches {
		fmt.Fprintln(w.Stdout, "  ", b)
	}
	if c.Kills > 0 && k.WithRF == 0 {
		fmt.Fprintln(w.Stdout, "RF was on in none of the kills, so they show nothing of how soon it goes off: try "+
			"more with --kills")
	}
	fmt.Fprintf(w.Stdout, "on the simulated bench, in %v; provoke rehearse does the like on your own bench\n",
		rf.Duration(took.Round(time.Second)))
}

func (c Whole) printFaults(t io.Writer, f SampleResult) {
	fmt.Fprintf(t, "messages of a run × kinds of fault\t%d × %d = %d\n", messagesOf(f), len(All()), f.Possible)
	fmt.Fprintf(t, "faults tried\t%d\n", f.Cases)
	for _, v := range slices.Sorted(maps.Keys(f.Verdicts)) {
		words := string(v)
		if v == "" {
			words = "the bench was not opened"
		}
		if v == event.RFNotKnownOff {
			words += " (and it said so)"
		}
		fmt.Fprintf(t, "  %s\t%d\n", words, f.Verdicts[v])
	}
	fmt.Fprintf(t, "longest from the recorded cause to RF off\t%v\n", rf.Shortly(f.OnAfter))
}

func printChanges(t io.Writer, x ChangesResult) {
	fmt.Fprintf(t, "changes behind the program's back\t%d of %d\n", x.Cases, len(Changes()))
	for _, v := range slices.Sorted(maps.Keys(x.Verdicts)) {
		fmt.Fprintf(t, "  %s\t%d\n", v, x.Verdicts[v])
	}
	fmt.Fprintf(t, "longest off its level in a step that counts\t%v (promised a tenth of the dwell, or two readings)\n",
		rf.Shortly(x.Off))
	fmt.Fprintf(t, "longest over a rating\t%v (promised %v)\n", rf.Shortly(x.Over), rf.Duration(OverRatingFor))
}

func messagesOf(f SampleResult) (n int) {
	for _, m := range f.Messages {
		n += m
	}
	return n
}

func (c Whole) printKills(t io.Writer, k KillsResult) {
	fmt.Fprintf(t, "ends of a running program\t%d\n", c.Kills)
	for _, e := range Ends() {
		fmt.Fprintf(t, "  %s\t%d\n", e, k.Trials[e])
	}
	fmt.Fprintf(t, "  of them with RF on\t%d\n", k.WithRF)
	fmt.Fprintf(t, "  before there was a run\t%d\n", k.Early)
	fmt.Fprintf(t, "runs taken up again, with the same findings\t%d\n", k.TakenUp)
	fmt.Fprintf(t, "points acknowledged\t%d\n", k.Acknowledged)
	fmt.Fprintf(t, "points lost\t%d\n", k.Lost)
	fmt.Fprintf(t, "longest from death to RF off\t%v (promised %v)\n", rf.Shortly(k.OffDeath),
		rf.Duration(OffAfterDeath))
	if k.Trials[Stopped] > 0 {
		fmt.Fprintf(t, "longest from a stop to RF off\t%v (promised %v)\n", rf.Shortly(k.OffStop),
			rf.Duration(OffAfterStop))
		fmt.Fprintf(t, "RF on again when a stopped program went on\t%d times, for %v at most (promised %v)\n", k.Again,
			rf.Shortly(k.AgainFor), rf.Duration(OnAgainFor))
	}
}

func (c Whole) json(f SampleResult, x ChangesResult, k KillsResult, breaches []string) countsJSON {
	out := countsJSON{Messages: messagesOf(f), FaultKinds: len(All()), Faults: f.Cases, FaultVerdict: map[string]int{},
		Kills:   map[string]int{},
		Changes: x.Cases, OffLevel: x.Off.Seconds(), OverRating: x.Over.Seconds(),
		OffCause: f.OnAfter.Seconds(), KillsWithRF: k.WithRF, KillsEarly: k.Early, TakenUp: k.TakenUp,
		Acknowledged: k.Acknowledged, Lost: k.Lost, OffDeath: k.OffDeath.Seconds(), OffStop: k.OffStop.Seconds(),
		Again: k.Again, AgainFor: k.AgainFor.Seconds(),
		Breaches: append([]string{}, breaches...)}
	for v, n := range f.Verdicts {
		words := string(v)
		if v == "" {
			words = "not opened"
		}
		out.FaultVerdict[words] = n
	}
	for e, n := range k.Trials {
		out.Kills[string(e)] = n
	}
	return out
}
