package trace_test

import (
	"regexp"
	"strings"
	"testing"

	"provoke/internal/files/trace"
)

func TestTheNumberOfALineIsTheOneWithTheUnit(t *testing.T) {
	for log, want := range map[string]float64{
		"10:00:00 ch 2 weight 12.90 kg\n":          12.9,
		"10:00:00 [thread-7] weight=12.90 kg\n":    12.9,
		"10:00:00 host weigher[12]: 12,90kg\n":     12.9,
		"10:00:00;3;\"12.90\";\"kg\"\n":            12.9,
		"10:00:00 supply 24.1 V weight 12.90 kg\n": 12.9,
		"10:00:00 weight 12900 g = 12.90 KG.\n":    12.9,
		"10:00:00 weight [12.90] kg\n":             12.9,
		"10:00:00 weight +1,290.5 kg of 3\n":       1290.5,
		"10:00:00 weight \u22121.290,5 kg of 3\n":  -1290.5,
		"10:00:00 12.90 ± 0.05 kg\n":               12.9,
		"10:00:00 W12.90kg\n":                      12.9,
		"10:00:00 weigher2: 12.90\n":               12.9, // the 2 is of a name
		"10:00:00 from 192.168.0.12: 12.90 ok\n":   12.9, // four numbers with points are an address
		"10:00:00,500,12.90\n":                     12.9,
		"time;weight [kg]\n10:00:00.5;12,90\n":     12.9,
		"10:00:00 3,129 kg\n10:00:01 3,12 kg\n":    3.129, // another line shows that it stands before decimals
	} {
		got, list := trace.ParseLog("dut.log", []byte(log), trace.LogSettings{Date: day, Unit: "kg"})
		if list.Err() != nil || len(got) == 0 || !got[0].HasValue || got[0].Value != want {
			t.Errorf("%q reads %+v, %v; it says %v", log, got, list, want)
		}
	}
	got, list := trace.ParseLog("dut.log", []byte("10:00:00 ch 2 speed 3000 1/min\n"),
		trace.LogSettings{Date: day, Unit: "1/min"})
	if list.Err() != nil || got[0].Value != 3000 {
		t.Errorf("reads %+v, %v", got, list)
	}
}

func TestANumberThatMayBeAnotherIsRefusedOnce(t *testing.T) {
	for log, want := range map[string][]string{
		"10:00:00 host weigher[12]: 12.90\n10:00:01 host weigher[12]: 12.91\n": {"dut.log:1:10:", "several numbers",
			"2 lines", "--pattern"},
		"10:00:00 3,12.90\n":                           {"several numbers", "kg stands behind none"},
		"10:00:00 gross 14.00 kg net 12.90 kg\n":       {"several numbers", "more than one", "--pattern"},
		"10:00:00 12.90 kg\n10:00:01 weight 12900 g\n": {"dut.log:2:10:", "in g", "in kg", "--tolerance"},
		"10:00:00 supply 12.90 V\n":                    {"in V", "in kg"},
		"10:00:00 1 290.5 kg\n":                        {"several numbers"},
		"10:00:00 3,129 kg\n10:00:01 3,130 kg\n":       {"two ways", "--decimal"},
		"10:00:00 12900;g\n":                           {"in g"},
		"10:00:00 12.90 kg/m\n":                        {"in kg/m"},
		"10:00:00 12.9-13.1 kg\n":                      {"several numbers"},
		"10:00:00 0x1F\n":                              {"in x"},
		"10:00:00 28.4lb\n":                            {"in lb"},
		"10:00:00 ch 2 supply 24.1 V\n":                {"several numbers", "kg stands behind none"},
		"time;weight [g]\n10:00:00.5;12900\n":          {"dut.log:1:1:", "\"g\" is the unit of the heading", "in kg"},
	} {
		got, list := trace.ParseLog("dut.log", []byte(log), trace.LogSettings{Date: day, Unit: "kg"})
		if list.Err() == nil || len(got) > 0 || strings.Count(list.Err().Error(), "dut.log:") != 1 {
			t.Errorf("%q reads %+v, tells %v", log, got, list)
			continue
		}
		for _, w := range want {
			if !strings.Contains(list.Err().Error(), w) {
				t.Errorf("%q tells %v and not %q", log, list.Err(), w)
			}
		}
	}
	// Nothing is judged without a unit, so nothing is refused; a pattern says which number, and not in which unit.
	got, list := trace.ParseLog("dut.log", []byte("10:00:00 thread 3 of 7\n"), trace.LogSettings{Date: day})
	if list.Err() != nil || got[0].HasValue {
		t.Errorf("reads %+v, %v", got, list)
	}
	net := regexp.MustCompile(`net ([0-9.]+( g)?)`)
	got, list = trace.ParseLog("dut.log", []byte(
		"10:00:00 gross 14.00 kg net 12.90 kg\n10:00:01 gross 14.00 kg net 12.91\n"),
		trace.LogSettings{Date: day, Unit: "kg", Pattern: net})
	if list.Err() != nil || got[0].Value != 12.9 || got[1].Value != 12.91 {
		t.Errorf("reads %+v, %v", got, list)
	}
	for _, log := range []string{"10:00:00 gross 14.00 kg net 12900 g\n", "10:00:00 gross 14.00 kg net 12.90 V\n"} {
		if got, list = trace.ParseLog("dut.log", []byte(log),
			trace.LogSettings{Date: day, Unit: "kg", Pattern: net}); list.Err() == nil {
			t.Errorf("reads %+v", got)
		}
	}
}

func TestLinesWithoutANumberAreToldWhereNumbersAreJudged(t *testing.T) {
	log := []byte("10:00:00 12.90 kg\n10:00:01 weight overflow\n10:00:02 ERR weight 9\n10:00:03 weight overflow\n")
	_, list := trace.ParseLog("dut.log", log,
		trace.LogSettings{Date: day, Unit: "kg", ErrorPattern: regexp.MustCompile("ERR")})
	if w := list.Warnings(); list.Err() != nil || len(w) != 1 || w[0].Line != 2 || !strings.Contains(w[0].What,
		"2 lines") {
		t.Errorf("warns %v", list)
	}
	if _, list = trace.ParseLog("dut.log", log, trace.LogSettings{Date: day}); len(list) > 0 {
		t.Errorf("tells %v", list)
	}
}
