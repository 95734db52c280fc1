// Package resource reads the open resource strings by which an instrument is addressed, in the forms of
// VPP-4.3 (VISA), section 4.3. It reaches for nothing: package scpi's transports open what it reads,
// package catalog checks bench files with it.
package resource

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

// Resource is a parsed resource string.
type Resource struct {
	Text string
	Kind Kind
	Host string // Socket, VXI11, HiSLIP
	// Port is the socket's, HiSLIP's (0: 4880), or that of the port mapper of VXI-11 (0: 111).
	Port int
	// Device is the port's name of Serial ("COM3", "/dev/ttyUSB0"), the device behind VXI11 ("inst0",
	// "gpib0,9") or the sub-address of HiSLIP ("hislip0").
	Device string

	Vendor, Product uint16 // USB
	SerialNumber    string // USB

	Board, Primary int // GPIB
	Secondary      int // GPIB; -1 for none
}

// Forms lists the resource strings that are understood, for hints.
const Forms = "TCPIP::host::port::SOCKET, TCPIP::host::inst0::INSTR (VXI-11), TCPIP::host::hislip0::INSTR (HiSLIP), " +
	"USB::0x1234::0x5678::serial::INSTR, ASRL/dev/ttyUSB0::INSTR or ASRL3::INSTR, GPIB0::9::INSTR"

// Parse reads a resource string. Two things go beyond VPP-4.3: a host of a VXI-11 address may
// carry the port of its port mapper (TCPIP::127.0.0.1:1111::inst0::INSTR), and a serial port may
// be named (ASRL/dev/ttyUSB0::INSTR).
func Parse(text string) (Resource, error) {
	r := Resource{Text: strings.TrimSpace(text), Secondary: -1}
	parts := splitResource(r.Text)
	head := strings.ToUpper(parts[0])
	if last := len(parts) - 1; last > 0 && strings.EqualFold(parts[last], "INSTR") && !boarded(head, "TCPIP") {
		parts = parts[:last]
	}
	switch {
	case boarded(head, "TCPIP"):
		return r.tcpip(parts)
	case boarded(head, "USB"):
		return r.usb(parts)
	case boarded(head, "GPIB"):
		return r.gpib(head, parts)
	case strings.HasPrefix(head, "ASRL"):
		return r.asrl(parts)
	}
	if strings.Contains(r.Text, "://") {
		return r, r.wrong("that is a web address, not a resource string")
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

func (r Resource) tcpip(parts []string) (Resource, error) {
	if len(parts) < 2 || strings.TrimSpace(parts[1]) == "" {
		return r, r.wrong("no host is named")
	}
	last := strings.ToUpper(parts[len(parts)-1])
	switch {
	case last == "SOCKET" && len(parts) == 4:
		return r.socket(parts)
	case last == "SOCKET":
		return r, r.wrong("a socket needs a host and a port")
	case last == "INSTR" && len(parts) <= 4, len(parts) <= 3:
	default:
		return r, r.wrong("it ends in neither SOCKET nor INSTR")
	}
	r.Device = "inst0"
	if len(parts) >= 3 && !strings.EqualFold(parts[2], "INSTR") {
		r.Device = parts[2]
	}
	if strings.HasPrefix(strings.ToUpper(r.Device), "HISLIP") {
		return r.hislip(parts[1])
	}
	return r.vxi11(parts[1])
}

func (r Resource) socket(parts []string) (Resource, error) {
	port, ok := portNumber(parts[2])
	if !ok {
		return r, r.wrong(fmt.Sprintf("port %q is not between 1 and 65535", parts[2]))
	}
	r.Kind, r.Host, r.Port = Socket, strings.Trim(parts[1], "[]"), port
	return r, nil
}

// hislip reads "hislip0" or "hislip0,4880".
func (r Resource) hislip(host string) (Resource, error) {
	name, port, given := strings.Cut(r.Device, ",")
	r.Kind, r.Host, r.Device = HiSLIP, strings.Trim(host, "[]"), name
	if given {
		var ok bool
		if r.Port, ok = portNumber(port); !ok {
			return r, r.wrong(fmt.Sprintf("port %q is not between 1 and 65535", port))
		}
	}
	return r, nil
}

func (r Resource) vxi11(host string) (Resource, error) {
	r.Kind, r.Host = VXI11, strings.Trim(host, "[]")
	if name, port, given := cutPort(host); given {
		var ok bool
		if r.Port, ok = portNumber(port); !ok {
			return r, r.wrong(fmt.Sprintf("the port mapper's port %q is not between 1 and 65535", port))
		}
		r.Host = strings.Trim(name, "[]")
	}
	return r, nil
}

// cutPort splits "host:port" and "[::1]:port".
func cutPort(host string) (name, port string, given bool) {
	i := strings.LastIndexByte(host, ':')
	if i < 0 || strings.HasSuffix(host, "]") {
		return host, "", false
	}
	return host[:i], host[i+1:], true
}

func portNumber(text string) (int, bool) {
	n, err := strconv.Atoi(strings.TrimSpace(text))
	return n, err == nil && n >= 1 && n <= 65535
}

// usb reads USB[board]::vendor::product::serial[::interface].
func (r Resource) usb(parts []string) (Resource, error) {
	if len(parts) != 4 && len(parts) != 5 {
		return r, r.parts(USB)
	}
	for i, into := range []*uint16{&r.Vendor, &r.Product} {
		n, err := strconv.ParseUint(strings.TrimSpace(parts[1+i]), 0, 16)
		if err != nil {
			return r, r.wrong(fmt.Sprintf("%q is not the number of a maker or product, which is written like 0x1234",
				parts[1+i]))
		}
		*into = uint16(n)
	}
	r.Kind, r.SerialNumber = USB, parts[3]
	return r, nil
}

// gpib reads GPIB[board]::primary[::secondary].
func (r Resource) gpib(head string, parts []string) (Resource, error) {
	if len(parts) != 2 && len(parts) != 3 {
		return r, r.parts(GPIB)
	}
	r.Board, _ = strconv.Atoi(strings.TrimPrefix(head, "GPIB"))
	for i, into := range []*int{&r.Primary, &r.Secondary} {
		if 1+i >= len(parts) {
			break
		}
		n, err := strconv.Atoi(strings.TrimSpace(parts[1+i]))
		if err != nil || n < 0 || n > 30 {
			return r, r.wrong(fmt.Sprintf("bus address %q is not between 0 and 30", parts[1+i]))
		}
		*into = n
	}
	r.Kind = GPIB
	return r, nil
}

// asrl reads ASRL with a number or the name of a port behind it.
func (r Resource) asrl(parts []string) (Resource, error) {
	r.Device = serialDevice(parts[0][len("ASRL"):])
	if r.Device == "" {
		return r, r.wrong("no port is named, as in ASRL/dev/ttyUSB0::INSTR or ASRL3::INSTR")
	}
	if len(parts) != 1 {
		return r, r.parts(Serial)
	}
	r.Kind = Serial
	return r, nil
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

func (r Resource) parts(k Kind) error {
	return r.wrong("it has not the number of parts that a " + string(k) + " address has")
}

func (r Resource) wrong(why string) error {
	return fmt.Errorf("address %q: %s (addresses are written %s)", r.Text, why, Forms)
}
