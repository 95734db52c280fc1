//go:build !(linux && (386 || amd64 || arm || arm64 || loong64 || riscv64))

package usbtmc

import (
	"context"
	"os"

	"provoke/internal/bench/scpi"
)

var (
	errTimedOut = os.ErrDeadlineExceeded
	errGone     = os.ErrClosed
)

// List returns an error: see the package comment.
func List() ([]Device, error) { return nil, ErrLinuxOnly }

// Dial returns a Dial that fails: see the package comment.
func Dial(uint16, uint16, string, Options) scpi.Dial {
	return func(context.Context) (scpi.Port, error) { return nil, ErrLinuxOnly }
}
