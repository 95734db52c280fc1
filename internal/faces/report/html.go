package report

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"provoke/internal/job/event"
	"provoke/internal/tell"
)

//go:embed page.html
var pageText string

//go:embed page.css
var pageStyle string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{"tie": tell.Tie, "figure": figureOf,
	"data": dataURL}).Parse(pageText))

// HTML writes the report as one self-contained page: no script, no font, no file beside it.
func HTML(w io.Writer, j tell.Job) error {
	p, err := tell.Tell(j)
	if err != nil {
		return err
	}
	var text bytes.Buffer
	err = pageTemplate.Execute(&text, struct {
		*tell.Report
		Style template.CSS
	}{p, template.CSS(pageStyle)})
	if err == nil {
		_, err = w.Write(event.Harmless(text.Bytes()))
	}
	if err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	return nil
}

// dataURL is an address of a picture within the page; nothing outside is named.
func dataURL(p *tell.Picture) template.URL {
	return template.URL("data:" + p.Kind + ";base64," + base64.StdEncoding.EncodeToString(p.Bytes))
}
