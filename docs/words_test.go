package docs

import (
	"regexp"
	"strings"
	"testing"
)

func TestTheWordsStandInOrderAndAreExplained(t *testing.T) {
	words, err := Words()
	if err != nil {
		t.Fatal(err)
	}
	if len(words) < 50 {
		t.Errorf("only %d words", len(words))
	}
	sentence := regexp.MustCompile(`[.?!]"?( |$)`)
	key := func(w Word) string {
		return strings.NewReplacer(".", "", "µ", "u", "-", " ").Replace(strings.ToLower(w.Name))
	}
	for i, w := range words {
		if i > 0 && key(words[i-1]) >= key(w) {
			t.Errorf("%q stands after %q", w.Name, words[i-1].Name)
		}
		if n := len(sentence.FindAllString(w.Means, -1)); n < 1 || n > 3 || !strings.HasSuffix(w.Means, ".") {
			t.Errorf("%q is explained in %d sentences, or without a full stop: %s", w.Name, n, w.Means)
		}
		if strings.Count(w.Means, "`")%2 != 0 || strings.ContainsAny(w.Means, "*[]<>") {
			t.Errorf("%q: only backquotes are understood: %s", w.Name, w.Means)
		}
	}
}
