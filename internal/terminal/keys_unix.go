//go:build unix

package terminal

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// keyMode is a terminal that delivers keys. Signals by key and the handling of what is printed stay as they were.
type keyMode struct {
	f         *os.File
	was, keys unix.Termios
	stopped   func(bool)
	mu        sync.Mutex
	on        bool
	signals   chan os.Signal
	quit      chan struct{}
	ended     chan struct{}
}

// isTerminal reports a file that is a terminal.
func isTerminal(f *os.File) bool {
	_, err := unix.IoctlGetTermios(int(f.Fd()), getTermios)
	return err == nil
}

// enterKeyMode turns a terminal to single keys until leave. stopped is told before the program is stopped, and
// after it goes on.
func enterKeyMode(f *os.File, stopped func(bool)) (*keyMode, error) {
	was, err := unix.IoctlGetTermios(int(f.Fd()), getTermios)
	if err != nil {
		return nil, fmt.Errorf("ask the terminal for its modes: %w", err)
	}
	m := &keyMode{f: f, was: *was, keys: *was, stopped: stopped, signals: make(chan os.Signal, 4),
		quit: make(chan struct{}), ended: make(chan struct{})}
	k := &m.keys
	k.Lflag &^= unix.ICANON | unix.ECHO | unix.ECHONL | unix.IEXTEN
	k.Iflag &^= unix.ICRNL | unix.INLCR | unix.IGNCR | unix.ISTRIP | unix.IXON // Ctrl-S would stop what is printed
	k.Cc[unix.VMIN], k.Cc[unix.VTIME] = 1, 0
	k.Cc[unix.VQUIT] = disabled // beside Ctrl-C, and it would end the program with RF on
	k.Cc[unix.VSUSP] = disabled // see suspend
	for _, s := range []os.Signal{unix.SIGCONT, unix.SIGHUP, unix.SIGQUIT} {
		if !signal.Ignored(s) {
			signal.Notify(m.signals, s)
		}
	}
	go m.keep()
	if err := m.set(true); err != nil {
		m.leave()
		return nil, fmt.Errorf("turn the terminal to single keys: %w", err)
	}
	return m, nil
}

// set turns the keys on or off. In the background the terminal is somebody else's: it is left alone.
func (m *keyMode) set(on bool) error {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.change(on)
}

func (m *keyMode) change(on bool) error {
	was := m.on
	m.on = on && foreground(m.f)
	switch {
	case m.on:
		return unix.IoctlSetTermios(int(m.f.Fd()), setTermios, &m.keys)
	case was && foreground(m.f):
		return unix.IoctlSetTermios(int(m.f.Fd()), setTermios, &m.was)
	}
	return nil
}

// keep turns the keys on again when the program comes back to the foreground (nothing tells it so where it went on in
// the background), and gives the terminal back before a signal ends it.
func (m *keyMode) keep() {
	defer close(m.ended)
	look := time.NewTicker(250 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case <-m.quit:
			return
		case s := <-m.signals:
			if s == unix.SIGCONT { // the shell may have changed the modes
				m.set(true)
				continue
			}
			m.set(false)
			signal.Reset(s)
			unix.Kill(unix.Getpid(), s.(unix.Signal))
			return
		case <-look.C:
			m.mu.Lock()
			if !m.on {
				m.change(true)
			}
			m.mu.Unlock()
		}
	}
}

// suspend does what Ctrl-Z does, with the terminal given back meanwhile. The signal cannot be caught for that: Go
// does not let it stop the program any more.
func (m *keyMode) suspend() {
	m.mu.Lock()
	defer m.mu.Unlock()
	awake := make(chan os.Signal, 1)
	signal.Notify(awake, unix.SIGCONT)
	defer signal.Stop(awake)
	m.stopped(true)
	m.change(false)
	unix.Kill(0, unix.SIGTSTP) // and all that stands in one line with it
	select {
	case <-awake:
	case <-time.After(time.Second): // nobody could wake it again, so the system does not stop it
	}
	m.change(true)
	m.stopped(false)
}

// leave gives the terminal back for good.
func (m *keyMode) leave() {
	close(m.quit)
	<-m.ended
	m.set(false)
	signal.Stop(m.signals)
}

// foreground reports whether the terminal listens to this program, or is not the one that it was started from.
func foreground(f *os.File) bool {
	group, err := unix.IoctlGetInt(int(f.Fd()), unix.TIOCGPGRP)
	return err != nil || group == unix.Getpgrp()
}

// comesBack waits where a read failed only because the program is in the background.
func comesBack(in io.Reader, err error) bool {
	f, ok := in.(*os.File)
	if !ok || !errors.Is(err, unix.EIO) || !isTerminal(f) || foreground(f) {
		return false
	}
	time.Sleep(200 * time.Millisecond)
	return true
}
