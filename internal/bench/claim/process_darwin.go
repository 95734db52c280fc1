package claim

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// startOf returns when a process was started, by the wall clock at that time.
func startOf(pid int) (string, error) {
	k, err := unix.SysctlKinfoProc("kern.proc.pid", pid)
	if err != nil {
		return "", err
	}
	if int(k.Proc.P_pid) != pid {
		return "", fmt.Errorf("there is no process %d", pid)
	}
	t := k.Proc.P_starttime
	return fmt.Sprintf("%d.%06d", t.Sec, t.Usec), nil
}
