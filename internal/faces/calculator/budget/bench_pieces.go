package budget

import (
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/rf"
)

func (s *Bench) source(g catalog.Source) {
	p := s.add("source", g.Kind, g.Identity, g.Connection)
	p.band(g.Band)
	p.says("level", fmt.Sprintf("%s to %s (%v to %v into 50 Ω), steps of %v", g.Setting(g.Minimum),
		g.Setting(g.Maximum), g.Minimum, g.Maximum, g.Resolution.Text(2)))
	p.stands("maximum", g.Maximum.Quantity(), chain.RatedPeak)
	p.stands("reverse power", g.MaximumReverse.Quantity(), chain.RatedPeak)
}

func (s *Bench) passives(place string, ps []catalog.Passive) {
	for _, q := range ps {
		p := s.add(place, q.Kind, q.Identity, catalog.Connection{})
		gainFigure(p, "loss", q.Loss)
		p.stands("power", q.MaximumPower.Quantity(), chain.RatedAverage)
	}
}

func (s *Bench) amplifier(a *catalog.Amplifier) {
	if a == nil {
		return
	}
	p := s.add("amplifier", "amplifier", a.Identity, a.Connection)
	p.band(a.Band)
	gainFigure(p, "gain", a.Gain)
	powerFigure(p, "1 dB compression", a.Compression)
	p.stands("input", a.MaximumInput.Quantity(), chain.RatedPeak)
	p.stands("output", a.Saturation.Quantity(), chain.RatedPeak)
	p.stands("reflected power", a.ReflectedLimit.Quantity(), chain.RatedPeak)
	if a.MaximumDuty > 0 && a.MaximumDuty < 1 {
		p.says("duty", "at most "+a.MaximumDuty.String())
	}
}

func (s *Bench) atClamp(b *catalog.Bench) {
	if k := b.Coupler; k != nil {
		p := s.add("coupler", "directional coupler", k.Identity, catalog.Connection{})
		gainFigure(p, "forward coupling", k.Forward)
		gainFigure(p, "reverse coupling", k.Reverse)
		gainFigure(p, "loss", k.Loss)
		p.stands("power", k.MaximumPower.Quantity(), chain.RatedAverage)
	}
	if m := b.PowerMeter; m != nil {
		p := s.add("power meter", "power meter", m.Identity, m.Connection)
		p.says("floor", m.Floor.String())
		p.stands("input", m.MaximumInput.Quantity(), chain.RatedPeak)
	}
	k := b.Clamp
	p := s.add("clamp", "injection clamp", k.Identity, catalog.Connection{})
	gainFigure(p, "insertion loss", k.InsertionLoss)
	if k.ReturnLoss.Absent() {
		p.says("return loss", "not given: total reflection is assumed")
	}
	gainFigure(p, "return loss", k.ReturnLoss)
	impedanceFigure(p, "series impedance", k.SeriesImpedance)
	if k.MaximumTime > 0 {
		p.says("time", "at most "+k.MaximumTime.String())
	}
	if k.MaximumDuty > 0 {
		p.says("duty", "at most "+k.MaximumDuty.String())
	}
	p.stands("forward power", k.MaximumForward.Quantity(), chain.RatedAverage)
}

func (s *Bench) onCable(b *catalog.Bench) {
	w := b.Cable
	p := s.add("cable", "cable", w.Identity, catalog.Connection{})
	for _, l := range []struct {
		what   string
		length rf.Length
	}{{"length", w.Length}, {"height", w.Height}, {"clamp to DUT", w.ClampToDUT}, {"probe to DUT", w.ProbeToDUT}} {
		if l.length > 0 {
			p.says(l.what, l.length.String())
		}
	}
	if w.Decoupling != "" {
		p.says("decoupling", w.Decoupling)
	}
	p.says("current against the jig's", fmt.Sprintf("%v to %v", w.ExpectedLow, w.ExpectedHigh))
	p.standsCurrent(w.MaximumCurrent)
	d := s.add("DUT", "device under test", b.DUT.Identity, catalog.Connection{})
	if b.DUT.Port != "" {
		d.says("port", b.DUT.Port)
	}
	if q := b.Probe; q != nil {
		p := s.add("probe", "current monitoring probe", q.Identity, catalog.Connection{})
		impedanceFigure(p, "transfer impedance", q.TransferImpedance)
		p.standsCurrent(q.MaximumCurrent)
	}
}

func (s *Bench) analyser(a *catalog.Analyser) {
	if a == nil {
		return
	}
	p := s.add("analyser", "analyser", a.Identity, a.Connection)
	p.band(a.Band)
	p.says("reads", fmt.Sprintf("%v (floor) to %v (mixer limit)", a.Floor, a.MixerLimit))
	p.stands("input", a.MaximumInput.Quantity(), chain.RatedPeak)
}

func (s *Bench) watching(b *catalog.Bench) {
	for _, m := range b.Monitors {
		p := s.add("monitor", string(m.Kind), m.Identity, m.Connection)
		if m.Kind == catalog.MonitorCamera {
			p.says("camera", m.PicturesFrom())
		}
		if m.Kind == catalog.MonitorSound {
			p.says("microphone", fmt.Sprintf("%s, %v to %v over %v", m.SoundFrom(), m.Sound.From, m.Sound.To,
				m.Window()))
		}
		if m.Kind == catalog.MonitorCommand {
			p.says("command", strings.Join(m.Command, " "))
		}
		if m.Tolerance > 0 {
			p.says("tolerance", fmt.Sprintf("±%g %s", m.Tolerance, m.Unit))
		}
		if m.Silence > 0 {
			p.says("silence", "at most "+m.Silence.String())
		}
		if m.Latency > 0 {
			p.says("latency", m.Latency.String())
		}
	}
	if l := b.Interlock; l != nil {
		s.add("interlock", "interlock", l.Identity, l.Connection)
	}
}
