package camera

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"
)

// Handed is a camera whose pictures are handed over, as a page does with those of the browser's. One page sends at a
// time. The zero value is ready; nobody sends yet.
type Handed struct {
	mu    sync.Mutex
	by    string    // the page that sends; "" for none
	heard time.Time // when it sent last
	why   string    // why nobody sends
	clock pageClock
	last  time.Time // exposure of the newest picture
	wants map[*want]bool
	out   map[chan Picture]bool // of those who look
}

// want is somebody who wants pictures, and the shortest time between two.
type want struct{ every time.Duration }

// MostHanded is the largest picture that is taken from a page.
const MostHanded = 2 << 20

// oldest is how long ago a picture that is handed over may have been exposed.
const oldest = DefaultStill

// Errors of Take that a page words by itself.
var (
	ErrOther    = errors.New("another page sends the pictures of its camera: switch the camera off there first")
	ErrUnwanted = errors.New("no run and no set-up wants pictures now")
)

// Want says that pictures are wanted, one in so much time, until done.
func (h *Handed) Want(every time.Duration) (done func()) {
	w := &want{every}
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.wants == nil {
		h.wants = map[*want]bool{}
	}
	h.wants[w] = true
	return func() {
		h.mu.Lock()
		defer h.mu.Unlock()
		delete(h.wants, w)
	}
}

// Wanted says how often pictures are wanted, and that they are, and which page sends them now; "" for none.
func (h *Handed) Wanted() (every time.Duration, wanted bool, by string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for w := range h.wants {
		if !wanted || w.every < every {
			every, wanted = w.every, true
		}
	}
	return every, wanted, h.sender()
}

// sender is the page that sends. The caller holds the lock.
func (h *Handed) sender() string {
	if time.Since(h.heard) > DefaultStill {
		return ""
	}
	return h.by
}

// Take takes a picture from a page. captured and sent are times of the page's own clock, which has any beginning: when
// it was exposed, and when it was sent. A picture of the same moment as the one before is none.
func (h *Handed) Take(page string, picture []byte, captured, sent time.Duration) error {
	now := time.Now()
	if _, err := Measure(picture); err != nil {
		return err
	}
	if !bytes.HasSuffix(picture, []byte{0xff, markEOI}) {
		return errors.New("the page sent a picture that is cut short")
	}
	if age := sent - captured; age > oldest {
		return fmt.Errorf("the browser gives a picture that is %v old: is the page in front, and the camera free?",
			age.Round(100*time.Millisecond))
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	switch by := h.sender(); {
	case len(h.wants) == 0:
		return ErrUnwanted
	case by != "" && by != page:
		return ErrOther
	case by == "" || h.by != page:
		h.clock = pageClock{}
	}
	h.by, h.heard, h.why = page, now, ""
	at := h.clock.exposed(now, min(captured, sent), sent)
	if !at.After(h.last) {
		return nil
	}
	h.last = at
	for to := range h.out {
		select {
		case <-to: // one that nobody took
		default:
		}
		to <- Picture{picture, at}
	}
	return nil
}

// Leave says that a page sends no more pictures, and why.
func (h *Handed) Leave(page, why string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.by != page {
		return
	}
	h.by, h.why = "", why
	for to := range h.out {
		close(to)
	}
	clear(h.out)
}

// stream gives what is handed over to take until the page leaves. patient waits for the first picture, whatever pages
// come and go until then.
func (h *Handed) stream(ctx context.Context, patient bool, take func(Picture)) error {
	mine, err := h.listen(patient)
	for err == nil {
		select {
		case <-ctx.Done():
			h.mu.Lock()
			defer h.mu.Unlock()
			delete(h.out, mine)
			return context.Cause(ctx)
		case p, more := <-mine:
			if more {
				take(p)
				patient = false
			} else {
				mine, err = h.listen(patient)
			}
		}
	}
	return err
}

// listen returns where pictures come from now on. Where no page sends it says so, unless it is patient.
func (h *Handed) listen(patient bool) (chan Picture, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.sender() == "" && !patient {
		return nil, h.nobody()
	}
	if h.out == nil {
		h.out = map[chan Picture]bool{}
	}
	mine := make(chan Picture, mostHeld)
	h.out[mine] = true
	return mine, nil
}

// nobody says that no page sends, and why. The caller holds the lock.
func (h *Handed) nobody() error {
	if h.why != "" {
		return fmt.Errorf("no page sends the pictures of its camera: %s", h.why)
	}
	return errors.New("no page sends the pictures of its camera: switch it on there")
}

// pageClock maps times of a page's clock to this computer's. What a picture needs on its way makes it seem later, never
// earlier: of many the one that was quickest tells how far the clocks are apart.
type pageClock struct {
	begin time.Time
	apart []time.Duration
}

// Of a page's clock: how many pictures it is judged by, and by how much it may differ before it is another clock.
const (
	clockOver  = 100
	clockJumps = time.Second
)

// exposed is when a picture was exposed that arrived now. It is never after that.
func (c *pageClock) exposed(now time.Time, captured, sent time.Duration) time.Time {
	if c.begin.IsZero() {
		c.begin = now
	}
	apart := now.Sub(c.begin) - sent
	if n := len(c.apart); n > 0 && apart-slices.Min(c.apart) > clockJumps {
		c.apart = nil
	} else if n >= clockOver {
		c.apart = c.apart[n-clockOver+1:]
	}
	c.apart = append(c.apart, apart)
	return c.begin.Add(captured + slices.Min(c.apart))
}
