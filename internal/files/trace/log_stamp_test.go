package trace_test

import (
	"strings"
	"testing"
	"time"

	"provoke/internal/files/trace"
)

func TestMillisecondsBehindAColonAreAFraction(t *testing.T) {
	got, list := trace.ParseLog("dut.log", []byte("2026-11-25 10:00:07:517 12.34\n10:00:08:001;12.35\n"),
		trace.LogSettings{Date: day})
	if list.Err() != nil || len(got) != 2 {
		t.Fatal(got, list)
	}
	for i, want := range []time.Duration{10*time.Hour + 7517*time.Millisecond, 10*time.Hour + 8001*time.Millisecond} {
		if !got[i].At.Equal(day.Add(want)) || got[i].Value != []float64{12.34, 12.35}[i] {
			t.Errorf("line %d reads %v at %v", i+1, got[i].Value, got[i].At)
		}
	}
}

func TestAStampThatGoesOnIsRefused(t *testing.T) {
	for log, want := range map[string]string{
		"2026-11-25 10:00:07.517.000 12.34\n":                          "dut.log:1:24:",
		"2026-11-25 10:00:07:5170 12.34\n":                             "dut.log:1:20:",
		"2026-11-25 10:00:07:51 12.34\n":                               "dut.log:1:20:",
		"2026-11-25 10:00:07:517.000 12.34\n":                          "dut.log:1:24:",
		"10:00:123 12.34\n":                                            "dut.log:1:9:",
		"Wed Nov 25 10:00:07.5.1 2026 12.34\n":                         "dut.log:1:22:",
		"10:00:07 1\n10:00:08.1.1 1\n10:00:09.1.1 1\n10:00:10.1.1 1\n": "dut.log:2:11:",
		"2026-11-25 10:00:07 UTC+1.5 12.34\n":                          "dut.log:1:26:",
		"2026-11-25 10:00:07 UTC+123 12.34\n":                          "dut.log:1:24:",
		"17 2026-11-25 10:00:07.517.000 12.34\n":                       "dut.log:1:27:",
		"10:00:07+01 12.34\n":                                          "dut.log:1:9:",
	} {
		got, list := trace.ParseLog("dut.log", []byte(log), trace.LogSettings{Date: day})
		if err := list.Err(); err == nil || !strings.Contains(err.Error(), want) || strings.Count(err.Error(),
			"dut.log:") != 1 {
			t.Errorf("%q reads %+v, tells %v and not %q once", log, got, err, want)
		}
	}
	// No zone is 12 h 34 min from UTC.
	if got, list := trace.ParseLog("dut.log", []byte("10:00:07 -1234 kg\n"),
		trace.LogSettings{Date: day, Unit: "kg"}); list.Err() != nil || got[0].Value != -1234 {
		t.Errorf("reads %+v, %v", got, list)
	}
	// A colon before a blank, and a full stop at the end of a line, end a stamp.
	got, list := trace.ParseLog("dut.log", []byte("10:00:07: 12.34\n10:00:08.\n"), trace.LogSettings{Date: day})
	if list.Err() != nil || len(got) != 2 || got[0].Value != 12.34 {
		t.Errorf("reads %+v, %v", got, list)
	}
}

func TestZonesInWordsAreRead(t *testing.T) {
	cet := time.FixedZone("", 3600)
	for log, want := range map[string]time.Duration{
		"2026-11-25 10:00:00 UTC 7\n":                      10 * time.Hour,
		"2026-11-25 10:00:00 GMT 7\n":                      10 * time.Hour,
		"2026-11-25 10:00:00 UTC+1 7\n":                    9 * time.Hour,
		"2026-11-25 10:00:00.0 UTC-03 7\n":                 13 * time.Hour,
		"2026-11-25 10:00:00 GMT+01:00 7\n":                9 * time.Hour,
		"2026-11-25 10:00:00 (GMT+5:30) 7\n":               4*time.Hour + 30*time.Minute,
		"2026-11-25 10:00:00 PM UTC+0100 7\n":              21 * time.Hour,
		"Wed, 25 Nov 2026 10:00:00 GMT 7\n":                10 * time.Hour,
		"Wed Nov 25 10:00:00 UTC 2026 7\n":                 10 * time.Hour,
		"Time (UTC+1);weight\n2026-11-25 10:00:00;7\n":     9 * time.Hour,
		"# all times are in GMT\n2026-11-25 10:00:00 7\n":  10 * time.Hour,
		"Time (UTC+1);weight\n2026-11-25 10:00:00+02:00 7": 8 * time.Hour,
	} {
		got, list := trace.ParseLog("dut.log", []byte(log),
			trace.LogSettings{AskZone: true, Zone: time.FixedZone("", -7*3600)})
		if list.Err() != nil || len(got) != 1 || !got[0].At.Equal(day.Add(want)) || got[0].Value != 7 || !got[0].Zoned {
			t.Errorf("%q reads %+v, %v", log, got, list)
		}
	}
	// An abbreviation may be of several zones: it is asked for, and what is declared stands.
	for _, v := range [][3]string{
		{"2026-11-25 10:00:00 CET 7\n", "dut.log:1:21:", "CET"},
		{"2026-11-25 10:00:00.5 [EST] 7\n", "dut.log:1:24:", "EST"},
		{"Wed Nov 25 10:00:00 CET 2026 7\n", "dut.log:1:21:", "CET"},
		{"Time (CEST);weight\n2026-11-25 10:00:00;7\n", "dut.log:1:7:", "CEST"},
	} {
		got, list := trace.ParseLog("dut.log", []byte(v[0]), trace.LogSettings{AskZone: true})
		if err := list.Err(); err == nil || !strings.Contains(err.Error(), v[1]) || !strings.Contains(err.Error(),
			v[2]) || !strings.Contains(err.Error(), "--zone") {
			t.Errorf("%q reads %+v, tells %v", v[0], got, err)
		}
		got, list = trace.ParseLog("dut.log", []byte(v[0]), trace.LogSettings{Zone: cet})
		if list.Err() != nil || len(got) != 1 || got[0].At.Truncate(time.Second) != day.Add(9*time.Hour).In(cet) ||
			got[0].Value != 7 {
			t.Errorf("with a zone declared %q reads %+v, %v", v[0], got, list)
		}
	}
	// What only looks like a zone is a word of the line.
	got, list := trace.ParseLog("dut.log", []byte("10:00:00 NET 7\n10:00:01 ESTIMATE 7\n"),
		trace.LogSettings{Date: day, AskZone: true})
	if list.Err() != nil || len(got) != 2 || got[0].Zoned {
		t.Errorf("reads %+v, %v", got, list)
	}
}

func TestLinesWithoutAStampAreToldTogether(t *testing.T) {
	_, list := trace.ParseLog("dut.log", []byte("10:00:00 1\nall well now\n10:00:01 1\nrubbish\nmore rubbish\n"),
		trace.LogSettings{Date: day})
	if w := list.Warnings(); list.Err() != nil || len(w) != 1 || w[0].Line != 2 || !strings.Contains(w[0].What,
		"3 lines") {
		t.Errorf("warns %v", list)
	}
}

func TestAStampIsAsWideAsItsLastFigure(t *testing.T) {
	for log, want := range map[string]time.Duration{
		"10:00:00 7\n10:00:01 7\n":           time.Second,
		"10:00:00.000 7\n10:00:01.000 7\n":   time.Second, // a clock of whole seconds that is written with more
		"10:00 7\n10:01 7\n":                 time.Minute,
		"Wed Nov 25 10:00:00 2026 7\n":       time.Second,
		"Wed, 25 Nov 2026 10:00:00 GMT 7\n":  time.Second,
		"10:00:00.5 7\n10:00:01.0 7\n":       100 * time.Millisecond,
		"10:00:00.25 7\n10:00:01.50 7\n":     10 * time.Millisecond,
		"10:00:00.250 7\n10:00:01.000 7\n":   0,
		"1795600800 7\n":                     time.Second,
		"1795600800000 7\n1795600801000 7\n": time.Second,
		"1795600800125 7\n1795600801000 7\n": 0,
		"2026-11-25 10:00:00:517 7\n":        0,
		"2026-11-25 10:00:00,5;12,34\n":      100 * time.Millisecond,
	} {
		got, list := trace.ParseLog("dut.log", []byte(log),
			trace.LogSettings{Date: day, Offset: 517 * time.Millisecond})
		if list.Err() != nil || len(got) == 0 {
			t.Errorf("%q: %v", log, list)
		}
		for _, e := range got {
			if e.Width != want {
				t.Errorf("%q line %d is %v wide, its figures %v", log, e.Line, e.Width, want)
			}
		}
	}
}
