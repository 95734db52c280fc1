package engine

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/dut"
	"provoke/internal/job/event"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// What is kept of an upset that a camera saw, and of a whole run. An upset takes at most a sixteenth of what is left
// for pictures as they came: the more upsets, the fewer of each, so that as many as can be have the drawn one.
const (
	pictureBefore = time.Second
	pictureAfter  = 2 * time.Second
	mostOfUpset   = 12       // pictures
	mostOfRun     = 300      // pictures, and
	mostBytes     = 64 << 20 // bytes of a run
	shareOfUpset  = 16
)

// pictures are what cameras saw of the upsets of a run. They are collected, drawn and put into the job two seconds
// after an upset by a goroutine of their own; the run's own names them in the journal when it comes by.
type pictures struct {
	waiting sync.WaitGroup
	hurry   chan struct{} // closed when the run ends

	keeping                   sync.Mutex // guards what is counted; drawing and writing are done under it
	number, kept, bytes, over int
	mu                        sync.Mutex // guards the rest; the run itself takes it, so it is never held for long
	ready                     []event.Event
}

// upsetSeen is what one camera saw of one upset.
type upsetSeen struct {
	monitor, words string
	shots          []dut.Shot
	on, at         time.Time // RF came on; it was bad
}

// picture has the pictures of an upset kept when its time is over.
func (r *run) picture(on time.Time, bad judged, words string) {
	if r.cfg.Attach == nil {
		return
	}
	for _, m := range r.watch.monitors {
		eye, ok := m.(dut.Shower)
		if !ok {
			continue
		}
		p := &r.pictures
		p.waiting.Go(func() {
			late := time.NewTimer(time.Until(bad.own.Add(pictureAfter + r.watch.latency())))
			defer late.Stop()
			select {
			case <-late.C:
			case <-p.hurry:
			}
			p.keeping.Lock()
			defer p.keeping.Unlock()
			p.keep(r.cfg.Attach, upsetSeen{m.ID(), words,
				eye.Pictures(bad.own.Add(-pictureBefore), bad.own.Add(pictureAfter)), on, bad.own})
		})
	}
}

// keep puts the pictures of one upset into the job, and one that shows before, during and after side by side. The
// caller holds what is counted.
func (p *pictures) keep(attach func(string, []byte) (event.Attachment, error), x upsetSeen) {
	if len(x.shots) == 0 {
		return
	}
	note := func(format string, args ...any) {
		p.name(event.Note{By: "provoke", Text: fmt.Sprintf(format, args...)})
	}
	phases := x.phases()
	strip, err := dut.SideBySide(phases[:])
	if err != nil {
		note("the pictures of the upset %s could not be drawn: %v", x.words, err)
		return
	}
	var chosen []dut.Shot
	for most := min(mostOfUpset, (mostOfRun-p.kept)/shareOfUpset); most >= len(phases); most-- {
		chosen = thinned(x.shots, phases, most)
		total := 0
		for _, s := range chosen {
			total += len(s.JPEG)
		}
		if total <= (mostBytes-p.bytes)/shareOfUpset {
			break
		}
		chosen = nil
	}
	if p.kept+1 > mostOfRun || p.bytes+len(strip) > mostBytes {
		if p.over++; p.over == 1 {
			note("no more pictures of upsets are kept: a run keeps at most %d, and %d MiB", mostOfRun, mostBytes>>20)
		}
		return
	}
	p.number++
	keep := func(what, caption string, raw bool, data []byte) {
		a, err := attach(fmt.Sprintf("%s-upset-%d-%s.jpg", strings.Map(fileLetter, x.monitor), p.number, what), data)
		if err != nil {
			note("a picture of the upset %s could not be kept: %v", x.words, err)
			return
		}
		p.kept, p.bytes = p.kept+1, p.bytes+len(data)
		p.name(event.Attached{Attachment: a, Caption: caption, Raw: raw})
	}
	when := func(s dut.Shot) string {
		d := rf.Duration(s.At.Sub(x.at).Round(10 * time.Millisecond))
		if d < 0 {
			return (-d).String() + " before"
		}
		return d.String() + " after"
	}
	keep("drawn", fmt.Sprintf("%s saw the upset %s. Pictures of %s, %s and %s it was seen; %s kept as they came",
		x.monitor,
		x.words, when(phases[0]), when(phases[1]), when(phases[2]), english.Count(len(chosen), "picture is",
			"pictures are")), false, strip)
	for i, s := range chosen {
		keep(fmt.Sprint(i+1), fmt.Sprintf("%s, %s it was seen to upset %s", x.monitor, when(s), x.words), true, s.JPEG)
	}
}

func (p *pictures) name(e event.Event) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ready = append(p.ready, e)
}

// namePictures journals the pictures that were put into the job since it was called last.
func (r *run) namePictures() error {
	p := &r.pictures
	p.mu.Lock()
	ready := p.ready
	p.ready = nil
	p.mu.Unlock()
	if len(ready) == 0 {
		return nil
	}
	return r.journal(ready...)
}

// lastPictures names those that are still to come at the end of a run, when RF is off.
func (r *run) lastPictures() {
	close(r.pictures.hurry)
	r.pictures.waiting.Wait()
	r.namePictures() // a journal that fails is told by whoever closes it
}

// phases are the last picture before RF came on, the first of the upset, and the last of all.
func (x upsetSeen) phases() (out [3]dut.Shot) {
	dark := x.on
	if x.at.Before(dark) {
		dark = x.at
	}
	out[0], out[1], out[2] = x.shots[0], x.shots[len(x.shots)-1], x.shots[len(x.shots)-1]
	for i := len(x.shots) - 1; i >= 0; i-- {
		s := x.shots[i]
		if !s.At.Before(x.at) {
			out[1] = s
		}
		if s.At.Before(dark) {
			out[0] = s
			break
		}
	}
	return out
}

// thinned are at most so many pictures, evenly, with the three phases among them.
func thinned(shots []dut.Shot, phases [3]dut.Shot, most int) (out []dut.Shot) {
	even := most - len(phases)
	for i, s := range shots {
		is := len(shots) <= even || even > 0 && (i*even/len(shots) != (i-1)*even/len(shots) || i == 0)
		for _, p := range phases {
			is = is || s.At.Equal(p.At)
		}
		if is {
			out = append(out, s)
		}
	}
	return out
}

// fileLetter leaves what every system takes in a file's name.
func fileLetter(c rune) rune {
	if c == '-' || c >= '0' && c <= '9' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' {
		return c
	}
	return '_'
}
