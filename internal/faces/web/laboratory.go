package web

import (
	"net/http"
	"slices"
	"strings"
	"unicode/utf8"

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

// labForm is the form in which it is written down: as it is, or as somebody typed it who was refused.
type labForm struct {
	Laboratory, Report string
	Rows               [][]labCell
	Refused            bool
	Problems           problem.List // that belong to no cell; Uploaded: to a file
	Uploaded           bool
}

// labCell is one cell of the form. Wrong says what is wrong in it, First that it is the first such one.
type labCell struct {
	Name, Label, Example, Value, Wrong string
	First                              bool
}

// failureColumns are the columns of the form, as analysis.ParseLaboratory names them.
var failureColumns = []labCell{{Name: "from", Label: "From", Example: "27,12 MHz"}, {Name: "to", Label: "To"},
	{Name: "level", Label: "Level", Example: "3 V emf"},
	{Name: "modulation", Label: "Modulation", Example: "AM 80 % 1 kHz"}, {Name: "what", Label: "What happened"},
	{Name: "class", Label: "Class"}, {Name: "onset", Label: "Level is its onset (yes)"},
	{Name: "required", Label: "Required"}}

// labRow makes a row of the form.
func labRow(values ...string) []labCell {
	row := append([]labCell(nil), failureColumns...)
	for k, v := range values {
		row[k].Value = v
	}
	return row
}

// Columns are the headings of the form.
func (labForm) Columns() []labCell { return failureColumns }

// formOf is the form that holds what is written down.
func formOf(lab laboratory) labForm {
	f := labForm{Laboratory: lab.Laboratory, Report: lab.Report}
	for _, x := range lab.Failures {
		to, onset := "", ""
		if x.To.Known() {
			to = x.To.String()
		}
		if x.Onset {
			onset = "yes"
		}
		f.Rows = append(f.Rows, labRow(x.From.String(), to, x.Level, x.Modulation, x.What, x.Class, onset, x.Required))
	}
	return f.blank()
}

// blank adds empty rows, which do not count.
func (f labForm) blank() labForm {
	f.Rows = append(f.Rows, labRow(), labRow(), labRow())
	return f
}

// typedForm is the form as somebody filled it in. Empty rows do not count.
func typedForm(r *http.Request) labForm {
	f := labForm{Laboratory: trimmed(r.PostFormValue("laboratory"), 200),
		Report: trimmed(r.PostFormValue("report"), 200)}
	for i := range r.PostForm["from"] {
		row, some := labRow(), ""
		for k, c := range row {
			if v := r.PostForm[c.Name]; i < len(v) {
				row[k].Value = trimmed(v[i], 500)
				some += row[k].Value
			}
		}
		if some != "" {
			f.Rows = append(f.Rows, row)
		}
	}
	return f
}

// parse reads the rows by the rules of the CSV file that they could have been. Where that has problems each row is read
// alone, so that a fault of one hides none of another, and the cells that are wrong are marked.
func (f *labForm) parse() event.LaboratoryFailures {
	e, list := readRows(f.Rows)
	e.Laboratory, e.Report = f.Laboratory, f.Report
	if f.Refused = list.Err() != nil; !f.Refused {
		return e
	}
	marked := false
	for _, row := range f.Rows {
		marked = markRow(row, !marked) || marked
	}
	if !marked {
		f.Problems = list
	}
	return e
}

// markRow marks what is wrong in a row that is read alone; first says that nothing was marked before. A frequency
// without a unit keeps the rest from being read: a good one stands for it then.
func markRow(row []labCell, first bool) (marked bool) {
	trial := slices.Clone(row)
	for again := true; again; {
		again = false
		_, list := readRows([][]labCell{trial})
		for _, p := range list {
			k := cellAt(trial, p)
			if p.Warning || row[k].Wrong != "" {
				continue
			}
			row[k].Wrong = strings.TrimPrefix(p.What, row[k].Name+": ")
			row[k].First = first && !marked
			marked = true
			if p.Line < 2 {
				trial[k].Value, again = "1 GHz", true
			}
		}
	}
	return marked
}

// readRows reads rows as the CSV file that they could have been.
func readRows(rows [][]labCell) (event.LaboratoryFailures, problem.List) {
	text := ""
	for i, row := range append([][]labCell{failureColumns}, rows...) {
		for k, c := range row {
			if k > 0 {
				text += ";"
			}
			text += c.written(i == 0)
		}
		text += "\n"
	}
	return analysis.ParseLaboratory("the form", []byte(text))
}

// written is a cell as a CSV file takes it, or its heading.
func (c labCell) written(head bool) string {
	switch {
	case head:
		return c.Name
	case strings.ContainsAny(c.Value, ";\"\n\r"):
		return `"` + strings.NewReplacer("\n", " ", "\r", " ", `"`, `""`).Replace(c.Value) + `"`
	}
	return c.Value
}

// cellAt finds the cell that a problem of a row that was read alone is in: it, or its heading, begins there.
func cellAt(row []labCell, p problem.Problem) int {
	at, last := 1, 0
	for k, c := range row {
		if at > max(1, p.Column) {
			break
		}
		last = k
		at += utf8.RuneCountInString(c.written(p.Line < 2)) + 1
	}
	return last
}

// keepLaboratory writes down what the laboratory reported: the rows of the form, or a CSV file. It
// is a run of its own in the journal; the newest counts. What is refused comes back as it was typed.
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
	var e event.LaboratoryFailures
	var form labForm
	if file != nil {
		e, form.Problems = analysis.ParseLaboratory(name, file)
		form.Uploaded, form.Refused = true, form.Problems.Err() != nil
	} else {
		if err := r.ParseForm(); err != nil {
			return withStatus(http.StatusBadRequest, "the form cannot be read: %v", err)
		}
		if form = typedForm(r); len(form.Rows) > 0 {
			e = form.parse()
		}
	}
	if !form.Refused && len(e.Failures) == 0 {
		form.Refused = true
		form.Problems = append(form.Problems, problem.Problem{What: "there is no failure in it"})
	}
	if form.Refused {
		return s.showJob(w, r, func(p *jobPage) {
			if form.Uploaded {
				form.Laboratory, form.Report, form.Rows = p.Form.Laboratory, p.Form.Report, p.Form.Rows
			} else {
				form = form.blank()
			}
			p.Form = form
		})
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
