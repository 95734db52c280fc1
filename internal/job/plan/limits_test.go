package plan

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/model/level"
	"provoke/internal/units/rf"
)

func parsed(lines string) (*Plan, problem.List) {
	text := "provoke: plan 1\nbench: b.yaml\nkind: exposure\n"
	if !strings.Contains(lines, "level:") {
		text += "level: 60 mA\n"
	}
	if !strings.Contains(lines, "grid:") {
		text += "grid: [{list: [1 MHz]}]\n"
	}
	return Parse("plan.yaml", []byte(text+lines+"\n"), readTestdata)
}

// Both ends of what a key takes are taken; a little outside either is refused, once and where it stands.
func TestTheEndsOfWhatAKeyTakes(t *testing.T) {
	for key, c := range map[string]struct{ good, bad []string }{
		"search: {resolution: %s, approach: 20 dB}": {[]string{"0.05 dB", "6 dB"}, []string{"0.04 dB", "6.1 dB"}},
		"search: {range: %s}":                       {[]string{"1 dB", "80 dB"}, []string{"0.9 dB", "80.1 dB"}},
		"search: {approach: %s, resolution: 0.1dB}": {[]string{"0.1 dB", "20 dB"}, []string{"0.09 dB", "20.1 dB"}},
		"search: {window: %s}":                      {[]string{"0.5 dB", "20 dB"}, []string{"0.4 dB", "20.1 dB"}},
		"search: {confirm: %s}":                     {[]string{"0", "20"}, []string{"21"}},
		"search: {resolution: 2 dB, range: %s}":     {[]string{"2 dB"}, []string{"1.9 dB"}},
		"search: {resolution: 2 dB, approach: %s}":  {[]string{"2 dB"}, []string{"1.9 dB"}},
		"search: {method: staircase, trials: %s}":   {[]string{"2", "1000"}, []string{"1", "1001"}},
		"search: {method: staircase, step: %s}":     {[]string{"0.5 dB", "6 dB"}, []string{"0.4 dB", "6.1 dB"}},
		"search: {method: repeat, below: %s}":       {[]string{"0 dB", "40 dB"}, []string{"-0.1 dB", "40.1 dB"}},
		"levelling: {window: %s}":                   {[]string{"0.05 dB", "0.5 dB"}, []string{"0.04 dB", "0.51 dB"}},
		"levelling: {above_budget: %s}":             {[]string{"0 dB", "20 dB"}, []string{"-0.1 dB", "20.1 dB"}},
		"levelling: {forward_ceiling: %s}":          {[]string{"0 dB", "20 dB"}, []string{"-0.1 dB", "20.1 dB"}},
		"first_light: {below: %s}":                  {[]string{"6 dB", "60 dB"}, []string{"5.9 dB", "60.1 dB"}},
		"first_light: {allowed: %s}":                {[]string{"0.5 dB", "20 dB"}, []string{"0.4 dB", "20.1 dB"}},
		"drift_check: {at: 1 MHz, below: %s}":       {[]string{"3 dB", "60 dB"}, []string{"2.9 dB", "60.1 dB"}},
		"drift_check: {at: 1 MHz, every: %s}":       {[]string{"1", "2"}, []string{"0"}},
		"drift_check: {at: %s}":                     {[]string{"1 MHz"}, []string{"2 MHz"}},
		"trip_above: %s":                            {[]string{"0.5 dB", "20 dB"}, []string{"0.4 dB", "20.1 dB"}},
		"dwell: %s":                                 {[]string{"1 ms", "1 h"}, []string{"0.9 ms", "3601 s"}},
		"settle: %s":                                {[]string{"0 s", "60 s"}, []string{"61 s"}},
		"recover_within: %s":                        {[]string{"1 ms", "1 h"}, []string{"0.9 ms", "3601 s"}},
		"dead_man: %s":                              {[]string{"50 ms", "60 s"}, []string{"49 ms", "61 s"}},
		"edges: %s":                                 {[]string{"0.0001 %", "50 %"}, []string{"0.00009 %", "51 %"}},
		"over_test: %s": {[]string{"accepted by A. Engineer"},
			[]string{"yes", "agreed by A. Engineer"}},
	} {
		column := strings.Index(key, "%s") + 1
		for _, x := range c.good {
			if _, list := parsed(fmt.Sprintf(key, x)); list.Err() != nil {
				t.Errorf(key+": %v", x, list.Err())
			}
		}
		for _, x := range c.bad {
			_, list := parsed(fmt.Sprintf(key, x))
			if len(list) != 1 || list[0].Warning || list[0].Line != 6 || list[0].Column != column {
				t.Errorf(key+" is taken, or told elsewhere: %v", x, list)
			}
		}
	}
	// Hundredths of a decibel are told where it takes them to see the difference.
	for lines, want := range map[string]string{
		"search: {approach: 0.09 dB, resolution: 0.1 dB}": "the approach of 0.09 dB is less than the resolution of " +
			"0.10 dB",
		"search: {range: 1.97 dB, resolution: 1.98 dB}": "the range of 1.97 dB is less than the resolution of 1.98 dB",
	} {
		if _, list := parsed(lines); list.Err() == nil || !strings.Contains(list.Err().Error(), want) {
			t.Errorf("%s: %v", lines, list)
		}
	}
}

// 10 V of e.m.f. are 10 V/300 Ω = 33.3 mA in the matched loop.
func TestALevelIsTakenHoweverItIsWritten(t *testing.T) {
	for lines, want := range map[string]rf.Current{
		"level: 60 mA":     rf.Amperes(0.06),
		"level: 10 V emf":  rf.Amperes(10.0 / 300),
		"level: 95.5 dBµA": rf.DBuA(95.5),
		"level: {list: [{at: 1 MHz, level: 30 mA}]}":                                   rf.Amperes(0.03),
		"level: {list: [{at: 1 MHz, level: 30 mA}], beyond: 1 %}":                      rf.Amperes(0.03),
		"level: {list: [{at: 1 MHz, level: 30 mA}, {at: 2 MHz, level: 40 mA}]}":        rf.Amperes(0.03),
		"level: {curve: {points: {500 kHz: 20 mA, 1 MHz: 25 mA, 2 MHz: 40 mA}}}":       rf.Amperes(0.025),
		"level: {curve: {points: {1 MHz: 25 mA, 2 MHz: 40 mA}}}\nedges: 1 %":           rf.Amperes(0.025),
		"level: {list: [{at: 900 kHz, level: 1 V emf}, {at: 1 MHz, level: 10 V emf}]}": rf.Amperes(10.0 / 300),
	} {
		p, list := parsed(lines)
		ask, err := p.Profile.At(1e6)
		if d, _ := ask.Current.Minus(want); list.Err() != nil || err != nil || !(d < 1e-6 && d > -1e-6) {
			t.Errorf("%s: %v, want %v; %v, %v", lines, ask.Current, want, list, err)
		}
	}
	for lines, want := range map[string]string{
		"level: {list: [{at: 1 MHz, level: 10 V}]}":                 "emf",
		"level: {list: [{at: 1 MHz, level: 1 A}], curve: {csv: x}}": "list and as curve",
		"level: {curve: {points: {1 MHz: 1 A}}, beyond: 1 %}":       "beyond belongs to a list",
		"level: {}": "the level is empty",
	} {
		if _, list := parsed(lines); list.Err() == nil || !strings.Contains(list.Err().Error(), want) {
			t.Errorf("%s: %v", lines, list)
		}
	}
}

// The plan's own modulation goes before the level's usual one; what it leaves open is as the level is defined.
func TestTheModulationOfAPlanIsTaken(t *testing.T) {
	for lines, want := range map[string]level.Modulation{
		"modulation: CW": {Kind: level.CW},
		"modulation: AM 50 % 400 Hz\nlevel: iec-61000-4-6/level-3": {Kind: level.AM, Depth: 0.5, Rate: 400,
			Hold: level.CarrierHeld},
		"modulation: AM 50 % 400 Hz peak held\nlevel: iec-61000-4-6/level-3": {Kind: level.AM, Depth: 0.5, Rate: 400,
			Hold: level.PeakHeld},
		"modulation: CW\nlevel: iec-61000-4-6/level-3": {Kind: level.CW},
	} {
		if p, list := parsed(lines); list.Err() != nil || p.Modulation != want {
			t.Errorf("%s: %+v, want %+v; %v", lines, p.Modulation, want, list)
		}
	}
}

// As many frequencies as a grid may have, in two segments, and one more.
func TestAGridHasAMostOfFrequencies(t *testing.T) {
	half := level.MaximumFrequencies / 2
	for more, want := range map[int]bool{0: true, 1: false} {
		p,
			list := parsed(fmt.Sprintf("grid: [{from: 1 MHz, to: %d Hz, step: 1 Hz}, {from: 2 MHz, to: %d Hz, step: "+
			"1 Hz}]", 1_000_000+half-1, 2_000_000+half-1+more))
		if (list.Err() == nil) != want || want && len(p.Grid) != level.MaximumFrequencies {
			t.Errorf("%d frequencies and %d more: %v", level.MaximumFrequencies, more, list.Err())
		}
	}
}

// A plan's hash is that of its bytes with those of the file that it names behind them.
func TestTheHashIsThatOfTheBytes(t *testing.T) {
	data, _ := readTestdata("own-curve.yaml")
	more, _ := readTestdata("own-level.csv")
	want := sha256.Sum256(append(append([]byte(nil), data...), more...))
	if p := parseSample(t, "own-curve.yaml"); p.Hash != hex.EncodeToString(want[:]) {
		t.Errorf("%s", p.Hash)
	}
}

func TestAPlanChangesSilenceAndLatencyOfAMonitor(t *testing.T) {
	p, list := parsed("monitors: {SHOWN: {silence: 5 s, latency: 2 s}, EYES: {}}")
	if list.Err() != nil {
		t.Fatal(list)
	}
	bench := &catalog.Bench{Monitors: []catalog.Monitor{
		{Identity: catalog.Identity{ID: "SHOWN"}, Unit: "kg", Tolerance: 0.05, Silence: rf.Duration(1e9),
			Latency: rf.Duration(3e9)},
		{Identity: catalog.Identity{ID: "EYES"}, Silence: rf.Duration(7e9), Latency: rf.Duration(6e9)},
	}}
	m, wrong := p.MonitorsOf(bench)
	if len(wrong) > 0 || m[0].Silence != rf.Duration(5e9) || m[0].Latency != rf.Duration(2e9) ||
		m[0].Tolerance != 0.05 || m[1].Silence != rf.Duration(7e9) || m[1].Latency != rf.Duration(6e9) {
		t.Errorf("%+v, %v", m, wrong)
	}
}

// A comment or a blank line in front of a key belongs to that key and stays; what is indented belongs to the key above.
func TestARewriteKeepsTheCommentsOfTheNextKey(t *testing.T) {
	for _, c := range []struct{ text, value, want string }{
		{"a: 1\n# of b\nb: 2\n", "9", "a: 9\n# of b\nb: 2\n"},
		{"a: 1\n\n# of b\nb: 2\n", "9", "a: 9\n\n# of b\nb: 2\n"},
		{"a:\n  - 1\n  # of 2\n  - 2\n# of b\nb: 2\n", "9", "a: 9\n# of b\nb: 2\n"},
		{"a: 1\nb: 2\n", "9", "a: 9\nb: 2\n"},
		{"a: 1\n# of b\nb: 2\n", "", "# of b\nb: 2\n"},
		{"b: 2\na: 1\n", "9", "b: 2\na: 9\n"},
		{"b: 2\n", "9", "b: 2\na: 9\n"},
		{"b: 2\n", "", "b: 2\n"},
	} {
		if got, err := Rewrite([]byte(c.text), Change{"a", c.value}); string(got) != c.want || err != nil {
			t.Errorf("%q with a: %q becomes %q, want %q (%v)", c.text, c.value, got, c.want, err)
		}
	}
}

// Simple acceptance, as the files' page has it; a guard band asks for 1.645 u or for U.
func TestTheRuleOfDecision(t *testing.T) {
	for lines, want := range map[string]DecisionRule{"": SimpleAcceptance, "decision_rule: guard band U": GuardBandU,
		"decision_rule: guard band 1.645 u": GuardBand95} {
		if p, list := parsed(lines); list.Err() != nil || p.Decision != want {
			t.Errorf("%q: %q, %v", lines, p.Decision, list)
		}
	}
	for rule, want := range map[DecisionRule]rf.Gain{"": 0, SimpleAcceptance: 0, GuardBand95: 1.645, GuardBandU: 2.1} {
		if rule.OrDefault() != rule && rule != "" || DecisionRule("").OrDefault() != SimpleAcceptance ||
			rule.Guard(1, 2.1) != want {
			t.Errorf("%q: %v", rule, rule.Guard(1, 2.1))
		}
	}
}

// The dwell is that of the level's step rule (0.5 s for the one, 3 s for another, from memory), and 1 s at least.
func TestTheDwellOfAPlanThatNamesNone(t *testing.T) {
	for id, want := range map[string]rf.Duration{"iec-61000-4-6/level-3": rf.Duration(1e9),
		"cs114/curve-1": rf.Duration(3e9)} {
		if p, list := parsed("level: " + id); list.Err() != nil || p.Dwell != want {
			t.Errorf("%s: %v, want %v; %v", id, p.Dwell, want, list)
		}
	}
}

func TestADriveIsOneLevelAndOnlyOfAConstantDrive(t *testing.T) {
	for lines, want := range map[string]string{
		"mode: constant drive\ndrive: -20 dBm": "",
		"mode: constant drive\ndrive: off":     "the drive must be one known level",
		"mode: constant drive":                 "constant drive needs the drive",
		"drive: -20 dBm":                       "the drive is given, but in closed loop it follows from the level",
	} {
		if _, list := parsed(lines); (list.Err() == nil) != (want == "") || !strings.Contains(fmt.Sprint(list.Err()),
			want) {
			t.Errorf("%s: %v", lines, list)
		}
	}
}

func TestWhatHasNoMeaningIsWarnedOfAndDoesNothing(t *testing.T) {
	text := "provoke: plan 1\nbench: b\nkind: %s\nfixture: jig50\nlevel: 60 mA\ngrid: %s\nedges: 1 %%\nsearch: " +
		"{range: 20 dB}\n"
	for _, kind := range []RunKind{Baseline, Calibration} {
		p, list := Parse("p", []byte(fmt.Sprintf(text, kind, "[{list: [1 MHz]}]")), nil)
		if list.Err() != nil || p.Edges != 0 || !warned(list, "edges has no meaning") ||
			!warned(list, "search has no meaning") {
			t.Errorf("%s: edges %v, %v", kind, p.Edges, list)
		}
	}
	// Where there is no grid that is what is told, and not that the check point is none of it.
	if _, list := parsed("grid: []\ndrift_check: {at: 1 MHz}"); list.Err() == nil ||
		strings.Contains(fmt.Sprint(list), "check point") {
		t.Error(list)
	}
}

func TestWhatIsWrongWithASegment(t *testing.T) {
	for segment, want := range map[string]string{
		"{list: [1 MHz], step: 1 %}":                            "a segment with a list has nothing else in it",
		"{list: [1 MHz], span: 1 %}":                            "a segment with a list has nothing else in it",
		"{around: [1 MHz], span: 1 %, step: 1 %, from: 1 MHz}":  "neither from nor to",
		"{around: [1 MHz], span: 1 %, steps_of: do-160}":        "neither from nor to",
		"{from: 1 MHz, to: 2 MHz, step: 1 %, span: 1 %}":        "span belongs to",
		"{from: 1 MHz, step: 1 %}":                              "needs from and to",
		"{from: 1 MHz, to: 2 MHz}":                              "has no step",
		"{from: 1 MHz, to: 2 MHz, step: 1 %, steps_of: do-160}": "both step and steps_of",
		"{from: 1 MHz, to: 2 MHz, steps_of: do-161}":            "do-160",
		"{from: 1 MHz, to: 2 MHz, step: x per decade}":          "a whole number per decade",
		"{around: [1 MHz], span: 1 %, step: 1 kHz}":             "both be shares",
	} {
		if _, list := parsed("grid: [" + segment + "]"); list.Err() == nil || !strings.Contains(list.Err().Error(),
			want) {
			t.Errorf("%s: %v", segment, list)
		}
	}
	// 10 per decade from 1 to 10 MHz are eleven frequencies; a rule of 10^(1/99) has a hundred of them to the decade.
	// Round a frequency it goes from span below to span above: 40 kHz in 10 kHz are 4 + 1 + 4; 4 % in ratios of 1 % at
	// most
	// are ln(1/0.96)/ln 1.01 = 4.1, so 5, below and ln 1.04/ln 1.01 = 3.9, so 4, above.
	for segment, want := range map[string]int{"{from: 1 MHz, to: 10 MHz, step: 10 per decade}": 11,
		"{from: 1 MHz, to: 10 MHz, steps_of: do-160}": 100, "{around: [1 MHz], span: 4 %, step: 1 %}": 10,
		"{around: [1 MHz], span: 40 kHz, step: 10 kHz}": 9, "{from: 1 MHz, to: 2 MHz, step: 100 kHz}": 11} {
		if p, list := parsed("grid: [" + segment + "]"); list.Err() != nil || len(p.Grid) != want {
			t.Errorf("%s: %d frequencies, want %d; %v", segment, len(p.Grid), want, list)
		}
	}
}

// A step of more than 2.5 times those beside it is a jump, over which nothing is joined; a first step that is short is
// none.
func TestAGridIsCutWhereItJumps(t *testing.T) {
	for _, c := range []struct {
		f     []rf.Frequency
		a, b  rf.Frequency
		joins bool
		parts int
	}{
		// 25 %, then 62.5 %: just 2.5 times as much
		{[]rf.Frequency{1e6, 1.25e6, 2.03125e6}, 1.25e6, 2.03125e6, true, 1},
		{[]rf.Frequency{1e6, 1.001e6, 1.011e6, 1.021e6}, 1e6, 1.001e6, true, 1},
		{[]rf.Frequency{1e6, 1.001e6, 1.011e6, 1.021e6}, 1.001e6, 1.011e6, true, 1},
		{[]rf.Frequency{1e6, 1.001e6, 1.031e6, 1.041e6}, 1.001e6, 1.031e6, false, 2}, // 0.1 %, 3 %, 0.97 %
		{[]rf.Frequency{1e6, 1.01e6, 5e6, 5.05e6}, 1.01e6, 5e6, false, 2},
		{[]rf.Frequency{1e6}, 1e6, 1.001e6, false, 0},
	} {
		parts := stretchesOf(c.f)
		if got := Joins(parts, c.a, c.b); got != c.joins || len(parts) != c.parts {
			t.Errorf("%v: %v and %v joined %v, want %v; %+v", c.f, c.a, c.b, got, c.joins, parts)
		}
	}
}

// Whatever comes last in a segment, what was stepped through before it is joined.
func TestAJumpAtTheEndOfASegmentLeavesTheRestJoined(t *testing.T) {
	if parts := stretchesOf([]rf.Frequency{1e6, 1.01e6, 1.02e6, 5e6}); !Joins(parts, 1e6, 1.01e6) ||
		!Joins(parts, 1.01e6, 1.02e6) || Joins(parts, 1e6, 5e6) {
		t.Errorf("%+v", parts)
	}
}

// The files' page is written from these keys; its defaults are those of a plan that says little.
func TestTheKeysOfAPlanHaveItsDefaults(t *testing.T) {
	defaults := map[string]string{}
	for _, k := range Keys() {
		defaults[k.Path] = k.Default
	}
	for key, want := range map[string]string{"search.resolution": "0.5 dB", "search.range": "40.0 dB",
		"levelling.window": "0.3 dB", "trip_above": "6.0 dB", "dead_man": "2 s", "fixture": "cable"} {
		if defaults[key] != want {
			t.Errorf("%s: %q, want %q", key, defaults[key], want)
		}
	}
}
