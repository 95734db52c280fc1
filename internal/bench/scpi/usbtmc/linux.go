//go:build linux && (386 || amd64 || arm || arm64 || loong64 || riscv64)

package usbtmc

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"provoke/internal/bench/scpi"
)

var (
	errTimedOut error = unix.ETIMEDOUT
	errGone     error = unix.ENODEV
)

// Numbers of the driver's ioctl (Linux, include/uapi/linux/usb/tmc.h), put together as
// asm-generic/ioctl.h does on the processors named above.
const (
	group = 91 << 8
	takes = 1 << 30 // the driver takes the argument (_IOW)
	gives = 2 << 30 // the driver gives the argument (_IOR)
)

type request struct {
	number uintptr
	size   int // of its argument in bytes
}

var requests = map[Request]request{
	Clear:        {group | 2, 0},
	AbortOut:     {group | 3, 0},
	AbortIn:      {group | 4, 0},
	SetTimeout:   {takes | 4<<16 | group | 10, 4},
	ReadStatus:   {gives | 1<<16 | group | 18, 1},
	Trigger:      {group | 22, 0},
	InAttributes: {gives | 1<<16 | group | 24, 1},
	CancelIO:     {group | 35, 0},
}

// kernelFile is a device file of the driver. It is used by file descriptor and not through package os,
// whose Close would wait for a read that the driver is in.
type kernelFile struct {
	fd   int
	name string
}

func openFile(name string) (File, error) {
	fd, err := unix.Open(name, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	return kernelFile{fd, name}, nil
}

func (f kernelFile) Read(p []byte) (int, error) {
	n, err := unix.Read(f.fd, p)
	if err != nil {
		return 0, f.fail(err)
	}
	return n, nil
}

func (f kernelFile) Write(p []byte) (int, error) {
	n, err := unix.Write(f.fd, p)
	if err != nil {
		return 0, f.fail(err)
	}
	return n, nil
}

func (f kernelFile) fail(err error) error { return &fs.PathError{Op: "use", Path: f.name, Err: err} }

func (f kernelFile) Close() error { return unix.Close(f.fd) }

func (f kernelFile) Do(r Request, value uint32) (uint32, error) {
	q := requests[r]
	var argument unsafe.Pointer
	byteValue := byte(value)
	switch q.size {
	case 1:
		argument = unsafe.Pointer(&byteValue)
	case 4:
		argument = unsafe.Pointer(&value)
	}
	if _, _, e := unix.Syscall(unix.SYS_IOCTL, uintptr(f.fd), q.number, uintptr(argument)); e != 0 {
		return 0, f.fail(e)
	}
	if q.size == 1 {
		return uint32(byteValue), nil
	}
	return value, nil
}

// List returns the devices that the driver knows, by the kernel's own listing.
func List() ([]Device, error) { return list("/sys") }

func list(sys string) ([]Device, error) {
	names, err := filepath.Glob(filepath.Join(sys, "class/usbmisc/usbtmc*"))
	if err != nil {
		return nil, fmt.Errorf("listing USB instruments: %w", err)
	}
	var out []Device
	for _, n := range names {
		// device leads to the interface; what the device says of itself stands one above
		at, err := filepath.EvalSymlinks(filepath.Join(n, "device"))
		if err != nil {
			continue // unplugged meanwhile
		}
		read := func(key string) string {
			data, _ := os.ReadFile(filepath.Join(filepath.Dir(at), key))
			return strings.TrimSpace(string(data))
		}
		out = append(out, Device{filepath.Base(n), hexadecimal(read("idVendor")), hexadecimal(read("idProduct")),
			read("serial")})
	}
	return out, nil
}

func hexadecimal(s string) uint16 {
	n, _ := strconv.ParseUint(s, 16, 16)
	return uint16(n)
}

// Dial returns a Dial for the device with these numbers.
func Dial(vendor, product uint16, serial string, o Options) scpi.Dial {
	return func(ctx context.Context) (scpi.Port, error) {
		devices, err := List()
		if err != nil {
			return nil, err
		}
		for _, d := range devices {
			if d.Vendor == vendor && d.Product == product && strings.EqualFold(d.SerialNumber, serial) {
				return open(ctx, d, o)
			}
		}
		return nil, absent(vendor, product, serial, devices)
	}
}

func open(ctx context.Context, d Device, o Options) (scpi.Port, error) {
	f, err := openFile("/dev/" + d.Name)
	if err != nil {
		if errors.Is(err, fs.ErrPermission) {
			err = fmt.Errorf("%w: this user may not use it; a udev rule gives the right", err)
		}
		return nil, err
	}
	return New(ctx, f, o)
}

func absent(vendor, product uint16, serial string, devices []Device) error {
	var there []string
	for _, d := range devices {
		there = append(there, d.Resource())
	}
	what := "the kernel's usbtmc driver knows of none"
	if len(there) > 0 {
		what = "there are " + strings.Join(there, ", ")
	}
	return fmt.Errorf("no USB instrument 0x%04X, 0x%04X with the serial number %q: %s", vendor, product, serial, what)
}
