package terminal

import (
	"encoding/json"
	"io"

	"provoke/internal/tell"
)

// PrintShape prints a documented shape of --json.
func PrintShape(w io.Writer, shape any) error {
	data, err := tell.Encode(shape)
	if err != nil {
		return err
	}
	_, err = w.Write(data)
	return err
}

// PrintJSON prints a value with indents.
func PrintJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}
