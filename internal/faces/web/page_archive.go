package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"provoke/internal/faces/recall"
	"provoke/internal/job/archive"
	"provoke/internal/units/rf"
)

// Archive is where questions over many jobs go.
type Archive struct {
	At   string // without a password
	Open func(ctx context.Context) (*archive.Archive, error)
}

// archiveWithin is how long an archive has for an answer.
const archiveWithin = 20 * time.Second

// archiveField is one filter of the page.
type archiveField struct{ Name, Label, Like, Value string }

// archivePage asks the archive; what is asked stands in the address, so that an answer can be found again.
func (s *Server) archivePage(w http.ResponseWriter, r *http.Request) error {
	if s.cfg.Archive.Open == nil {
		return withStatus(http.StatusNotFound, "no archive is set: start the page with --archive or PROVOKE_ARCHIVE")
	}
	p := struct {
		Frame     frame
		At        string
		Question  string
		Questions []string
		Fields    []archiveField
		Wrong     string
		Sections  []toldSection
	}{Frame: s.frameFor(r, "Archive"), At: s.cfg.Archive.At, Question: r.FormValue("question")}
	p.Questions = recall.Questions[:len(recall.Questions)-1] // a corrected curve is a file: for the terminal
	value := func(name string) string { return strings.TrimSpace(r.FormValue(name)) }
	for _, f := range [][3]string{{"product", "Product", ""}, {"version", "Version", ""}, {"cable", "Kind of cable",
		"RS-485"},
		{"bench", "Bench", ""}, {"bench2", "Second bench", "with agree"}, {"operator", "Operator", ""}, {"fix",
			"Change", ""},
		{"cause", "Cause", ""}, {"text", "Words", ""}, {"from", "From", "20 MHz"}, {"to", "To", "60 MHz"},
		{"above", "Onset at least", "60 dBµA"}, {"below", "Onset at most", "90 dBµA"}, {"gain", "Gain at least",
			"6 dB"},
		{"since", "Since", "2026-03-01"}, {"until", "Until", "2026-11-30"}, {"serial", "Serial number", ""}} {
		p.Fields = append(p.Fields, archiveField{f[0], f[1], f[2], value(f[0])})
	}
	if p.Question != "" {
		sections, err := s.asked(r, value)
		switch {
		case errors.Is(err, recall.ErrAsked), errors.Is(err, recall.ErrNothing):
			p.Wrong = err.Error()
		case err != nil:
			p.Wrong = fmt.Sprintf("The archive does not answer: %v", err)
		}
		p.Sections = sections
	}
	return s.draw(w, "archive", p)
}

func (s *Server) asked(r *http.Request, value func(string) string) ([]toldSection, error) {
	q := recall.Question{Name: r.FormValue("question"), Serial: value("serial"), Now: s.cfg.Now(),
		Filter: archive.Filter{
			Product: value("product"), Version: value("version"), Cable: value("cable"), Operator: value("operator"),
			Fix: value("fix"), Cause: value("cause"), Text: value("text"), Since: value("since"),
			Until: value("until")}}
	var wrong []error
	read := func(name string, parse func(string) error) {
		if text := value(name); text != "" {
			if err := parse(text); err != nil {
				wrong = append(wrong, fmt.Errorf("%w: %w", recall.ErrAsked, err))
			}
		}
	}
	read("from", func(t string) (err error) { q.From, err = rf.ParseFrequency(t); return err })
	read("to", func(t string) (err error) { q.To, err = rf.ParseFrequency(t); return err })
	read("above", func(t string) (err error) { q.Above, err = rf.Parse[rf.Ampere](t); return err })
	read("below", func(t string) (err error) { q.Below, err = rf.Parse[rf.Ampere](t); return err })
	read("gain", func(t string) error {
		g, err := rf.ParseGain(t)
		q.Gain = &g
		return err
	})
	for _, name := range []string{"bench", "bench2"} {
		if text := value(name); text != "" {
			q.Benches = append(q.Benches, text)
		}
	}
	if err := errors.Join(append(wrong, q.Check())...); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(r.Context(), archiveWithin)
	defer cancel()
	a, err := s.cfg.Archive.Open(ctx)
	if err != nil {
		return nil, err
	}
	defer a.Close()
	t, err := q.Ask(ctx, a)
	if err != nil {
		return nil, err
	}
	return onPage(t.Sections(), 0), nil
}
