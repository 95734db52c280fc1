package web

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/http"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/run/engine"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// armPage is everything that a person accepts before a run, on one screen, and the button beside it.
type armPage struct {
	Frame                   frame
	ID, Nonce, File, Answer string
	Wishes                  Wishes
	Cards                   []armCard
	Worst                   ratings
	Limits                  []string // what holds the run, and what ends it
	Warnings                []string
	Before                  string // the heading of what differs from the run before
	Differs                 []string
	Seconds                 int
	NoRF                    bool
	Sweep                   bool   // the source sweeps by itself, set by hand
	Camera                  bool   // the run watches through the browser's
	AskAlone                bool   // whether nothing else can end RF is known only once the instruments are open
	Back                    string // to the form
}

// armCard is one question with its answer in large figures.
type armCard struct {
	ID, Label, Figure, Unit string
	Lines                   []string
}

// wishesOf reads what a person says of a run.
func wishesOf(r *http.Request) Wishes {
	field := func(name string, most int) string { return strings.TrimSpace(shorten(r.PostFormValue(name), most)) }
	return Wishes{Label: field("label", 200), Changed: field("changed", 500), Operator: field("operator", 100),
		Room: field("room", 100), Temperature: field("temperature", 50), Humidity: field("humidity", 50)}
}

// prepare checks the form of a plan or sweep as it stands, saves it, and begins an arming step of exactly that. Where
// it refuses, the form comes back as it was sent. A form without the text of the file, which other pages may have,
// arms the file that its stamp names.
func (s *Server) prepare(w http.ResponseWriter, r *http.Request) error {
	x := submitted{Name: r.PostFormValue("file"), Shown: r.PostFormValue("stamp")}
	if !r.PostForm.Has("text") {
		if err := s.sameJob(r); err != nil {
			return err
		}
		data, err := s.folder.read(x.Name)
		if err != nil {
			return err
		}
		if x.Text = normal(string(data)); stamp(data) != x.Shown {
			return withStatus(http.StatusConflict,
				"%s is another one than the page shows: load the page again, or save the change first", x.Name)
		}
		x.Saved = true
		if a := s.armed(r, &x); a != nil {
			return seeOther(w, r, "/arm/"+a.ID)
		}
		return withStatus(x.Status, "%s", x.Refused)
	}
	fields, show := planFields, s.showPlan
	if isSweep(r.PostFormValue("text")) {
		fields, show = sweepFields, s.showSweep
	}
	x = s.submission(r, fields)
	if a := s.armed(r, &x); a != nil {
		return seeOther(w, r, "/arm/"+a.ID)
	}
	return show(w, r, x)
}

func isSweep(text string) bool {
	m := headLine.FindStringSubmatch(normal(text))
	return m != nil && m[1] == "sweep"
}

// armed checks and saves a form and keeps what was prepared of it; nil, with the reason in the form, where it refuses.
func (s *Server) armed(r *http.Request, x *submitted) *arming {
	if err := s.sameJob(r); err != nil {
		x.refuse(http.StatusConflict, "not armed: %v", err)
	}
	if s.cfg.Runner.State().Underway {
		x.refuse(http.StatusConflict, "%v", ErrUnderway)
	}
	q := Request{PlanFile: filepath.Join(s.cfg.Dir, x.Name), Resume: r.PostFormValue("resume") != ""}
	if text := r.PostFormValue("again"); text != "" {
		var err error
		if q.Again, err = strconv.Atoi(text); err != nil {
			x.refuse(http.StatusBadRequest, "%q is not the number of a run", text)
		}
	}
	asked, hold, err := fixAsked(r)
	if err != nil {
		x.refuse(http.StatusBadRequest, "not armed: %v", err)
	}
	if q.Fix = asked; asked != nil && q.Resume {
		x.refuse(http.StatusBadRequest, "not armed: a fixing loop is begun, or the newest run gone on with, not both")
	}
	if len(x.Clash) == 0 && x.Moved == "" {
		if why := s.speaksAgainst(x.Name, x.Text); why != "" {
			x.refuse(http.StatusUnprocessableEntity, "not saved and not armed: %s", why)
		}
	}
	if x.Refused == "" {
		s.save(x)
	}
	if x.Refused != "" {
		return nil
	}
	a, err := s.prepared(q, wishesOf(r))
	if err == nil {
		a.Hold, err = hold.moveTo(a.Prepared)
	}
	switch {
	case err != nil:
		x.refuse(http.StatusUnprocessableEntity, "not armed: %s", inOneLine(err))
		return nil
	case normal(string(a.Prepared.Plan.Bytes)) != x.Text:
		x.refuse(http.StatusConflict, "not armed: %s was changed by somebody else at this very moment", x.Name)
		return nil
	}
	s.arms.add(a)
	return a
}

// prepared reads and checks what is asked for, with the job as it is now.
func (s *Server) prepared(q Request, wishes Wishes) (*arming, error) {
	a := &arming{Wishes: wishes, Job: s.journal.file()}
	var err error
	if a.Before, err = s.journal.newest(); err != nil {
		return nil, err
	}
	a.Prepared, err = s.cfg.Runner.Prepare(q)
	return a, err
}

// speaksAgainst says what the check of a text finds that refuses it; empty for nothing.
func (s *Server) speaksAgainst(name, text string) string {
	var list problem.List
	var refused []string
	if isSweep(text) {
		var trial sweepTrial
		trial, list = s.trySweep(name, text)
		refused = trial.Refused
	} else {
		tried := s.tryPlan(name, text)
		list, refused = tried.list, tried.words().Refused
	}
	if len(refused) > 0 {
		return "refused by a rating: " + strings.Join(refused, "; ")
	}
	if err := list.Err(); err != nil {
		return inOneLine(err)
	}
	return ""
}

// inOneLine words an error for a sentence of the page.
func inOneLine(err error) string {
	list, ok := problem.ListOf(err)
	if !ok {
		return strings.Join(strings.Fields(err.Error()), " ")
	}
	var out []string
	for _, p := range list {
		if p.Warning {
			continue
		}
		text := p.What
		if p.Line > 0 {
			text = fmt.Sprintf("line %d: %s", p.Line, text)
		}
		out = append(out, text)
	}
	return strings.Join(out, "; ")
}

// start begins the run of an arming step, once.
func (s *Server) start(w http.ResponseWriter, r *http.Request) error {
	a := s.arms.of(r.PostFormValue("nonce"))
	if a == nil {
		return withStatus(http.StatusConflict, "this arming step was used or has expired, or the program was started "+
			"anew since: this switched nothing on; check the plan and arm again")
	}
	to, err := a.yes(s.cfg.Now(), func() (int, string, error) {
		if err := s.stillTrue(a); err != nil {
			return 0, "", fmt.Errorf("nothing was switched on: %w: check and arm again", err)
		}
		wishes := a.Wishes
		wishes.Alone = r.PostFormValue("accept_single_path") == "yes"
		run, err := s.cfg.Runner.Start(a.Prepared, wishes)
		if err != nil {
			return 0, "", fmt.Errorf("the run did not begin: %w", err)
		}
		to := "/live?run=" + strconv.Itoa(run)
		if a.Hold != nil {
			err := s.cfg.Runner.Tell(engine.Command{Want: engine.MovePoint, Point: *a.Hold, By: "page"})
			if err != nil { // it follows by itself then, as the page says
				s.cfg.Log.Error("hold a point by hand", "run", run, "error", err)
			}
		}
		if r.PostFormValue("attended") != "" {
			s.wardens.attend(run, s.doors.sessionOf(r))
		}
		return run, to, nil
	})
	if err != nil {
		return withStatus(http.StatusConflict, "%w", err)
	}
	return seeOther(w, r, to)
}

// stillTrue says what is no longer as the arming page showed it: a run since, a file that is another one, another
// outcome of the check. What runs is in any case what was prepared and shown.
func (s *Server) stillTrue(a *arming) error {
	if s.cfg.Runner.State().Underway {
		return ErrUnderway
	}
	if s.journal.file() != a.Job {
		return errors.New("another job was opened since this arming page was shown")
	}
	before, err := s.journal.newest()
	if err != nil {
		return err
	}
	if before != a.Before {
		return fmt.Errorf("run %d was done since this arming page was shown", before)
	}
	now, err := s.cfg.Runner.Prepare(a.Prepared.Request)
	if now.Plan != nil && now.Bench != nil {
		if names := changedFiles(a.Prepared, now); len(names) > 0 {
			return fmt.Errorf("%s changed since this arming page was shown", strings.Join(names, ", "))
		}
	}
	switch {
	case err != nil:
		return fmt.Errorf("the check refuses now: %s", inOneLine(err))
	case !reflect.DeepEqual(now.Fixing, a.Prepared.Fixing):
		return errors.New("the fixing loop would follow something else than this arming page showed")
	case !reflect.DeepEqual(ratingsOf(a.Prepared.Checked), ratingsOf(now.Checked)),
		!slices.Equal(sentences(a.Prepared.Warnings), sentences(now.Warnings)):
		return errors.New("the check says something else than this arming page showed")
	}
	return nil
}

// changedFiles names the files that are not in both, or not the same.
func changedFiles(was, now Prepared) []string {
	files := func(p Prepared) map[string][sha256.Size]byte {
		out := map[string][sha256.Size]byte{}
		maps.Copy(out, hashes(map[string][]byte{baseOf(p.Plan.File): p.Plan.Bytes,
			baseOf(p.Bench.File): p.Bench.Bytes}))
		maps.Copy(out, hashes(p.Plan.Files))
		maps.Copy(out, hashes(p.Bench.Files))
		return out
	}
	a, b := files(was), files(now)
	var out []string
	for name, sum := range a {
		if b[name] != sum {
			out = append(out, name)
		}
	}
	for name := range b {
		if _, ok := a[name]; !ok {
			out = append(out, name)
		}
	}
	slices.Sort(out)
	return out
}

func hashes(files map[string][]byte) map[string][sha256.Size]byte {
	out := map[string][sha256.Size]byte{}
	for name, data := range files {
		out[name] = sha256.Sum256(data)
	}
	return out
}

func (s *Server) armPage(w http.ResponseWriter, r *http.Request) error {
	a := s.arms.look(r.PathValue("id"))
	if a == nil {
		return withStatus(http.StatusGone, "this arming step was used or has expired: check the plan and arm again")
	}
	if err := a.over(s.cfg.Now()); err != nil {
		return withStatus(http.StatusGone, "%w", err)
	}
	p := a.Prepared
	page := armPage{Frame: s.frameFor(r, "Plan"), ID: a.ID, Nonce: a.Nonce, File: baseOf(p.PlanFile), Wishes: a.Wishes,
		Seconds: int(a.Until.Sub(s.cfg.Now()).Seconds()), NoRF: p.Plan.Kind == plan.Baseline, Sweep: p.Sweep != nil,
		Back: "/plan?file=", Cards: []armCard{wantedCard(p), modulationCard(p), timeCard(a)}, Warnings: warned(p),
		Limits: limitsOf(p),
		Camera: p.Plan.Kind != plan.Calibration && slices.ContainsFunc(p.Bench.Monitors, catalog.Monitor.ByBrowser)}
	name := p.Plan.Name
	if p.Fixing != nil {
		name = "fixing loop, " + name
	}
	page.Frame.Title, page.Answer = "Arm "+name, "Arm "+name
	if a.Wishes.Label != "" {
		page.Answer = fmt.Sprintf("Arm “%s”: %s", a.Wishes.Label, name)
	}
	if page.Sweep {
		page.Back = "/sweep?file="
	}
	page.Back += query(page.File)
	page.AskAlone = !page.NoRF && !p.Bench.SinglePath &&
		(p.Bench.Source.Present() || p.Bench.Amplifier != nil && p.Bench.Amplifier.Present())
	if !page.NoRF {
		page.Worst = ratingsOf(p.Checked)
	}
	var err error
	if page.Before, page.Differs, err = s.against(a); err != nil {
		return err
	}
	return s.draw(w, "arm", page)
}

// figure puts a quantity into a card: the number large, its unit smaller.
func (c armCard) figure(text string) armCard {
	c.Figure = text
	if i := strings.LastIndex(text, " "); i > 0 {
		c.Figure, c.Unit = text[:i], text[i+1:]
	}
	return c
}

// wantedCard says what is asked for.
func wantedCard(p Prepared) armCard {
	x := p.Plan
	setting := fmt.Sprintf("set as %s at %s", p.Bench.Source.Setting(x.Drive), p.Bench.Source.ID)
	switch {
	case x.Kind == plan.Baseline:
		return armCard{ID: "wanted", Label: "RF", Figure: "none",
			Lines: []string{"this run counts false alarms; the bench is silenced first"}}
	case p.Sweep != nil:
		return armCard{ID: "wanted", Label: "level of the source, the same over the whole span",
			Lines: []string{setting}}.figure(x.Drive.String())
	}
	wider := func(ends *[2]rf.Current, i rf.Current) {
		if !i.Known() {
			return
		}
		if !ends[0].Known() || ends[0].Above(i) {
			ends[0] = i
		}
		if !ends[1].Known() || i.Above(ends[1]) {
			ends[1] = i
		}
	}
	var wanted, reach [2]rf.Current
	emf := map[string]bool{}
	for _, q := range p.Checked.Points {
		target := q.Wanted.Current
		if q.Target.Known() && (!target.Known() || q.Target.Above(target)) {
			target = q.Target
		}
		wider(&wanted, target)
		wider(&reach, q.Predicted.Current)
		if q.Wanted.EMF.Known() {
			emf[q.Wanted.EMF.Linear()+" e.m.f."] = true
		}
	}
	if x.Mode == plan.ConstantDrive {
		c := armCard{ID: "wanted", Label: "drive, the same at every frequency", Lines: []string{setting}}
		if reach[0].Known() {
			c.Lines = append(c.Lines, "expected on the cable: "+spanned(reach))
		}
		return c.figure(x.Drive.String())
	}
	c := armCard{ID: "wanted", Label: "level wanted", Figure: "–"}
	if !wanted[0].Known() {
		return c
	}
	second := wanted[0].Linear()
	if wanted[0].String() != wanted[1].String() {
		second += " to " + wanted[1].Linear()
	}
	for text := range emf {
		if len(emf) == 1 {
			second += " · " + text
		}
	}
	c.Lines = []string{second}
	if x.Profile.Title != "" {
		c.Lines = append(c.Lines, x.Profile.Title)
	}
	c.Lines = append(c.Lines, fmt.Sprintf("%s, %s; clamp %s", x.Kind, x.Mode, x.Fixture.Words()))
	if n := len(x.Raised); n > 0 {
		c.Lines = append(c.Lines, fmt.Sprintf("more than the level asked for at %s: over-test, %s",
			english.Count(n, "frequency", "frequencies"), x.OverTest))
	}
	return c.figure(spanned(wanted))
}

// spanned words a range: one figure where both ends print the same.
func spanned(ends [2]rf.Current) string {
	a, b := ends[0].String(), ends[1].String()
	if a == b {
		return a
	}
	if x, ok := strings.CutSuffix(a, " dBµA"); ok && strings.HasSuffix(b, " dBµA") {
		a = x
	}
	return a + " to " + b
}

func modulationCard(p Prepared) armCard {
	m := p.Plan.Modulation
	c := armCard{ID: "modulation", Label: "modulation in the dwell"}
	if p.Sweep != nil {
		c.Label = "modulation"
	}
	switch {
	case p.Plan.Kind == plan.Baseline:
		return armCard{ID: c.ID, Label: c.Label, Figure: "none"}
	case m.IsCW():
		c.Figure, c.Unit = string(level.CW), "not modulated"
	case m.Kind == level.Pulse:
		c.Figure, c.Unit = "pulse "+m.Duty.String(), m.Rate.String()
	default:
		c.Figure, c.Unit = string(m.Kind)+" "+m.Depth.String(), m.Rate.String()
	}
	if !m.IsCW() {
		text := fmt.Sprintf("crest %v above the carrier", m.CrestOverCarrier())
		if m.CrestOverLevel() != m.CrestOverCarrier() {
			text += fmt.Sprintf(", %v above the level", m.CrestOverLevel())
		}
		c.Lines = append(c.Lines, text)
	}
	var more []string
	if m.Hold != "" {
		more = append(more, string(m.Hold))
	}
	if p.Sweep == nil {
		more = append(more, "dwell "+p.Plan.Dwell.String())
	}
	if len(more) > 0 {
		c.Lines = append(c.Lines, strings.Join(more, "; "))
	}
	return c
}

func timeCard(a *arming) armCard {
	p := a.Prepared
	if p.Fixing != nil {
		return loopCard(a)
	}
	c := armCard{ID: "time", Label: "frequencies and time"}
	x := p.Plan
	if p.Sweep != nil {
		c.Label, c.Figure = "passes and time", strconv.Itoa(len(p.Sweep.Passes))
		c.Unit = sweepTime(p.Sweep).String() + " of sweeping"
		c.Lines = []string{x.GridText, "and the time of the person who sets the source"}
		return c
	}
	d := p.Checked.Duration
	c.Figure, c.Unit = strconv.Itoa(len(x.Grid)), "about "+d.Likely.String()
	if left := a.Left; p.Resume && left > 0 {
		c.Figure, c.Unit = strconv.Itoa(left), fmt.Sprintf("left of %d; all of them take about %v", len(x.Grid),
			d.Likely)
	}
	if r := p.Checked.Reach; r != nil {
		c.Lines = append(c.Lines, r.String()+"; everything would take about "+d.Likely.String())
		if c.Unit = "in " + r.Limit.String(); r.Takes == 0 {
			c.Unit = "as far as " + r.Limit.String() + " go"
		}
	}
	if len(x.Grid) > 0 {
		c.Lines = append(c.Lines, fmt.Sprintf("%v to %v", x.Grid[0], x.Grid[len(x.Grid)-1]))
	}
	if n := len(x.First); n > 0 {
		c.Lines = append(c.Lines, fmt.Sprintf("%d of them first, as the plan lists them", n))
	}
	if p.Again > 0 {
		c.Lines = append(c.Lines, fmt.Sprintf("every frequency of run %d besides", p.Again))
	}
	if p.Resume {
		c.Lines = append(c.Lines, "goes on with the newest run, at the first frequency that was not closed")
	}
	c.Lines = append(c.Lines, fmt.Sprintf("%v to %v, by what upsets", d.Shortest, d.Longest))
	return c
}

// limitsOf says what holds the run and what ends it.
func limitsOf(p Prepared) []string {
	x := p.Plan
	var out []string
	for _, o := range catalog.OnlookersOf(p.Bench.Monitors) {
		out = append(out, o.String()+", on until the run ends: "+o.Says+".")
	}
	if x.Kind == plan.Baseline {
		return out
	}
	if p.Bench.Amplifier != nil {
		out = append(out, compressionOf(p))
	}
	if p.Sweep != nil {
		return out
	}
	if x.Mode == plan.ClosedLoop {
		out = append(out, fmt.Sprintf("The loop may use up to %v more drive and %v more forward power than the "+
			"budget needs.", x.Levelling.AboveBudget, x.Levelling.Ceiling))
	}
	out = append(out, fmt.Sprintf("Trips, RF off: a current more than %v above the highest expected; %v without a "+
		"sign of life.", x.TripAbove, x.DeadMan))
	if s := x.Search; x.Kind != plan.Calibration && s.Onset {
		out = append(out, fmt.Sprintf("An upset: RF off at once, then its threshold is looked for, to %v below.",
			s.Range))
	}
	return out
}

// compressionOf says how far the amplifier's gain drops at the worst, at the ceiling of every frequency and the crest.
func compressionOf(p Prepared) string {
	most, at := rf.Gain(0), rf.Frequency(0)
	crest := chain.CrestOfLevel(p.Plan.Modulation)
	look := func(f rf.Frequency, drive rf.Power) {
		if q, err := p.Chain.Predict(f, drive, crest, p.Plan.Fixture); err == nil && q.Compression > most {
			most, at = q.Compression, f
		}
	}
	for _, q := range p.Checked.Points {
		look(q.Frequency, q.Ceiling)
	}
	if p.Sweep != nil {
		for _, f := range p.Bench.Across(p.Plan.Grid[0], p.Plan.Grid[1]) {
			look(f, p.Plan.Drive)
		}
	}
	id := p.Bench.Amplifier.ID
	if most < 0.05 {
		return fmt.Sprintf("%s does not compress: less than 0.1 dB at the crest.", id)
	}
	return fmt.Sprintf("%s compresses by up to %v at the crest, at %v: modulation is flatter there, and harmonics are "+
		"higher.", id, most, at)
}

// warned are what the files and the check warn of, as sentences, what is furthest from what was asked for first.
func warned(p Prepared) []string {
	var out []string
	if n := len(p.Checked.Unreachable); n > 0 {
		worst := slices.MaxFunc(p.Checked.Unreachable, func(a, b plan.Unreachable) int {
			return int(math.Copysign(1, float64(a.Short-b.Short)))
		})
		out = append(out, fmt.Sprintf("The level is not reached at %d of %s; furthest short by %v at %v: %s.", n,
			english.Count(len(p.Plan.Grid), "frequency", "frequencies"), worst.Short, worst.Frequency, worst.Why))
	}
	return append(out, sentences(p.Warnings)...)
}

// sentences words problems without the file's place, each once.
func sentences(list problem.List) []string {
	var out []string
	for _, p := range list.Folded() {
		text := sentence(p.What)
		if p.Hint != "" {
			text += " " + sentence(p.Hint)
		}
		if !slices.Contains(out, text) {
			out = append(out, text)
		}
	}
	return out
}

// sentence begins with a capital letter and ends with a full stop.
func sentence(text string) string {
	text = strings.Join(strings.Fields(text), " ")
	first, n := utf8.DecodeRuneInString(text)
	if next, _ := utf8.DecodeRuneInString(text[n:]); unicode.IsLower(first) && !unicode.IsUpper(next) {
		text = string(unicode.ToUpper(first)) + text[n:]
	}
	if !strings.HasSuffix(text, ".") && !strings.HasSuffix(text, "?") {
		text += "."
	}
	return text
}

// against says what differs from the newest run of the job.
func (s *Server) against(a *arming) (title string, out []string, err error) {
	runs, err := s.journal.runs()
	if err != nil {
		return "", nil, err
	}
	i := slices.IndexFunc(runs, func(x store.RunInfo) bool { return x.Run == a.Before })
	said := "nothing is said to be changed on the product"
	if a.Wishes.Changed != "" {
		said = "changed on the product: " + a.Wishes.Changed
	}
	if i < 0 || a.Before == 0 {
		if a.Wishes.Changed == "" {
			return "The first run of this job", nil, nil
		}
		return "The first run of this job", []string{said}, nil
	}
	was, p := runs[i].Opened, a.Prepared
	title = fmt.Sprintf("Against run %d", a.Before)
	if was.Label != "" {
		title += fmt.Sprintf(", “%s”", was.Label)
	}
	return title, append(differences(was, p), said), nil
}

// differences compares what a run was made with to what is prepared now.
func differences(was event.Opened, p Prepared) []string {
	x := p.Plan
	var out []string
	compare := func(name, a, b string) {
		if a != b {
			out = append(out, fmt.Sprintf("%s: %s, was %s", name, b, a))
		}
	}
	kind := x.Kind
	if p.Fix != nil {
		kind = plan.Fixing
	}
	if was.RunKind != kind {
		return []string{fmt.Sprintf("another kind of run: %s, was %s", kind, was.RunKind)}
	}
	compare("mode", string(was.Mode), string(x.Mode))
	compare("clamp around", was.Fixture, string(x.Fixture))
	compare("level", was.Profile.Title, x.Profile.Title)
	compare("modulation", was.Modulation.String(), x.Modulation.String())
	compare("dwell", was.Dwell.String(), x.Dwell.String())
	compare("frequencies", strconv.Itoa(was.Points), strconv.Itoa(len(x.Grid)))
	same := func(a event.Attachment, data []byte) bool { return a.SHA256 == fmt.Sprintf("%x", sha256.Sum256(data)) }
	switch {
	case same(was.Plan, x.Bytes) && len(out) == 0:
		out = append(out, "same plan")
	case !same(was.Plan, x.Bytes) && len(out) == 0:
		out = append(out, "the plan file is another one, in its smaller keys or remarks")
	}
	if same(was.Bench, p.Bench.Bytes) {
		out = append(out, "same bench file")
	} else {
		out = append(out, "another bench file, or one that was changed")
	}
	for _, f := range was.Files {
		for _, files := range []map[string][]byte{p.Bench.Files, x.Files} {
			if data, ok := files[f.Name]; ok && !same(f, data) {
				out = append(out, f.Name+" was changed")
			}
		}
	}
	return out
}
