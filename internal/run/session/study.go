package session

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"

	"provoke/internal/job/plan"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Derive writes the plan of a study beside the plan that it was made from, and returns its name. A
// file that is there is never replaced.
func Derive(w *terminal.World, planFile, study string, changes ...plan.Change) (string, error) {
	data, err := terminal.ReadText(planFile)
	if err != nil {
		return "", fmt.Errorf("read the plan file: %w", err)
	}
	return writeApart(w, strings.TrimSuffix(planFile, filepath.Ext(planFile))+"-"+study, plan.Rewrite(data, changes...))
}

// writeApart writes a plan under a name of its own that begins with base, and returns the name. A file
// that is there is never replaced; one that holds the same is used as it is.
func writeApart(w *terminal.World, base string, text []byte) (string, error) {
	for n := 1; n < 1000; n++ {
		name := base + ".yaml"
		if n > 1 {
			name = fmt.Sprintf("%s-%d.yaml", base, n)
		}
		if there, err := terminal.ReadText(name); err == nil {
			if bytes.Equal(there, text) {
				return name, nil
			}
			continue
		}
		if err := terminal.WriteNew(name, string(text)); err != nil {
			return "", err
		}
		fmt.Fprintf(w.Stderr, "wrote %s\n", name)
		return name, nil
	}
	return "", fmt.Errorf("write %s.yaml: a thousand files of such a name are there", base)
}

// ListOf writes frequencies as a segment of a grid.
func ListOf(at []rf.Frequency) string {
	var out []string
	for _, f := range at {
		text, _ := f.MarshalText()
		out = append(out, string(text))
	}
	return "[{list: [" + strings.Join(out, ", ") + "]}]"
}
