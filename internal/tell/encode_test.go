package tell

import (
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"provoke/internal/findings/analysis"
	"provoke/internal/findings/evidence"
	"provoke/internal/units/rf"
)

type inner struct {
	Level rf.Current `tell:"level"`
	Left  string
}

// Twice is a figure that is worked out.
func (i inner) Twice() rf.Gain { return 2.00049 }

func TestEachTypeHasOneRule(t *testing.T) {
	nan := math.NaN()
	shape := struct {
		inner
		F     []rf.Frequency `tell:"hz"`
		G     []rf.Gain      `tell:"db"`
		P     []float64      `tell:"plain"`
		W     float64        `tell:"whole,whole"`
		D     rf.Duration    `tell:"s"`
		B     []rf.Bound     `tell:"bound"`
		S     string         `tell:"text both=S,null"`
		Empty string         `tell:"empty,null gone=Empty,omit"`
		None  []int          `tell:"none"`
		Nil   *inner         `tell:"nil at=Nil.Level worked=Twice"`
		Out   inner          `tell:"-"`
	}{
		inner: inner{Level: rf.DBuA(80)}, F: []rf.Frequency{27e6, 0}, G: []rf.Gain{-0.0001, 1.23456, rf.Gain(nan)},
		P: []float64{-0.00001, 0.123456, math.Inf(1)}, W: 1.25e-7, D: rf.Duration(1500 * time.Millisecond),
		B: []rf.Bound{rf.Exactly, rf.AtLeast, rf.Unknown}, S: "a <b> & µ",
	}
	data, err := Encode(shape)
	want := `{"level":{"text":"80.0 dBµA","value":0.01,"unit":"A"},"hz":[27000000,null],"db":[0,1.235,null],` +
		`"plain":[0,0.1235,null],"whole":1.25e-7,"s":1.5,"bound":[null,"at least",null],"text":"a <b> & µ",` +
		`"both":"a <b> & µ","empty":null,"none":[],"nil":null,"at":null,"worked":2}`
	got := strings.NewReplacer("\n", "", "  ", "", `": `, `":`).Replace(string(data))
	if err != nil || got != want {
		t.Errorf("%v\n%s\n%s", err, got, want)
	}
	for _, wrong := range []any{map[string]int{}, struct {
		X int `tell:"x=Y"`
	}{}} {
		if _, err := Encode(wrong); err == nil {
			t.Errorf("%T is written", wrong)
		}
	}
}

// A tag whose path leads nowhere is found here and not by whoever asks for --json.
func TestEveryPathLeadsSomewhere(t *testing.T) {
	seen, names := map[reflect.Type]bool{}, 0
	var walk func(reflect.Type)
	walk = func(x reflect.Type) {
		for x.Kind() == reflect.Pointer || x.Kind() == reflect.Slice {
			x = x.Elem()
		}
		if x.Kind() != reflect.Struct || seen[x] || strings.HasPrefix(x.Name(), "Level[") {
			return
		}
		seen[x] = true
		for i := range x.NumField() {
			f := x.Field(i)
			for _, name := range strings.Fields(f.Tag.Get("tell")) {
				name, _, _ = strings.Cut(name, ",")
				_, path, found := strings.Cut(name, "=")
				if !found && name == "-" {
					continue
				} else if !found {
					path = f.Name
				}
				names++
				at := x
				for part := range strings.SplitSeq(path, ".") {
					if at.Kind() == reflect.Pointer {
						at = at.Elem()
					}
					f, isField := reflect.StructField{}, false
					if at.Kind() == reflect.Struct {
						f, isField = at.FieldByName(part)
					}
					m, isMethod := at.MethodByName(part)
					switch {
					case isField && f.IsExported():
						at = f.Type
					case !isField && isMethod && m.Type.NumIn() == 1 && m.Type.NumOut() == 1:
						at = m.Type.Out(0)
					default:
						t.Fatalf("%v: %q leads nowhere", x, path)
					}
				}
				walk(at)
			}
			if f.Anonymous && f.Tag.Get("tell") == "" {
				walk(f.Type)
			}
		}
	}
	for _, shape := range []any{RunTold{}, CompareTold{}, RepeatTold{}, ModulationShape{}, analysis.BesideLaboratory{},
		analysis.RandomStudy{}, analysis.DwellStudy{}, evidence.Explanation{}} {
		walk(reflect.TypeOf(shape))
	}
	if names < 200 {
		t.Errorf("only %d names were looked at", names)
	}
}
