package watcher

import (
	"bufio"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"time"
)

// inhibit takes a lock of the login manager through its own command, which holds it for as long as the
// command that it runs. That is a cat on a pipe of ours: it ends with this process, however that ends.
// The lid's switch is a lock of its own, which not every session may take.
func inhibit() (words string, release func(), err error) {
	program, err := exec.LookPath("systemd-inhibit")
	if err != nil {
		return "", nil, errors.New("this system has no systemd-inhibit")
	}
	release, err = hold(program, "sleep:idle:handle-lid-switch")
	if err == nil {
		return ", the lid's too", release, nil
	}
	if errors.Is(err, errNoAnswer) {
		return "", nil, err
	}
	if release, err = hold(program, "sleep:idle"); err == nil {
		return "; closing the lid may still suspend", release, nil
	}
	return "", nil, err
}

var errNoAnswer = errors.New("did not answer")

// hold takes one lock and returns once it is held: the cat has then sent back what it was sent.
func hold(program, what string) (release func(), err error) {
	c := exec.Command(program, "--what="+what, "--who=provoke", "--why=RF may be on", "--mode=block", "cat")
	apart(c)
	var said tailBuffer
	c.Stderr = &said
	in, err := c.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := c.StdoutPipe()
	if err != nil {
		return nil, err
	}
	if err := c.Start(); err != nil {
		return nil, err
	}
	held, ended := make(chan bool, 1), make(chan struct{})
	go func() {
		defer close(ended)
		line, err := bufio.NewReader(out).ReadString('\n')
		held <- err == nil && line == "held\n"
		c.Wait() // the cat says no more
	}()
	end := func() {
		in.Close()
		select {
		case <-ended:
		case <-time.After(time.Second):
			c.Process.Kill()
			<-ended
		}
	}
	fmt.Fprintln(in, "held")
	late := time.NewTimer(awakeWithin)
	defer late.Stop()
	select {
	case ok := <-held:
		if ok {
			return end, nil
		}
		end()
		text := strings.TrimPrefix(said.text(), ": ")
		first, _, _ := strings.Cut(text, "\n")
		if first == "" {
			first = "systemd-inhibit ended without a word"
		}
		return nil, errors.New(first)
	case <-late.C:
		end()
		return nil, fmt.Errorf("systemd-inhibit %w within %v", errNoAnswer, awakeWithin)
	}
}
