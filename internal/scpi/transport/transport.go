// Package transport opens an instrument by its resource string, over whatever the string asks for: a
// raw TCP socket, VXI-11, HiSLIP, USBTMC, a serial port, GPIB. It only chooses; the transports are
// its sister packages, what they carry is the business of package scpi.
package transport

import (
	"fmt"
	"time"

	"provoke/internal/scpi"
	"provoke/internal/scpi/serialline"
)

// Options say what a resource string cannot.
type Options struct {
	Line       serialline.Line // of a serial port
	Terminator string          // default "\n"
	// Nonce tells old answers from new where a transport has no connections of its own (a serial
	// port, GPIB behind an adapter); nil means scpi.EventEnable, a zero one waits for Quiet.
	Nonce *scpi.Nonce
	Quiet time.Duration
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
	case scpi.Serial:
		return serialline.Dial(r.Device, serialline.Options{Line: o.Line, Terminator: o.Terminator, Nonce: o.nonce(), Quiet: o.Quiet}), nil
	}
	return nil, fmt.Errorf("address %q asks for %s, which is not built yet", r.Text, r.Kind)
}
