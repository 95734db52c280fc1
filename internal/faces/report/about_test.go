package report_test

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"provoke/internal/faces/report"
	"provoke/internal/job/event"
	"provoke/internal/job/plan"
	"provoke/internal/job/result"
	"provoke/internal/tell"
	"provoke/internal/units/rf"
)

const aboutText = `provoke: about 1
client: Invented Quarry Works
laboratory: invented test house
laboratory_reference: 17 of 2026-02-20
report: R-26-004
issued: 2026-03-05
sample:
  type: BW-3 (invented)
  serial: BW-0042
  firmware: 1.7
  operating_mode: weighing an empty belt, text output at 4 lines a second
  auxiliary_equipment: RS-485 adaptor and notebook computer behind three ferrites
temperature: 22 °C
humidity: 41 %
`

func aboutOf(t *testing.T, text string) *tell.About {
	t.Helper()
	a, problems := tell.ParseAbout("about.yaml", []byte(text))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return a
}

// firstPage is the text of page 1 of the document.
func firstPage(t *testing.T, j tell.Job) string {
	t.Helper()
	return words(outside(t, pdfOf(t, j, report.A4), "pdftotext", "-layout", "-l", "1", "FILE", "-"))
}

func TestTheFirstPageSaysWhatTheReportIsAbout(t *testing.T) {
	job := withSerial(pictureJob(), "")
	job.About = aboutOf(t, aboutText)
	text := firstPage(t, job)
	for _, s := range []string{
		"Client Invented Quarry Works†", "Laboratory invented test house†", "reference 17 of 2026-02-20†",
		"Report number R-26-004†", "Date of test 2026-03-02", "R. Beispiel",
		"Date of issue 2026-03-05†", "BW-3 (invented)† (recorded: the belt weigher (invented))",
		"Serial number BW-0042†", "Firmware 1.7†", "Operating mode weighing an empty belt",
		"Auxiliary equipment RS-485 adaptor", "B: during, recovers when RF goes, seen in run 2",
		"C: needs a reset, seen in run 2", "D: did not recover, not seen",
		"not verified against the standard's text", "Decision rule simple acceptance",
		"U at most 2.8 dB, confidence 95 %: currents at the probe of run 2, run 3", "Temperature 22 °C",
		"Relative humidity 41 %†", "relate only to the item tested",
		"† given with the report in about.yaml, not recorded by the runs", "Fix shown, with reservations",
	} {
		if !strings.Contains(text, s) {
			t.Errorf("page 1 does not say %q:\n%s", s, text)
		}
	}
	if strings.Contains(text, "22 °C†") {
		t.Error("the temperature that the run recorded is marked as given")
	}
	bare := firstPage(t, pictureJob())
	for _, name := range []string{"Client", "Laboratory", "reference", "Report number", "Date of issue", "Firmware",
		"Operating mode", "Auxiliary equipment", "Relative humidity"} {
		if !strings.Contains(bare, name+" not given") {
			t.Errorf("page 1 does not say that there is no %s:\n%s", name, bare)
		}
	}
	daggers := withSerial(pictureJob(), "12†")
	if text := firstPage(t, daggers); !strings.Contains(text, "12†") ||
		strings.Contains(text, "given with the report") {
		t.Errorf("a recorded number with a dagger is told as given:\n%s", text)
	}
	if strings.Contains(bare, "†") {
		t.Error("something is marked as given where nothing was")
	}
}

func TestTheHashesStandAtTheEnd(t *testing.T) {
	job := pictureJob()
	job.About = aboutOf(t, aboutText)
	page := htmlOf(t, job)
	body, end, _ := strings.Cut(page[strings.Index(page, "</header>"):], "Record and hashes")
	if m := regexp.MustCompile(`[0-9a-f]{64}`).FindString(body); m != "" {
		t.Errorf("the hash %s stands before the last annex", m)
	}
	for _, s := range []string{result.Integrity(job.Runs), job.Runs[1].Head, strings.Repeat("2", 64),
		job.About.SHA256} {
		if !strings.Contains(end, s) {
			t.Errorf("the hash %s is not in the last annex", s)
		}
	}
	if strings.Contains(end, "<h2>") {
		t.Error("another section stands behind the hashes")
	}
}

func TestGeneratorSettingAndPowersStandInAnAnnex(t *testing.T) {
	tables, err := tell.Tables(withBench(weigherJob(), "testdata/bench.yaml", nil))
	if err != nil {
		t.Fatal(err)
	}
	for _, table := range tables {
		if table.ID != "drive-run-2" {
			continue
		}
		if len(table.Rows) != 60 {
			t.Errorf("%d rows for 60 frequencies", len(table.Rows))
		}
		var texts []string
		for _, c := range table.Rows[0] {
			texts = append(texts, c.Text)
		}
		// -12 dBm into 50 Ω are 158.9 mV peak to peak: 2·√2·√(50 Ω·63.1 µW).
		if got, want := strings.Join(texts, " | "),
			"150 kHz | step 1 | 158.8 mVpp | -12.0 dBm | 28.0 dBm | predicted | not measured | 90.6 dBµA | "+
				"measured"; got != want {
			t.Errorf("the first row is %s, want %s", got, want)
		}
		return
	}
	t.Error("there is no table of the drive")
}

// withSerial writes a serial number of the DUT into what the runs recorded.
func withSerial(j tell.Job, serial string, runs ...int) tell.Job {
	for i := range j.Runs {
		r := &j.Runs[i]
		if len(runs) == 0 || r.Number == runs[0] {
			r.Opened.Equipment = append(r.Opened.Equipment[:len(r.Opened.Equipment):len(r.Opened.Equipment)],
				event.Equipment{ID: "DUT1", Description: "the belt weigher (invented)", Serial: serial})
		}
	}
	return j
}

func TestAFileThatContradictsTheJobIsRefused(t *testing.T) {
	job := withSerial(pictureJob(), "BW-0041")
	job.Runs[2].Opened.DecisionRule, job.Runs[2].Opened.Humidity = plan.GuardBandU, "50 %"
	job.Runs = append(job.Runs, result.Fold(result.Run{},
		event.Record{Run: 4, Seq: 1, At: monday, Event: event.Opened{RunKind: event.LaboratoryKind}, Chain: "l"}))
	job.Runs[3].Laboratory = &event.LaboratoryFailures{Laboratory: "another test house", Report: "18"}
	a := aboutOf(t, strings.NewReplacer("22 °C", "25 °C", "2026-03-05", "2026-03-01").Replace(aboutText)+
		"decision_rule: guard band 1.645 u\n")
	problems, err := a.Contradictions(job)
	if err != nil {
		t.Fatal(err)
	}
	text := problems.Err().Error()
	for _, s := range []string{
		`about.yaml:9:11: sample.serial is "BW-0042", but runs 2, 3 recorded "BW-0041"`,
		"is the file about another sample?", `about.yaml:13:14: temperature is "25 °C", but runs 2, 3 recorded "22 °C"`,
		`about.yaml:14:11: humidity is "41 %", but run 3 recorded "50 %"`,
		`about.yaml:3:13: laboratory is "invented test house", but the laboratory's report in the job says "another test house"`, `about.yaml:4:23: laboratory_reference`,
		`about.yaml:6:9: the report is issued on 2026-03-01, before the test was over on 2026-03-02`,
		`decision_rule is "guard band 1.645 u", but run 2 took for its rule "simple acceptance"`,
		`but run 3 took for its rule "guard band U"`,
	} {
		if !strings.Contains(text, s) {
			t.Errorf("the problems do not say %q:\n%s", s, text)
		}
	}
	if problems, err := aboutOf(t, aboutText).Contradictions(withSerial(pictureJob(), "bw-0042")); err != nil ||
		problems.Err() != nil {
		t.Errorf("a file that agrees is refused: %v %v", problems, err)
	}
	if text := firstPage(t, withSerial(withSerial(pictureJob(), "A1", 2), "A2", 3)); !strings.Contains(text,
		"Serial number A1 (run 2); A2 (run 3)") {
		t.Errorf("page 1 does not say that the runs had two samples:\n%s", text)
	}
}

func TestEveryProblemOfTheFileIsToldWithItsPlace(t *testing.T) {
	_, problems := tell.ParseAbout("about.yaml",
		[]byte("provoke: about 1\nclient: \"\"\nlab: x\nissued: tomorrow\nsample: {serial: [1], colour: "+
			"red}\nhumidity: 41\ntemperature: 22\ncriteria: B\nreport:\nclient: twice\nlaboratory: "+strings.Repeat("x",
			601)+"\n"))
	text := problems.Err().Error()
	for _, s := range []string{":2:9: client is empty", ":3:1: ", ":4:9: issued", ":5:10: sample.serial",
		":5:23: sample", `:6:11: humidity: "41" has no unit %`, `:7:14: temperature: "22" has no unit °C`,
		":8:11: criteria",
		":9:1: report", ":10:1: ", "laboratory has 601 characters"} {
		if !strings.Contains(text, "about.yaml"+s) && !strings.Contains(text, s) {
			t.Errorf("no problem %q in\n%s", s, text)
		}
	}
	for name, data := range map[string]string{"empty": "", "spaces": "  \n\n",
		"garbage": strings.Repeat("\x00\xff{[:&*!", 128<<10), "another kind": "provoke: bench 1\n",
		"a list": "- 1\n- 2\n"} {
		if _, problems := tell.ParseAbout("about.yaml", []byte(data)); problems.Err() == nil {
			t.Errorf("%s: no problem", name)
		}
	}
	if _, problems := tell.ParseAbout("about.yaml", []byte("provoke: about 1\n")); problems.Err() != nil {
		t.Errorf("a file that gives nothing has problems: %v", problems)
	}
}

func TestWhatIsMissingOnTheFirstPageIsListed(t *testing.T) {
	missing := func(j tell.Job) string {
		list, err := tell.MissingFrom(j)
		if err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, m := range list {
			if m.Means == "" || m.Where == "" {
				t.Errorf("%s is missing, and nothing says what it is or where to give it: %+v", m.Name, m)
			}
			out = append(out, m.Name)
		}
		return strings.Join(out, ", ")
	}
	if got, want := missing(pictureJob()),
		"Client, Laboratory, Laboratory's reference, Report number, Date of issue, Serial number, Firmware, "+
			"Operating mode, Auxiliary equipment, Relative humidity"; got != want {
		t.Errorf("missing: %s, want %s", got, want)
	}
	full := pictureJob()
	full.About = aboutOf(t, aboutText)
	if got := missing(full); got != "" {
		t.Errorf("missing with the whole file: %s", got)
	}
	if text := firstPage(t, weigherJob()); !strings.Contains(text,
		"assumed where the job does not hold the bench file") {
		t.Errorf("page 1 does not say that the uncertainty is assumed:\n%s", text)
	}
	upset := weigherJob()
	upset.Detailed, upset.Before, upset.After = []int{2}, 0, 0
	if got := missing(upset); !strings.Contains(got, "Uncertainty") {
		t.Errorf("without a bench file the uncertainty is not missing: %s", got)
	}
}

// What was seen decides which criterion is said to have been met; an upset that tells no class meets none.
func TestEveryClassOfUpsetThatWasSeenIsToldWithItsCriterion(t *testing.T) {
	step := func(class event.Class) event.StepClosed {
		return event.StepClosed{Step: plan.Step{Number: 1, Purpose: plan.Sweep,
			Point: plan.Point{Frequency: 10e6, Target: rf.DBuA(80)}}, Attempt: 1,
			Outcome: plan.Outcome{Number: 1, Exposures: 1, Upset: true}, Class: class}
	}
	own := "criteria: {during: 'own criterion 2', not_recovered: 'fails'}\n"
	for _, c := range []struct {
		e               event.Event
		about, want     string
		isNot, baseline bool
	}{
		{e: step(event.DuringOnly), want: "B: during, recovers when RF goes, seen in run 1"},
		{e: step(event.RecoversLater), want: "B: recovers by itself, later, seen in run 1"},
		{e: step(event.NeedsReset), want: "C: needs a reset, seen in run 1"}, {e: step(event.NotRecovered),
			want: "D: did not recover, seen in run 1"},
		{e: step(event.NoUpset), want: "none for the upsets of unknown class in run 1"},
		{e: event.OperatorMark{Text: "it upset now"}, want: "none for the upsets of unknown class in run 1"},
		{e: step(event.DuringOnly), about: own, want: "own criterion 2†: during, recovers when RF goes, seen in run 1"},
		{e: step(event.NotRecovered), about: own, want: "fails†: did not recover, seen in run 1"},
		{e: step(event.DuringOnly), want: "seen in run 1", baseline: true, isNot: true},
	} {
		o := openedOf("x", "")
		if c.baseline {
			o.RunKind = plan.Baseline
		}
		j := &journal{n: 1, at: monday}
		j.add(o, c.e, event.Closed{Verdict: event.DoneUpset})
		job := tell.Job{Name: "x.provoke", Runs: []result.Run{j.r}, Detailed: []int{1}}
		if c.about != "" {
			job.About = aboutOf(t, "provoke: about 1\n"+c.about)
		}
		page := words(strings.ReplaceAll(htmlOf(t, job), "\u00a0", " "))
		if strings.Contains(page, c.want) == c.isNot {
			t.Errorf("%T %+v: %q, found is %v", c.e, c.e, c.want, c.isNot)
		}
	}
}

// hostileAbout fills every key with something that would break a page.
func hostileAbout(text string) string {
	q := func(s string) string { return fmt.Sprintf("%q", s) }
	return "provoke: about 1\nclient: " + q(text) + "\nlaboratory: " + q(text) + "\nlaboratory_reference: " +
		q(text) + "\nreport: " + q(text) + "\nsample: {type: " + q(text) + ", serial: " + q(text) +
		", firmware: " + q(text) + ", operating_mode: " + q(text) + ", auxiliary_equipment: " + q(text) +
		"}\ncriteria: {no_upset: " + q(text) + ", during: " + q(text) + "}\ndecision_rule: " + q(text) +
		"\nhumidity: " + q(text+" %") + "\n"
}

func TestNamesOfAnyKindLeaveTheFirstPageSound(t *testing.T) {
	if testing.Short() {
		t.Skip("many documents")
	}
	for name, text := range map[string]string{
		"long": strings.Repeat("Client ", 28) + "4711", "endless": strings.Repeat("W",
			200), "letters": "ソフトウェア Ελλάδα Москва 😀 \u202egnp.exe", "markup": `<script>alert(1)</script><b>&amp;"'`,
		"lines": "first line\nsecond line\ttab", "longest": strings.Repeat("word and ", 66), "formula": "=1+1",
	} {
		job := pictureJob()
		job.About = aboutOf(t, hostileAbout(text))
		document := pdfOf(t, job, report.A4)
		if out := outside(t, document, "qpdf", "--check", "FILE"); strings.Contains(strings.ToLower(out), "warning") {
			t.Errorf("%s: %s", name, out)
		}
		boxes := outside(t, document, "pdftotext", "-bbox", "FILE", "-")
		for _, m := range regexp.MustCompile(
			`xMin="([-0-9.]+)" yMin="([-0-9.]+)" xMax="([-0-9.]+)" yMax="([-0-9.]+)">([^<]*)<`).FindAllStringSubmatch(
			boxes, -1) {
			var x0, y0, x1, y1 float64
			fmt.Sscan(m[1], &x0)
			fmt.Sscan(m[2], &y0)
			fmt.Sscan(m[3], &x1)
			fmt.Sscan(m[4], &y1)
			if x0 < 40 || x1 > 595.28-40 || y0 < 20 || y1 > 841.89-20 {
				t.Errorf("%s: %q lies at %.0f to %.0f, %.0f to %.0f of the page", name, m[5], x0, x1, y0, y1)
			}
		}
		page := htmlOf(t, job)
		if strings.Contains(page, "<script>") || strings.Contains(page, "\u202e") {
			t.Errorf("%s: markup of a name is in the page", name)
		}
		workbookOf(t, job)
		if *eyes != "" {
			os.WriteFile(*eyes+"/about-"+name+".pdf", document, 0o644)
			os.WriteFile(*eyes+"/about-"+name+".html", []byte(page), 0o644)
		}
	}
}
