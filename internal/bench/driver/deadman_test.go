package driver_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"provoke/internal/bench/driver"
	"provoke/internal/files/catalog"
)

// wires notes what is done to the control lines of a port.
type wires struct {
	said []string
	err  error
}

func (w *wires) SetDTR(on bool) error {
	w.said = append(w.said, fmt.Sprintf("DTR %v", on))
	return w.err
}
func (w *wires) SetRTS(on bool) error {
	w.said = append(w.said, fmt.Sprintf("RTS %v", on))
	return w.err
}
func (w *wires) Close() error { w.said = append(w.said, "closed"); return nil }

// A level feeds nothing, also one that a program left high when it died: only edges do.
func TestAHardwareDeadManOnAControlLineIsFedByEdges(t *testing.T) {
	for _, line := range []string{catalog.LineDTR, catalog.LineRTS} {
		w := &wires{}
		d := driver.NewLineDeadMan(w, catalog.HardwareDeadMan{Line: line})
		for range 3 {
			if err := d.Feed(t.Context()); err != nil {
				t.Error(err)
			}
		}
		w.err = errors.New("the adapter was pulled")
		if d.Feed(t.Context()) == nil {
			t.Error("a feed that did not arrive counts")
		}
		w.err = nil
		d.Feed(t.Context())
		d.Close()
		want := strings.ReplaceAll("X true, X false, X true, X false, X false, closed", "X", line)
		if got := strings.Join(w.said, ", "); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
}
