package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"provoke/internal/job/event"
	"provoke/internal/job/result"
	"provoke/internal/units/rf"
)

// offAnswer is what came of "RF off".
type offAnswer struct {
	Off   bool     `json:"off"` // read back as off
	Title string   `json:"title"`
	Text  string   `json:"text"`
	Words []string `json:"words,omitempty"`
}

// offPage is that as a page.
type offPage struct {
	Frame  frame
	Answer offAnswer
}

// off switches RF off: a plain form, reached by one key, without a nonce that could be stale, and without a session
// where the request comes from this computer's own page. It is answered with what was read back. A script is told at
// once that the wish has arrived, and the rest when it is known.
func (s *Server) off(w http.ResponseWriter, r *http.Request) error {
	script := r.Header.Get("Accept") == "application/json"
	if script {
		w.Header().Set("Content-Type", "application/json")
		http.NewResponseController(w).Flush()
	}
	words, err := s.cfg.Runner.Off(r.Context(), "“RF off” on the page")
	if err == nil && len(words) == 0 {
		words, err = s.readBack(r.Context())
	}
	a := offAnswer{Off: err == nil, Title: "RF is off",
		Text: "Read back at " + s.cfg.Now().Format("15:04:05") + ".", Words: words}
	if err != nil {
		a.Title, a.Text = event.RFAlarm, event.TakeRFAway
		a.Words = append(a.Words, err.Error())
	} else {
		s.quietAt.Store(s.cfg.Now().UnixNano())
	}
	frame := s.frameFor(r, "Live")
	if frame.Narrow { // nothing of the bench but that
		a.Words = nil
	}
	for i, words := range a.Words {
		a.Words[i] = event.Printable(words)
	}
	if script {
		return json.NewEncoder(w).Encode(a)
	}
	frame.Title = a.Title
	if !a.Off {
		w.WriteHeader(http.StatusInternalServerError)
	}
	return s.draw(w, "off", offPage{Frame: frame, Answer: a})
}

// readBackWithin is how long an answer to "RF off" waits for a run that was told so to read its bench back.
const readBackWithin = 10 * time.Second

// readBack waits for the end of the run that was told to switch RF off, and says what it read back.
func (s *Server) readBack(ctx context.Context) ([]string, error) {
	st := s.cfg.Runner.State()
	for end := time.Now().Add(readBackWithin); st.Underway; st = s.cfg.Runner.State() {
		if time.Now().After(end) {
			return nil, fmt.Errorf("run %d was told to switch RF off and has not read the bench back within %v: press "+
				"“RF off” again, which goes past it to the instruments", st.Run, rf.Duration(readBackWithin))
		}
		select {
		case <-ctx.Done():
			return nil, errors.New("the browser went away before the bench was read back")
		case <-time.After(5 * time.Millisecond):
		}
	}
	var safed *event.Safed
	err := s.journal.with(st.Run, func(r *result.Run) error { safed = r.Safed; return nil })
	switch {
	case err != nil:
		return nil, fmt.Errorf("read what run %d read back: %w", st.Run, err)
	case safed == nil:
		return nil, fmt.Errorf("run %d has ended and does not say what it read back", st.Run)
	case !safed.Quiet:
		return stepWords(safed.Steps), errors.New(safed.How)
	}
	return append([]string{fmt.Sprintf("run %d was ended; RF %s, within %v", st.Run, safed.How, safed.Took)},
		stepWords(safed.Steps)...), nil
}

func stepWords(steps []event.SafeStep) []string {
	var out []string
	for _, x := range steps {
		out = append(out, x.What+": "+x.Result)
	}
	return out
}
