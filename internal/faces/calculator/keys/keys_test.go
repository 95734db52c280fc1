package keys

import (
	"flag"
	"os"
	"testing"
)

var updateKeys = flag.Bool("update-keys", false, "rewrite docs/files.md")

func TestThePageOfKeysIsWhatTheDecodersTake(t *testing.T) {
	const file = "../../../../docs/files.md"
	if *updateKeys {
		if err := os.WriteFile(file, []byte(Page()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(data) != Page() {
		t.Errorf("docs/files.md is stale: go test ./internal/faces/calculator/keys -update-keys")
	}
}

func TestEveryKeySaysWhatItMeans(t *testing.T) {
	for _, f := range Files() {
		n := 0
		for _, s := range f.Sections {
			for _, k := range s.Keys {
				n++
				if k.Means == "" || k.Takes == "" {
					t.Errorf("%s file: %s takes %q and means %q", f.Name, k.Key, k.Takes, k.Means)
				}
			}
		}
		if n < 8 {
			t.Errorf("%s file: only %d keys", f.Name, n)
		}
	}
}
