package claim

import (
	"bytes"
	"fmt"
	"os"
	"strings"
)

// startOf returns when a process was started, in ticks since the machine was: field 22 of its stat
// (proc_pid_stat(5)), counted behind the name, which may hold anything.
func startOf(pid int) (string, error) {
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return "", err
	}
	const start = 22 - 3 // the first field behind the name is the third
	fields := strings.Fields(string(data[bytes.LastIndexByte(data, ')')+1:]))
	if len(fields) <= start {
		return "", fmt.Errorf("its stat has %d fields", len(fields))
	}
	return fields[start], nil
}
