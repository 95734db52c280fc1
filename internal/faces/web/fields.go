package web

import (
	"net/http"
	"slices"
	"sort"
	"strings"

	"provoke/internal/files/document"
	"provoke/internal/files/problem"
)

// A form of fields stands for keys of a file. The file stays the truth: the text comes with the form, and a field
// that was changed replaces the lines of its key and nothing else.

// formField is one key of a file in a form.
type formField struct {
	ID, Path, Name, Value, Hint string // ID where the path is not the name of one field only
	Takes                       string
	Long                        bool
	Curve                       bool // a curve file may be chosen for it
	Source                      string
	Choices                     []string
	Found                       bool              // an address, which may be one of the instruments found
	Problems                    []problem.Problem // in words for beside the field
	told                        []string          // the same as the file tells them
}

// about reports that a problem begins with a path, or with one below it.
func about(what, path string) bool {
	rest, ok := strings.CutPrefix(what, path)
	return ok && rest != "" && strings.ContainsRune(" :.,", rune(rest[0]))
}

// fieldFor makes the field of a key; prefix stands for that part of the key's path that has brackets without a
// number.
func fieldFor(k document.Key, path string, at document.Layout, list problem.List) formField {
	name := path[strings.LastIndexByte(path, '.')+1:]
	f := formField{Path: path, Name: strings.ReplaceAll(name, "_", " "), Takes: k.Takes, Hint: k.Says,
		Curve: strings.HasPrefix(k.Takes, "a curve"), Found: name == "address"}
	if words, ok := strings.CutPrefix(k.Takes, "one of: "); ok {
		f.Choices = append([]string{""}, strings.Split(words, ", ")...)
	} else if k.Takes == "true or false" {
		f.Choices = []string{"", "true", "false"}
	}
	if k.Takes != "a text" && !strings.Contains(k.Says, k.Takes) && f.Choices == nil {
		f.Hint = k.Takes + ": " + k.Says
	}
	if name == "gain_measured" {
		f.Name, f.Hint = "gain measured on", "a day, 2026-10-02; empty: the gain is the data sheet's"
	}
	w, there := at.Find(path)
	if w.Text != document.Blank {
		f.Value = w.Text
	}
	f.Long = strings.Contains(f.Value, "\n")
	if f.Choices != nil && !slices.Contains(f.Choices, f.Value) {
		f.Choices = append(f.Choices, f.Value)
	}
	for _, p := range list {
		if p.Field == path || about(p.What, path) || there && p.Field == "" && p.Line >= w.First && p.Line <= w.Last {
			f.told = append(f.told, p.String())
			if w.Text == document.Blank {
				p.Hint = ""
			}
			p.What = strings.TrimPrefix(strings.TrimPrefix(p.What, path), ": ")
			p.What, p.Line = strings.TrimSpace(strings.TrimPrefix(p.What, " is ")), 0
			f.Problems = append(f.Problems, p)
		}
	}
	return f
}

// withFields is the text of a form with the fields in it that were changed. What cannot be written where it belongs
// is told.
func withFields(r *http.Request, text string, keys map[string]document.Key) (string, problem.List) {
	var list problem.List
	var paths []string
	for name := range r.PostForm {
		if path, ok := strings.CutPrefix(name, "f."); ok {
			paths = append(paths, path)
		}
	}
	sort.Strings(paths)
	for _, path := range paths {
		k, known := keys[unnumbered(path)]
		now, was := strings.TrimSpace(normal(r.PostForm.Get("f."+path))),
			strings.TrimSpace(normal(r.PostForm.Get("o."+path)))
		if !known || now == was {
			continue
		}
		value := now
		if value == "" && k.Required {
			value = document.Blank
		}
		changed, err := document.Set(text, path, value, k.Takes == "a text")
		if err != nil {
			list = append(list, problem.Problem{Field: path, What: err.Error() + "; it was “" + now + "”"})
			continue
		}
		text = changed
	}
	return text, list
}

// keysByPath are the keys of a file by their paths.
func keysByPath(keys []document.Key) map[string]document.Key {
	out := map[string]document.Key{}
	for _, k := range keys {
		out[strings.TrimSuffix(k.Path, "[]")] = k
	}
	return out
}

// unnumbered is a path with brackets in place of numbers: "to_clamp[].loss".
func unnumbered(path string) string {
	var b strings.Builder
	for i := 0; i < len(path); i++ {
		if b.WriteByte(path[i]); path[i] == '[' {
			for i+1 < len(path) && path[i+1] >= '0' && path[i+1] <= '9' {
				i++
			}
		}
	}
	return b.String()
}
