package web

import (
	"net/http"

	"provoke/internal/result"
)

func (s *Server) morePages(page func(string, func(http.ResponseWriter, *http.Request) error)) {
}

// stripNow returns which monitor of a run is drawn, with its tolerance.
func (s *Server) stripNow(run int) strip {
	var st strip
	s.journal.with(run, func(r *result.Run) error { st = stripOf(r); return nil })
	return st
}
