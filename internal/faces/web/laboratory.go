package web

import (
	"bytes"
	"encoding/csv"
	"net/http"
	"strings"

	"provoke/internal/files/problem"
	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
)

// laboratory is what the laboratory reported, as the newest entry says.
type laboratory struct {
	Run int // that holds it; 0 for none
	event.LaboratoryFailures
}

// laboratoryNow returns the newest entry of the job.
func (s *Server) laboratoryNow() (laboratory, error) {
	lab, run, err := s.book().Laboratory()
	return laboratory{run, lab}, err
}

// keepLaboratory writes down what the laboratory reported: the rows of the form, or a CSV file. It
// is a run of its own in the journal; the newest counts.
func (s *Server) keepLaboratory(w http.ResponseWriter, r *http.Request) error {
	var name string
	var file []byte
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/") {
		var err error
		if name, file, err = upload(r); err != nil {
			return err
		}
	}
	if err := s.sameJob(r); err != nil {
		return err
	}
	e, list := event.LaboratoryFailures{}, problem.List(nil)
	if file != nil {
		e, list = analysis.ParseLaboratory(name, file)
	} else {
		if err := r.ParseForm(); err != nil {
			return withStatus(http.StatusBadRequest, "the form cannot be read: %v", err)
		}
		e, list = analysis.ParseLaboratory("the form", formRows(r))
		e.Laboratory, e.Report = trimmed(r.FormValue("laboratory"), 200), trimmed(r.FormValue("report"), 200)
	}
	if err := list.Err(); err != nil {
		return err
	}
	if len(e.Failures) == 0 {
		return withStatus(http.StatusBadRequest, "there is no failure in it")
	}
	err := s.cfg.Runner.WithJob(func(j *store.Job) error { return s.writeLaboratory(j, e, name, file) })
	if err != nil {
		return err
	}
	return seeOther(w, r, "/#laboratory")
}

func (s *Server) writeLaboratory(j *store.Job, e event.LaboratoryFailures, name string, file []byte) error {
	now := s.cfg.Now()
	events := []event.Event{e}
	if file != nil {
		a, err := j.Attach(name, file)
		if err != nil {
			return err
		}
		events = append(events, event.Attached{Attachment: a, Caption: "what the laboratory reported, as it came"})
	}
	w, err := j.NewRun(now, event.Opened{Program: s.cfg.Program, RunKind: event.LaboratoryKind,
		Label: "as the laboratory reported"})
	if err != nil {
		return err
	}
	if _, err := w.Append(now, events...); err != nil {
		return err
	}
	_, err = w.Close(now, event.Done, "")
	return err
}

// failureColumns are the columns of the form, as analysis.ParseLaboratory names them.
var failureColumns = []string{"from", "to", "level", "modulation", "what", "class", "onset", "required"}

// formRows turns the rows of the form into the CSV file that they could have been, so that both are
// read by the same rules. Empty rows do not count.
func formRows(r *http.Request) []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.Comma = ';'
	w.Write(failureColumns)
	for i := range r.PostForm["from"] {
		row := make([]string, len(failureColumns))
		for k, name := range failureColumns {
			if v := r.PostForm[name]; i < len(v) {
				row[k] = trimmed(v[i], 500)
			}
		}
		if strings.Join(row, "") != "" {
			w.Write(row)
		}
	}
	w.Flush()
	return b.Bytes()
}
