package driver_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"provoke/internal/bench/driver"
	"provoke/internal/bench/guard"
	"provoke/internal/bench/simbench"
	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// radiating serves a bench over a transport and has its source on.
func radiating(t *testing.T, tr simbench.Transport) (*simbench.Bench, driver.Source, *talk) {
	t.Helper()
	b := newBench(t, simbench.Config{})
	must(t, b.Serve(simbench.Serving{Address: "127.0.0.1:0", Transports: []simbench.Transport{tr}}))
	spec := functionGenerator(catalog.Load50)
	spec.Address = b.Address("source")
	k := &talk{}
	s := openSource(t, spec, driver.Options{Timeout: 300 * time.Millisecond, Trace: k.hear})
	must(t, driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: 10 * rf.Megahertz, Level: rf.DBm(-30),
		Output: true}))
	if !b.State().On {
		t.Fatal("RF is not on")
	}
	k.sent()
	return b, s, k
}

// TestOverEveryTransportRFGoesOffOrIsSaidNotToBeKnown is the fault list at the moment of silencing. What
// the report says must be true of the bench, and it must be said within the time that is asked for.
func TestOverEveryTransportRFGoesOffOrIsSaidNotToBeKnown(t *testing.T) {
	const giveUp, patience = 2 * time.Second, 500 * time.Millisecond
	var all sync.WaitGroup
	for _, c := range []struct {
		name  string
		fault simbench.Fault
		goes  bool // RF can be brought off and shown to be
	}{
		{"well", simbench.Fault{}, true},
		{"absent and its connection lost", simbench.Fault{Kind: simbench.FaultAbsent}, false},
		{"never answers", simbench.Fault{Kind: simbench.FaultSilent}, false},
		{"deaf", simbench.Fault{Kind: simbench.FaultDeaf}, false},
		{"answers late once", simbench.Fault{Kind: simbench.FaultLate, Delay: 350 * time.Millisecond, Times: 1}, true},
		{"answers late for good", simbench.Fault{Kind: simbench.FaultLate, Delay: 350 * time.Millisecond}, false},
		{"garbage once", simbench.Fault{Kind: simbench.FaultGarbage, Times: 1}, true},
		{"garbage for good", simbench.Fault{Kind: simbench.FaultGarbage}, false},
		{"half a line once", simbench.Fault{Kind: simbench.FaultHalf, Times: 1}, true},
		{"closes once", simbench.Fault{Kind: simbench.FaultCloses, Times: 1}, true},
		{"closed in mid-answer", simbench.Fault{Kind: simbench.FaultTorn, Times: 1}, true},
		{"two answers glued", simbench.Fault{Kind: simbench.FaultTwice, Times: 1}, true},
		{"its error queue overflows", simbench.Fault{Kind: simbench.FaultOverflow, Times: 1}, true},
		{"the cable is pulled", simbench.Fault{Kind: simbench.FaultUnplugged}, false},
		{"rebooted", simbench.Fault{Kind: simbench.FaultReboots}, true},
	} {
		for _, tr := range simbench.Transports {
			all.Go(func() {
				t.Run(c.name+"/"+string(tr), func(t *testing.T) { // all at once: they wait more than they compute
					b, s, _ := radiating(t, tr)
					if c.fault.Kind == simbench.FaultAbsent {
						must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultCloses, Times: 1}))
					}
					if c.fault.Kind != "" {
						must(t, b.Inject("source", c.fault))
					}
					g := guard.New(guard.Config{Source: s, Patience: patience, GiveUp: giveUp,
						Linger: 200 * time.Millisecond})
					began := time.Now()
					r := g.Silence(t.Context(), "a test")
					// one more pass may begin just before giving up: four exchanges with their patience
					if took := time.Since(began); took > giveUp+4*patience+time.Second {
						t.Errorf("took %v", took)
					}
					on := b.State().On
					switch {
					case r.Quiet && on:
						t.Errorf("said to be off and is on: %s", r.How)
					case r.Quiet != c.goes:
						t.Errorf("quiet %v, want %v: %s; RF on: %v", r.Quiet, c.goes, r.How, on)
					case !r.Quiet && !strings.HasPrefix(r.How, "RF not known to be off"):
						t.Errorf("said %q", r.How)
					}
				})
			})
		}
	}
	all.Wait()
}

func TestOverEveryTransportSettingsAreReadBeforeRFAfterAReboot(t *testing.T) {
	for _, tr := range simbench.Transports {
		t.Run(string(tr), func(t *testing.T) {
			b, s, k := radiating(t, tr)
			must(t, b.Inject("source", simbench.Fault{Kind: simbench.FaultReboots, Only: "FREQ?"}))
			if _, err := s.State(t.Context()); err == nil {
				t.Fatal("the reboot was not noticed")
			}
			byHand(t, b, "source", "OUTP:LOAD 50", "VOLT:UNIT VPP") // as its power-on state is set at the front panel
			k.sent()
			err := driver.ApplySetting(t.Context(), s, guard.Setting{Frequency: 12 * rf.Megahertz, Level: rf.DBm(-30),
				Output: true})
			must(t, err)
			sent := k.sent()
			for _, m := range sent {
				if m == "*CLS" {
					continue
				}
				for _, unit := range strings.Split(m, ";") {
					if !strings.HasSuffix(strings.TrimSpace(unit), "?") {
						t.Errorf("the first message after the reboot sets something: %q", m)
					}
				}
				break
			}
			if st := b.State(); !st.On || st.Frequency != 12e6 {
				t.Errorf("%+v", st)
			}
		})
	}
}

func TestABenchOpensOverEveryTransport(t *testing.T) {
	for _, tr := range simbench.Transports {
		t.Run(string(tr), func(t *testing.T) {
			b := newBench(t, simbench.Config{})
			must(t, b.Serve(simbench.Serving{Address: "127.0.0.1:0", Transports: []simbench.Transport{tr}}))
			spec, list := catalog.Parse("bench.yaml", b.BenchFile(), nil)
			must(t, list.Err())
			r, err := driver.OpenBench(context.Background(), spec, driver.Options{})
			must(t, err)
			defer r.Close()
			if r.Source == nil || r.Amplifier == nil || r.Analyser == nil || r.PowerMeter == nil || r.Interlock == nil {
				t.Errorf("opened %+v", r)
			}
			must(t, r.Source.OutputOff(t.Context()))
		})
	}
}
