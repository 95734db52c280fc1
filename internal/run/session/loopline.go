package session

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/run/engine"
	"provoke/internal/tell"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// presentEvery is how often whoever asked for RF says in the countdown that they are still there.
const presentEvery = 300 * time.Millisecond

// loopLine is the fixing loop at a terminal: the figures that are drawn in place, and what keys or lines ask for.
type loopLine struct {
	w     *terminal.World
	run   int
	out   chan engine.Command
	block *terminal.Block
	// footSwitch are keys that a foot switch sends, by what they mean: hands in, or it upset now. None goes on.
	footSwitch map[terminal.Key]engine.Want

	mu      sync.Mutex
	status  engine.Status
	places  []string // one line for each frequency
	footing []string // what stands below them
	known   []string // changes made so far, the newest first
	try     int      // the number of the next
	settled bool
	epochs  int // told of, those in which the product changed by itself
	did     event.HandsOut
	other   event.HandsOut // the newest change the other way round; without What before the first
	inTurn  bool           // change and no change in turn
	told    string         // the last words of hands that were told
	upsets  int
	changed chan struct{} // closed and replaced when anything changes
}

// attendLoop lets a person at a terminal take part in a fixing loop until stop.
func (o Order) attendLoop(w *terminal.World, run int) (*loopLine, func()) {
	l := &loopLine{w: w, run: run, out: make(chan engine.Command, 64), block: terminal.NewBlock(w, 30*time.Second),
		footSwitch: o.FootSwitch, changed: make(chan struct{}), try: 1}
	ctx, cancel := context.WithCancel(w.Ctx)
	var beside sync.WaitGroup
	beside.Go(func() { signalled(ctx, w, l.out) })
	beside.Go(func() { l.present(ctx) })
	keys, ok := w.Keys()
	if ok {
		beside.Go(func() { l.keys(ctx, keys) })
	} else {
		w.Typed()
		go l.lines(ctx) // a read of stdin cannot be ended
	}
	return l, func() {
		cancel()
		if ok {
			keys.Close()
		}
		beside.Wait()
		l.block.Close()
	}
}

// say passes a command on; who says it is named.
func (l *loopLine) say(c engine.Command) {
	if c.By == "" {
		c.By = "key"
	}
	select {
	case l.out <- c:
	case <-time.After(time.Second):
		fmt.Fprintln(l.w.Stderr, "the run takes no commands at the moment; Ctrl-C twice switches RF off now")
	}
}

// present is the sign of life of the countdown.
func (l *loopLine) present(ctx context.Context) {
	tick := time.NewTicker(presentEvery)
	defer tick.Stop()
	rang := 0
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		l.mu.Lock()
		hands, until := l.status.Hands, l.status.HandsUntil
		l.mu.Unlock()
		if hands != engine.HandsGoOut {
			rang = 0
			continue
		}
		l.say(engine.Command{Want: engine.Present})
		if left := int(time.Until(until).Seconds() + 1); left != rang {
			rang = left
			terminal.Ring(l.w.Stderr)
		}
		l.draw()
	}
}

// followed is told of the loop by the run.
func (l *loopLine) followed(x *fixing.Loop) {
	l.mu.Lock()
	defer l.mu.Unlock()
	was := l.settled
	l.places, l.footing, l.settled = nil, nil, true
	for ; l.epochs < len(x.Epochs); l.epochs++ {
		if e := x.Epochs[l.epochs]; e.ByItself {
			fmt.Fprintf(l.w.Stderr, "! the product changed without hands (%s): no try is credited with it\n",
				e.At.Format("15:04:05"))
		}
	}
	for i, p := range x.Places {
		now := p.Track.Now()
		line := fmt.Sprintf("%12v  onset %s", p.Point.Frequency, tell.Onset(p, now))
		if m := tell.Margin(p, now); m != "" {
			line += "; " + m + " to the level wanted"
		}
		if c := x.SinceReference(i); c.Known() && len(x.Epochs) > 1 {
			line += "; since " + x.Reference.Text + " " + tell.Changed(c)
		}
		if !now.Nothing() {
			line += "; " + string(now.Kind) + tell.StillNeeded(now)
		}
		l.places = append(l.places, line)
		l.settled = l.settled && p.Settled()
		if s, ok := x.Shift(i); ok {
			l.footing = append(l.footing, fmt.Sprintf("%12v  %s (a reading that moved, never an onset)",
				p.Point.Frequency, tell.Moved(p, s)))
		}
	}
	l.footing = append(l.footing, "in place: "+tell.InPlace(x.In()))
	if each, n, _, _, known := x.TryTime(); known {
		l.footing = append(l.footing, fmt.Sprintf("a try takes about %v (%d exposures)",
			rf.Duration(each.Round(100*time.Millisecond)), n))
	}
	l.known, l.try = x.Known(), x.LastTry()+1
	l.other.What, l.other.Out, _ = x.Other()
	if l.settled && !was && !l.block.Live() && !x.Hands {
		for _, line := range append(append([]string{"every onset is known:"}, l.places...), l.footing...) {
			fmt.Fprintln(l.w.Stderr, line)
		}
	}
	l.stir()
}

// stir wakes whoever waits for a change; mu is held.
func (l *loopLine) stir() {
	close(l.changed)
	l.changed = make(chan struct{})
}

// show is the engine's Progress.
func (l *loopLine) show(s engine.Status) {
	l.mu.Lock()
	was := l.status
	l.status = s
	if s.Hands == engine.HandsAreOut && was.Hands != engine.HandsAreOut {
		l.did = event.HandsOut{}
	}
	upset := s.Upsets > l.upsets
	l.upsets = s.Upsets
	if s.Hands != was.Hands {
		l.stir()
		if s.Hands == engine.HandsAreIn && was.Hands == engine.HandsGoingIn && l.inTurn {
			l.did = l.other
		}
	}
	l.mu.Unlock()
	if upset {
		terminal.Ring(l.w.Stderr)
	}
	l.tellHands(s)
	if !l.block.Live() && s.Last != was.Last && s.Last != "" {
		fmt.Fprintf(l.w.Stderr, "run %d: %s\n", l.run, s.Last)
	}
	l.draw()
}

// tellHands prints what hands may do, once for each state.
func (l *loopLine) tellHands(s engine.Status) {
	words := ""
	switch s.Hands {
	case engine.HandsGoingIn:
		words = "KEEP HANDS OFF: switching RF off"
	case engine.HandsAreIn:
		words = strings.ToUpper(engine.HandsInWords[:1]) + engine.HandsInWords[1:] + " (" + s.HandsHow + ")"
	case engine.HandsGoOut:
		words = "KEEP HANDS OFF: RF comes on after the countdown; any key ends it"
	}
	l.mu.Lock()
	again := words == l.told
	l.told = words
	known := l.known
	l.mu.Unlock()
	if words == "" || again {
		return
	}
	fmt.Fprintf(l.w.Stderr, "\n*** %s ***\n", words)
	if s.Hands == engine.HandsAreIn && len(known) > 0 {
		fmt.Fprint(l.w.Stderr, "changed so far:")
		for i, k := range known {
			fmt.Fprintf(l.w.Stderr, " %d %s", i+1, k)
		}
		fmt.Fprintln(l.w.Stderr)
	}
}

// draw draws the figures in place.
func (l *loopLine) draw() {
	if !l.block.Live() {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	s := l.status
	light := "RF off"
	if s.RFOn {
		light = "RF ON "
	}
	head := fmt.Sprintf("%s  run %d  %v  %v  %s", light, l.run, s.Frequency, s.Current, s.Phase)
	help := "keys: h hands in · u it upset now · r reference · b hold this point by hand · q end"
	switch {
	case s.Hands == engine.HandsAreIn:
		head = "RF off  " + strings.ToUpper(engine.HandsInWords)
		help = "keys: c say what was changed (" + l.did.Did() + ") · hold g for a second to go on · "
		if l.other.What != "" {
			help += "a in turn: " + l.other.Did() + " · "
		}
		help += "r reference · q end"
	case s.Hands == engine.HandsGoOut && !s.HandsUntil.IsZero():
		head = fmt.Sprintf("RF off  RF COMES ON IN %.0f s: any key ends it",
			max(0, time.Until(s.HandsUntil).Seconds()+0.5))
		help = ""
	case s.Point != nil:
		head = fmt.Sprintf("%s  run %d  BY HAND %v at %s  %v", light, l.run, s.Point.Point.Frequency,
			s.Point.Point.Target.Add(s.Point.Offset), s.Current)
		if s.Point.Carrier {
			head += "  without modulation"
		}
		if s.Point.Waits {
			head += "  RF off after an upset, KEEP HANDS OFF: any of the keys goes on"
		}
		help = "keys: ↑ ↓ level · PgUp PgDn 3 dB · ← → frequency · n p next failing · m modulation · t follow again " +
			"· " +
			"u upset · h hands in"
	}
	lines := append([]string{"", head}, l.places...)
	lines = append(lines, l.footing...)
	l.block.Show(append(lines, help)...)
}

// keys takes single keys.
func (l *loopLine) keys(ctx context.Context, keys *terminal.Keys) {
	var hold terminal.Hold
	var signed time.Time
	for {
		var p terminal.Press
		var ok bool
		select {
		case <-ctx.Done():
			return
		case p, ok = <-keys.Pressed():
			if !ok {
				return
			}
		}
		l.mu.Lock()
		s, did := l.status, l.did
		l.mu.Unlock()
		held := hold.Press(p)
		switch want, foot := l.footSwitch[p.Key]; {
		case s.Hands == engine.HandsGoOut && p.Key == "g":
			// the repeats of the key that asked for it
		case foot:
			l.say(engine.Command{Want: want, By: "foot switch", At: p.At})
		case s.Hands == engine.HandsGoOut || p.Key == "h":
			l.say(engine.Command{Want: engine.HandsIn})
		case p.Key == "u":
			l.say(engine.Command{Want: engine.Mark, At: p.At})
		case p.Key == "r":
			l.say(engine.Command{Want: engine.Refer, Text: "the reference of " + l.w.Now().Format("15:04:05")})
		case p.Key == "q":
			l.say(engine.Command{Want: engine.Finish})
		case s.Hands == engine.HandsAreIn && p.Key == "a":
			l.mu.Lock()
			if l.inTurn = l.other.What != ""; l.inTurn {
				l.did = l.other
			}
			l.mu.Unlock()
		case s.Hands == engine.HandsAreIn && p.Key == "c":
			l.askChanged(ctx, keys)
		case s.Hands == engine.HandsAreIn && p.Key == "g":
			if held {
				l.say(engine.Command{Want: engine.HandsOut, Did: did})
			}
		default:
			if m, ok := pointKey(p.Key, s); ok {
				l.say(engine.Command{Want: engine.MovePoint, Point: m})
			} else if time.Since(signed) > time.Second {
				signed = time.Now()
				l.say(engine.Command{Want: engine.Sign})
			}
		}
		l.draw()
	}
}

// askChanged asks what hands did.
func (l *loopLine) askChanged(ctx context.Context, keys *terminal.Keys) {
	text, ok := keys.ReadLine(ctx, "what was changed (Enter: nothing; a number: as before; −name: taken out; ?: "+
		"numbered)? ")
	if !ok {
		return
	}
	l.mu.Lock()
	l.did, l.inTurn = ParseHands(text, l.known, l.try), false
	l.mu.Unlock()
}

// pointKey is where a key moves the point that is held by hand.
func pointKey(k terminal.Key, s engine.Status) (engine.Move, bool) {
	if s.Point == nil {
		return engine.Move{}, k == "b"
	}
	wide := 6 // of the usual resolution
	switch k {
	case terminal.Up:
		return engine.Move{Steps: 1}, true
	case terminal.Down:
		return engine.Move{Steps: -1}, true
	case terminal.PageUp:
		return engine.Move{Steps: wide}, true
	case terminal.PageDown:
		return engine.Move{Steps: -wide}, true
	case terminal.Right:
		return engine.Move{Along: 1}, true
	case terminal.Left:
		return engine.Move{Along: -1}, true
	case "n":
		return engine.Move{Next: 1}, true
	case "p":
		return engine.Move{Next: -1}, true
	case "m":
		carrier := !s.Point.Carrier
		return engine.Move{Carrier: &carrier}, true
	case "t":
		return engine.Move{Follow: true}, true
	case terminal.Enter:
		return engine.Move{}, true // once more, after an upset
	}
	return engine.Move{}, false
}

// lines takes lines where there are no single keys: from a pipe, a script, or a terminal that cannot.
func (l *loopLine) lines(ctx context.Context) {
	for {
		line, ok := l.w.Line(ctx)
		if !ok {
			return
		}
		word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
		rest = strings.TrimSpace(rest)
		switch word {
		case "":
		case "in":
			l.say(engine.Command{Want: engine.HandsIn, By: "line"})
			l.until(ctx, func() bool { return l.status.Hands == engine.HandsAreIn })
		case "out":
			l.mu.Lock()
			did := ParseHands(rest, l.known, l.try)
			if rest == "~" {
				did = l.other
			}
			l.mu.Unlock()
			l.say(engine.Command{Want: engine.HandsOut, By: "line", Did: did})
			l.until(ctx, func() bool { return l.status.Hands == engine.HandsAreOut })
		case "wait":
			l.until(ctx, func() bool { return l.settled && l.status.Hands == engine.HandsAreOut })
		case "u":
			l.say(engine.Command{Want: engine.Mark, Text: rest, At: time.Now()})
		case "r":
			l.say(engine.Command{Want: engine.Refer, Text: rest})
		case "hold":
			m, err := parseHold(rest)
			if err != nil {
				fmt.Fprintln(l.w.Stderr, "provoke:", err)
				continue
			}
			l.say(engine.Command{Want: engine.MovePoint, Point: m})
		case "up", "down":
			n, err := strconv.Atoi(rest)
			if err != nil {
				n = 1
			}
			if word == "down" {
				n = -n
			}
			l.say(engine.Command{Want: engine.MovePoint, Point: engine.Move{Steps: n}})
		case "follow":
			l.say(engine.Command{Want: engine.MovePoint, Point: engine.Move{Follow: true}})
		case "end":
			l.say(engine.Command{Want: engine.Finish})
		default:
			fmt.Fprintf(l.w.Stderr, "provoke: %q is no word of the fixing loop: in, out [CHANGE], wait, u, r, hold "+
				"FREQUENCY, up, down, follow, end\n", word)
		}
	}
}

// until waits for something to be so; it is asked with mu held.
func (l *loopLine) until(ctx context.Context, so func() bool) {
	for {
		l.mu.Lock()
		done, changed := so(), l.changed
		l.mu.Unlock()
		if done {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-changed:
		}
	}
}

// parseHold reads the frequency of a point; nothing is the one at hand.
func parseHold(text string) (engine.Move, error) {
	if text == "" {
		return engine.Move{}, nil
	}
	f, err := rf.ParseFrequency(text)
	return engine.Move{At: f}, err
}
