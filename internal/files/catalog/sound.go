package catalog

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"provoke/internal/units/rf"
)

// PCM is how samples of a sound stand in a stream of bytes, and the band that is listened to.
type PCM struct {
	Rate     rf.Frequency // samples a second of each channel
	Channels int          // interleaved
	From, To rf.Frequency
}

// SoundFormat is the one format of samples that is taken: 16 bits, signed, low byte first.
const SoundFormat = "s16le"

// usualReading is the time from one reading of a sound to the next where the file says nothing.
const usualReading = rf.Duration(50 * time.Millisecond)

// Window is how long a reading of a sound listens: twice the time from reading to reading.
func (m Monitor) Window() rf.Duration { return 2 * cmp.Or(m.Every, usualReading) }

// SoundFrom says where a sound comes from, and what is run for it.
func (m Monitor) SoundFrom() string {
	if m.Address != "" {
		return "sound from " + m.Address
	}
	return "sound from the command " + strings.Join(m.Command, " ")
}

// Bounds of a sound.
const (
	lowestRate, highestRate     = 8 * rf.Kilohertz, 200 * rf.Kilohertz
	mostChannels                = 8
	shortestSound, longestSound = rf.Duration(10 * time.Millisecond), rf.Duration(time.Second)
	linesApart                  = 4 // of a window, that are told from what lies beside them
)

// sound takes where a sound comes from, its samples and its band.
func (b *builder) sound(path string, m *Monitor, f monitorFile) {
	m.Sound = PCM{Rate: f.SampleRate, Channels: int(f.Channels), From: f.From, To: f.To}
	s := m.Sound
	if address, command := b.doc.Has(path+".address"), b.doc.Has(path+".command"); address == command {
		b.doc.Problem(path, path+" needs address or command, one of the two",
			"a program that writes samples to its standard output, or the raw socket that sends them")
	} else if command {
		b.command(path, m, f)
	}
	if b.doc.Taken(path+".format") && string(f.Format) != SoundFormat {
		b.doc.Problem(path+".format", fmt.Sprintf("a sound in %s is not understood", f.Format),
			"have it brought as s16le: 16 bits, signed, low byte first")
	}
	if b.doc.Taken(path+".tolerance") && m.Unit != "dB" {
		b.doc.Problem(path+".tolerance", fmt.Sprintf("a level of sound counts in dB and its tolerance in %q", m.Unit),
			"for example 10 dB")
	}
	if b.doc.Taken(path+".every") && (m.Every < shortestSound || m.Every > longestSound) {
		b.doc.Problem(path+".every", fmt.Sprintf("%s.every is %v: a sound is read every %v to %v", path, m.Every,
			shortestSound, longestSound), "for example 50 ms")
		return
	}
	if b.doc.Taken(path+".sample_rate") && (s.Rate < lowestRate || s.Rate > highestRate) {
		b.doc.Problem(path+".sample_rate", fmt.Sprintf("%v is no rate of samples between %v and %v", s.Rate, lowestRate,
			highestRate), "for example 48 kHz")
		return
	}
	if b.doc.Taken(path+".channels") && (s.Channels < 1 || s.Channels > mostChannels) {
		b.doc.Problem(path+".channels", fmt.Sprintf("%d channels; 1 to %d are heard", s.Channels, mostChannels), "")
	}
	b.unmeasured(path, m)
	if !b.doc.Taken(path+".sample_rate") || !b.doc.Taken(path+".from") || !b.doc.Taken(path+".to") {
		return
	}
	line := rf.Frequency(1 / m.Window().Std().Seconds())
	low, high := linesApart/2*line, s.Rate/2-linesApart/2*line
	switch {
	case s.From < low || s.To > high:
		b.doc.Problem(path, fmt.Sprintf("%v to %v cannot be heard: %v samples a second and readings over %v tell from "+
			"%v to %v", s.From, s.To, float64(s.Rate), m.Window(), low, high),
			"another band, a higher sample_rate, or a longer every")
	case s.To-s.From < linesApart*line:
		b.doc.Problem(path, fmt.Sprintf("a band of %v is narrower than the %v that a reading over %v tells from what "+
			"lies beside it", s.To-s.From, linesApart*line, m.Window()), "a wider band or a longer every")
	}
}
