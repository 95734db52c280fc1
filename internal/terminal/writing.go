package terminal

import (
	"errors"
	"fmt"
	"os"
)

// WriteNew writes a file that does not exist yet; it never replaces one.
func WriteNew(path, text string) (err error) {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("write a new file: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if _, err = f.WriteString(text); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	return nil
}
