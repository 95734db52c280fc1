package readings

import (
	"fmt"
	"time"

	"provoke/internal/files/problem"
	"provoke/internal/files/trace"
	"provoke/internal/findings/joined"
	"provoke/internal/job/event"
)

// LogAsked is how a log is to be read and joined, in the words of the user.
type LogAsked struct {
	Offset, Zone, Date, DatesBegin, Pattern, ErrorLine, Decimal, Tolerance string
}

// Log is a log that the product wrote by itself.
type Log struct {
	settings  trace.LogSettings
	tolerance float64
	unit      string
	entries   []trace.Entry
	Read      event.LogRead // what is journalled
}

// ReadLog reads how a log is to be read.
func ReadLog(o LogAsked) (*Log, error) {
	var l Log
	var err error
	l.settings, l.tolerance, l.unit, err = o.settings()
	return &l, err
}

// Join reads a log and sorts its entries into the steps of a run.
func (l *Log) Join(windows []joined.Window, file string, data []byte) (warnings problem.List, err error) {
	if l.settings.Date.IsZero() {
		y, m, d := windows[0].From.In(l.settings.Zone).Date()
		l.settings.Date, l.settings.Assumed = time.Date(y, m, d, 0, 0, 0, 0, l.settings.Zone), true
	}
	var list problem.List
	l.entries, list = trace.ParseLog(file, data, l.settings)
	if err := list.Err(); err != nil {
		return nil, err
	}
	if l.settings.AskZone && l.settings.Offset == 0 {
		err = joined.AnotherHour(windows, l.entries)
	}
	if err == nil {
		l.Read, err = joined.Log(windows, l.entries, l.tolerance)
	}
	if err != nil {
		return list.Warnings(), fmt.Errorf("%s: %w", file, err)
	}
	l.Read.Unit, l.Read.Offset = l.unit, joined.Signed(l.settings.Offset)
	return list.Warnings(), nil
}
