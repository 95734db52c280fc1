package design

import (
	"os"
	"path/filepath"
	"testing"
)

// FuzzParse: a clamp is refused with its place, or computed without a panic.
func FuzzParse(f *testing.F) {
	data, err := os.ReadFile("testdata/clamp.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte("provoke: clamp 1\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		c, list := Parse("c.yaml", data, func(name string) ([]byte,
			error) {
			return os.ReadFile(filepath.Join("testdata", filepath.Base(name)))
		})
		if c == nil && list.Err() == nil {
			t.Fatal("no clamp and no problem")
		}
		for _, p := range list {
			if p.What == "" {
				t.Fatalf("%+v", p)
			}
		}
	})
}
