//go:build linux && (386 || amd64 || arm || arm64 || loong64 || riscv64)

package usbtmc

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The kernel's own header is the outside source of the ioctl numbers: the C compiler's preprocessor
// would expand it, but none may be there, so the few lines are read as text.
func TestTheIoctlNumbersAreThoseOfTheKernelsHeader(t *testing.T) {
	header, err := os.ReadFile("/usr/include/linux/usb/tmc.h")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal(err)
		}
		t.Skipf("outside check skipped: %v", err)
	}
	sizes := map[string]uintptr{"__u8": 1, "unsigned char": 1, "__u32": 4}
	defined := map[string]uintptr{}
	for _, line := range strings.Split(string(header), "\n") {
		f := strings.Fields(line)
		if len(f) < 3 || f[0] != "#define" || !strings.Contains(line, "USBTMC_IOC_NR,") {
			continue
		}
		inner := line[strings.Index(line, "(")+1 : strings.LastIndex(line, ")")]
		part := strings.Split(inner, ",")
		var nr uintptr
		for _, c := range strings.TrimSpace(part[1]) {
			nr = 10*nr + uintptr(c-'0')
		}
		n := uintptr(91)<<8 | nr
		if len(part) == 3 {
			n |= sizes[strings.TrimSpace(part[2])] << 16
		}
		switch {
		case strings.Contains(line, "_IOR("):
			n |= 2 << 30
		case strings.Contains(line, "_IOW("):
			n |= 1 << 30
		}
		defined[f[1]] = n
	}
	for r, name := range map[Request]string{Clear: "USBTMC_IOCTL_CLEAR", AbortOut: "USBTMC_IOCTL_ABORT_BULK_OUT",
		AbortIn:    "USBTMC_IOCTL_ABORT_BULK_IN",
		SetTimeout: "USBTMC_IOCTL_SET_TIMEOUT", ReadStatus: "USBTMC488_IOCTL_READ_STB",
		Trigger:      "USBTMC488_IOCTL_TRIGGER",
		InAttributes: "USBTMC_IOCTL_MSG_IN_ATTR", CancelIO: "USBTMC_IOCTL_CANCEL_IO"} {
		if defined[name] == 0 || defined[name] != requests[r].number {
			t.Errorf("%s is %#x in the header, %#x here", name, defined[name], requests[r].number)
		}
	}
}

// sysTree lays out what the kernel shows of one instrument.
func sysTree(t *testing.T) string {
	t.Helper()
	root := t.TempDir()
	iface := filepath.Join(root, "devices/usb1/1-4/1-4:1.0")
	must(t, os.MkdirAll(filepath.Join(iface, "usbmisc/usbtmc0"), 0o755))
	must(t, os.MkdirAll(filepath.Join(root, "class/usbmisc"), 0o755))
	must(t, os.Symlink(iface, filepath.Join(iface, "usbmisc/usbtmc0/device")))
	must(t, os.Symlink(filepath.Join(iface, "usbmisc/usbtmc0"), filepath.Join(root, "class/usbmisc/usbtmc0")))
	for key, value := range map[string]string{"idVendor": "1234\n", "idProduct": "5678\n", "serial": "SN0042\n"} {
		must(t, os.WriteFile(filepath.Join(root, "devices/usb1/1-4", key), []byte(value), 0o644))
	}
	return root
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func TestTheKernelsListingGivesResourceStrings(t *testing.T) {
	got, err := list(sysTree(t))
	if err != nil || len(got) != 1 || got[0].Resource() != "USB0::0x1234::0x5678::SN0042::INSTR" ||
		got[0].Name != "usbtmc0" {
		t.Errorf("%+v, %v", got, err)
	}
	if got, err := list(t.TempDir()); err != nil || len(got) != 0 {
		t.Errorf("without the driver: %v, %v", got, err)
	}
}

func TestADeviceThatIsNotThereIsNamed(t *testing.T) {
	_, err := Dial(0x1234, 0x5678, "NONE", Options{})(t.Context())
	if err == nil || !strings.Contains(err.Error(), `no USB instrument 0x1234, 0x5678 with the serial number "NONE"`) {
		t.Errorf("got %v", err)
	}
}

// A request on a file that is no USB instrument must come back as the driver's refusal, and the call
// itself must be well formed.
func TestTheIoctlReachesTheKernel(t *testing.T) {
	f, err := openFile("/dev/null")
	must(t, err)
	defer f.Close()
	if _, err := f.Do(SetTimeout, 500); err == nil || !strings.Contains(err.Error(), "/dev/null") {
		t.Errorf("got %v", err)
	}
}
