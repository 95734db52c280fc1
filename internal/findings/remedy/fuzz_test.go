package remedy

import (
	"os"
	"path/filepath"
	"testing"
)

// FuzzParse: a parts file is refused with its place or gives parts that can be searched; a kept
// prediction is in order or refused.
func FuzzParse(f *testing.F) {
	data, err := os.ReadFile("testdata/parts.yaml")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte(`{"provoke":"` + PredictionKind + `","points":[{"hz":1}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		x, list := Parse("p.yaml", data, func(name string) ([]byte,
			error) {
			return os.ReadFile(filepath.Join("testdata", filepath.Base(name)))
		})
		if x == nil && list.Err() == nil {
			t.Fatal("no parts and no problem")
		}
		if list.Err() == nil && len(x.Parts) == 0 {
			t.Errorf("accepted %+v", x)
		}
		if p, err := ReadPrediction(data); err == nil {
			for i, x := range p.Points {
				if i > 0 && x.Hz <= p.Points[i-1].Hz {
					t.Errorf("%+v", p)
				}
			}
		}
	})
}
