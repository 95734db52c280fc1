package terminal

import (
	"errors"
	"fmt"

	"provoke/internal/job/store"
)

// Damage gives an error about a damaged job its exit code.
func Damage(err error) error {
	if errors.Is(err, store.ErrDamaged) {
		return WithCode(ExitNotVerified, err)
	}
	return err
}

// TellLeftBehind passes on what an abrupt end of a run left beside the job.
func TellLeftBehind(w *World, job *store.Job) {
	if left := job.LeftBehind(); left != "" {
		fmt.Fprintln(w.Stderr, "provoke: note:", left)
	}
}
