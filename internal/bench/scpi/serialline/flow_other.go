//go:build !linux

package serialline

import "fmt"

type flowControl struct{}

// prepareFlow refuses what cannot be set here: a line without the flow control that the instrument
// expects loses characters silently.
func prepareFlow(_ string, f Flow) (flowControl, error) {
	if f != NoFlow {
		return flowControl{}, fmt.Errorf("flow control %s is built for Linux only; set the instrument to none", f)
	}
	return flowControl{}, nil
}

func (flowControl) set(Flow) error { return nil }
func (flowControl) close()         {}
