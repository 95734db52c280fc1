package web

import (
	"net/http"
	"strings"

	"provoke/docs"
)

// wordsPage shows docs/glossary.md.
func (s *Server) wordsPage(w http.ResponseWriter, r *http.Request) error {
	words, err := docs.Words()
	if err != nil {
		return err
	}
	p := struct {
		Frame frame
		Words []docs.Word
	}{s.frameFor(r, "Words"), words}
	return s.draw(w, "glossary", p)
}

// wordID is the anchor of a word on that page: /words#first-light.
func wordID(name string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return strings.ContainsRune(" ,.()%", r) }), "-")
}

// pieces splits a text at its backquotes: every second piece stood between two of them.
func pieces(text string) []string { return strings.Split(text, "`") }
