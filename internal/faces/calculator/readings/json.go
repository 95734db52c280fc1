package readings

import (
	"bufio"
	"encoding/json"
	"io"
	"strings"

	"provoke/internal/files/problem"
)

// compactJSON prints a value without indents: a file of figures is long.
func compactJSON(w io.Writer, v any) error {
	b := bufio.NewWriter(w)
	enc := json.NewEncoder(b)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return err
	}
	return b.Flush()
}

// inLines are warnings with a line each, the hint behind what is wrong.
func inLines(list problem.List) []string {
	out := []string{}
	for _, p := range list {
		out = append(out, strings.ReplaceAll(p.String(), "\n\thint: ", "; "))
	}
	return out
}
