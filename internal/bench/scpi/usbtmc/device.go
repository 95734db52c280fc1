package usbtmc

import (
	"errors"
	"fmt"
)

// ErrLinuxOnly is what List and Dial answer on other systems.
var ErrLinuxOnly = errors.New("USB instruments (USBTMC) are built for Linux only; use the instrument's LAN or serial " +
	"port here")

// Device is one that the driver knows.
type Device struct {
	Name            string // "usbtmc0"
	Vendor, Product uint16
	SerialNumber    string
}

// Resource is the device's resource string.
func (d Device) Resource() string {
	return fmt.Sprintf("USB0::0x%04X::0x%04X::%s::INSTR", d.Vendor, d.Product, d.SerialNumber)
}
