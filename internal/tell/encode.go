package tell

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"strings"

	"provoke/internal/units/rf"
)

// Encode writes a documented shape of --json, indented. What is written stands in tags of the key tell and not json:
// a type that is told is often journalled as well, under other names, and what has no tag is left out. A tag holds
// names, parted by spaces, each with what it may have:
//
//	Onset rf.Current `tell:"onset"`                 the field
//	_ struct{} `tell:"low_hz=Low.Frequency"`        a path of fields and methods; null from a nil pointer on
//	Class string `tell:"class,null"`                null where it is empty or 0
//	NoFit string `tell:"no_fit,omit"`               left out where it is empty or 0
//	First float64 `tell:"first,whole"`              a plain number with all its digits
//
// An embedded struct without a tag is written in its place, one tagged "-" is not. Each type has one rule: frequencies
// are in hertz and durations in seconds with all digits, gains in decibel with three decimals, plain numbers and
// fractions have four, levels are an rf.Quantity, a bound its words. What is absent or not finite is null; a list
// never is.
func Encode(v any) ([]byte, error) {
	var e encoder
	if err := e.value(reflect.ValueOf(v), ""); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	err := json.Indent(&out, e.Bytes(), "", "  ")
	out.WriteByte('\n')
	return out.Bytes(), err
}

type encoder struct{ bytes.Buffer }

// plain writes what encoding/json writes as it is meant.
func (e *encoder) plain(v any) error {
	enc := json.NewEncoder(e)
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

// number writes a number with so many decimals, all of them where that is below 0.
func (e *encoder) number(x float64, decimals int) error {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return e.plain(nil)
	}
	if decimals >= 0 {
		x = rf.Round(x, decimals)
	}
	return e.plain(x + 0) // never minus zero
}

func (e *encoder) value(v reflect.Value, option string) error {
	if !v.IsValid() || option == "null" && v.IsZero() {
		return e.plain(nil)
	}
	switch x := v.Interface().(type) {
	case rf.Frequency:
		if !x.Known() {
			return e.plain(nil)
		}
		return e.number(x.Hz(), -1)
	case rf.Duration:
		return e.number(x.Std().Seconds(), -1)
	case rf.Gain:
		return e.number(x.DB(), 3)
	case rf.Bound:
		if x == rf.Exactly || x == rf.Unknown {
			return e.plain(nil)
		}
		return e.plain(x.String())
	case interface{ Quantity() *rf.Quantity }: // a level
		return e.plain(x.Quantity())
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		return e.value(v.Elem(), "")
	case reflect.Struct:
		return e.list('{', '}', func(next func()) error { return e.fields(v, next) })
	case reflect.Slice:
		return e.list('[', ']', func(next func()) error {
			for i := range v.Len() {
				next()
				if err := e.value(v.Index(i), option); err != nil {
					return err
				}
			}
			return nil
		})
	case reflect.Float64:
		if option == "whole" {
			return e.number(v.Float(), -1)
		}
		return e.number(v.Float(), 4)
	case reflect.String:
		return e.plain(v.String())
	case reflect.Bool, reflect.Int, reflect.Int64:
		return e.plain(v.Interface())
	}
	return fmt.Errorf("tell %v as JSON: there is no rule for it", v.Type())
}

// list writes what stands between brackets; next is called before each part.
func (e *encoder) list(open, shut byte, parts func(next func()) error) error {
	e.WriteByte(open)
	first := true
	err := parts(func() {
		if !first {
			e.WriteByte(',')
		}
		first = false
	})
	e.WriteByte(shut)
	return err
}

func (e *encoder) fields(v reflect.Value, next func()) error {
	for i := range v.NumField() {
		f := v.Type().Field(i)
		tag, told := f.Tag.Lookup("tell")
		if f.Anonymous && !told && f.Type.Kind() == reflect.Struct {
			if err := e.fields(v.Field(i), next); err != nil {
				return err
			}
		}
		for _, name := range strings.Fields(strings.TrimPrefix(tag, "-")) {
			name, option, _ := strings.Cut(name, ",")
			name, path, _ := strings.Cut(name, "=")
			if path == "" {
				path = f.Name
			}
			x, err := follow(v, path)
			if err != nil {
				return err
			}
			if option == "omit" && x.IsZero() {
				continue
			}
			next()
			fmt.Fprintf(e, "%q:", name)
			if err := e.value(x, option); err != nil {
				return err
			}
		}
	}
	return nil
}

// follow goes along a path; what it returns is not valid where a pointer on the way is nil.
func follow(v reflect.Value, path string) (reflect.Value, error) {
	for part := range strings.SplitSeq(path, ".") {
		for v.Kind() == reflect.Pointer {
			if v = v.Elem(); !v.IsValid() {
				return v, nil
			}
		}
		x := reflect.Value{}
		if v.Kind() == reflect.Struct {
			x = v.FieldByName(part)
		}
		if !x.IsValid() {
			m := v.MethodByName(part)
			if !m.IsValid() {
				return v, fmt.Errorf("tell %v as JSON: it has no %s", v.Type(), part)
			}
			x = m.Call(nil)[0]
		}
		v = x
	}
	return v, nil
}
