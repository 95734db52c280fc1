package web

import (
	"encoding/json"
	"errors"
	"io"
	"math"
	"net/http"
	"strconv"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/dut"
	"provoke/internal/job/event"
	"provoke/internal/model/sight"
)

// The browser is a camera too: a page asks it for pictures, shows that its camera is on, and hands them over while a
// run wants them (static/camera.js). What is seen in them is judged by the run alone.

// cameraNow is what a page has to know of the browser's camera while a run wants its pictures.
type cameraNow struct {
	Every int64  `json:"every"` // ms between two pictures
	By    string `json:"by"`    // the page that sends; empty for none
}

// cameraNow is nil where nobody wants pictures.
func (s *Server) cameraNow() *cameraNow {
	every, wanted, by := s.cfg.Runner.Handed().Wanted()
	if !wanted {
		return nil
	}
	return &cameraNow{every.Milliseconds(), by}
}

// pictureTaken takes a picture of the browser's camera. What is wrong with it is told in words, for the sign.
func (s *Server) pictureTaken(w http.ResponseWriter, r *http.Request) error {
	q := r.URL.Query()
	captured, bad1 := milliseconds(q.Get("captured"))
	sent, bad2 := milliseconds(q.Get("sent"))
	if page := q.Get("page"); bad1 || bad2 || page == "" || len(page) > longestPage {
		http.Error(w, "this is no picture of a page here: load the page again", http.StatusBadRequest)
		return nil
	}
	picture, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	switch err := s.cfg.Runner.Handed().Take(q.Get("page"), picture, captured, sent); {
	case errors.Is(err, camera.ErrUnwanted):
		io.WriteString(w, err.Error()) // as when the run has just ended: no fault
	case errors.Is(err, camera.ErrOther):
		http.Error(w, err.Error(), http.StatusConflict)
	case err != nil:
		http.Error(w, event.Printable(err.Error()), http.StatusUnprocessableEntity)
	default:
		w.WriteHeader(http.StatusNoContent)
	}
	return nil
}

// longestPage is how long the name may be that a page gives itself.
const longestPage = 40

// longestClock is the latest time that a page's clock may show.
const longestClock = 10 * 365 * 24 * time.Hour

// milliseconds reads a time of a page's clock.
func milliseconds(text string) (d time.Duration, bad bool) {
	ms, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(ms) || ms < 0 || ms > float64(longestClock.Milliseconds()) {
		return 0, true
	}
	return time.Duration(ms * float64(time.Millisecond)), false
}

// cameraLeft notes that a page sends no more pictures, and why.
func (s *Server) cameraLeft(w http.ResponseWriter, r *http.Request) error {
	why, err := io.ReadAll(r.Body)
	if err != nil {
		return err
	}
	s.cfg.Runner.Handed().Leave(r.URL.Query().Get("page"), event.Printable(shorten(string(why), 200)))
	w.WriteHeader(http.StatusNoContent)
	return nil
}

// regionNow is a region of a picture with what was read in it.
type regionNow struct {
	Name  string `json:"name"`
	Kind  string `json:"kind"`
	Box   [4]int `json:"box"`   // x, y, width and height in pixels of the picture
	State string `json:"state"` // empty before anything was learnt
	Text  string `json:"text"`
	Bad   bool   `json:"bad"` // it changed
}

// sight answers with the newest picture of a camera of the run that is being done; its regions go in a header.
func (s *Server) sight(w http.ResponseWriter, r *http.Request) error {
	shot, ok := s.cfg.Runner.Newest(r.FormValue("monitor"))
	if !ok {
		io.WriteString(w, "no picture of now") // in place of a picture
		return nil
	}
	return sendShot(w, shot)
}

// sendShot sends a picture with its regions.
func sendShot(w http.ResponseWriter, shot dut.Shot) error {
	regions := []regionNow{}
	for i, x := range shot.Regions {
		n := regionNow{Name: x.Name, Kind: string(x.Kind),
			Box: [4]int{x.Box.Min.X, x.Box.Min.Y, x.Box.Dx(), x.Box.Dy()}}
		if i < len(shot.Seen) {
			n.State, n.Text = string(shot.Seen[i].State), shot.Seen[i].Text
			n.Bad = shot.Seen[i].State == sight.Changed
		}
		regions = append(regions, n)
	}
	told, err := json.Marshal(regions)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "image/jpeg")
	w.Header().Set("Provoke-Regions", strconv.QuoteToASCII(string(told)))
	w.Write(shot.JPEG) // a browser that went away is no fault
	return nil
}
