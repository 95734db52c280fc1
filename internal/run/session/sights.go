package session

import (
	"context"
	"errors"
	"slices"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/job/plan"
)

// Handed is where pages hand over the pictures of the browser's camera.
func (d *Desk) Handed() *camera.Handed { return &d.page }

// byBrowser reports that a run watches through the browser's camera. Nothing is connected to the jig.
func (pr *Prepared) byBrowser() bool {
	return pr.Plan.Kind != plan.Calibration && slices.ContainsFunc(pr.Bench.Monitors, catalog.Monitor.ByBrowser)
}

// wantPictures has pages asked for pictures of the browser's camera, where a run watches through it, until done.
func (d *Desk) wantPictures(pr *Prepared) (done func()) {
	done = func() {}
	if !pr.byBrowser() {
		return done
	}
	for _, m := range pr.Bench.Monitors {
		if m.ByBrowser() {
			before, this := done, d.page.Want(m.Period().Std())
			done = func() { before(); this() }
		}
	}
	return done
}

// lookout is a camera that is on to be set up.
type lookout struct {
	as    string
	stop  func()
	shot  dut.Shot // the newest, where nothing is read in it
	watch dut.Shower
	err   error
}

// unseenFor is how long a camera that is set up stays on without being asked for its picture.
const unseenFor = 3 * time.Second

// redialPeriod is how long a camera that failed is left alone.
const redialPeriod = time.Second

// See switches a camera on to set it up, where it is not on yet, and returns its picture of now. It goes off when
// nobody has asked for a while, or a run begins. as names the camera as it is set.
func (d *Desk) See(as string, m catalog.Monitor) (dut.Shot, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.state.Underway {
		return dut.Shot{}, errors.New("a run is being done: what its cameras see is on the Live page")
	}
	if d.lookout == nil || d.lookout.as != as {
		d.unsee()
		d.see(as, m)
	}
	d.unseen.Reset(unseenFor)
	shot := d.lookout.shot
	if d.lookout.watch != nil {
		shot, _ = d.lookout.watch.Newest()
	}
	switch {
	case time.Since(shot.At) < sightFor:
		return shot, nil
	case d.lookout.err != nil:
		return dut.Shot{}, d.lookout.err
	}
	return dut.Shot{}, errors.New("no picture yet")
}

// see switches a camera on. What is taught is read; of what is not drawn or taught yet there is the picture alone. The
// caller holds the lock.
func (d *Desk) see(as string, m catalog.Monitor) {
	ctx, stop := context.WithCancel(d.w.Ctx)
	x := &lookout{as: as, stop: stop}
	if m.ByBrowser() {
		enough := d.page.Want(m.Period().Std())
		x.stop = func() { stop(); enough() }
	}
	d.lookout = x
	if d.unseen == nil {
		d.unseen = time.AfterFunc(unseenFor, func() {
			d.mu.Lock()
			defer d.mu.Unlock()
			d.unsee()
		})
	}
	note := func(err error) {
		d.mu.Lock()
		defer d.mu.Unlock()
		x.err = err
	}
	again := func(err error) { // whoever asks after a while has it tried again
		note(err)
		time.Sleep(redialPeriod)
		d.mu.Lock()
		defer d.mu.Unlock()
		if d.lookout == x {
			d.unsee()
		}
	}
	if watch, err := dut.New(m, dut.Options{Page: &d.page}); err == nil {
		x.watch, _ = watch.(dut.Shower)
		go func() {
			defer watch.Close()
			if err := watch.Start(ctx, func(s dut.Sample) {
				if s.Blind {
					note(errors.New(s.Missed))
				}
			}); err != nil {
				again(err)
			}
			<-ctx.Done()
		}()
		return
	}
	go func() {
		from, err := dut.SourceOf(m, &d.page)
		if err == nil {
			err = from.Stream(ctx, func(p camera.Picture) {
				d.mu.Lock()
				defer d.mu.Unlock()
				x.shot = dut.Shot{At: p.Arrived, JPEG: p.JPEG}
			})
		}
		again(err)
	}()
}

// unsee switches a camera off that was on to be set up. The caller holds the lock.
func (d *Desk) unsee() {
	if d.lookout != nil {
		d.lookout.stop()
		d.lookout = nil
	}
}

// sees is told the monitors of a run.
func (d *Desk) sees(monitors []dut.Monitor) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, m := range monitors {
		if _, ok := m.(dut.Shower); ok {
			d.cameras = append(d.cameras, m)
		}
	}
}

// Cameras names the camera monitors of the run that is being done.
func (d *Desk) Cameras() (ids []string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, m := range d.cameras {
		ids = append(ids, m.ID())
	}
	return ids
}

// sightFor is how old a picture may be and be one of now.
const sightFor = 3 * time.Second

// Newest is the picture of now of a camera monitor of the run that is being done.
func (d *Desk) Newest(monitor string) (dut.Shot, bool) {
	d.mu.Lock()
	cameras := d.cameras
	d.mu.Unlock()
	for _, m := range cameras {
		if m.ID() == monitor {
			shot, ok := m.(dut.Shower).Newest()
			return shot, ok && time.Since(shot.At) < sightFor
		}
	}
	return dut.Shot{}, false
}
