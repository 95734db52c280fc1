package claim

import (
	"errors"
	"strconv"

	"golang.org/x/sys/windows"
)

// startOf returns when a process was started, in 100 ns since 1601. One that has ended stays in the system's
// tables for as long as anybody has a handle of it; it is no process any more.
func startOf(pid int) (string, error) {
	h, err := windows.OpenProcess(windows.PROCESS_QUERY_LIMITED_INFORMATION|windows.SYNCHRONIZE, false, uint32(pid))
	if err != nil {
		return "", err
	}
	defer windows.CloseHandle(h)
	if state, err := windows.WaitForSingleObject(h, 0); err == nil && state == windows.WAIT_OBJECT_0 {
		return "", errors.New("it has ended")
	}
	var made, ended, kernel, user windows.Filetime
	if err := windows.GetProcessTimes(h, &made, &ended, &kernel, &user); err != nil {
		return "", err
	}
	return strconv.FormatInt(int64(made.HighDateTime)<<32|int64(made.LowDateTime), 10), nil
}
