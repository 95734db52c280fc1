package web

import (
	"provoke/internal/event"
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
