package serialline

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// flowControl sets what the serial library does not: the terminal settings belong to the device, so a
// second descriptor, opened before the library takes the port for itself, can set them.
type flowControl struct{ fd int }

func prepareFlow(device string, f Flow) (flowControl, error) {
	if f == NoFlow {
		return flowControl{-1}, nil
	}
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		return flowControl{-1}, fmt.Errorf("for flow control: %w", err)
	}
	return flowControl{fd}, nil
}

func (c flowControl) set(f Flow) error {
	if f == NoFlow {
		return nil
	}
	t, err := unix.IoctlGetTermios(c.fd, unix.TCGETS)
	if err != nil {
		return fmt.Errorf("reading flow control: %w", err)
	}
	switch f {
	case RTSCTS:
		t.Cflag |= unix.CRTSCTS
	case XONXOFF:
		t.Iflag |= unix.IXON | unix.IXOFF
	}
	if err := unix.IoctlSetTermios(c.fd, unix.TCSETS, t); err != nil {
		return fmt.Errorf("setting flow control %s: %w", f, err)
	}
	return nil
}

func (c flowControl) close() {
	if c.fd >= 0 {
		unix.Close(c.fd)
	}
}
