package web

import (
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
)

// submitted is the form of a plan or sweep file: as it was sent, or as a page first shows it. It is the one state
// that is checked, shown, saved and armed.
type submitted struct {
	Name, Text string
	Shown      string // stamp of the file that the form was loaded from; empty for a new one
	// Saved: the text is what the folder holds. Moved says why the text cannot be saved under its name as it stands.
	Saved bool
	Moved string
	// Clash are the keys whose field and whose line in the text were both changed, to different values.
	Clash problem.List
	// Status and Refused say what came of a request that was not done.
	Status  int
	Refused string
}

// submission reads the form of a request.
func (s *Server) submission(r *http.Request, fields []planField) submitted {
	x := submitted{Name: r.PostFormValue("file"), Shown: r.PostFormValue("stamp")}
	if as := strings.TrimSpace(r.PostFormValue("as")); as != "" {
		if !strings.HasSuffix(as, ".yaml") && !strings.HasSuffix(as, ".yml") {
			as += ".yaml"
		}
		if as != x.Name {
			x.Name, x.Shown = as, ""
		}
	}
	x.Text, x.Clash = editedText(r, fields)
	for i := range x.Clash {
		x.Clash[i].File = x.Name
	}
	s.folder.compare(&x)
	return x
}

// compare says how a form stands to the file of its name. A file that holds the very text is saved, whoever wrote it.
func (f *folder) compare(x *submitted) {
	x.Saved, x.Moved = false, ""
	data, err := f.read(x.Name)
	missing := errors.Is(err, fs.ErrNotExist)
	switch {
	case err == nil && normal(string(data)) == x.Text:
		x.Saved, x.Shown = true, stamp(data)
	case err == nil && x.Shown == "":
		x.Moved = fmt.Sprintf("%s is there already: choose another name", x.Name)
	case err == nil && stamp(data) != x.Shown:
		x.Moved = fmt.Sprintf("%s was changed by somebody else meanwhile, in another tab or by another program: save "+
			"what stands here under another name, or load %s again", x.Name, x.Name)
	case missing && x.Shown != "":
		x.Moved = fmt.Sprintf("%s was removed meanwhile: save what stands here under another name", x.Name)
	case err != nil && !missing:
		x.Moved = err.Error()
	}
}

// save writes a form into the folder, or says why not; what is there already stays as it is.
func (s *Server) save(x *submitted) {
	switch {
	case len(x.Clash) > 0:
		x.Status, x.Refused = http.StatusConflict, "a field and the text of the file contradict each other, see below"
		return
	case x.Moved != "":
		x.Status, x.Refused = http.StatusConflict, x.Moved
		return
	case x.Saved:
		return
	}
	err := s.folder.write(x.Name, []byte(x.Text), x.Shown)
	var se *statusError
	switch {
	case err == nil:
		x.Saved, x.Shown = true, stamp([]byte(x.Text))
	case errors.As(err, &se):
		x.Status, x.Refused = se.status, err.Error()
	default:
		x.Status, x.Refused = http.StatusInternalServerError, err.Error()
	}
}

// refuse notes why a request was not done, where nothing was noted yet.
func (x *submitted) refuse(status int, format string, args ...any) {
	if x.Refused == "" {
		x.Status, x.Refused = status, fmt.Sprintf(format, args...)
	}
}

// editedText is the text of a form, with the fields that were changed worked into it. A key that was changed in its
// field and in the text, to different values, is left as the text has it and told.
func editedText(r *http.Request, fields []planField) (string, problem.List) {
	text := normal(r.PostFormValue("text"))
	var clash problem.List
	was := func(key string) (string, bool) {
		o := r.PostForm["o."+key]
		if len(o) != 1 {
			return "", false
		}
		return strings.TrimSpace(normal(o[0])), true
	}
	contradicts := func(key, now string) bool {
		old, _ := was(key)
		in, _ := document.Find(text, key)
		if in.Text == old || in.Text == now {
			return false
		}
		clash = append(clash, problem.Problem{Field: key, What: fmt.Sprintf("the field and the text of the file were "+
			"both changed: the text says %s: %s", key, in.Text),
			Hint: "make them the same, or check the one and then " +
				"change the other"})
		return true
	}
	put := func(key, changed string, err error) {
		if err == nil {
			text = changed
			return
		}
		clash = append(clash, problem.Problem{Field: key, What: err.Error()})
	}
	for _, f := range fields {
		now := r.PostForm["f."+f.Key]
		old, known := was(f.Key)
		if len(now) != 1 || !known {
			continue
		}
		if value := strings.TrimSpace(normal(now[0])); value != old && !contradicts(f.Key, value) {
			changed, err := document.Set(text, f.Key, value, false)
			put(f.Key, changed, err)
		}
	}
	if _, known := was(gridKey); known {
		changed, err := editedRows(r, text)
		grid, _ := document.Find(changed, gridKey)
		if err != nil || changed != text && !contradicts(gridKey, grid.Text) {
			put(gridKey, changed, err)
		}
	}
	return text, clash
}
