package dut

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"provoke/internal/files/catalog"
)

// finder finds the reading in a text that a DUT sends: the whole of it, a field of its JSON, or the
// group of a pattern.
type finder struct {
	field          string
	pattern, fault *regexp.Regexp
	wantsNumber    bool
}

func newFinder(spec catalog.Monitor) (finder, error) {
	f := finder{field: spec.Field, wantsNumber: spec.Tolerance > 0}
	var err error
	if f.pattern, err = compile(spec.Pattern, 1); err == nil {
		f.fault, err = compile(spec.ErrorPattern, 0)
	}
	return f, err
}

// see turns a text into a sample.
func (f finder) see(text string) Sample {
	s := Sample{Text: text}
	if f.field != "" {
		found, err := fieldOf(text, f.field)
		if err != nil {
			if f.fault != nil && f.fault.MatchString(text) {
				return Sample{Text: text, Error: true}
			}
			return Sample{Lost: err.Error()}
		}
		text, s.Text = found, found
	}
	if f.fault != nil && f.fault.MatchString(text) {
		s.Error = true
		return s
	}
	if f.pattern != nil {
		m := f.pattern.FindStringSubmatch(text)
		if m == nil {
			return Sample{Lost: fmt.Sprintf("the pattern is not found in %q", clean(text))}
		}
		text = m[1]
	}
	if !f.wantsNumber {
		return s
	}
	v, ok := parseNumber(strings.TrimSpace(text))
	if !ok {
		return Sample{Lost: fmt.Sprintf("%q stands where the number should be", clean(text))}
	}
	s.Value, s.HasValue = v, true
	return s
}

// fieldOf returns the value at a path of a JSON text as text: a number, a string, true or false.
func fieldOf(text, path string) (string, error) {
	d := json.NewDecoder(bytes.NewReader([]byte(text)))
	d.UseNumber()
	var v any
	if err := d.Decode(&v); err != nil {
		return "", fmt.Errorf("the DUT's answer is no JSON: %w", err)
	}
	for _, part := range strings.Split(path, ".") {
		name, rest, _ := strings.Cut(part, "[")
		object, ok := v.(map[string]any)
		if !ok {
			return "", fmt.Errorf("the DUT's answer has no field %q", path)
		}
		if v, ok = object[name]; !ok {
			return "", fmt.Errorf("the DUT's answer has no field %q", path)
		}
		for _, index := range strings.Split(rest, "[") {
			if index == "" {
				continue
			}
			list, ok := v.([]any)
			n, err := strconv.Atoi(strings.TrimSuffix(index, "]"))
			if !ok || err != nil || n < 0 || n >= len(list) {
				return "", fmt.Errorf("the DUT's answer has no field %q", path)
			}
			v = list[n]
		}
	}
	switch x := v.(type) {
	case json.Number:
		if f, err := x.Float64(); err != nil || math.IsInf(f, 0) {
			return "", fmt.Errorf("field %q holds %s, which is out of range", path, x)
		}
		return x.String(), nil
	case string:
		return x, nil
	case bool:
		if x {
			return "1", nil
		}
		return "0", nil
	case nil:
		return "", fmt.Errorf("field %q of the DUT's answer is null", path)
	}
	return "", errors.New("field " + strconv.Quote(path) + " of the DUT's answer is no single value")
}
