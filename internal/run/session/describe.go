package session

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
	"provoke/internal/terminal"
)

func sha256Of(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// setupOf says in words how the cable lies.
func setupOf(b *catalog.Bench) []event.Field {
	var out []event.Field
	add := func(name, value string) {
		if value != "" && value != "0 mm" {
			out = append(out, event.Field{Name: name, Value: value})
		}
	}
	add(event.SetupProduct, b.DUT.Description)
	add(event.SetupVersion, b.DUT.Version)
	add(event.SetupPort, b.DUT.Port)
	add(event.SetupCable, b.Cable.Description)
	add(event.SetupCableKind, b.Cable.Kind)
	add("cable length", b.Cable.Length.String())
	add("cable height over the plane", b.Cable.Height.String())
	add("clamp to product", b.Cable.ClampToDUT.String())
	add("probe to product", b.Cable.ProbeToDUT.String())
	add("decoupling of the auxiliary equipment", b.Cable.Decoupling)
	add("current expected on the cable against the jig", fmt.Sprintf("%v to %v", b.Cable.ExpectedLow,
		b.Cable.ExpectedHigh))
	return out
}

func equipmentOf(b *catalog.Bench, identified map[string]string) []event.Equipment {
	date := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.Format("2006-01-02")
	}
	var out []event.Equipment
	for _, id := range b.Pieces() {
		if id.ID == "" {
			continue
		}
		out = append(out, event.Equipment{ID: id.ID, Description: id.Description, Serial: id.Serial,
			Certificate: id.Certificate,
			Identified:  identified[id.ID], Calibrated: date(id.Calibrated), Due: date(id.Due)})
	}
	return out
}

// curvesOf names every curve that the chain computes with, with its hash.
func curvesOf(b *catalog.Bench) (out []event.Curve) {
	for _, c := range b.CurvesUsed() {
		out = append(out, event.Curve{Item: c.Item.ID, What: c.What, Source: c.Source, SHA256: c.Hash})
	}
	return out
}

// opened attaches the files as used and describes the run.
func opened(w *terminal.World, job *store.Job, o Order, pr *Prepared, rig *driver.Rig) (event.Opened, error) {
	p, b := pr.Plan, pr.Bench
	e := event.Opened{
		Version: event.Version, Program: w.Program, RunKind: p.Kind, Mode: p.Mode, Fixture: string(p.Fixture),
		Label: o.Label, Changed: o.Changed, Operator: o.Operator, Room: o.Room, Temperature: o.Temperature,
		Humidity: o.Humidity,
		Profile: event.Profile{ID: p.Profile.ID, Title: p.Profile.Title, Source: p.Profile.Source,
			Confidence: p.Profile.Confidence,
			Means:      p.Profile.Means, Verified: p.Profile.Verified, Checked: p.Profile.Checked.String()},
		Modulation: p.Modulation, Dwell: p.Dwell, Resolution: p.Search.Resolution, Range: p.Search.Range,
		Edges:  p.Edges,
		Search: event.SearchOf(p),
		Setup:  setupOf(b), Points: len(p.Grid), Equipment: equipmentOf(b, rig.Identified), Curves: curvesOf(b),
	}
	e.Again, e.Stretches = o.Again, p.Stretches
	if pr.Fixing != nil {
		e.RunKind, e.Fixing, e.Points = plan.Fixing, pr.Fixing, len(pr.Fixing.At)
	}
	e.DecisionRule, e.TimeLimit = p.Decision, p.TimeLimit
	if len(p.Raised) > 0 {
		e.OverTest = p.OverTest
	}
	e.Levelling.Step = b.Source.Resolution
	e.Levelling.Spread, _ = b.ReadingsSpread()
	if pr.cal != nil {
		e.Calibration = pr.cal.Run
	}
	specs, _ := p.MonitorsOf(b)
	for _, o := range catalog.OnlookersOf(specs) {
		e.Setup = append(e.Setup, event.Field{Name: o.Device, Value: o.Says})
	}
	for _, m := range specs {
		e.Monitors = append(e.Monitors, event.Monitor{ID: m.ID, Kind: string(m.Kind), Unit: m.Unit,
			Tolerance: m.Tolerance, Latency: m.Latency})
	}
	var err error
	attach := func(name string, data []byte) event.Attachment {
		a, aerr := job.Attach(filepath.Base(name), data)
		err = errors.Join(err, aerr)
		return a
	}
	e.Bench, e.Plan = attach(b.File, b.Bytes), attach(p.File, p.Bytes)
	for _, files := range []map[string][]byte{b.Files, p.Files} {
		for _, name := range slices.Sorted(maps.Keys(files)) {
			a := attach(name, files[name])
			a.Name = name // as bench and plan name it
			e.Files = append(e.Files, a)
		}
	}
	if err != nil {
		return e, fmt.Errorf("attach the files as used: %w", err)
	}
	return e, nil
}
