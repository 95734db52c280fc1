package web_test

import (
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"provoke/internal/job/store"
	"provoke/internal/model/cable"
)

// On the page as on the command line: the quick look of what stands in the form, with what the laboratory and the model
// of the cable name first; and from a run of it the close look.
func TestThePageMakesQuickLookAndCloseLook(t *testing.T) {
	s := serve(t, true)
	write(t, s.dir, "cable.yaml", []byte(cable.SampleCable))
	write(t, s.dir, "demo-nizn.csv", []byte(cable.SampleNickelZinc))
	if code, _, _ := s.post(t, "/laboratory", url.Values{"laboratory": {"invented"}, "from": {"12 MHz"}, "to": {""},
		"level": {"3 V emf"}, "what": {"display dark"}}); code >= 400 {
		t.Fatalf("the laboratory's report: %d", code)
	}
	whole := strings.NewReplacer("step: 5 %", "step: 1 %", "dwell: 1 s", "dwell: 2 s   # its cycle").
		Replace(exposurePlan)
	form := url.Values{"file": {"whole.yaml"}, "text": {whole}}
	code, to, _ := s.post(t, "/plan/quick", form)
	quick := string(must(os.ReadFile(filepath.Join(s.dir, "whole-quick.yaml"))))
	if code != 303 || to != "/plan?file=whole-quick.yaml" || !strings.Contains(quick, "first: [12 MHz, 54.89 MHz, ") ||
		!strings.Contains(quick, "# its cycle\n") || !strings.Contains(quick, "step: 10 %") {
		t.Fatalf("%d, to %s\n%s", code, to, quick)
	}
	if kept := string(must(os.ReadFile(filepath.Join(s.dir, "whole.yaml")))); kept != whole {
		t.Errorf("what stood in the form was not kept:\n%s", kept)
	}
	if _, page := s.get(t, to); !strings.Contains(page, "Visited first") ||
		!strings.Contains(page, "12 MHz, 54.89 MHz") {
		t.Error("the plan's page does not say what is visited first")
	}
	form.Set("stamp", regexp.MustCompile(`name="stamp" value="(\w+)"`).FindStringSubmatch(s.form(t,
		"/plan?file=whole.yaml"))[1])
	if _, to, _ := s.post(t, "/plan/quick", form); to != "/plan?file=whole-quick.yaml" {
		t.Errorf("the same quick look is written again, as %s", to)
	}
	// With problems there is none, and what was typed stays.
	form.Set("text", strings.Replace(whole, "dwell: 2 s", "dwell: 2", 1))
	if code, _, page := s.post(t, "/plan/quick", form); code != 422 || !strings.Contains(page, "without problems") ||
		!strings.Contains(page, "dwell: 2  ") {
		t.Errorf("%d\n%s", code, page)
	}

	write(t, s.dir, "whole.yaml", []byte(whole))
	j := must(store.Open(s.job))
	run := writeRun(j, s.dir, "whole-quick.yaml", "quick look", "", dut{{4e6, 70, 0.1}})
	j.Close()
	_, page := s.get(t, "/findings")
	offered := regexp.MustCompile(`(?s)<form method="post" action="/findings/close".*?</form>`).FindString(page)
	if !strings.Contains(offered, "<option>whole.yaml</option><option>baseline.yaml</option>"+
		"<option>exposure.yaml</option></select>") ||
		!strings.Contains(page, "may lie between two frequencies") {
		t.Fatalf("run %d: the page offers %q", run, offered)
	}
	number := strconv.Itoa(run)
	closer := url.Values{"run": {number}, "file": {"whole.yaml"}, "job": {"belt-weigher"}}
	code, to, page = s.post(t, "/findings/close", closer)
	closely, _ := os.ReadFile(filepath.Join(s.dir, "whole-close.yaml"))
	if code != 303 || to != "/plan?file=whole-close.yaml" ||
		!strings.Contains(string(closely), "# the laboratory's failure at 12 MHz, not reproduced\n") ||
		!strings.Contains(string(closely), "# failed: ") {
		t.Errorf("%d, to %s\n%s\n%s", code, to, closely, page)
	}
	if code, page := s.get(t, to); code != 200 || strings.Contains(page, "verdict bad") {
		t.Errorf("the close look is shown with %d", code)
	}
	for name, wrong := range map[string]url.Values{
		"another job":   {"run": {number}, "file": {"whole.yaml"}, "job": {"another"}},
		"no such plan":  {"run": {number}, "file": {"nowhere.yaml"}},
		"no plan":       {"run": {number}, "file": {"bench.yaml"}},
		"a baseline":    {"run": {"1"}, "file": {"whole.yaml"}},
		"no such run":   {"run": {"99"}, "file": {"whole.yaml"}},
		"no RF in plan": {"run": {number}, "file": {"baseline.yaml"}},
	} {
		if code, _, _ := s.post(t, "/findings/close", wrong); code < 400 || code >= 500 {
			t.Errorf("%s: %d", name, code)
		}
	}
	if _, page := s.get(t, "/findings?run=2"); strings.Contains(page, `action="/findings/close"`) {
		t.Error("a close look is offered of a run in fine steps")
	}
}

// On the page as on the command line: the plan for the time that there is, with what the laboratory names first, and
// the one after a fix, with what failed in a run first.
func TestThePageMakesThePlanForATime(t *testing.T) {
	s := serve(t, true)
	if code, _, _ := s.post(t, "/laboratory", url.Values{"laboratory": {"invented"}, "from": {"12 MHz"}, "to": {""},
		"level": {"3 V emf"}, "what": {"display dark"}}); code >= 400 {
		t.Fatalf("the laboratory's report: %d", code)
	}
	form := url.Values{"file": {"whole.yaml"}, "text": {exposurePlan}, "within": {"20 min"}}
	code, to, _ := s.post(t, "/plan/within", form)
	made := string(must(os.ReadFile(filepath.Join(s.dir, "whole-within.yaml"))))
	if code != 303 || to != "/plan?file=whole-within.yaml" || !strings.Contains(made, "time_limit: 20 min") ||
		!strings.Contains(made, "first: [12 MHz") {
		t.Fatalf("%d, to %s\n%s", code, to, made)
	}
	if _, page := s.get(t, to); !strings.Contains(page, "20 min: ") || !strings.Contains(page, "f-time_limit") {
		t.Error("the plan's page does not say how far the time goes")
	}
	if _, page := s.get(t, "/plan?file=whole.yaml"); !strings.Contains(page, `name="within"`) ||
		!strings.Contains(page, "what failed in run 3") {
		t.Error("the plan's page does not offer it")
	}
	form.Set("file", "after.yaml")
	form.Set("retest", "3")
	code, _, page := s.post(t, "/plan/within", form)
	data, _ := os.ReadFile(filepath.Join(s.dir, "after-within.yaml"))
	if made = string(data); code != 303 || !strings.Contains(made, "every frequency that upset in run 3") {
		t.Errorf("%d\n%s\n%s", code, made, page)
	}
	for name, wrong := range map[string]string{"within": "twenty", "retest": "99"} {
		form.Set("file", "wrong-"+name+".yaml")
		was := form.Get(name)
		form.Set(name, wrong)
		if code, _, page := s.post(t, "/plan/within", form); code != 422 || !strings.Contains(page, "Not done.") {
			t.Errorf("%s %q: %d", name, wrong, code)
		}
		form.Set(name, was)
	}
}

// In the first five minutes there is no job yet.
func TestThePageMakesAQuickLookBeforeThereIsAJob(t *testing.T) {
	s := serve(t, false)
	code, to, page := s.post(t, "/plan/quick", url.Values{"file": {"whole.yaml"}, "text": {exposurePlan}})
	if code != 303 || to != "/plan?file=whole-quick.yaml" {
		t.Errorf("%d, to %s\n%s", code, to, page)
	}
}
