package watcher

import (
	"context"
	"os/exec"
	"time"
)

// outside moves the watcher, which is about to be started, out of the control group of this process where the
// user's service manager does that: a service stop, a container's end or an out-of-memory killer that ends the
// group then leaves it. A session of its own does not: setsid stays in the group. It reports whether it will be.
func outside(c *exec.Cmd) bool {
	program, err := exec.LookPath("systemd-run")
	if err != nil {
		return false
	}
	scope := []string{program, "--user", "--scope", "--quiet", "--collect", "--"}
	ctx, cancel := context.WithTimeout(context.Background(), outsideWithin)
	defer cancel()
	if exec.CommandContext(ctx, program, append(scope[1:len(scope):len(scope)], "true")...).Run() != nil {
		return false // there is none to ask
	}
	c.Args = append(append(scope, c.Path), c.Args[1:]...) // it becomes the program, under the same number
	c.Path = program
	return true
}

// outsideWithin is how long the service manager is asked whether it can.
const outsideWithin = time.Second
