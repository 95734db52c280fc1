package session

import (
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/dut"
	"provoke/internal/job/plan"
)

// Handed is where pages hand over the pictures of the browser's camera.
func (d *Desk) Handed() *camera.Handed { return &d.page }

// wantPictures has pages asked for pictures of the browser's camera, where a run watches through it, until done.
func (d *Desk) wantPictures(pr *Prepared) (done func()) {
	done = func() {}
	if pr.Plan.Kind == plan.Calibration {
		return done // nothing is connected to the jig
	}
	for _, m := range pr.Bench.Monitors {
		if m.ByBrowser() {
			before, this := done, d.page.Want(m.Period().Std())
			done = func() { before(); this() }
		}
	}
	return done
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
