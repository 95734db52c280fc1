package main

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"provoke/internal/files/problem"
	"provoke/internal/files/trace"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// logCommand joins a log that the product wrote by itself to a run, by its time stamps.
type logCommand struct {
	Job        string `arg:"" help:"The job file, NAME.provoke."`
	File       string `arg:"" help:"Log of the product: lines that begin with a time stamp."`
	Number     int    `name:"run" placeholder:"N" help:"The run to join; the newest without it."`
	Offset     string `default:"0 s" placeholder:"DURATION" help:"Added to the log's clock: how far it is behind the computer's, e.g. \"1.5 s\"; \"-2 s\" when it is ahead."`
	Zone       string `placeholder:"+01:00" help:"Zone of stamps that name none, or name it by an abbreviation such as CET: an offset, utc, local, or a name such as Europe/Zurich. Asked for where the log would fit the run at another hour too."`
	Date       string `placeholder:"YYYY-MM-DD" help:"Day of stamps that name none; the day of the run without it."`
	DatesBegin string `enum:",day,month" default:"" placeholder:"day|month" help:"What dates with slashes begin with, where no date of the file tells."`
	Pattern    string `placeholder:"REGEXP" help:"Finds the number in a line: its first group. Without it the number in front of the tolerance's unit is meant, or the only number of the line."`
	ErrorLine  string `placeholder:"REGEXP" help:"Finds lines that are an upset by themselves."`
	Decimal    string `enum:",comma,point" default:"" placeholder:"comma|point" help:"Decimal sign, where the log can be read in two ways: comma or point."`
	Tolerance  string `placeholder:"VALUE" help:"Half-width round the mean before RF, with its unit, e.g. \"0.05 kg\". Without it lines are counted and not judged."`
}

// Run reads the log, sorts its entries into the steps of the run and journals what they say.
func (c *logCommand) Run(w *terminal.World) error {
	settings, tolerance, unit, err := c.settings()
	if err != nil {
		return terminal.WithCode(terminal.ExitUsage, err)
	}
	data, err := terminal.ReadTable(c.File)
	if err != nil {
		return fmt.Errorf("read the log: %w", err)
	}
	var joined event.LogRead
	var entries []trace.Entry
	err = annotate(w, c.Job, c.Number, func(job *store.Job) ([]event.Event, error) {
		windows, err := windowsOf(job, c.Number)
		if err != nil {
			return nil, err
		}
		if settings.Date.IsZero() {
			y, m, d := windows[0].from.In(settings.Zone).Date()
			settings.Date, settings.Assumed = time.Date(y, m, d, 0, 0, 0, 0, settings.Zone), true
		}
		var list problem.List
		entries, list = trace.ParseLog(c.File, data, settings)
		if err := list.Err(); err != nil {
			return nil, err
		}
		for _, p := range list.Warnings() {
			fmt.Fprintln(w.Stderr, p)
		}
		if c.Zone == "" && settings.Offset == 0 {
			err = anotherHour(windows, entries)
		}
		if err == nil {
			joined, err = joinLog(windows, entries, tolerance)
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %w", c.File, err)
		}
		joined.Unit, joined.Offset = unit, signedDuration(settings.Offset)
		joined.Attachment, err = job.Attach(filepath.Base(c.File), data)
		return []event.Event{joined}, err
	})
	if err != nil {
		return err
	}
	tellReading(w, entries, unit)
	return printLog(w, joined)
}

// tellReading says by an example which number of the lines was read.
func tellReading(w *terminal.World, entries []trace.Entry, unit string) {
	var first *trace.Entry
	for i, e := range entries {
		if e.HasValue && (first == nil || e.Line < first.Line) {
			first = &entries[i]
		}
	}
	if first == nil {
		fmt.Fprintln(w.Stdout, "no number was read in any line")
		return
	}
	text := []rune(first.Text)
	if len(text) > 60 {
		text = append(text[:60:60], '…')
	}
	fmt.Fprintf(w.Stdout, "read in line %d: %s of %q\n", first.Line, logValue(&first.Value, unit), string(text))
}

func signedDuration(d time.Duration) string {
	sign := "+"
	if d < 0 {
		sign, d = "-", -d
	}
	if d == 0 {
		return "+0 s"
	}
	return sign + rf.Duration(d).String()
}

// settings reads the flags.
func (c *logCommand) settings() (s trace.LogSettings, tolerance float64, unit string, err error) {
	fail := func(flag string, e error) {
		if err == nil && e != nil {
			err = fmt.Errorf("--%s: %w", flag, e)
		}
	}
	var e error
	text, negative := strings.CutPrefix(strings.NewReplacer("\u2212", "-", "+", "").Replace(strings.TrimSpace(c.Offset)), "-")
	if text != "0 s" && text != "0" {
		d, e := rf.ParseDuration(text)
		fail("offset", e)
		if s.Offset = d.Std(); negative {
			s.Offset = -s.Offset
		}
	}
	s.AskZone = c.Zone == ""
	s.Zone, e = zoneOf(c.Zone)
	fail("zone", e)
	if c.Date != "" {
		s.Date, e = time.ParseInLocation("2006-01-02", c.Date, s.Zone)
		fail("date", e)
	}
	if c.Pattern != "" {
		s.Pattern, e = regexp.Compile(c.Pattern)
		fail("pattern", e)
	}
	if c.ErrorLine != "" {
		s.ErrorPattern, e = regexp.Compile(c.ErrorLine)
		fail("error-line", e)
	}
	s.DatesBegin, s.Decimal = c.DatesBegin, map[string]string{"comma": ",", "point": "."}[c.Decimal]
	if c.Tolerance != "" {
		number, u, ok := strings.Cut(strings.TrimSpace(c.Tolerance), " ")
		if !ok || strings.TrimSpace(u) == "" {
			fail("tolerance", fmt.Errorf("%q has no unit (want for example \"0.05 kg\")", c.Tolerance))
		}
		tolerance, e = strconv.ParseFloat(strings.Replace(number, ",", ".", 1), 64)
		if e != nil || !(tolerance > 0) {
			fail("tolerance", fmt.Errorf("%q is no tolerance (want for example \"0.05 kg\")", c.Tolerance))
		}
		unit = strings.TrimSpace(u)
		s.Unit = unit
	}
	return s, tolerance, unit, err
}

func zoneOf(text string) (*time.Location, error) {
	switch strings.ToLower(text) {
	case "", "local":
		return time.Local, nil
	case "utc", "z":
		return time.UTC, nil
	}
	if at, err := time.Parse("-07:00", text); err == nil {
		return at.Location(), nil
	}
	at, err := time.LoadLocation(text)
	if err != nil {
		return time.UTC, fmt.Errorf("%q is no zone (want +01:00, utc, local, or a name such as Europe/Zurich)", text)
	}
	return at, nil
}

// anotherHour refuses a log whose stamps name no zone, if a clock that is an hour off, or runs in UTC, would fit
// the run as well: which it is, nobody can tell from the file.
func anotherHour(windows []stepWindow, entries []trace.Entry) error {
	if slices.ContainsFunc(entries, func(e trace.Entry) bool { return e.Zoned }) {
		return nil
	}
	first, last := windows[0].from, windows[len(windows)-1].to
	inside := func(by time.Duration) int {
		n := 0
		for _, e := range entries {
			if at := e.At.Add(by); !at.Before(first) && !at.After(last) {
				n++
			}
		}
		return n
	}
	_, east := first.In(time.Local).Zone()
	here := inside(0)
	for _, by := range []time.Duration{time.Hour, -time.Hour, time.Duration(east) * time.Second} {
		if by != 0 && here > 0 && inside(by) > 0 {
			return fmt.Errorf("the stamps name no zone, and the log has lines of the run whether its clock is right or %s is added: say --zone (local, utc, +01:00) or --offset", signedDuration(by))
		}
	}
	return nil
}

// stepWindow is the time in which a step was done, from its intent to its closing record.
type stepWindow struct {
	from, to      time.Time
	step, attempt int
	at            rf.Frequency
}

// windowsOf lists when the steps of a run were done.
func windowsOf(job *store.Job, run int) ([]stepWindow, error) {
	if run == 0 {
		n, err := job.Newest()
		if err != nil {
			return nil, err
		}
		run = n
	}
	var out []stepWindow
	var began time.Time
	for rec, err := range job.Records(run, 1) {
		if err != nil && !errors.Is(err, event.ErrUnreadable) {
			return nil, fmt.Errorf("read run %d: %w", run, err)
		}
		switch e := rec.Event.(type) {
		case event.Intent:
			began = rec.At
		case event.StepClosed:
			out = append(out, stepWindow{began, rec.At, e.Step.Number, e.Attempt, e.Step.Point.Frequency})
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("run %d has no closed steps that a log could be joined to", run)
	}
	return out, nil
}

// joinLog sorts entries into steps, those with coarse stamps into every one they may belong to. What surely comes
// before the first step is the baseline.
func joinLog(windows []stepWindow, entries []trace.Entry, tolerance float64) (event.LogRead, error) {
	first, last := windows[0].from, windows[len(windows)-1].to
	width := slices.MaxFunc(entries, func(a, b trace.Entry) int { return cmp.Compare(a.Width, b.Width) }).Width
	if entries[len(entries)-1].At.Add(width).Before(first) || entries[0].At.After(last) {
		return event.LogRead{}, fmt.Errorf("the log lasts from %s to %s and has nothing of the run, which lasted from %s to %s: is --offset, --zone or --date right?",
			stampText(entries[0].At), stampText(entries[len(entries)-1].At), stampText(first), stampText(last))
	}
	if width >= last.Sub(first) {
		return event.LogRead{}, fmt.Errorf("the stamps tell the time to %v only and all steps of the run together lasted %v, so nothing can be said of any: write the log with finer stamps",
			rf.Duration(width), rf.Duration(last.Sub(first).Round(time.Millisecond)))
	}
	out := event.LogRead{Width: rf.Duration(width)}
	baseline := meanBefore(entries, first)
	if tolerance > 0 {
		if baseline == nil {
			return out, errors.New("the log has no reading before the first step, so a tolerance has nothing to lie round; leave --tolerance away, or begin the log before RF")
		}
		out.Tolerance = &tolerance
	}
	out.Baseline = baseline
	i, counted := 0, 0
	for _, w := range windows {
		s := event.LogStep{Step: w.step, Attempt: w.attempt, Frequency: w.at}
		for i < len(entries) && entries[i].At.Add(width).Before(w.from) {
			i++
		}
		for k := i; k < len(entries) && !entries[k].At.After(w.to); k++ {
			if e := entries[k]; e.At.Before(w.from) && !e.At.Add(e.Width).After(w.from) {
				continue
			}
			if k >= counted { // else it was in the step before too
				out.Entries, counted = out.Entries+1, k+1
			}
			addEntry(&s, entries[k], baseline, tolerance)
		}
		out.Steps = append(out.Steps, s)
	}
	return out, nil
}

func stampText(t time.Time) string { return t.Local().Format("2006-01-02 15:04:05 -07:00") }

func meanBefore(entries []trace.Entry, first time.Time) *float64 {
	sum, n := 0.0, 0
	for _, e := range entries {
		if e.HasValue && e.At.Before(first) && !e.At.Add(e.Width).After(first) {
			sum, n = sum+e.Value, n+1
		}
	}
	if n == 0 {
		return nil
	}
	mean := sum / float64(n)
	return &mean
}

// addEntry adds a line of the log to its step.
func addEntry(s *event.LogStep, e trace.Entry, baseline *float64, tolerance float64) {
	s.Entries++
	bad := e.Error
	if e.HasValue {
		v := e.Value
		if s.Low == nil || v < *s.Low {
			s.Low = &v
		}
		if s.High == nil || v > *s.High {
			s.High = &v
		}
		bad = bad || tolerance > 0 && baseline != nil && math.Abs(v-*baseline) > tolerance
	}
	if bad {
		if s.Bad++; s.Bad == 1 {
			s.First = e.Text
			if r := []rune(s.First); len(r) > 200 {
				s.First = string(r[:200])
			}
		}
	}
}

// printLog prints the steps in which the log shows something, or says that none does.
func printLog(w *terminal.World, l event.LogRead) error {
	if l.Width > 0 {
		fmt.Fprintf(w.Stdout, "the stamps tell the time to %v only: a line counts in every step it may belong to, which can be more than one, and a step that is told need not be the bad one\n", l.Width)
	}
	t := terminal.Table(w.Stdout)
	bad, empty := 0, 0
	for _, s := range l.Steps {
		if s.Entries == 0 {
			empty++
		}
		if s.Bad == 0 {
			continue
		}
		if bad++; bad == 1 {
			fmt.Fprintln(t, "step\tfrequency\tlines\tbad\tlowest\thighest\tfirst bad line")
		}
		fmt.Fprintf(t, "%d\t%v\t%d\t%d\t%s\t%s\t%s\n", s.Step, s.Frequency, s.Entries, s.Bad, logValue(s.Low, l.Unit), logValue(s.High, l.Unit), event.Printable(s.First))
	}
	if bad == 0 {
		fmt.Fprintf(t, "no bad line in %s\n", english.Count(len(l.Steps), "step", "steps"))
	}
	if empty > 0 {
		fmt.Fprintf(t, "no line at all in %s of %d: of these the log says nothing\n", english.Count(empty, "step", "steps"), len(l.Steps))
	}
	return t.Flush()
}

func logValue(x *float64, unit string) string {
	if x == nil {
		return "–"
	}
	return strings.TrimSpace(strconv.FormatFloat(*x, 'g', 6, 64) + " " + unit)
}
