package tell

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
)

// What a camera saw of an upset stands once: drawn in the report, and the pictures as they came in one line.
func TestPicturesAsTheyCameTakeOneLineOfTheReport(t *testing.T) {
	var r result.Run
	r.Number = 1
	add := func(name string, raw bool) {
		r.Attachments = append(r.Attachments, result.Attached{At: time.Unix(0, 0), Attached: event.Attached{
			Attachment: event.Attachment{Name: name, SHA256: "hash of " + name}, Caption: "caption of " + name,
			Raw: raw}})
	}
	for upset := 1; upset <= 3; upset++ {
		add(fmt.Sprintf("CAM1-upset-%d-drawn.jpg", upset), false)
		for i := 1; i <= upset*upset; i++ {
			add(fmt.Sprintf("CAM1-upset-%d-%d.jpg", upset, i), true)
		}
	}
	add("setup.jpg", false)
	p := &Report{}
	p.attach(Job{Runs: []result.Run{r}, Files: func(string) ([]byte, error) { return nil, errors.New("none") }})
	var rows []string
	for _, row := range p.Attachments.Rows {
		var cells []string
		for _, c := range row {
			cells = append(cells, c.Text)
		}
		rows = append(rows, strings.Join(cells[2:], "|"))
	}
	want := []string{
		"CAM1-upset-1-drawn.jpg|caption of CAM1-upset-1-drawn.jpg|hash of CAM1-upset-1-drawn.jpg",
		"CAM1-upset-1-1.jpg|caption of CAM1-upset-1-1.jpg|hash of CAM1-upset-1-1.jpg",
		"CAM1-upset-2-drawn.jpg|caption of CAM1-upset-2-drawn.jpg|hash of CAM1-upset-2-drawn.jpg",
		"CAM1-upset-2-1.jpg to CAM1-upset-2-4.jpg|4 files as they came|in the journal",
		"CAM1-upset-3-drawn.jpg|caption of CAM1-upset-3-drawn.jpg|hash of CAM1-upset-3-drawn.jpg",
		"CAM1-upset-3-1.jpg to CAM1-upset-3-9.jpg|9 files as they came|in the journal",
		"setup.jpg|caption of setup.jpg|hash of setup.jpg",
	}
	if strings.Join(rows, "\n") != strings.Join(want, "\n") {
		t.Errorf("%s", strings.Join(rows, "\n"))
	}
}
