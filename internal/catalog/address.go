package catalog

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

// ErrNotBuilt is wrapped by CheckAddress for a resource string that is well formed but whose
// transport this version cannot speak.
var ErrNotBuilt = errors.New("this connection is not built yet; a raw socket (TCPIP::host::port::SOCKET) is")

// notBuilt are the other open forms of VPP-4.3 (VISA) resource strings.
var notBuilt = []struct {
	name    string
	pattern *regexp.Regexp
}{
	{"VXI-11 or HiSLIP", regexp.MustCompile(`(?i)^TCPIP\d*::[^:\s]+(::[^:\s]+)?(::INSTR)?$`)},
	{"GPIB", regexp.MustCompile(`(?i)^GPIB\d*::\d+(::\d+)?(::INSTR)?$`)},
	{"USB", regexp.MustCompile(`(?i)^USB\d*(::[^:\s]+){3,4}(::INSTR)?$`)},
	{"VXI", regexp.MustCompile(`(?i)^(VXI|GPIB-VXI|PXI)\d*::.+$`)},
}

var (
	socketPattern = regexp.MustCompile(`(?i)^TCPIP\d*::(\[[0-9a-f:.%]+\]|[^:\s\[\]]+)::([^:\s]+)::SOCKET$`)
	serialPattern = regexp.MustCompile(`(?i)^ASRL(\d+|[^:\s]+)(::INSTR)?$`)
	linePattern   = regexp.MustCompile(`^[1-9]\d{1,6} [5-8][NEO][12]$`)
)

// CheckAddress checks the form of a resource string and returns what kind it is: "socket",
// "serial", or the name of a transport together with ErrNotBuilt. It reaches for nothing.
func CheckAddress(address string) (kind string, err error) {
	if m := socketPattern.FindStringSubmatch(address); m != nil {
		if port, err := strconv.Atoi(m[2]); err != nil || port < 1 || port > 65535 {
			return "", fmt.Errorf("address %q: port %q is not between 1 and 65535", address, m[2])
		}
		return "socket", nil
	}
	if serialPattern.MatchString(address) {
		return "serial", nil
	}
	for _, f := range notBuilt {
		if f.pattern.MatchString(address) {
			return f.name, fmt.Errorf("address %q: %w", address, ErrNotBuilt)
		}
	}
	what := "is not a resource string"
	if strings.Contains(address, "://") {
		what = "is a web address, not a resource string"
	}
	return "", fmt.Errorf("address %q %s (want TCPIP::host::port::SOCKET)", address, what)
}
