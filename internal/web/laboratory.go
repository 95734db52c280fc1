package web

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"

	"provoke/internal/event"
	"provoke/internal/level"
	"provoke/internal/problem"
	"provoke/internal/rf"
	"provoke/internal/store"
)

// laboratory is what the laboratory reported, as the newest entry says.
type laboratory struct {
	Run int // that holds it; 0 for none
	event.LaboratoryFailures
}

// laboratoryNow returns the newest entry of the job.
func (s *Server) laboratoryNow() (laboratory, error) {
	var out laboratory
	infos, err := s.journal.runs()
	if err != nil {
		return out, err
	}
	job, err := s.journal.open()
	if err != nil || job == nil {
		return out, err
	}
	for i := len(infos) - 1; i >= 0; i-- {
		if infos[i].Opened.RunKind != event.LaboratoryKind {
			continue
		}
		for rec, err := range job.Records(infos[i].Run, 1) {
			if err != nil {
				return out, err
			}
			if e, ok := rec.Event.(event.LaboratoryFailures); ok {
				out.Run, out.LaboratoryFailures = infos[i].Run, e
			}
		}
		return out, nil
	}
	return out, nil
}

// keepLaboratory writes down what the laboratory reported: the rows of the form, or a CSV file. It
// is a run of its own in the journal; the newest counts.
func (s *Server) keepLaboratory(w http.ResponseWriter, r *http.Request) error {
	var e event.LaboratoryFailures
	var list problem.List
	var name string
	var file []byte
	if strings.HasPrefix(r.Header.Get("Content-Type"), "multipart/") {
		var err error
		if name, file, err = upload(r); err != nil {
			return err
		}
		e.Failures, list = readFailures(name, file)
	} else {
		if err := r.ParseForm(); err != nil {
			return withStatus(http.StatusBadRequest, "the form cannot be read: %v", err)
		}
		e.Failures, list = formFailures(r)
	}
	e.Laboratory, e.Report = trimmed(r.FormValue("laboratory"), 200), trimmed(r.FormValue("report"), 200)
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
	w, err := j.NewRun(now, event.Opened{Program: s.cfg.Program, RunKind: event.LaboratoryKind, Label: "as the laboratory reported"})
	if err != nil {
		return err
	}
	if _, err := w.Append(now, events...); err != nil {
		return err
	}
	_, err = w.Close(now, event.Done, "")
	return err
}

// failureColumns are the columns of the form and of the CSV file, with other words for them.
var failureColumns = []struct {
	name  string
	words []string
}{
	{"from", []string{"from", "frequency", "f", "start"}},
	{"to", []string{"to", "until", "stop", "end"}},
	{"level", []string{"level", "test level", "severity"}},
	{"modulation", []string{"modulation", "mod"}},
	{"what", []string{"what", "what happened", "happened", "failure", "observation", "remark"}},
}

// formFailures reads the rows of the form; empty rows do not count.
func formFailures(r *http.Request) ([]event.LaboratoryFailure, problem.List) {
	var out []event.LaboratoryFailure
	var list problem.List
	for i := range r.PostForm["from"] {
		var cells [5]string
		for k, c := range failureColumns {
			if v := r.PostForm[c.name]; i < len(v) {
				cells[k] = v[i]
			}
		}
		if strings.TrimSpace(strings.Join(cells[:], "")) == "" {
			continue
		}
		f, problems := failureOf(cells)
		for _, p := range problems {
			p.File, p.Line = "row", i+1
			list = append(list, p)
		}
		out = append(out, f)
	}
	return out, list
}

// mostFailures is how many lines of a laboratory's report are taken.
const mostFailures = 2000

// failureOf reads one line; every cell is checked.
func failureOf(cells [5]string) (f event.LaboratoryFailure, list problem.List) {
	say := func(column int, err error) {
		list = append(list, problem.Problem{Column: column + 1, What: failureColumns[column].name + ": " + err.Error()})
	}
	for i := range cells {
		cells[i] = trimmed(cells[i], 500)
	}
	var err error
	if cells[0] == "" {
		say(0, errors.New("the frequency is missing"))
	} else if f.From, err = rf.ParseFrequency(cells[0]); err != nil {
		say(0, err)
	}
	if cells[1] != "" {
		if f.To, err = rf.ParseFrequency(cells[1]); err != nil {
			say(1, err)
		} else if f.To < f.From {
			say(1, fmt.Errorf("%v lies below %v", f.To, f.From))
		}
	}
	if f.Level = cells[2]; f.Level != "" {
		_, asked := level.ParseAsked(f.Level)
		_, field := level.ParseFieldStrength(f.Level)
		if asked != nil && field != nil {
			say(2, fmt.Errorf("%w (or a field strength, 10 V/m)", asked))
		}
	}
	if f.Modulation = cells[3]; f.Modulation != "" {
		if _, err := level.ParseEnvelope(f.Modulation); err != nil {
			say(3, err)
		}
	}
	if f.What = cells[4]; f.What == "" {
		say(4, errors.New("what happened is missing"))
	}
	return f, list
}

// readFailures reads a CSV file with a header; all problems come back at once.
func readFailures(name string, data []byte) ([]event.LaboratoryFailure, problem.List) {
	text := strings.TrimPrefix(string(data), "\ufeff")
	reader := csv.NewReader(strings.NewReader(text))
	reader.Comma, reader.FieldsPerRecord, reader.TrimLeadingSpace = separator(text), -1, true
	head, err := reader.Read()
	if err != nil {
		return nil, problem.List{{File: name, What: "there is no header: " + err.Error()}}
	}
	columns, list := failureHeader(name, head)
	if list.Err() != nil {
		return nil, list
	}
	var out []event.LaboratoryFailure
	for {
		row, err := reader.Read()
		if errors.Is(err, io.EOF) {
			return out, list
		}
		line, _ := reader.FieldPos(0)
		if err != nil || len(out) >= mostFailures {
			if err == nil {
				err = fmt.Errorf("more than %d lines", mostFailures)
			}
			return out, append(list, problem.Problem{File: name, Line: line, What: err.Error()})
		}
		var cells [5]string
		for i, at := range columns {
			if at >= 0 && at < len(row) {
				cells[i] = row[at]
			}
		}
		if strings.TrimSpace(strings.Join(row, "")) == "" {
			continue
		}
		f, problems := failureOf(cells)
		for _, p := range problems {
			p.File, p.Line, p.Column = name, line, columns[p.Column-1]+1
			list = append(list, p)
		}
		out = append(out, f)
	}
}

// separator is what the first line has most of.
func separator(text string) rune {
	first, _, _ := strings.Cut(text, "\n")
	best, most := ',', strings.Count(first, ",")
	for _, c := range []rune{';', '\t'} {
		if n := strings.Count(first, string(c)); n > most {
			best, most = c, n
		}
	}
	return best
}

// failureHeader finds the columns.
func failureHeader(name string, head []string) (columns [5]int, list problem.List) {
	for i, c := range failureColumns {
		columns[i] = -1
		for at, h := range head {
			for _, word := range c.words {
				if columns[i] < 0 && strings.EqualFold(strings.TrimSpace(h), word) {
					columns[i] = at
				}
			}
		}
	}
	for _, i := range []int{0, 4} {
		if columns[i] < 0 {
			list = append(list, problem.Problem{File: name, Line: 1, What: fmt.Sprintf("there is no column %q", failureColumns[i].name),
				Hint: "the first line names the columns: from; to; level; modulation; what"})
		}
	}
	return columns, list
}
