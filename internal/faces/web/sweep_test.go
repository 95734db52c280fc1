package web_test

import (
	"bytes"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/store"
)

const sweepFile = `provoke: sweep 1
name: first look (invented)
bench: hand.yaml
law: log
from: 1 MHz
to: 30 MHz
times: [60 s, 120 s]
drive: -30 dBm
modulation: AM 80 % 1 kHz carrier held
mark: {by: key, within: 0.5 s}
latency_at_most: 5 s
`

// sweeps puts a sweep file and the bench that it needs into the folder: the simulated bench with its
// source set by hand.
func (s *site) sweeps(t testing.TB) {
	t.Helper()
	bench := string(must(os.ReadFile(filepath.Join(s.dir, "bench.yaml"))))
	hand := regexp.MustCompile(`(?m)^(source:\n(?:  .*\n)*?)  address: .*\n  table: .*\n`).ReplaceAllString(bench,
		"${1}  by_hand: true\n  hardware_off: switch S1\n")
	if hand == bench {
		t.Fatal("the bench has no source to set by hand")
	}
	write(t, s.dir, "hand.yaml", []byte(hand))
	write(t, s.dir, "sweep.yaml", []byte(sweepFile))
}

func TestASweepIsCheckedShownAndArmedOnThePage(t *testing.T) {
	s := serve(t, true)
	if _, page := s.get(t, "/plan"); !strings.Contains(page, `href="/sweep"`) {
		t.Error("the plan page does not lead to sweeps")
	}
	s.sweeps(t)
	status, page := s.get(t, "/sweep")
	page = html.UnescapeString(page)
	for _, want := range []string{"Checked: every level stays within the ratings, over the whole span",
		"Name what switches RF off: switch S1", "provoke cannot switch", "output OFF",
		"Start the sweep, and answer at that very moment",
		"30 MHz", "2 min", "provoke sweep sweep.yaml --job belt-weigher.provoke", "Worst case at every rating"} {
		if status != http.StatusOK || !strings.Contains(page, want) {
			t.Errorf("%d, no %q", status, want)
		}
	}
	r := s.ask(t, s.client, "POST", "/arm", url.Values{"file": {"sweep.yaml"}, "stamp": {stampOf(t, page)}}, s.own())
	if r.StatusCode != http.StatusSeeOther {
		t.Fatalf("arm: %s", r.Status)
	}
	_, arm := s.get(t, r.Header.Get("Location"))
	arm = html.UnescapeString(arm)
	for _, want := range []string{"Accept and begin: you are told what to set", "RF has to be switched off by hand",
		"Sweep file", `<p class="figure">4 `, `href="/sweep?file=sweep.yaml"`, " dB left"} {
		if !strings.Contains(arm, want) {
			t.Errorf("the arming step holds no %q", want)
		}
	}
	if s.runner.started != 0 {
		t.Error("the run began before it was armed")
	}
}

func TestASweepThatIsRefusedIsNotArmed(t *testing.T) {
	s := serve(t, true)
	s.sweeps(t)
	for name, v := range map[string]struct{ from, to, want string }{
		"over a rating":          {"drive: -30 dBm", "drive: 30 dBm", "Refused by"},
		"a wired source":         {"bench: hand.yaml", "bench: bench.yaml", "write by_hand and hardware_off"},
		"a fault in the file":    {"law: log", "law: sine", "line 4"},
		"more than the chain is": {"to: 30 MHz", "to: 3 GHz", "over its span the sweep passes"},
		"no bench":               {"bench: hand.yaml", "bench: none.yaml", "none.yaml"},
	} {
		text := strings.Replace(sweepFile, v.from, v.to, 1)
		r := s.ask(t, s.client, "POST", "/sweep/try", url.Values{"file": {"sweep.yaml"}, "text": {text}}, s.own())
		var b bytes.Buffer
		b.ReadFrom(r.Body)
		if page := html.UnescapeString(b.String()); r.StatusCode != http.StatusOK || !strings.Contains(page, v.want) ||
			strings.Contains(page, "Checked: every level") || !strings.Contains(page, "<b>not saved</b>") {
			t.Errorf("%s: %s, no %q", name, r.Status, v.want)
		}
	}
	loud := strings.Replace(sweepFile, "drive: -30 dBm", "drive: 30 dBm", 1)
	_, page := s.get(t, "/sweep")
	if r := s.save(t, "sweep", "sweep.yaml", loud, stampOf(t, page)); r.StatusCode != http.StatusSeeOther {
		t.Fatalf("save: %s", r.Status)
	}
	_, page = s.get(t, "/sweep")
	if r := s.ask(t, s.client, "POST", "/arm", url.Values{"file": {"sweep.yaml"}, "stamp": {stampOf(t, page)}},
		s.own()); r.StatusCode != http.StatusUnprocessableEntity {
		t.Errorf("a sweep over a rating is armed: %s", r.Status)
	}
	if r := s.save(t, "sweep", "sweep.yaml", sweepFile, "0123456789abcdef"); r.StatusCode != http.StatusConflict {
		t.Errorf("saved over a newer one: %s", r.Status)
	}
}

func TestALivePageCountsPassesOfASweep(t *testing.T) {
	s := serve(t, true)
	s.studies(t)
	if _, page := s.get(t, "/live?run=9"); !strings.Contains(page, "2 passes exposed") ||
		!strings.Contains(page, "4 upsets in 2 passes, ") {
		t.Error("the page does not count the passes of a sweep and their upsets")
	}
}

// A run that ended says on the live page what every other face says first, and no page marks it as good where
// nothing was exposed.
func TestARunThatExposedNothingIsNotMarkedGood(t *testing.T) {
	s := serve(t, true)
	s.studies(t)
	j := must(store.Open(s.job))
	w := must(j.NewRun(at(9000), event.Opened{Program: "test", RunKind: plan.Exposure, Mode: plan.ClosedLoop,
		Bench: must(j.Attach("bench.yaml", []byte("provoke: bench 1\n"))), Points: 3}))
	must(w.Close(at(9001), event.Done, ""))
	number := w.Run()
	j.Close()
	if _, page := s.get(t, fmt.Sprintf("/live?run=%d", number)); !strings.Contains(page,
		"the product was not exposed") || strings.Contains(page, "0 upsets") {
		t.Error("the live page does not say that nothing was exposed")
	}
	_, page := s.get(t, "/")
	row, rest, found := strings.Cut(page[strings.Index(page, fmt.Sprintf(`<th scope="row">%d</th>`, number)):], "</tr>")
	if !found || rest == "" || strings.Contains(row, "verdict good") {
		t.Errorf("the list of runs marks it as good: %s", row)
	}
}
