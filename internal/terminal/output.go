package terminal

import (
	"encoding/json"
	"io"
)

// PrintJSON prints a value with indents.
func PrintJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
