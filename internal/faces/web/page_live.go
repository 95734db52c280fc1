package web

import (
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/fixing"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/run/engine"
)

// underwayOf asks the runner what it is doing with a run.
func (s *Server) underwayOf(run int) underway {
	st := s.cfg.Runner.State()
	u := underway{Failed: st.Failed}
	if st.Run == run && st.Underway {
		u.Here, u.Status, u.Began, u.Looks = true, st.Status, st.Began, st.Looks
		u.Chain, u.Fixture, u.Low, u.High = st.Chain, st.Fixture, st.Low, st.High
	} else if !st.Underway {
		u.Elsewhere = s.cfg.Runner.Written()
	}
	if !st.Underway && !u.Elsewhere {
		u.Left = s.cfg.Runner.Left()
		if at := s.quietAt.Load(); at != 0 {
			u.Quiet = time.Unix(0, at)
		}
	}
	return u
}

// liveNow is the state of a run; 0 means the run being done, else the newest. What cannot be read is
// said in the view: the strip must never be missing.
func (s *Server) liveNow(run int) liveView {
	now := s.cfg.Now()
	run, err := s.which(run)
	if err == nil && run == 0 {
		return liveOf(nil, s.underwayOf(0), now)
	}
	v := liveView{RF: rfUnknown, RFWords: event.RFAlarm, At: now.Format("15:04:05")}
	if err == nil {
		u := s.underwayOf(run)
		err = s.journal.follow(run, func(r *result.Run, l *fixing.Loop) error {
			u.Loop = l
			v = liveOf(r, u, now)
			return nil
		})
		if err == nil {
			err = s.sumUp(&v)
		}
	}
	if err != nil {
		v.Alarm = "the job cannot be read: " + err.Error()
	}
	return v
}

// sumUp lets a run that has ended say what every other face says of it first.
func (s *Server) sumUp(v *liveView) (err error) {
	if v.Ended {
		v.Counts, err = s.journal.headline(v.Run)
	}
	return err
}

// moments shares what a moment's views are between the streams that send them: forty browsers ask for the
// same ten times a second, and the run that is being done needs the processor.
type moments struct {
	make func(run int) liveView

	mu   sync.Mutex
	seen map[int]moment // by the run that was asked for
}

// moment is a view and when it was true.
type moment struct {
	at   time.Time
	view liveView
}

// momentFor is how long a view is taken for that of now.
const momentFor = leastPause / 2

// of returns the view of a run; 0 is the one being done, or the newest. The view is lent.
func (m *moments) of(run int) liveView {
	m.mu.Lock()
	defer m.mu.Unlock()
	now := time.Now()
	if s, ok := m.seen[run]; ok && now.Sub(s.at) < momentFor {
		return s.view
	}
	for r, s := range m.seen {
		if now.Sub(s.at) >= momentFor {
			delete(m.seen, r)
		}
	}
	v := m.make(run)
	m.seen[run] = moment{now, v}
	return v
}

// which resolves run 0 to the run being done, else to the newest; 0 where there is none.
func (s *Server) which(run int) (int, error) {
	if run != 0 {
		return run, nil
	}
	if st := s.cfg.Runner.State(); st.Underway && st.Run != 0 {
		return st.Run, nil
	}
	return s.journal.newest()
}

// runOf reads the run number of an address; 0 when there is none.
func runOf(r *http.Request) (int, error) {
	text := r.FormValue("run")
	if text == "" {
		return 0, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return 0, withStatus(http.StatusBadRequest, "%q is not the number of a run", text)
	}
	return n, nil
}

// livePage is what the run is doing.
type livePage struct {
	Frame frame
	View  liveView
	From  int64 // records that the page already holds
	Log   []logLine
	Chart chart
	// StripChart is the DUT's readings in time, filled in by the stream.
	StripChart chart
	NoRF       bool
	// Loop is what is told of a fixing loop, LoopChart its strip.
	Loop      loopTold
	LoopChart chart
	Cameras   []string // monitors that see
	Proof     string   // the full exposure that shows what the tries are worth; empty where nothing was exposed before
	GoOn      *goOn    // nil where there is nothing to go on with
}

// fillLoop fills in what a fixing loop holds; l is nil for another kind of run.
func (p *livePage) fillLoop(r *result.Run, l *fixing.Loop) {
	if l != nil {
		p.Loop, p.LoopChart = toldAfter(l, r, 0), loopChart(l)
	}
}

// Newest is the log with the newest line first.
func (p livePage) Newest() []logLine {
	out := slices.Clone(p.Log)
	slices.Reverse(out)
	return out
}

// Tall is the height of the chart of levels: there is room for more once the run has ended.
func (p livePage) Tall() int {
	if p.View.Ended {
		return 300
	}
	return 160
}

// Stream is the address of the page's stream.
func (p livePage) Stream() string {
	if p.View.Run == 0 {
		return "/live/stream?brief=1"
	}
	return fmt.Sprintf("/live/stream?run=%d&from=%d&dots=%d", p.View.Run, p.From, p.Loop.Total)
}

// logLine is one record of the journal as the log shows it.
type logLine struct {
	Seq  int64      `json:"seq"`
	At   string     `json:"at"`
	Kind string     `json:"kind"`
	Text string     `json:"text"`
	Mark string     `json:"mark,omitempty"` // "upset", "bad" or "good"
	Spot *chartSpot `json:"spot,omitempty"`
}

// keptLog is how many lines of the log a page holds.
const keptLog = 60

func (s *Server) livePage(w http.ResponseWriter, r *http.Request) error {
	asked, err := runOf(r)
	if err != nil {
		return err
	}
	p := livePage{Frame: s.frameFor(r, "Live")}
	run, err := s.which(asked)
	if err != nil {
		return err
	}
	if run == 0 {
		p.View = s.liveNow(0)
		return s.draw(w, "live", p)
	}
	if err := s.fillLive(&p, run); err != nil {
		return err
	}
	p.Frame.Title = "Live, run " + strconv.Itoa(run)
	return s.draw(w, "live", p)
}

func (s *Server) fillLive(p *livePage, run int) error {
	u := s.underwayOf(run)
	err := s.journal.follow(run, func(r *result.Run, l *fixing.Loop) error {
		u.Loop = l
		p.View = liveOf(r, u, s.cfg.Now())
		p.fillLoop(r, l)
		p.From = r.Records
		p.Chart = liveChart(r)
		p.Chart.X.From, p.Chart.X.To = inMHz(u.Low), inMHz(u.High)
		p.StripChart = stripChart(r)
		p.NoRF = r.Opened.RunKind == plan.Baseline
		if u.Here {
			p.Cameras = s.cfg.Runner.Cameras()
		}
		return nil
	})
	if err == nil {
		err = s.sumUp(&p.View)
	}
	if err != nil {
		return err
	}
	if p.GoOn, err = s.goOnWith(run); err != nil {
		return err
	}
	if err := s.proof(p, run); err != nil {
		return err
	}
	job, err := s.journal.open()
	if err != nil {
		return err
	}
	for rec, err := range job.Records(run, max(1, p.From-keptLog+1)) {
		if err != nil && rec.Event == nil {
			return err
		}
		p.Log = append(p.Log, lineOf(rec))
		p.From = rec.Seq
	}
	return nil
}

// lineOf words a record.
func lineOf(rec event.Record) logLine {
	l := logLine{Seq: rec.Seq, At: rec.At.Local().Format("15:04:05"), Kind: wordOf(rec.Event.Kind()),
		Text: event.Line(rec.Event)}
	switch e := rec.Event.(type) {
	case event.StepClosed:
		if e.Outcome.Upset {
			l.Mark = "upset"
		}
		l.Spot = spotOf(result.StepOf(rec.Seq, rec.At, e))
	case event.Tripped, event.Stopping, event.Hold:
		l.Mark = "bad"
	case event.Safed:
		l.Mark = "good"
		if !e.Quiet {
			l.Mark = "bad"
		}
	}
	return l
}

// kindWords are the kinds of record as a person calls them, where that is not the record's own name.
var kindWords = map[string]string{"opened": "begun", "intent": "next", "step-closed": "step", "hold": "held",
	"resumed": "gone on", "operator-mark": "marked", "safed": "silenced", "closed": "ended", "attached": "file kept",
	"watching": "product watched", "trace": "trace read", "log": "log read", "imported": "imported"}

func wordOf(kind string) string {
	if w, ok := kindWords[kind]; ok {
		return w
	}
	return strings.ReplaceAll(kind, "-", " ")
}

// strip is the DUT's readings in time: which monitor is drawn, and its tolerance.
type strip struct {
	Monitor string  `json:"monitor"`
	Label   string  `json:"label"`
	Low     float64 `json:"low"`
	High    float64 `json:"high"`
	HasBand bool    `json:"hasBand"`
}

// stripFor returns which monitor of a run is drawn, with its tolerance.
func (s *Server) stripFor(run int) strip {
	var st strip
	s.journal.with(run, func(r *result.Run) error { st = stripOf(r); return nil })
	return st
}

// stripOf chooses the first monitor that gives numbers.
func stripOf(r *result.Run) strip {
	for _, m := range r.Monitors {
		if m.Unit == "" {
			continue
		}
		st := strip{Monitor: m.ID, Label: m.ID + " (" + m.Unit + ")"}
		if m.HasBaseline && m.Tolerance > 0 {
			st.Low, st.High, st.HasBand = m.Baseline-m.Tolerance, m.Baseline+m.Tolerance, true
		}
		return st
	}
	return strip{}
}

// stripChart is the DUT's readings in time, empty: looks come with the stream.
func stripChart(r *result.Run) chart {
	st := stripOf(r)
	return chart{ID: "strip", Title: "Readings of the product in time",
		X: axis{Label: "seconds before now", Kind: "ago", Last: 30}, Y: axis{Label: st.Label,
			Least: 3 * (st.High - st.Low)},
		Series: []chartSeries{{Name: "well", Sign: "line", Paint: "calm"},
			{Name: "bad", Sign: "cross", Paint: "upset"}}, ShadeWord: "RF on"}
}

// want makes the handler of one of the operator's wishes.
func (s *Server) want(want engine.Want) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		c := engine.Command{Want: want}
		if want == engine.Mark {
			c.Text = shorten(r.PostFormValue("text"), 300)
		}
		if want != engine.Mark || !s.markedJustNow() {
			if err := s.cfg.Runner.Tell(c); err != nil {
				return err
			}
		}
		if r.Header.Get("Accept") == "application/json" {
			w.WriteHeader(http.StatusNoContent)
			return nil
		}
		return seeOther(w, r, "/live")
	}
}

// twice is the time in which a second "it upset now" is that of a switch that bounces: nobody sees two upsets in it.
// The second click of a double click does not come here (mark.js).
const twice = 100 * time.Millisecond

// markedJustNow notes that a mark comes and reports that another came just before it.
func (s *Server) markedJustNow() bool {
	now := time.Now().UnixNano()
	was := s.marked.Swap(now)
	return was != 0 && time.Duration(now-was) < twice && s.cfg.Runner.State().Underway
}

// answer passes on what a person answers to a prompt.
func (s *Server) answer(w http.ResponseWriter, r *http.Request) error {
	n, err := strconv.Atoi(r.PostFormValue("number"))
	if err != nil {
		return withStatus(http.StatusBadRequest, "%q is not the number of a prompt", r.PostFormValue("number"))
	}
	if err := s.cfg.Runner.Answer(n, trimmed(r.PostFormValue("text"), 100)); err != nil {
		return withStatus(http.StatusConflict, "%w", err)
	}
	if r.Header.Get("Accept") == "application/json" {
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
	return seeOther(w, r, "/live")
}

// shorten cuts a text that somebody typed to a number of characters.
func shorten(text string, n int) string {
	if rs := []rune(text); len(rs) > n {
		return string(rs[:n])
	}
	return text
}

// leastPause is the shortest time between two messages of a stream.
const leastPause = 100 * time.Millisecond
