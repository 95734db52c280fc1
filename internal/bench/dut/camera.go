package dut

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/access"
	"provoke/internal/bench/camera"
	"provoke/internal/files/catalog"
	"provoke/internal/model/sight"
)

// Learner is a monitor that learns what "well" looks like, and not only what it reads.
type Learner interface {
	// Learn has it forget what it knew and learn anew from now on; the bench has no RF. What comes until it has learnt
	// enough are samples with Missed.
	Learn()
}

// Shower is a monitor that has pictures of what it saw.
type Shower interface {
	// Pictures are those it holds of the time from one moment to another.
	Pictures(from, to time.Time) []Shot
	// Newest is the picture that came last; ok is false before the first. While it learns nothing is read in it.
	Newest() (shot Shot, ok bool)
}

// Shot is a picture with what was read in it.
type Shot struct {
	At    time.Time // when it was exposed, as far as the latency is known
	JPEG  []byte
	Seen  []sight.Seen
	Drawn func() ([]byte, error) // the picture with regions and readings drawn on, as a JPEG
	// Regions are where Seen was seen, in its order.
	Regions []sight.Region
}

// Bounds of the pictures that are held for a while; the oldest go first.
const (
	heldFor   = 8 * time.Second
	heldBytes = 24 << 20
)

// watchman watches regions of a camera's picture.
type watchman struct {
	worker
	source  camera.Source
	regions []sight.Region
	began   time.Time

	// of the goroutine that looks
	eye      *sight.Eye
	learning bool

	mu    sync.Mutex // guards the rest
	fresh bool       // learn anew
	now   Shot       // the newest
	held  []Shot
	bytes int
}

// newCamera teaches the regions; the camera itself stays off until Start.
func newCamera(spec catalog.Monitor, o Options) (Monitor, error) {
	w := &watchman{worker: worker{spec: spec}, fresh: true}
	var err error
	if w.source, err = SourceOf(spec, o.Page); err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	if w.regions, err = TaughtRegions(spec); err == nil {
		w.eye, err = sight.New(w.regions)
	}
	if err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	return w, nil
}

// pageBegins is how long a page may take to send the first picture of its browser's camera: a person is asked first.
const pageBegins = 20 * time.Second

// ErrNoPage is returned where a monitor watches through the browser's camera and no page can send its pictures.
var ErrNoPage = errors.New("a monitor watches through the browser's camera, and no page is served here: begin the " +
	"run on the page of \"provoke serve\", or name another camera")

// SourceOf is the camera of a monitor. page is what pages hand over, for one that watches through the browser's.
func SourceOf(spec catalog.Monitor, page *camera.Handed) (camera.Source, error) {
	s := camera.Source{URL: spec.URL, Command: spec.Command, Every: spec.Period().Std(), Still: spec.Timeout.Std(),
		Login: access.Login{From: spec.Credentials, Authority: spec.Authority}}
	if !spec.ByBrowser() {
		return s, nil
	}
	if page == nil {
		return s, ErrNoPage
	}
	s.URL, s.Page, s.Begin = "", page, pageBegins
	return s, nil
}

// TaughtRegions are the regions of a monitor with what their lessons teach.
func TaughtRegions(spec catalog.Monitor) (out []sight.Region, err error) {
	for _, r := range spec.Regions {
		region := sight.Region{Name: r.Name, Kind: sight.Kind(r.LookFor), Box: r.Box, Join: r.Join,
			Digits: sight.DigitsRegion{Places: r.Places, OwnPoint: r.OwnPoint, Decimals: r.Decimals}}
		var lessons []sight.Lesson
		for _, l := range r.Lessons {
			m, err := camera.Decode(l.Picture)
			if err != nil {
				return nil, fmt.Errorf("lesson %s of %q: %w", l.File, r.Name, err)
			}
			lessons = append(lessons, sight.Lesson{Frame: sight.FromImage(m, 0), Text: l.Shows})
		}
		if len(lessons) > 0 {
			if region, err = sight.Teach(region, lessons); err != nil {
				return nil, fmt.Errorf("its lessons do not teach it: %w", err)
			}
		}
		out = append(out, region)
	}
	return out, nil
}

// Start switches the camera on and waits for its first picture.
func (w *watchman) Start(ctx context.Context, deliver func(Sample)) error {
	w.began = time.Now()
	return w.attend(ctx, deliver, func(ctx context.Context) (blind bool, err error) {
		err = w.source.Stream(ctx, w.look)
		w.source.Begin = 0
		return true, err
	})
}

// Learn has the next pictures learnt as those of a product that is well.
func (w *watchman) Learn() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fresh = true
}

// look takes a picture.
func (w *watchman) look(p camera.Picture) {
	w.asked = p.Arrived.Add(-w.latency() - w.source.Every)
	m, err := camera.Decode(p.JPEG)
	if err != nil {
		w.sample(Sample{At: p.Arrived, Missed: err.Error(), Blind: true})
		return
	}
	w.known(nil)
	w.mu.Lock()
	anew := w.fresh
	w.fresh = false
	w.mu.Unlock()
	if anew {
		w.eye, w.learning = w.newEye(), true
	}
	f := sight.FromImage(m, p.Arrived.Sub(w.began))
	shot := Shot{At: p.Arrived.Add(-w.spec.Latency.Std()), JPEG: p.JPEG, Regions: w.regions}
	if w.learning {
		w.show(shot)
		w.eye.Learn(f)
		if err := w.eye.Learnt(); err != nil {
			w.sample(Sample{At: p.Arrived, Missed: err.Error(), Blind: true})
			return
		}
		w.learning = false
		return
	}
	seen := w.eye.Look(f)
	shot.Seen, shot.Drawn = seen, func() ([]byte, error) { return drawn(p.JPEG, w.regions, seen) }
	w.show(shot)
	w.hold(shot)
	s := w.read(seen)
	s.At = p.Arrived
	w.sample(s)
}

// newEye is an eye that knows the lessons and no baseline. The regions made one before.
func (w *watchman) newEye() *sight.Eye {
	eye, _ := sight.New(w.regions)
	return eye
}

// latency is how old a picture is at most.
func (w *watchman) latency() time.Duration {
	return orElse(w.spec.Latency, catalog.UnmeasuredLatency)
}

// read turns what is seen into a sample. What changed counts first, then what could not be seen. Characters that are no
// number are an error, in the baseline too: a product that shows one then is not well.
func (w *watchman) read(seen []sight.Seen) Sample {
	var s Sample
	var texts []string
	for i, x := range seen {
		digits := w.regions[i].Kind == sight.Digits
		switch x.State {
		case sight.Same, sight.Changed:
			if x.Text != "" {
				texts = append(texts, x.Region+" "+x.Text)
			}
			if digits && x.HasValue {
				s.Value, s.HasValue = x.Value, true
			} else if (digits || x.State == sight.Changed) && w.regions[i].Kind != sight.Reference && !s.Error {
				s.Error = true
				s.Text = fmt.Sprintf("%q at region %q", orText(x.Text, "a change"), x.Region)
			}
		default:
			blind := x.State == sight.CannotSee
			if s.Missed == "" || blind && !s.Blind {
				s.Missed, s.Blind = fmt.Sprintf("region %q: %s", x.Region, x.Why), blind
			}
		}
	}
	if !s.Error {
		s.Text = strings.Join(texts, ", ")
	}
	return s
}

func orText(text, otherwise string) string {
	if text != "" {
		return text
	}
	return otherwise
}

// show has a picture be the newest.
func (w *watchman) show(x Shot) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.now = x
}

// Newest is the picture that came last.
func (w *watchman) Newest() (Shot, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.now, w.now.JPEG != nil
}

// hold keeps a picture for a while.
func (w *watchman) hold(x Shot) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.held = append(w.held, x)
	w.bytes += len(x.JPEG)
	n := 0
	for n < len(w.held)-1 && (w.bytes > heldBytes || x.At.Sub(w.held[n].At) > heldFor) {
		w.bytes -= len(w.held[n].JPEG)
		w.held[n] = Shot{}
		n++
	}
	w.held = w.held[n:]
}

// Pictures are those it holds of a time.
func (w *watchman) Pictures(from, to time.Time) (out []Shot) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, x := range w.held {
		if !x.At.Before(from) && !x.At.After(to) {
			out = append(out, x)
		}
	}
	return out
}
