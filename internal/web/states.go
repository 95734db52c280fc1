package web

import "net/http"

func (s *Server) statesPage(w http.ResponseWriter, r *http.Request) error { return nil }
func (s *Server) statePage(w http.ResponseWriter, r *http.Request) error  { return nil }
