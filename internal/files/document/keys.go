package document

import (
	"encoding"
	"fmt"
	"reflect"
	"strings"

	"provoke/internal/units/rf"
)

// Key is one key of a file as its decoder declares it.
type Key struct {
	Path     string // "amplifier.gain"; a list has [] behind its name, a mapping of names .NAME
	Takes    string // "dBm or W", "one of: pad, coax", "a mapping", …
	Required bool   // where what holds it stands in the file
	Default  string // "" where there is none, or where Says tells it
	Says     string // what it means, from the field's tag `says`
}

// Keys lists the keys of a file from the struct that Decode fills: names and what is required from the
// yaml tags, what a value is from the field's type, the default from the value that the struct holds before
// decoding, the meaning from the tag `says`. takes may word a type that says nothing by itself; it
// returns "" for the others.
func Keys(into any, takes func(reflect.Type) string) []Key {
	w := keyWalker{takes: takes}
	w.fields(reflect.ValueOf(into).Elem(), "", nil)
	return w.out
}

type keyWalker struct {
	takes func(reflect.Type) string
	out   []Key
}

// fields walks a struct; above are the types that hold it, so that a part that may hold parts ends.
func (w *keyWalker) fields(v reflect.Value, path string, above []reflect.Type) {
	for _, t := range above {
		if t == v.Type() {
			return
		}
	}
	above = append(above[:len(above):len(above)], v.Type())
	for _, f := range fieldsOf(v.Type()) {
		sf := v.Type().FieldByIndex(f.index)
		x := fieldOf(v, f.index)
		k := Key{Path: join(path, f.name), Required: f.required, Says: sf.Tag.Get("says")}
		inner, suffix := innerOf(sf.Type)
		k.Path += suffix
		k.Takes = w.taken(inner)
		if suffix != "" && k.Takes != "a mapping" {
			k.Takes = map[bool]string{true: "a list of ", false: "a mapping of names to "}[suffix == "[]"] + k.Takes
		}
		if x.IsValid() && suffix == "" {
			k.Default = defaultOf(x)
		}
		w.out = append(w.out, k)
		if inner.Kind() == reflect.Struct && w.takes(inner) == "" && !scalarOnly(inner) {
			if !x.IsValid() || x.Type() != inner {
				x = reflect.New(inner).Elem()
			}
			w.fields(x, k.Path, above)
		}
	}
}

// fieldOf is FieldByIndex that ends at a nil pointer.
func fieldOf(v reflect.Value, index []int) reflect.Value {
	for _, i := range index {
		for v.Kind() == reflect.Pointer {
			if v.IsNil() {
				return reflect.Value{}
			}
			v = v.Elem()
		}
		v = v.Field(i)
	}
	return v
}

// innerOf unpacks pointers, lists and mappings.
func innerOf(t reflect.Type) (inner reflect.Type, suffix string) {
	for {
		switch {
		case t.Kind() == reflect.Pointer:
			t = t.Elem()
		case t.Kind() == reflect.Slice:
			t, suffix = t.Elem(), suffix+"[]"
		case t.Kind() == reflect.Map:
			t, suffix = t.Elem(), suffix+".NAME"
		default:
			return t, suffix
		}
	}
}

var unmarshaler = reflect.TypeFor[encoding.TextUnmarshaler]()

// scalarOnly reports a struct that is written as one text.
func scalarOnly(t reflect.Type) bool {
	return reflect.PointerTo(t).Implements(unmarshaler) && len(fieldsOf(t)) == 0
}

// quantities words the units that a quantity may be written in; prefixes such as m and k go with them.
var quantities = map[reflect.Type]string{
	reflect.TypeFor[rf.Power](): "power: dBm, W", reflect.TypeFor[rf.Current](): "current: A, dBµA",
	reflect.TypeFor[rf.Voltage]():        "voltage: V, Vpp, dBµV",
	reflect.TypeFor[rf.Transimpedance](): "dBΩ, Ω", reflect.TypeFor[rf.Gain](): "dB",
	reflect.TypeFor[rf.Duration]():  "time: s, min, h",
	reflect.TypeFor[rf.Frequency](): "frequency: Hz", reflect.TypeFor[rf.Length](): "length: m",
	reflect.TypeFor[rf.Fraction]():   "%",
	reflect.TypeFor[rf.Resistance](): "Ω", reflect.TypeFor[rf.Capacitance](): "F",
	reflect.TypeFor[rf.Inductance](): "H",
	reflect.TypeFor[Count]():         "a whole number", reflect.TypeFor[Date](): "a day: 2026-03-01",
}

// taken words what a value is.
func (w *keyWalker) taken(t reflect.Type) string {
	if s := w.takes(t); s != "" {
		return s
	}
	if s := quantities[t]; s != "" {
		return s
	}
	scalar := reflect.PointerTo(t).Implements(unmarshaler)
	switch {
	case scalar:
		// A closed set of words says so when it is given another.
		err := reflect.New(t).Interface().(encoding.TextUnmarshaler).UnmarshalText([]byte("\x00"))
		if err != nil {
			if _, words, ok := strings.Cut(err.Error(), "is not one of: "); ok {
				words, _, _ = strings.Cut(words, "; did")
				return "one of: " + words
			}
		}
		return "a text"
	case t.Kind() == reflect.Struct:
		return "a mapping"
	case t.Kind() == reflect.Bool:
		return "true or false"
	}
	return "a text"
}

// defaultOf prints what a field holds before decoding.
func defaultOf(v reflect.Value) string {
	for v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return ""
		}
		v = v.Elem()
	}
	if v.IsZero() || v.Kind() == reflect.Struct && !v.CanInterface() {
		return ""
	}
	switch v.Kind() {
	case reflect.Bool, reflect.String, reflect.Float64, reflect.Int64, reflect.Int:
		return fmt.Sprint(v)
	}
	return ""
}
