package resource

import (
	"strings"
	"testing"
)

func TestResourceStrings(t *testing.T) {
	// VPP-4.3, section 4.3, tables of the resource string's grammar.
	for _, c := range []struct {
		text   string
		kind   Kind
		host   string
		port   int
		device string
		bad    string
	}{
		{"TCPIP::127.0.0.1::5025::SOCKET", Socket, "127.0.0.1", 5025, "", ""},
		{"tcpip0::generator.local::5025::socket", Socket, "generator.local", 5025, "", ""},
		{"TCPIP::[::1]::5025::SOCKET", Socket, "::1", 5025, "", ""},
		{"TCPIP0::192.0.2.7::INSTR", VXI11, "192.0.2.7", 0, "inst0", ""},
		{"TCPIP::192.0.2.7::inst0::INSTR", VXI11, "192.0.2.7", 0, "inst0", ""},
		{"TCPIP::192.0.2.7", VXI11, "192.0.2.7", 0, "inst0", ""},
		{"TCPIP::192.0.2.7::hislip0::INSTR", HiSLIP, "192.0.2.7", 0, "hislip0", ""},
		{"TCPIP::192.0.2.7::hislip0,4880::INSTR", HiSLIP, "192.0.2.7", 4880, "hislip0", ""},
		{"TCPIP::192.0.2.7::hislip0,0::INSTR", "", "", 0, "", "between 1 and 65535"},
		{"TCPIP::192.0.2.7::gpib0,9::INSTR", VXI11, "192.0.2.7", 0, "gpib0,9", ""},
		{"TCPIP::127.0.0.1:1111::inst3::INSTR", VXI11, "127.0.0.1", 1111, "inst3", ""},
		{"TCPIP::[::1]:1111::inst3::INSTR", VXI11, "::1", 1111, "inst3", ""},
		{"TCPIP::[::1]::inst0::INSTR", VXI11, "::1", 0, "inst0", ""},
		{"TCPIP::127.0.0.1:x::inst3::INSTR", "", "", 0, "", "port mapper's port"},
		{"USB0::maker::0x0588::SN123::INSTR", "", "", 0, "", "is not the number of a maker"},
		{"GPIB0::31::INSTR", "", "", 0, "", "between 0 and 30"},
		{"USB0::0x1AB1::0x0588::SN123::INSTR", USB, "", 0, "", ""},
		{"USB::0x1AB1::0x0588::SN123::0::INSTR", USB, "", 0, "", ""},
		{"GPIB0::9::INSTR", GPIB, "", 0, "", ""},
		{"GPIB::9::3::INSTR", GPIB, "", 0, "", ""},
		{"ASRL3::INSTR", Serial, "", 0, "COM3", ""},
		{"ASRL/dev/ttyUSB0::INSTR", Serial, "", 0, "/dev/ttyUSB0", ""},
		{"ASRLCOM7", Serial, "", 0, "COM7", ""},
		{"TCPIP::127.0.0.1::0::SOCKET", "", "", 0, "", "between 1 and 65535"},
		{"TCPIP::127.0.0.1::x::SOCKET", "", "", 0, "", "between 1 and 65535"},
		{"TCPIP::127.0.0.1::SOCKET", "", "", 0, "", "a host and a port"},
		{"TCPIP::::5025::SOCKET", "", "", 0, "", "no host"},
		{"TCPIP", "", "", 0, "", "no host"},
		{"127.0.0.1:5025", "", "", 0, "", "begins with none"},
		{"http://192.0.2.7", "", "", 0, "", "web address"},
		{"TCPIPX::a::1::SOCKET", "", "", 0, "", "begins with none"},
		{"ASRL::INSTR", "", "", 0, "", "no port is named"},
		{"GPIB", "", "", 0, "", "number of parts"},
		{"", "", "", 0, "", "begins with none"},
	} {
		r, err := Parse(c.text)
		if c.bad != "" {
			if err == nil || !strings.Contains(err.Error(), c.bad) {
				t.Errorf("%q: %v, want an error with %q", c.text, err, c.bad)
			}
			continue
		}
		if err != nil || r.Kind != c.kind || r.Host != c.host || r.Port != c.port || r.Device != c.device {
			t.Errorf("%q: %+v, %v", c.text, r, err)
		}
	}
}

func TestUSBAndGPIBAddressesTellTheirNumbers(t *testing.T) {
	u, err := Parse("USB0::0x1234::22136::SN::123::INSTR")
	if err != nil || u.Vendor != 0x1234 || u.Product != 0x5678 || u.SerialNumber != "SN" {
		t.Errorf("%+v, %v", u, err)
	}
	g, err := Parse("GPIB1::9::3::INSTR")
	if err != nil || g.Board != 1 || g.Primary != 9 || g.Secondary != 3 {
		t.Errorf("%+v, %v", g, err)
	}
	if g, err = Parse("GPIB::9"); err != nil || g.Board != 0 || g.Primary != 9 || g.Secondary != -1 {
		t.Errorf("%+v, %v", g, err)
	}
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"TCPIP::[::1]::5025::SOCKET", "ASRL1", "USB0::1::2::3::INSTR", "GPIB0::9",
		"TCPIP::a:1::gpib0,9::INSTR"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := Parse(s)
		if err == nil && r.Kind == "" {
			t.Errorf("%q has no kind", s)
		}
		if r.Port < 0 || r.Port > 65535 {
			t.Errorf("%q has the port %d", s, r.Port)
		}
	})
}
