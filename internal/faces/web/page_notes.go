package web

import (
	"errors"
	"io"
	"net/http"
	"path"
	"strconv"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/job/store"
)

// note keeps a remark in a run's journal.
func (s *Server) note(w http.ResponseWriter, r *http.Request) error {
	if err := s.sameJob(r); err != nil {
		return err
	}
	run, err := s.runAsked(r)
	if err != nil {
		return err
	}
	text := strings.TrimSpace(shorten(r.PostFormValue("text"), 2000))
	if text == "" {
		return withStatus(http.StatusBadRequest, "the note is empty")
	}
	err = s.cfg.Runner.WithJob(func(j *store.Job) error {
		_, err := j.Annotate(run, s.cfg.Now(), event.Note{By: shorten(r.PostFormValue("by"), 100), Text: text})
		return err
	})
	if err != nil {
		return err
	}
	return s.quietly(w, r, run)
}

// runAsked returns the run that a form names; there must be one.
func (s *Server) runAsked(r *http.Request) (int, error) {
	run, err := runOf(r)
	if err == nil && run == 0 {
		run, err = s.which(0)
	}
	if err == nil && run == 0 {
		err = withStatus(http.StatusConflict, "there is no run yet to write to")
	}
	return run, err
}

// quietly answers a form that a script sent with nothing, one that a person sent with the page.
func (s *Server) quietly(w http.ResponseWriter, r *http.Request, run int) error {
	if r.Header.Get("Accept") == "application/json" {
		w.WriteHeader(http.StatusNoContent)
		return nil
	}
	return seeOther(w, r, "/live?run="+strconv.Itoa(run))
}

// pictures are the kinds of image that a browser shows and that are taken as photos.
var pictures = map[string]bool{"image/jpeg": true, "image/png": true, "image/webp": true, "image/gif": true}

// photo joins a picture to a run.
func (s *Server) photo(w http.ResponseWriter, r *http.Request) error {
	name, data, err := upload(r)
	if err == nil {
		err = s.sameJob(r)
	}
	if err != nil {
		return err
	}
	run, err := s.runAsked(r)
	if err != nil {
		return err
	}
	if kind := http.DetectContentType(data); !pictures[kind] {
		return withStatus(http.StatusUnsupportedMediaType,
			"%s is no JPEG, PNG, WebP or GIF picture (it looks like %s); other files are attached with provoke attach",
			name, kind)
	}
	if err := store.CheckAttachment(name, int64(len(data))); err != nil {
		return withStatus(http.StatusBadRequest, "%v", err)
	}
	err = s.cfg.Runner.WithJob(func(j *store.Job) error {
		a, err := j.Attach(name, data)
		if err != nil {
			return err
		}
		_, err = j.Annotate(run, s.cfg.Now(),
			event.Attached{Attachment: a, Caption: shorten(r.FormValue("caption"), 300)})
		return err
	})
	if err != nil {
		return err
	}
	return s.quietly(w, r, run)
}

// upload reads the one file of a form. The size of the body is limited before it comes here.
func upload(r *http.Request) (name string, data []byte, err error) { return uploadOf(r, "file") }

func uploadOf(r *http.Request, field string) (name string, data []byte, err error) {
	if err := r.ParseMultipartForm(1 << 20); err != nil {
		var tooBig *http.MaxBytesError
		if errors.As(err, &tooBig) {
			return "", nil, err
		}
		return "", nil, withStatus(http.StatusBadRequest, "the upload cannot be read: %v", err)
	}
	defer r.MultipartForm.RemoveAll()
	f, head, err := r.FormFile(field)
	if err != nil {
		return "", nil, withStatus(http.StatusBadRequest, "there is no file in the upload")
	}
	defer f.Close()
	data, err = io.ReadAll(f)
	return path.Base(strings.ReplaceAll(head.Filename, "\\", "/")), data, err
}

// attachment sends a file of the job: pictures as such, everything else as a download that a
// browser does not interpret.
func (s *Server) attachment(w http.ResponseWriter, r *http.Request) error {
	job, err := s.journal.open()
	if err != nil {
		return err
	}
	if job == nil {
		return withStatus(http.StatusNotFound, "the job does not exist yet")
	}
	name, data, err := job.Attachment(r.PathValue("hash"))
	if err != nil {
		return withStatus(http.StatusNotFound, "%v", err)
	}
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	if kind := http.DetectContentType(data); pictures[kind] {
		h.Set("Content-Type", kind)
	} else {
		h.Set("Content-Type", "application/octet-stream")
		h.Set("Content-Disposition", "attachment; filename*=UTF-8''"+percent(name))
	}
	_, err = w.Write(data)
	return err
}

// percent writes a file name as a header takes it.
func percent(name string) string {
	var b strings.Builder
	for _, c := range []byte(name) {
		if c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '.' || c == '-' || c == '_' {
			b.WriteByte(c)
		} else {
			b.WriteString("%" + strings.ToUpper(strconv.FormatInt(int64(c)+256, 16)[1:]))
		}
	}
	return b.String()
}
