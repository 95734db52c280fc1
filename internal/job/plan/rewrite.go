package plan

import (
	"errors"
	"strings"

	"provoke/internal/files/document"
)

// Change is a key of a plan file at its outermost level with a new value; an empty value takes the
// key out.
type Change struct{ Key, Value string }

// Rewrite returns the text of a plan file with outermost keys replaced, taken out, or added at its
// end. All else stays as it is, comments too. Studies and looks make their plans this way, so that the
// file that is run can be read, kept and run again.
func Rewrite(data []byte, changes ...Change) ([]byte, error) {
	text := strings.ReplaceAll(string(data), "\r\n", "\n")
	var err error
	for _, c := range changes {
		changed, wrong := document.Set(text, c.Key, c.Value, c.Key == "name")
		if err = errors.Join(err, wrong); wrong == nil {
			text = changed
		}
	}
	return []byte(text), err
}
