package serialline

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func TestFlowControlReachesTheTerminalSettings(t *testing.T) {
	socat, err := exec.LookPath("socat")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skip("outside check skipped: socat is not installed")
	}
	near := filepath.Join(t.TempDir(), "near")
	run := exec.Command(socat, "pty,raw,echo=0,link="+near, "pty,raw,echo=0")
	if err := run.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { run.Process.Kill(); run.Wait() }()
	for began := time.Now(); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(near); err == nil {
			break
		}
		if time.Since(began) > 5*time.Second {
			t.Fatal("socat made no pseudo-terminal")
		}
	}
	watch, err := unix.Open(near, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Close(watch)
	for _, c := range []struct {
		flow             Flow
		byWire, byLetter bool
	}{{NoFlow, false, false}, {RTSCTS, true, false}, {XONXOFF, false, true}} {
		p, err := Open(near, Line{Baud: 19200, DataBits: 8, Parity: 'N', StopBits: 1, Flow: c.flow})
		if err != nil {
			t.Fatal(err)
		}
		s, err := unix.IoctlGetTermios(watch, unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		if byWire, byLetter := s.Cflag&unix.CRTSCTS != 0, s.Iflag&unix.IXON != 0; byWire != c.byWire ||
			byLetter != c.byLetter {
			t.Errorf("%q: by wire %v, by character %v", c.flow, byWire, byLetter)
		}
		if speed := s.Cflag & unix.CBAUD; speed != unix.B19200 {
			t.Errorf("%q: speed %#o", c.flow, speed)
		}
		p.Close()
	}
}
