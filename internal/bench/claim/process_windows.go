package claim

import (
	"strconv"

	"golang.org/x/sys/windows"
)

// startOf returns when a process was started, in 100 ns since 1601.
func startOf(pid int) (string, error) {
	h, err := windows.OpenProcess(windows.PROCESS_QUERY_LIMITED_INFORMATION, false, uint32(pid))
	if err != nil {
		return "", err
	}
	defer windows.CloseHandle(h)
	var made, ended, kernel, user windows.Filetime
	if err := windows.GetProcessTimes(h, &made, &ended, &kernel, &user); err != nil {
		return "", err
	}
	return strconv.FormatInt(int64(made.HighDateTime)<<32|int64(made.LowDateTime), 10), nil
}
