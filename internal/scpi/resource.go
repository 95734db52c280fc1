package scpi

import (
	"fmt"
	"strconv"
	"strings"
)

// Kind of connection that a resource string asks for.
type Kind string

// The kinds of connection.
const (
	Socket Kind = "raw TCP socket"
	VXI11  Kind = "VXI-11"
	HiSLIP Kind = "HiSLIP"
	USB    Kind = "USBTMC"
	Serial Kind = "serial port"
	GPIB   Kind = "GPIB"
)

// Resource is a parsed resource string, in the open forms of VPP-4.3 (VISA), section 4.3.
type Resource struct {
	Text   string
	Kind   Kind
	Host   string // Socket, VXI11, HiSLIP
	Port   int    // Socket
	Device string // Serial: the port's name, e.g. "COM3" or "/dev/ttyUSB0"
}

// Forms lists the resource strings that are understood, for hints.
const Forms = "TCPIP::host::port::SOCKET"

// ParseResource reads a resource string. Forms whose transport is not built yet parse without an
// error; Resource.Dial answers ErrNotBuilt for them.
func ParseResource(text string) (Resource, error) {
	r := Resource{Text: strings.TrimSpace(text)}
	parts := splitResource(r.Text)
	head := strings.ToUpper(parts[0])
	switch {
	case boarded(head, "TCPIP"):
		return r.tcpip(parts)
	case boarded(head, "USB"):
		return r.only(USB, parts, 4, 6)
	case boarded(head, "GPIB"):
		return r.only(GPIB, parts, 2, 4)
	case strings.HasPrefix(head, "ASRL"):
		r.Device = serialDevice(parts[0][len("ASRL"):])
		if r.Device == "" {
			return r, r.wrong("no port is named, as in ASRL/dev/ttyUSB0::INSTR or ASRL3::INSTR")
		}
		return r.only(Serial, parts, 1, 2)
	}
	return r, r.wrong("it begins with none of TCPIP, USB, GPIB, ASRL")
}

// splitResource splits at "::" outside brackets, which hold an IPv6 address.
func splitResource(text string) []string {
	var parts []string
	start, depth := 0, 0
	for i := 0; i < len(text); i++ {
		switch {
		case text[i] == '[':
			depth++
		case text[i] == ']':
			depth--
		case depth == 0 && strings.HasPrefix(text[i:], "::"):
			parts = append(parts, text[start:i])
			i++
			start = i + 1
		}
	}
	return append(parts, text[start:])
}

func boarded(head, name string) bool {
	number, ok := strings.CutPrefix(head, name)
	return ok && strings.Trim(number, "0123456789") == ""
}

// serialDevice turns the number of a port into its name; a name stays what it is.
func serialDevice(s string) string {
	if n, err := strconv.Atoi(s); err == nil && n > 0 {
		return "COM" + s
	}
	if strings.Trim(s, "0123456789") == "" {
		return ""
	}
	return s
}

func (r Resource) tcpip(parts []string) (Resource, error) {
	if len(parts) < 2 || strings.TrimSpace(parts[1]) == "" {
		return r, r.wrong("no host is named")
	}
	r.Host = strings.Trim(parts[1], "[]")
	last := strings.ToUpper(parts[len(parts)-1])
	switch {
	case last == "SOCKET" && len(parts) == 4:
		port, err := strconv.Atoi(parts[2])
		if err != nil || port < 1 || port > 65535 {
			return r, r.wrong(fmt.Sprintf("port %q is not between 1 and 65535", parts[2]))
		}
		r.Kind, r.Port = Socket, port
		return r, nil
	case last == "SOCKET":
		return r, r.wrong("a socket needs a host and a port")
	case len(parts) >= 3 && strings.HasPrefix(strings.ToUpper(parts[2]), "HISLIP"):
		r.Kind = HiSLIP
		return r, nil
	case last == "INSTR" && len(parts) <= 4, len(parts) <= 3:
		r.Kind = VXI11
		return r, nil
	}
	return r, r.wrong("it ends in neither SOCKET nor INSTR")
}

func (r Resource) only(k Kind, parts []string, least, most int) (Resource, error) {
	if strings.ToUpper(parts[len(parts)-1]) == "INSTR" {
		most++
	}
	if len(parts) < least || len(parts) > most {
		return r, r.wrong("it has not the number of parts that a " + string(k) + " address has")
	}
	r.Kind = k
	return r, nil
}

func (r Resource) wrong(why string) error {
	return fmt.Errorf("address %q: %s (a raw socket is written %s)", r.Text, why, Forms)
}

// Dial returns the function that opens the resource, or an error that matches ErrNotBuilt.
func (r Resource) Dial() (Dial, error) {
	if r.Kind == Socket {
		return TCP(r.Host, r.Port), nil
	}
	return nil, fmt.Errorf("address %q asks for %s, which is %w; most instruments also listen on a raw socket, written %s", r.Text, r.Kind, ErrNotBuilt, Forms)
}
