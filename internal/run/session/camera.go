package session

import (
	"context"
	"fmt"
	"image"
	"os"
	"strings"
	"time"

	"provoke/internal/bench/camera"
	"provoke/internal/bench/driver"
	"provoke/internal/bench/dut"
	"provoke/internal/files/catalog"
	"provoke/internal/model/sight"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// CameraOf is the camera monitor of a bench with an id; nil for none.
func CameraOf(b *catalog.Bench, id string) *catalog.Monitor {
	return monitorOf(b, catalog.MonitorCamera, id)
}

// MicrophoneOf is the sound monitor of a bench with an id; nil for none.
func MicrophoneOf(b *catalog.Bench, id string) *catalog.Monitor {
	return monitorOf(b, catalog.MonitorSound, id)
}

func monitorOf(b *catalog.Bench, kind catalog.MonitorKind, id string) *catalog.Monitor {
	for i, m := range b.Monitors {
		if m.Kind == kind && strings.EqualFold(m.ID, id) {
			return &b.Monitors[i]
		}
	}
	return nil
}

// tryFor is how long a camera or a microphone is tried.
const tryFor = 5 * time.Second

// TryCamera shows what each region reads now. With latency it measures how late pictures are, by the power relay. The
// picture with its regions goes to a file where one is named.
func TryCamera(w *terminal.World, b *catalog.Bench, m catalog.Monitor, latency bool, file string) error {
	regions, err := dut.TaughtRegions(m)
	if err != nil {
		return fmt.Errorf("monitor %s: %w", m.ID, err)
	}
	fmt.Fprintf(w.Stdout, "camera %s is on: %s\n", m.ID, m.PicturesFrom())
	defer fmt.Fprintf(w.Stdout, "camera %s is off\n", m.ID)
	if latency {
		var boxes []image.Rectangle
		for _, r := range regions {
			if r.Kind != sight.Reference {
				boxes = append(boxes, r.Box)
			}
		}
		from, err := dut.SourceOf(m, nil)
		if err != nil {
			return fmt.Errorf("measure the latency of %s: %w", m.ID, err)
		}
		return latencyBy(w, b, m, dut.PicturesOf(from, boxes), "film a stop-watch together with the "+
			"camera's own picture and write the difference as latency")
	}
	watch, err := dut.New(m, dut.Options{})
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(w.Ctx, 4*tryFor)
	defer cancel()
	reads := make(chan dut.Sample, 1)
	if err := watch.Start(ctx, func(s dut.Sample) {
		select {
		case <-reads:
		default:
		}
		reads <- s
	}); err != nil {
		return err
	}
	defer watch.Close()
	began := time.Now()
	last := dut.Sample{Missed: "no picture came"}
	var shots []dut.Shot
	for end := began.Add(tryFor); time.Now().Before(end); {
		select {
		case last = <-reads:
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-time.After(time.Until(end)):
		}
	}
	shots = watch.(dut.Shower).Pictures(began.Add(-time.Minute), time.Now())
	if len(shots) == 0 {
		return fmt.Errorf("monitor %s: %s", m.ID, last.Missed)
	}
	shot := shots[len(shots)-1]
	size, err := camera.Decode(shot.JPEG)
	if err != nil {
		return err
	}
	fmt.Fprintf(w.Stdout, "pictures of %d × %d pixels, %.1f looked at in a second\n", size.Rect.Dx(), size.Rect.Dy(),
		float64(len(shots)-1)/max(shot.At.Sub(shots[0].At).Seconds(), 1e-3))
	t := terminal.Table(w.Stdout)
	for i, s := range shot.Seen {
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", s.Region, regions[i].Kind, s.State, s.Text, s.Why)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	if file != "" {
		picture, err := shot.Drawn()
		if err == nil {
			err = os.WriteFile(file, picture, 0o644)
		}
		if err != nil {
			return fmt.Errorf("write the picture: %w", err)
		}
		fmt.Fprintf(w.Stdout, "picture with its regions: %s\n", file)
	}
	return nil
}

// latencyBy measures a latency by the relay that switches the product. without says how it is found where there is
// none.
func latencyBy(w *terminal.World, b *catalog.Bench, m catalog.Monitor, looks dut.Glances, without string) error {
	if b.PowerRelay == nil {
		return fmt.Errorf("this bench has no power_relay, so that provoke can switch nothing of which %s would tell: "+
			"%s, or leave latency out", m.ID, without)
	}
	own, list := driver.TablesOf(b)
	if err := list.Err(); err != nil {
		return err
	}
	relay, err := driver.OpenRelay(w.Ctx, *b.PowerRelay, driver.Options{Tables: own})
	if err != nil {
		return err
	}
	defer relay.Close()
	fmt.Fprintf(w.Stdout, "the product is switched off five times by relay %s\n", b.PowerRelay.ID)
	l, err := dut.MeasureLatency(w.Ctx, looks, relay, b.PowerRelay.OffFor, b.PowerRelay.StartsIn)
	if err != nil {
		return fmt.Errorf("measure the latency of %s: %w", m.ID, err)
	}
	round := func(d time.Duration) rf.Duration { return rf.Duration(d.Round(time.Millisecond)) }
	fmt.Fprintf(w.Stdout, "latency: %v ± %v; write \"latency: %v\" in the bench file\n", round(l.Median),
		round(l.Limit),
		round(l.Median))
	return nil
}
