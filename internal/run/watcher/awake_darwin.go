package watcher

import (
	"errors"
	"os"
	"os/exec"
	"strconv"
)

// inhibit runs the system's caffeinate, which keeps the machine awake until this process ends or kills it.
func inhibit() (words string, release func(), err error) {
	program, err := exec.LookPath("caffeinate")
	if err != nil {
		return "", nil, errors.New("this system has no caffeinate")
	}
	c := exec.Command(program, "-i", "-m", "-s", "-w", strconv.Itoa(os.Getpid()))
	apart(c)
	if err := c.Start(); err != nil {
		return "", nil, err
	}
	return "; closing the lid may still suspend", func() { c.Process.Kill(); c.Wait() }, nil
}
