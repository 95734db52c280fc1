package simbench

import (
	"slices"
	"time"
)

// onCable is the current at the crest at the probe, in dBµA, above which RF is on at the cable: whatever set it and
// whatever let it pass, an amplifier in standby included, and whatever the clamp is closed around.
const onCable = -20.0

// longestRFLog is how many changes of the RF at the cable are kept.
const longestRFLog = 1 << 14

// RFChange is a moment at which RF at the cable came on or went off: a current above −20 dBµA at the probe, at
// the crest of the envelope.
type RFChange struct {
	On   bool
	At   time.Duration // bench time since the start
	Wall time.Time
}

// rfLog are the changes so far, as far back as they are kept.
type rfLog struct {
	on        bool
	changes   []RFChange
	forgotten bool
}

// note keeps a change. The log is halved when it is full.
func (l *rfLog) note(s signal, at time.Duration) {
	on := len(s.tones) > 0 && s.tones[0].crest > amperes(onCable)
	if on == l.on {
		return
	}
	if len(l.changes) == longestRFLog {
		l.changes, l.forgotten = slices.Delete(l.changes, 0, longestRFLog/2), true
	}
	l.on, l.changes = on, append(l.changes, RFChange{On: on, At: at})
}

// RFLog returns the moments at which RF at the cable came on and went off, the oldest first: the newest 16384
// at most. It may be asked while the bench is used.
func (b *Bench) RFLog() []RFChange {
	changes, _ := b.rfLog()
	return changes
}

func (b *Bench) rfLog() (changes []RFChange, forgotten bool) {
	b.do(func(p *plant) { changes, forgotten = slices.Clone(p.record.rf.changes), p.record.rf.forgotten })
	for i := range changes {
		changes[i].Wall = b.began.Add(time.Duration(float64(changes[i].At) / b.config.Speed))
	}
	return changes, forgotten
}

// RFOnBetween reports whether RF was on at the cable at any moment between two times of the wall clock. It is true
// where the log does not reach back far enough to say.
func (b *Bench) RFOnBetween(from, to time.Time) bool {
	changes, forgotten := b.rfLog()
	was := forgotten && from.Before(changes[0].Wall)
	for _, c := range changes {
		switch {
		case !c.Wall.After(from):
			was = c.On
		case !c.Wall.After(to):
			was = was || c.On
		}
	}
	return was
}

// RFOnSince reports whether RF was on at the cable at any moment since a time of the wall clock.
func (b *Bench) RFOnSince(t time.Time) bool { return b.RFOnBetween(t, b.began.Add(1<<62)) }
