package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/job/event"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
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
	add("product", b.DUT.Description)
	add("port", b.DUT.Port)
	add("cable", b.Cable.Description)
	add("cable length", b.Cable.Length.String())
	add("cable height over the plane", b.Cable.Height.String())
	add("clamp to product", b.Cable.ClampToDUT.String())
	add("probe to product", b.Cable.ProbeToDUT.String())
	add("decoupling of the auxiliary equipment", b.Cable.Decoupling)
	add("current expected on the cable against the jig", fmt.Sprintf("%v to %v", b.Cable.ExpectedLow, b.Cable.ExpectedHigh))
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
		out = append(out, event.Equipment{ID: id.ID, Description: id.Description, Serial: id.Serial, Certificate: id.Certificate,
			Identified: identified[id.ID], Calibrated: date(id.Calibrated), Due: date(id.Due)})
	}
	return out
}

// curvesOf names every curve that the chain computes with, with its hash.
func curvesOf(b *catalog.Bench) []event.Curve {
	var out []event.Curve
	add := func(item, what, source, hash string) {
		if hash != "" {
			out = append(out, event.Curve{Item: item, What: what, Source: source, SHA256: hash})
		}
	}
	gain := func(item, what string, c curve.Curve[rf.Gain]) { add(item, what, c.Source(), c.Hash()) }
	passives := func(list []catalog.Passive) {
		for _, p := range list {
			gain(p.ID, "loss", p.Loss)
		}
	}
	passives(b.ToAmplifier)
	if a := b.Amplifier; a != nil {
		gain(a.ID, "gain", a.Gain)
		add(a.ID, "output at 1 dB compression", a.Compression.Source(), a.Compression.Hash())
	}
	passives(b.ToClamp)
	if c := b.Coupler; c != nil {
		gain(c.ID, "forward coupling", c.Forward)
		gain(c.ID, "reverse coupling", c.Reverse)
		gain(c.ID, "loss", c.Loss)
	}
	gain(b.Clamp.ID, "insertion loss", b.Clamp.InsertionLoss)
	gain(b.Clamp.ID, "return loss", b.Clamp.ReturnLoss)
	add(b.Clamp.ID, "series impedance", b.Clamp.SeriesImpedance.Source(), b.Clamp.SeriesImpedance.Hash())
	if p := b.Probe; p != nil {
		add(p.ID, "transfer impedance", p.TransferImpedance.Source(), p.TransferImpedance.Hash())
	}
	passives(b.ToAnalyser)
	return out
}
