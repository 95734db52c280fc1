package trace_test

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"provoke/internal/files/trace"
)

var day = time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)

func TestLogsOfManyClocksGiveTheirTimes(t *testing.T) {
	at := func(h, m int, s float64) time.Time {
		return day.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s*1e9))
	}
	for _, v := range []struct {
		name, log string
		settings  trace.LogSettings
		times     []time.Time
		values    []float64
	}{
		{"ISO with a zone", "2026-11-25T11:00:00.500+01:00 12.34 kg\n2026-11-25T10:00:01Z 12.40 kg\n",
			trace.LogSettings{}, []time.Time{at(10, 0, 0.5), at(10, 0, 1)}, []float64{12.34, 12.4}},
		{"a table with a heading", "time;weight [kg]\n2026-11-25 10:00:00,250;12,34\n2026-11-25 10:00:01,000;12,35\n",
			trace.LogSettings{}, []time.Time{at(10, 0, 0.25), at(10, 0, 1)}, []float64{12.34, 12.35}},
		{"date and time in two fields, day first", "25.11.2026;10:00:00;12,34\n25.11.2026;10:00:02;12,50\n",
			trace.LogSettings{}, []time.Time{at(10, 0, 0), at(10, 0, 2)}, []float64{12.34, 12.5}},
		{"month first, as 25 tells", "11/25/2026 1:00:00 PM, 7\n11/25/2026 1:00:02 PM, 8\n", trace.LogSettings{},
			[]time.Time{at(13, 0, 0), at(13, 0, 2)}, []float64{7, 8}},
		{"a comma behind the seconds and a figure of its own", "2026-11-25 10:00:00,12.5\n2026-11-25 10:00:01,13.5\n",
			trace.LogSettings{}, []time.Time{at(10, 0, 0), at(10, 0, 1)}, []float64{12.5, 13.5}},
		{"a whole figure behind the seconds", "2026-11-25 10:00:00,12\n", trace.LogSettings{},
			[]time.Time{at(10, 0, 0)}, []float64{12}},
		{"time of day, past midnight", "23:59:59.5 1\n00:00:00.5 2\n", trace.LogSettings{Date: day.AddDate(0, 0, -1)},
			[]time.Time{day.Add(-500 * time.Millisecond), day.Add(500 * time.Millisecond)}, []float64{1, 2}},
		// 2026-11-25 10:00:00 UTC is 1795600800 s after 1970 (date -u -d @1795600800).
		{"seconds since 1970", "1795600800.25 12.3\n", trace.LogSettings{}, []time.Time{at(10, 0, 0.25)},
			[]float64{12.3}},
		{"milliseconds since 1970", "1795600800250;12.3\n", trace.LogSettings{}, []time.Time{at(10, 0, 0.25)},
			[]float64{12.3}},
		{"seconds since the beginning", "0.5;3\n1.5;4\n", trace.LogSettings{Date: at(10, 0, 0)},
			[]time.Time{at(10, 0, 0.5), at(10, 0, 1.5)}, []float64{3, 4}},
		{"a clock that is behind", "2026-11-25 10:00:00 5\n", trace.LogSettings{Offset: 90 * time.Second},
			[]time.Time{at(10, 1, 30)}, []float64{5}},
		{"a zone that the log does not tell", "2026-11-25 10:00:00 5\n",
			trace.LogSettings{Zone: time.FixedZone("", 3600)}, []time.Time{at(9, 0, 0)}, []float64{5}},
		{"a pattern", "[2026-11-25 10:00:00] ch 3: net 12.34 kg\n",
			trace.LogSettings{Pattern: regexp.MustCompile(`net ([0-9.]+) kg`)}, []time.Time{at(10, 0, 0)},
			[]float64{12.34}},
		{"lines out of order", "2026-11-25 10:00:02 2\n2026-11-25 10:00:01 1\n", trace.LogSettings{},
			[]time.Time{at(10, 0, 1), at(10, 0, 2)}, []float64{1, 2}},
	} {
		t.Run(v.name, func(t *testing.T) {
			got, list := trace.ParseLog("dut.log", []byte(v.log), v.settings)
			if err := list.Err(); err != nil {
				t.Fatal(err)
			}
			if len(got) != len(v.times) {
				t.Fatalf("%d entries of %d: %v", len(got), len(v.times), list)
			}
			for i, e := range got {
				if !e.At.Equal(v.times[i]) {
					t.Errorf("entry %d is at %v, the log says %v", i, e.At.UTC(), v.times[i])
				}
				if !e.HasValue || e.Value != v.values[i] {
					t.Errorf("entry %d reads %v (%v), the log says %v", i, e.Value, e.HasValue, v.values[i])
				}
			}
		})
	}
}

func TestALineWithoutAStampIsToldAndLeftOut(t *testing.T) {
	got, list := trace.ParseLog("dut.log", []byte("2026-11-25 10:00:00 1\nrubbish 7\n2026-11-25 10:00:01 ERR 07\n"),
		trace.LogSettings{ErrorPattern: regexp.MustCompile("ERR")})
	if list.Err() != nil || len(got) != 2 || !got[1].Error || got[1].HasValue {
		t.Errorf("reads %+v, %v", got, list)
	}
	if w := list.Warnings(); len(w) != 1 || w[0].Line != 2 {
		t.Errorf("warns %v", w)
	}
}

func TestDatesThatCouldBeEitherAreRefused(t *testing.T) {
	log := []byte("03/04/2026 10:00:00 1\n")
	if _, list := trace.ParseLog("dut.log", log, trace.LogSettings{}); list.Err() == nil ||
		!strings.Contains(list.Err().Error(), "dut.log:1:1") {
		t.Errorf("3 April or 4 March: %v", list)
	}
	got, list := trace.ParseLog("dut.log", log, trace.LogSettings{DatesBegin: "month"})
	if list.Err() != nil || got[0].At.Month() != time.March {
		t.Errorf("declared month first: %v, %v", got, list)
	}
	if _, list := trace.ParseLog("dut.log", []byte("10:00:00 1\n"), trace.LogSettings{}); list.Err() == nil {
		t.Error("a time of day on no day is taken")
	}
	if _, list := trace.ParseLog("dut.log", []byte("nothing\n"), trace.LogSettings{}); list.Err() == nil {
		t.Error("a log without a stamp is taken")
	}
}

func FuzzParseLog(f *testing.F) {
	f.Add([]byte("2026-11-25 10:00:00,250;12,34\n"))
	f.Add([]byte("23:59:59 1\n"))
	f.Add([]byte("1795600800.25 12.3"))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, list := trace.ParseLog("f.log", data, trace.LogSettings{Date: day})
		if (len(got) == 0) != (list.Err() != nil) {
			t.Fatalf("%d entries beside %v", len(got), list)
		}
		for i := 1; i < len(got); i++ {
			if got[i].At.Before(got[i-1].At) {
				t.Fatal("the entries are not in the order of time")
			}
		}
	})
}

func TestLogsThatOthersWrite(t *testing.T) {
	at := func(h, m int, s float64) time.Time {
		return day.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s*1e9))
	}
	for _, v := range []struct {
		name, log string
		settings  trace.LogSettings
		times     []time.Time
		values    []float64
	}{
		{"a number of the line before the date", "17 2026-11-25 10:00:00 12.3\n18 2026-11-25 10:00:01 12.4\n",
			trace.LogSettings{Date: day}, []time.Time{at(10, 0, 0), at(10, 0, 1)}, []float64{12.3, 12.4}},
		{"the same with semicolons", "17;2026-11-25;10:00:00;12.3\n", trace.LogSettings{Date: day},
			[]time.Time{at(10, 0, 0)}, []float64{12.3}},
		{"a clock without leading zeros", "25.11.2026 16:2:39 5\n25.11.2026 9:59:1 4\n", trace.LogSettings{},
			[]time.Time{at(9, 59, 1), at(16, 2, 39)}, []float64{4, 5}},
		{"a clock without leading zeros on the run's day", "9:5:7 4\n16:2:39 5\n", trace.LogSettings{Date: day},
			[]time.Time{at(9, 5, 7), at(16, 2, 39)}, []float64{4, 5}},
		{"the date behind the time", "10:00:00 25.11.2026 7.5\n", trace.LogSettings{Date: day.AddDate(0, 0, 9)},
			[]time.Time{at(10, 0, 0)}, []float64{7.5}},
		{"a month by its name, day first", "25-Nov-2026 10:00:00.5 7\nWed, 25 November 2026 10:00:01 8\n",
			trace.LogSettings{}, []time.Time{at(10, 0, 0.5), at(10, 0, 1)}, []float64{7, 8}},
		{"a month by its name, as C libraries write it", "Wed Nov 25 10:00:00 2026 7\n", trace.LogSettings{},
			[]time.Time{at(10, 0, 0)}, []float64{7}},
		{"a month by its name, month first", "Nov 25, 2026 10:00:00 PM 7\n", trace.LogSettings{},
			[]time.Time{at(22, 0, 0)}, []float64{7}},
		{"a system's log without a year, on the run's day", "Nov 25 10:00:00 scale: 7.25 kg\n",
			trace.LogSettings{Date: day}, []time.Time{at(10, 0, 0)}, []float64{7.25}},
	} {
		t.Run(v.name, func(t *testing.T) {
			got, list := trace.ParseLog("dut.log", []byte(v.log), v.settings)
			if err := list.Err(); err != nil {
				t.Fatal(err)
			}
			if len(got) != len(v.times) {
				t.Fatalf("%d entries of %d: %v", len(got), len(v.times), list)
			}
			for i, e := range got {
				if !e.At.Equal(v.times[i]) || !e.HasValue || e.Value != v.values[i] {
					t.Errorf("entry %d is %v at %v (%q), the log says %v at %v", i, e.Value, e.At.UTC(), e.Text,
						v.values[i], v.times[i])
				}
			}
		})
	}
}

func TestLogsThatCannotBeReadWholeAreRefused(t *testing.T) {
	zurich, err := time.LoadLocation("Europe/Zurich")
	if err != nil {
		t.Skip("no zones on this machine")
	}
	for _, v := range []struct {
		name, log string
		settings  trace.LogSettings
		want      string
	}{
		{"a year of two digits", "05/06/07 10:00:00 5\n", trace.LogSettings{Date: day}, "dut.log:1:1: \"05/06/07"},
		{"a date that could be either", "05/06/2026 10:00:00 5\n", trace.LogSettings{Date: day}, "dut.log:1:1"},
		{"a torn line", "2026-11-25 10:00:00 5\n2026-11-25 1x:00:01 5\n2026-11-25 10:00:02 5\n",
			trace.LogSettings{Date: day}, "dut.log:2:1"},
		{"a count among clocks", "10:00:00 5\n10 5\n10:00:02 5\n", trace.LogSettings{Date: day},
			"dut.log:2:1: the line begins with a number"},
		{"another day above counts of seconds", "log of 2024-03-05\n0.5 5\n1.5 5\n",
			trace.LogSettings{Date: day, Assumed: true},
			"dut.log:1:1: the log says 2024-03-05 here and the run was on 2026-11-25"},
		{"another day above times of day", "log of 2024-03-05\n10:00:00 5\n",
			trace.LogSettings{Date: day, Assumed: true}, "the log says 2024-03-05"},
		{"a system's log of another day", "Mar 5 10:00:00 scale: 7.25 kg\n", trace.LogSettings{Date: day},
			"no line begins with a time stamp"},
		// In Zurich clocks were set back on 2026-10-25 at 03:00 and forward on 2026-03-29 at 02:00 (European Union,
		// Directive 2000/84/EC).
		{"an hour that was twice", "2026-10-25 02:30:00 5\n", trace.LogSettings{Zone: zurich},
			"stood at 2026-10-25 02:30:00 twice"},
		{"an hour that never was", "2026-03-29 02:30:00 5\n", trace.LogSettings{Zone: zurich},
			"was set forward over 2026-03-29 02:30:00"},
	} {
		t.Run(v.name, func(t *testing.T) {
			got, list := trace.ParseLog("dut.log", []byte(v.log), v.settings)
			if err := list.Err(); err == nil || !strings.Contains(err.Error(), v.want) {
				t.Errorf("reads %+v, tells %v and not %q", got, err, v.want)
			}
		})
	}
	// The day on which clocks are set forward has 23 hours: 03:30 is 90 minutes after 01:00, in UTC 00:00 and 01:30.
	got, list := trace.ParseLog("dut.log", []byte("2026-03-29 01:00:00 5\n2026-03-29 03:30:00 6\n"),
		trace.LogSettings{Zone: zurich})
	if list.Err() != nil || got[1].At.Sub(got[0].At) != 90*time.Minute {
		t.Errorf("%v %v", got, list)
	}
}
