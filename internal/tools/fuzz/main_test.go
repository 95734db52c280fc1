package main

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

func TestWhatGoTestSaysIsCounted(t *testing.T) {
	said := `fuzz: elapsed: 0s, gathering baseline coverage: 0/12 completed
fuzz: elapsed: 3s, execs: 4115 (1371/sec), new interesting: 2 (total: 14)
fuzz: elapsed: 6s, execs: 90210 (28698/sec), new interesting: 5 (total: 17)
--- FAIL: FuzzX (6.01s)
    Failing input written to testdata/fuzz/FuzzX/0011223344556677
`
	if got := read(said); got != (tally{90210, 5, 17, 1}) {
		t.Errorf("%+v", got)
	}
}

func TestEveryTargetOfTheModuleIsFound(t *testing.T) {
	list, err := targets("../../..")
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, x := range list {
		found[x.name] = true
	}
	// One of each kind of input.
	for _, name := range []string{"FuzzParse", "FuzzDecodeNeitherPanicsNorStaysSilent", "FuzzCurve", "FuzzText",
		"FuzzAnswer", "FuzzMessage", "FuzzReply", "FuzzJobFile"} {
		if !found[name] {
			t.Errorf("%s is not found in %v", name, list)
		}
	}
	safety, err := os.ReadFile("../../../docs/safety.md")
	if err != nil {
		t.Fatal(err)
	}
	if want := fmt.Sprintf("-time 30s` runs all %d ", len(list)); !strings.Contains(string(safety), want) {
		t.Errorf("docs/safety.md does not say %q", want)
	}
}
