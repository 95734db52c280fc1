package discovery

import (
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// holder names another program that has a device file open, as far as this user may see; "" for none.
func holder(device string) string {
	real, err := filepath.EvalSymlinks(device)
	if err != nil {
		return ""
	}
	links, _ := filepath.Glob("/proc/[0-9]*/fd/*")
	own := "/proc/" + strconv.Itoa(os.Getpid()) + "/"
	for _, l := range links {
		if strings.HasPrefix(l, own) {
			continue
		}
		if to, err := os.Readlink(l); err == nil && to == real {
			process := strings.Split(l, "/")[2]
			name, _ := os.ReadFile("/proc/" + process + "/comm")
			return strings.TrimSpace(string(name)) + " (process " + process + ")"
		}
	}
	return ""
}
