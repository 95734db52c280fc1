package web

import (
	"fmt"
	"net/http"
	"strconv"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
	"provoke/internal/units/rf"
)

// jobPage is the runs of the job and what the laboratory reported.
type jobPage struct {
	Frame      frame
	File       string
	Missing    bool // the job file does not exist yet
	LeftBehind string
	Runs       []runRow
	Laboratory laboratory
	Form       labForm // in which that is written down
	Plans      []fileOf
	Hands      []Hand
	GoOn       *goOn
	Start      startPart
}

// Newest is the newest run; nil before the first.
func (p jobPage) Newest() *runRow {
	if len(p.Runs) == 0 {
		return nil
	}
	return &p.Runs[0]
}

// runRow is one run in the list.
type runRow struct {
	Run                            int
	Label, At, Kind, Verdict, Mark string
	Changed, Took                  string
	Open                           bool
	Err                            string
}

func (s *Server) jobPage(w http.ResponseWriter, r *http.Request) error { return s.showJob(w, r, nil) }

// hands are the program's deeds at the bench.
func (s *Server) hands() []Hand {
	s.handing.Lock()
	defer s.handing.Unlock()
	return append(append([]Hand(nil), s.cfg.Hands...), s.simulated...)
}

// showJob shows the job; also may add to the page what came of a form.
func (s *Server) showJob(w http.ResponseWriter, r *http.Request, also func(*jobPage)) error {
	p := jobPage{Frame: s.frameFor(r, "Job"), File: s.journal.file(), Hands: s.hands()}
	job, err := s.journal.open()
	if err != nil {
		return err
	}
	if p.Missing = job == nil; !p.Missing {
		p.LeftBehind = job.LeftBehind()
		if p.Laboratory, err = s.laboratoryNow(); err != nil {
			return err
		}
	}
	p.Form = formOf(p.Laboratory)
	infos, err := s.journal.runs()
	if err != nil {
		return err
	}
	for i := len(infos) - 1; i >= 0; i-- {
		if infos[i].Opened.RunKind != event.LaboratoryKind {
			p.Runs = append(p.Runs, rowOf(infos[i]))
		}
	}
	if len(p.Runs) > 0 {
		if p.GoOn, err = s.goOnWith(p.Runs[0].Run); err != nil {
			return err
		}
	}
	if p.Plans, err = s.folder.list("plan"); err != nil {
		return err
	}
	if p.Start, err = s.startPart(len(p.Runs)); err != nil {
		return err
	}
	if also != nil {
		also(&p)
		if p.Start.Refused != "" || p.Form.Refused {
			w.WriteHeader(http.StatusUnprocessableEntity)
		}
	}
	return s.draw(w, "job", p)
}

func rowOf(i store.RunInfo) runRow {
	row := runRow{Run: i.Run, Label: i.Opened.Label, At: i.At.Local().Format("2006-01-02 15:04"),
		Kind:    string(i.Opened.RunKind),
		Changed: i.Opened.Changed, Verdict: "open, or cut off", Mark: "open", Open: !i.HasClosed}
	if i.Err != nil {
		row.Err = i.Err.Error()
	}
	if i.HasClosed {
		row.Verdict = string(i.Closed.Verdict)
		row.Took = rf.Duration(i.Ended.Sub(i.At).Round(time.Second)).String()
		switch i.Closed.Verdict {
		case event.Done: // how it ended, not what it showed: whether anything was exposed is told by the findings
			row.Mark = ""
		case event.DoneUpset:
			row.Mark = "upset"
		case event.RFNotKnownOff:
			row.Mark = "bad"
		default:
			row.Mark = "warn"
		}
	}
	return row
}

// newEntrance gives a one-time address for one more browser.
func (s *Server) newEntrance(w http.ResponseWriter, r *http.Request) error {
	return s.draw(w, "entrance", entrancePage{Frame: s.frameFor(r, "Job"),
		Address: s.scheme() + "://" + r.Host + s.Entrance(), For: entranceFor.String()})
}

type entrancePage struct {
	Frame        frame
	Address, For string
}

// hand does one of the program's own deeds at the bench.
func (s *Server) hand(w http.ResponseWriter, r *http.Request) error {
	n, err := strconv.Atoi(r.PathValue("n"))
	hands := s.hands()
	if err != nil || n < 0 || n >= len(hands) {
		return withStatus(http.StatusNotFound, "there is no such deed here")
	}
	if s.cfg.Runner.State().Underway {
		return fmt.Errorf("hands off while RF may be on: %w", ErrUnderway)
	}
	s.handing.Lock()
	defer s.handing.Unlock()
	said, err := hands[n].Do()
	if err != nil {
		return err
	}
	p := saidPage{Frame: s.frameFor(r, "Job"), Said: said, Back: "/"}
	return s.draw(w, "said", p)
}

// saidPage says what came of something that changes no page of its own.
type saidPage struct {
	Frame      frame
	Said, Back string
}
