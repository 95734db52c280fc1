// Package program runs the command of a bench file that brings what a monitor looks at or listens to, and ends it with
// everything that it started.
package program

import (
	"context"
	"fmt"
	"io"
	"os/exec"
	"strings"
	"sync"
	"time"
)

// endWithin is how long a command may take to end after it was told to.
const endWithin = time.Second

// Read runs a command and gives what it writes to its standard output to read, until the context, the command or read
// ends; then it says why. brings and device name what the command is for, "the camera's pictures" and "camera".
func Read(ctx context.Context, command []string, brings, device string, read func(io.Reader) error) error {
	cmd := exec.Command(command[0], command[1:]...)
	said := &tail{}
	cmd.Stderr = said
	cmd.WaitDelay = endWithin
	out, err := cmd.StdoutPipe()
	if err != nil {
		return fmt.Errorf("run %s: %w", command[0], err)
	}
	family, err := startFamily(cmd)
	if err != nil {
		return fmt.Errorf("run %s, which is to bring %s: %w; is it installed, and written as in a terminal?",
			command[0], brings, err)
	}
	stop := context.AfterFunc(ctx, func() { family.kill(); out.Close() })
	defer stop()
	lost := read(out)
	family.kill()
	ended := cmd.Wait()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	what := "ended"
	if lost != nil {
		what = lost.Error()
	} else if ended != nil {
		what = ended.Error()
	}
	if words := said.words(); words != "" {
		what += "; it said: " + words
	}
	return fmt.Errorf("%s, which brings %s, is over (%s): is the %s plugged in, and free?", command[0], brings, what,
		device)
}

// tail keeps the end of what a program says.
type tail struct {
	mu   sync.Mutex
	kept []byte
}

const keptWords = 400

// Write keeps the last bytes.
func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.kept = append(t.kept, b[max(len(b)-keptWords, 0):]...)
	t.kept = append(t.kept[:0], t.kept[max(len(t.kept)-keptWords, 0):]...)
	return len(b), nil
}

func (t *tail) words() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return strings.Join(strings.Fields(strings.ToValidUTF8(string(t.kept), "")), " ")
}
