package driver_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// Each state that the last user may have left puts out something else than what is set; after Plain it is
// a carrier again. What comes out is the plant's, at the probe.
func TestWhatTheLastUserLeftOnIsSetAside(t *testing.T) {
	for _, c := range []struct {
		generator simbench.Generator
		left      string
		moves     bool // the level, the frequency or the modulation that really comes out is another
	}{
		{simbench.FunctionGenerator, "FUNC SQU", true}, {simbench.FunctionGenerator, "SWE:STAT 1",
			true}, {simbench.FunctionGenerator, "BURS:STAT 1", true},
		{simbench.FunctionGenerator, "FM:STAT 1", true}, {simbench.SignalGenerator, "FREQ:MODE SWE",
			true}, {simbench.SignalGenerator, "FM:STAT 1", true},
		{simbench.FunctionGenerator, "PM:STAT 1", false}, {simbench.FunctionGenerator, "AM:SOUR EXT;STAT 1",
			true}, {simbench.SignalGenerator, "PULM:SOUR EXT", false},
	} {
		t.Run(c.left, func(t *testing.T) {
			b := simbench.New(simbench.Config{Generator: c.generator})
			defer b.Close()
			o, _ := on(b, "source")
			spec := functionGenerator(catalog.Load50)
			if c.generator == simbench.SignalGenerator {
				spec = signalGenerator()
			}
			s := openSource(t, spec, o)
			set := guard.Setting{Frequency: 5 * rf.Megahertz, Level: rf.DBm(-20), Output: true}
			type out struct {
				hz, carrier, crest float64
				mod                simbench.Modulation
			}
			look := func() out {
				must(t, driver.ApplySetting(t.Context(), s, set))
				x := b.State()
				must(t, s.OutputOff(t.Context()))
				return out{x.Frequency, x.Carrier, x.Crest, x.Modulation}
			}
			clean := look()
			byHand(t, b, "source", c.left)
			s.State(t.Context())
			if !strings.HasPrefix(c.left, "AM") { // which is switched off for a carrier
				if dirty := look(); (dirty != clean) != c.moves {
					t.Errorf("%s gives %+v, a carrier %+v", c.left, dirty, clean)
				}
			}
			if unread, err := s.(driver.Plainer).Plain(t.Context()); err != nil ||
				slices.Contains(unread, "sweep or list") {
				t.Errorf("not read: %v, %v", unread, err)
			}
			if after := look(); after != clean {
				t.Errorf("afterwards %+v, a carrier %+v", after, clean)
			}
		})
	}
}

func TestADirectVoltageLeftByTheLastUserIsRefusedAndWouldBeAbuse(t *testing.T) {
	b := simbench.New(simbench.Config{})
	defer b.Close()
	byHand(t, b, "source", "VOLT:OFFS 1", "OUTP 1")
	if len(b.Abuses()) == 0 {
		t.Error("a direct voltage into the amplifier is no abuse")
	}
	o, _ := on(b, "source")
	_, err := driver.OpenSource(t.Context(), functionGenerator(catalog.Load50), o)
	var set *driver.SettingError
	if !errors.As(err, &set) || set.What != "offset" {
		t.Errorf("opened: %v", err)
	}
}

func TestPlainIsRefusedWithTheOutputOnAndSaysWhatItCannotRead(t *testing.T) {
	b := simbench.New(simbench.Config{})
	defer b.Close()
	o, k := on(b, "source")
	table, err := tableNamed("function generator")
	must(t, err)
	table.Name = "own"
	for _, v := range []driver.Verb{driver.BurstOff, driver.BurstAsk, driver.OffsetAsk, driver.FMAsk} {
		delete(table.Commands, v)
	}
	table.Commands[driver.Preset] = "*RST"
	o.Tables = []driver.Table{table}
	spec := functionGenerator(catalog.Load50)
	spec.Table = "own"
	s := openSource(t, spec, o)
	must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: rf.Megahertz, Level: rf.DBm(-30),
		Output: true}))
	k.sent()
	if _, err := s.(driver.Plainer).Plain(t.Context()); !errors.Is(err, driver.ErrWouldRaise) {
		t.Errorf("with the output on: %v", err)
	}
	if m := k.sent(); slices.Contains(m, "*RST;SYST:ERR?") {
		t.Errorf("a preset with the output on: %q", m)
	}
	must(t, s.OutputOff(t.Context()))
	unread, err := s.(driver.Plainer).Plain(t.Context())
	if want := []string{"burst", "frequency modulation", "direct voltage"}; err != nil || !slices.Equal(unread, want) {
		t.Errorf("not read: %q, %v; want %q", unread, err, want)
	}
	if m := k.sent(); !slices.ContainsFunc(m, func(x string) bool { return strings.HasPrefix(x, "*RST") }) {
		t.Errorf("no preset: %q", m)
	}
}
