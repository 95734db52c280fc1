package session

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/run/engine"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// askToArm shows the worst case at every rating and asks for a yes.
func askToArm(w *terminal.World, o Order, pr *Prepared, rig *driver.Rig, watched string) error {
	if o.Armed {
		return nil
	}
	fmt.Fprintf(w.Stdout, "%s: %s, %s\nthe clamp has to be %s now\n\n", pr.Plan.Name, pr.Plan.Kind, pr.Plan.Mode,
		pr.Plan.Fixture.Words())
	if pr.cal != nil {
		fmt.Fprintf(w.Stdout, "replays %v\n\n", pr.cal)
	}
	terminal.PrintWorst(w.Stdout, pr.Checked)
	fmt.Fprintf(w.Stdout, "\nWatcher: %s.\nSleep: %s.\n", watched, o.awake.Words())
	proved, unproved := engine.Proof(rig, pr.Bench, pr.Plan, pr.Sweep != nil)
	for _, x := range proved {
		fmt.Fprintf(w.Stdout, "Level: %s.\n", x)
	}
	for _, x := range unproved {
		fmt.Fprintf(w.Stdout, "Level not proved in the dwell: %s.\n", x)
	}
	for _, o := range catalog.OnlookersOf(pr.Bench.Monitors) {
		fmt.Fprintf(w.Stdout, "%v, on until the run ends: %s.\n", o, o.Says)
	}
	if pr.Bench.Interlock != nil {
		fmt.Fprintf(w.Stdout, "Interlock: asked every %v while RF is on; a polled interlock is no safety function.\n",
			rf.Duration(guard.InterlockEvery))
	}
	fmt.Fprint(w.Stdout, "\nInjected current burns and radiates. RF off before touching cable, clamp or probe; "+
		"outside a shielded\n"+
		"room local spectrum law applies; a machine under test may move.\n\nType arm and press Enter to go on, "+
		"anything else to stop: ")
	text, _ := w.Line(w.Ctx)
	if strings.TrimSpace(text) != "arm" {
		return terminal.WithCode(terminal.ExitStopped, errors.New("not armed: nothing was switched on"))
	}
	return nil
}

// offerReset asks whether a product that shows an error before any RF is to be reset. With --arm, from the page,
// and where somebody answers prompts of the bench meanwhile, it is done without a question, and said.
func offerReset(w *terminal.World, o Order, prompts bool) func(context.Context, string) bool {
	if o.Armed || prompts {
		return nil
	}
	return func(ctx context.Context, why string) bool {
		fmt.Fprintf(w.Stdout, "\n%s.\nType reset and press Enter to have it reset now (it can start or move), "+
			"anything else to stop: ", why)
		text, _ := w.Line(ctx)
		return strings.TrimSpace(text) == "reset"
	}
}

func armed(o Order, pr *Prepared, watched string) event.Armed {
	a := event.Armed{By: o.Operator, DeadMan: pr.Plan.DeadMan, Watcher: watched, Suspend: o.awake.Words()}
	for _, x := range pr.Checked.Worst {
		a.Worst = append(a.Worst, event.Worst{ID: x.Node.ID, Place: x.Node.Place, Frequency: x.Frequency,
			Peak: x.Node.Compared().String(), Rating: x.Node.Rating.String(), Headroom: x.Node.Margin()})
	}
	return a
}
