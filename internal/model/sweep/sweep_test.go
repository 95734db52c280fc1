package sweep_test

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"provoke/internal/model/sweep"
	"provoke/internal/units/rf"
)

const (
	kHz = rf.Kilohertz
	MHz = rf.Megahertz
)

func seconds(x float64) time.Duration { return time.Duration(math.Round(x * 1e9)) }

// iec is the sweep of the check values T01 to T08: 150 kHz to 80 MHz in 120 s.
func iec(law sweep.Law) sweep.Sweep {
	return sweep.Sweep{Law: law, From: 150 * kHz, To: 80 * MHz, Time: 120 * time.Second}
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if math.Abs(got-want) > relative*math.Abs(want) {
		t.Errorf("%s is %.9g, want %.9g", what, got, want)
	}
}

func at(t *testing.T, s sweep.Sweep, after float64) float64 {
	t.Helper()
	f, running := s.At(seconds(after))
	if !running {
		t.Fatalf("the sweep does not run after %v s", after)
	}
	return f.Hz()
}

func TestTimeGivesFrequency(t *testing.T) {
	near(t, "T01: log, half the time is the geometric mean,", at(t, iec(sweep.Log), 60), 3.464101615e6, 1e-5)
	near(t, "T02: linear, half the time,", at(t, iec(sweep.Linear), 60), 40.075e6, 1e-5)
	near(t, "T03: log upwards, an event at 70 s seen 1.5 s late,", at(t, iec(sweep.Log), 71.5), 6.323070166e6, 1e-5)
	// Downwards the same frequency is passed at 120 s − 70 s, and seen 1.5 s later.
	near(t, "T04: log downwards,", at(t, iec(sweep.Log).Reversed(), 51.5), 5.404469035e6, 1e-5)
	near(t, "T06: where it truly was,", at(t, iec(sweep.Log), 70), 5.845753751e6, 1e-6)
}

// instant is a look at the product that came at exactly that time.
func instant(s float64) sweep.Look { return sweep.Look{From: seconds(s), To: seconds(s)} }

func passes(law sweep.Sweep, up, down float64) (sweep.Observed, sweep.Observed) {
	return sweep.Observed{Sweep: law, Upsets: []sweep.Seen{{Onset: instant(up)}}},
		sweep.Observed{Sweep: law.Reversed(), Upsets: []sweep.Seen{{Onset: instant(down)}}}
}

// only returns the one band that passes give.
func only(t *testing.T, passes ...sweep.Observed) sweep.Band {
	t.Helper()
	bands := sweep.Bands(passes, 10*time.Second)
	if len(bands) != 1 {
		t.Fatalf("%d bands: %+v", len(bands), bands)
	}
	return bands[0]
}

func TestUpAndDownCancelTheLatency(t *testing.T) {
	up, down := passes(iec(sweep.Log), 71.5, 51.5)
	b := only(t, up, down)
	near(t, "T05: the frequency,", b.Low.Hz(), 5.845753751e6, 1e-6)
	near(t, "T07: the latency,", b.Latency.Seconds(), 1.5, 1e-6)

	// T08: linear, 21.1 MHz upwards and 19.3 MHz downwards, 150 kHz to 80 MHz in 120 s.
	s := iec(sweep.Linear)
	tu, _ := s.When(21.1 * MHz)
	td, _ := s.Reversed().When(19.3 * MHz)
	up, down = passes(s, tu.Seconds(), td.Seconds())
	b = only(t, up, down)
	near(t, "T08: the latency,", b.Latency.Seconds(), 1.352536005, 1e-4)
	near(t, "the frequency,", b.Low.Hz(), 20.2e6, 1e-6)
}

// band is a product that is upset between two frequencies, tau after it gets there, and well tau after
// it leaves; watched every period.
func watched(s sweep.Sweep, low, high rf.Frequency, tau, period float64, recovers bool) sweep.Observed {
	look := func(t float64) sweep.Look {
		if period == 0 {
			return instant(t)
		}
		n := math.Ceil(t/period - 1e-9)
		return sweep.Look{From: seconds((n - 1) * period), To: seconds(n * period)}
	}
	in, out := low, high
	if s.Down() {
		in, out = high, low
	}
	a, _ := s.When(in)
	b, _ := s.When(out)
	seen := sweep.Seen{Onset: look(a.Seconds() + tau)}
	if recovers {
		seen.Recovery = look(b.Seconds() + tau)
	}
	return sweep.Observed{Sweep: s, Upsets: []sweep.Seen{seen}}
}

// T09 and T10: W = 0.4 MHz, τ = 0.8 s; rates 0.5 and 1 MHz/s.
func TestTwoRatesTellLatencyFromWidth(t *testing.T) {
	slow := sweep.Sweep{Law: sweep.Linear, From: 10 * MHz, To: 30 * MHz, Time: 40 * time.Second}
	fast := slow
	fast.Time = 20 * time.Second
	low, high := 20*MHz, 20.4*MHz
	var all []sweep.Observed
	apart := map[float64]float64{}
	for _, s := range []sweep.Sweep{slow, fast} {
		up, down := watched(s, low, high, 0.8, 0, false), watched(s.Reversed(), low, high, 0.8, 0, false)
		fu, _ := s.At(up.Upsets[0].Onset.To)
		fd, _ := s.Reversed().At(down.Upsets[0].Onset.To)
		apart[s.Time.Seconds()] = float64(fu - fd)
		all = append(all, up, down)
	}
	near(t, "T09: d at 0.5 MHz/s,", apart[40], 0.4e6, 1e-6)
	near(t, "T10: d at 1 MHz/s,", apart[20], 1.2e6, 1e-6)
	bands := sweep.Bands(all, 10*time.Second)
	if len(bands) != 1 {
		t.Fatalf("%d bands: %+v", len(bands), bands)
	}
	b := bands[0]
	near(t, "the latency,", b.Latency.Seconds(), 0.8, 1e-6)
	near(t, "the width,", float64(b.High-b.Low), 0.4e6, 1e-6)
	near(t, "the low end,", b.Low.Hz(), low.Hz(), 1e-6)
}

func TestTheTruthLiesWithinTheLimitsOfError(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		law := rapid.SampledFrom([]sweep.Law{sweep.Linear, sweep.Log}).Draw(r, "law")
		s := sweep.Sweep{Law: law, From: 1 * MHz, To: 30 * MHz,
			Time: seconds(rapid.Float64Range(20, 300).Draw(r, "time"))}
		low := rf.Frequency(rapid.Float64Range(5e6, 15e6).Draw(r, "low"))
		high := low * rf.Frequency(rapid.Float64Range(1.001, 1.2).Draw(r, "width"))
		tau := rapid.Float64Range(0, 1).Draw(r, "latency")
		period := rapid.Float64Range(0.01, 0.5).Draw(r, "period")
		late := rapid.Float64Range(-0.3, 0.3).Draw(r, "mark")
		var all []sweep.Observed
		for _, factor := range []float64{1, 2} {
			p := s
			p.Time = seconds(s.Time.Seconds() * factor)
			for _, one := range []sweep.Sweep{p, p.Reversed()} {
				o := watched(one, low, high, tau, period, true)
				// The mark of the beginning is early or late by up to what is said of it.
				for _, l := range []*sweep.Look{&o.Upsets[0].Onset, &o.Upsets[0].Recovery} {
					l.From, l.To = l.From+seconds(late), l.To+seconds(late)
				}
				o.Within = 300 * time.Millisecond
				all = append(all, o)
			}
		}
		bands := sweep.Bands(all, 10*time.Second)
		if len(bands) != 1 {
			r.Fatalf("%d bands", len(bands))
		}
		b := bands[0]
		if low < b.LowLeast*0.999999 || low > b.LowMost*1.000001 || high < b.HighLeast*0.999999 ||
			high > b.HighMost*1.000001 {
			r.Errorf("the truth %v to %v is not within %v…%v to %v…%v", low, high, b.LowLeast, b.LowMost, b.HighLeast,
				b.HighMost)
		}
		if low < b.SearchLow || high > b.SearchHigh {
			r.Errorf("a search from %v to %v misses %v to %v", b.SearchLow, b.SearchHigh, low, high)
		}
		if tau < b.LatencyLeast.Seconds()-1e-6 || tau > b.LatencyMost.Seconds()+1e-6 {
			r.Errorf("the latency %v s is not within %v to %v", tau, b.LatencyLeast, b.LatencyMost)
		}
	})
}

func TestTwoBandsArePairedInTheirOrder(t *testing.T) {
	s := sweep.Sweep{Law: sweep.Log, From: 1 * MHz, To: 50 * MHz, Time: 100 * time.Second}
	up, down := sweep.Observed{Sweep: s}, sweep.Observed{Sweep: s.Reversed()}
	for _, f := range [][2]rf.Frequency{{3 * MHz, 3.3 * MHz}, {20 * MHz, 21 * MHz}} {
		up.Upsets = append(up.Upsets, watched(s, f[0], f[1], 0.5, 0.1, true).Upsets...)
		down.Upsets = append(watched(s.Reversed(), f[0], f[1], 0.5, 0.1, true).Upsets, down.Upsets...)
	}
	bands := sweep.Bands([]sweep.Observed{up, down}, 5*time.Second)
	if len(bands) != 2 {
		t.Fatalf("%d bands: %+v", len(bands), bands)
	}
	near(t, "the first band's low end,", bands[0].Low.Hz(), 3e6, 0.01)
	near(t, "the second band's high end,", bands[1].High.Hz(), 21e6, 0.01)

	// A band that only the way up saw is kept, with the latency of the other.
	down.Upsets = down.Upsets[:1]
	bands = sweep.Bands([]sweep.Observed{up, down}, 5*time.Second)
	if len(bands) != 2 || bands[0].SearchLow > 3*MHz || bands[0].SearchHigh < 3*MHz || len(bands[0].Notes) == 0 {
		t.Errorf("with one direction: %+v", bands)
	}
}

func TestASweepByStepsStandsAtEachStep(t *testing.T) {
	s := sweep.Sweep{Law: sweep.Linear, From: 1 * MHz, To: 2 * MHz, Time: 11 * time.Second, Steps: 11}
	near(t, "in the first step", at(t, s, 0.9), 1e6, 1e-9)
	near(t, "in the second step", at(t, s, 1.1), 1.1e6, 1e-9)
	near(t, "in the last step", at(t, s, 10.5), 2e6, 1e-9)
}

func TestASweepIsTooFastForASlowProductWhenTheBandIsPassedSooner(t *testing.T) {
	// W·T/(f·ln(f2/f1)) for a narrow band in a log sweep: 120 s · ln(1.01) / ln(80/0.15) = 0.190 s.
	near(t, "the time inside 1 %,", iec(sweep.Log).Dwell(10*MHz, 10.1*MHz).Seconds(),
		120*math.Log(1.01)/math.Log(80/0.15), 1e-6)
}

func TestASweepThatIsNoneIsRefused(t *testing.T) {
	good := iec(sweep.Log)
	if err := good.Check(); err != nil {
		t.Error(err)
	}
	for _, change := range []func(*sweep.Sweep){
		func(s *sweep.Sweep) { s.Law = "sine" }, func(s *sweep.Sweep) { s.From = s.To },
		func(s *sweep.Sweep) { s.From = 0 },
		func(s *sweep.Sweep) { s.Time = 0 }, func(s *sweep.Sweep) { s.Pause = -1 },
		func(s *sweep.Sweep) { s.Steps = 1 }, func(s *sweep.Sweep) { s.Tolerance = 2 },
	} {
		bad := good
		change(&bad)
		if bad.Check() == nil {
			t.Errorf("%+v is taken for a sweep", bad)
		}
	}
}

// A person who presses the key 0.5 s after the generator began makes every time 0.5 s too short, as if the product
// reacted before its cause. No duration may come out negative: a journal takes none, and the run that found the
// band would end without its closing record.
func TestABeginningThatIsMarkedTooLateGivesNoNegativeLatency(t *testing.T) {
	s := sweep.Sweep{Law: sweep.Log, From: 1 * MHz, To: 6 * MHz, Time: 10 * time.Second}
	late := func(o sweep.Observed) sweep.Observed {
		for i := range o.Upsets {
			for _, l := range []*sweep.Look{&o.Upsets[i].Onset, &o.Upsets[i].Recovery} {
				l.From, l.To = l.From-500*time.Millisecond, l.To-500*time.Millisecond
			}
		}
		return o
	}
	up, down := late(watched(s, 4*MHz, 4.5*MHz, 0.1, 0.02, true)), late(watched(s.Reversed(), 4*MHz, 4.5*MHz, 0.1, 0.02,
		true))
	bands := sweep.Bands([]sweep.Observed{up, down}, time.Second)
	if len(bands) != 1 {
		t.Fatalf("%d bands: %+v", len(bands), bands)
	}
	b := bands[0]
	if b.Latency != 0 || b.LatencyLeast != 0 || b.LatencyMost < b.LatencyLeast || len(b.Notes) != 1 {
		t.Errorf("latency %v, %v to %v, notes %q", b.Latency, b.LatencyLeast, b.LatencyMost, b.Notes)
	}
	// Both passes are shifted alike, so the middle, √(4 · 4.5) MHz, holds.
	near(t, "the middle,", math.Sqrt(b.Low.Hz()*b.High.Hz()), math.Sqrt(4e6*4.5e6), 0.01)
}
