// Package transport opens an instrument by its resource string, over whatever the string asks for: a
// raw TCP socket, VXI-11, HiSLIP, USBTMC, a serial port, GPIB. It only chooses; the transports are
// its sister packages, what they carry is the business of package scpi.
package transport

import (
	"fmt"
	"time"

	"provoke/internal/scpi"
	"provoke/internal/scpi/hislip"
	"provoke/internal/scpi/serialline"
	"provoke/internal/scpi/vxi11"
)

// Options say what a resource string cannot.
type Options struct {
	Line       serialline.Line // of a serial port
	Terminator string          // default "\n"
	// Nonce tells old answers from new where a transport has no connections of its own (a serial
	// port, GPIB behind an adapter); nil means scpi.EventEnable, a zero one waits for Quiet.
	Nonce *scpi.Nonce
	Quiet time.Duration
	// Unmarked says that the instrument marks no end of an answer (no EOI, no END): its terminator
	// ends it.
	Unmarked bool
	// KeepInput leaves out the device clear at the beginning; for an instrument from before
	// IEEE 488.2 that takes a clear for a preset.
	KeepInput bool
}

// mark is the byte that ends an answer of an instrument that does not mark its end; 0 for none.
func (o Options) mark() byte {
	switch {
	case !o.Unmarked:
		return 0
	case o.Terminator == "":
		return '\n'
	}
	return o.Terminator[len(o.Terminator)-1]
}

func (o Options) nonce() scpi.Nonce {
	if o.Nonce == nil {
		return scpi.EventEnable
	}
	return *o.Nonce
}

// Dial returns the function that opens an address. It reaches for nothing yet.
func Dial(address string, o Options) (scpi.Dial, error) {
	r, err := scpi.ParseResource(address)
	if err != nil {
		return nil, err
	}
	switch r.Kind {
	case scpi.Socket:
		return scpi.TCP(r.Host, r.Port), nil
	case scpi.VXI11:
		return vxi11.Dial(vxi11.Options{Host: r.Host, MapperPort: r.Port, Device: r.Device, Terminator: o.mark(), KeepInput: o.KeepInput}), nil
	case scpi.HiSLIP:
		return hislip.Dial(hislip.Options{Host: r.Host, Port: r.Port, SubAddress: r.Device, Terminator: o.mark()}), nil
	case scpi.Serial:
		return serialline.Dial(r.Device, serialline.Options{Line: o.Line, Terminator: o.Terminator, Nonce: o.nonce(), Quiet: o.Quiet}), nil
	}
	return nil, fmt.Errorf("address %q asks for %s, which is not built yet", r.Text, r.Kind)
}
