// Package transport opens an instrument by its resource string, over whatever the string asks for: a
// raw TCP socket, VXI-11, HiSLIP, USBTMC, a serial port, GPIB. It only chooses; the transports are
// its sister packages, what they carry is the business of package scpi.
package transport

import (
	"context"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/gpiblan"
	"provoke/internal/bench/scpi/hislip"
	"provoke/internal/bench/scpi/serialline"
	"provoke/internal/bench/scpi/usbtmc"
	"provoke/internal/bench/scpi/vxi11"
	"provoke/internal/files/resource"
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
	// Through is the address of the adapter that leads to a GPIB bus.
	Through string
	// EOIOnly says that a GPIB instrument ends an answer with EOI and no terminator.
	EOIOnly bool
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

// Opener opens addresses. Instruments behind one GPIB adapter must be opened by the same Opener,
// because they share the adapter's one connection. The zero value is ready.
type Opener struct {
	mu       sync.Mutex
	adapters map[string]*gpiblan.Adapter // by the adapter's address
}

// Dial returns the function that opens an address. It reaches for nothing yet.
func (p *Opener) Dial(address string, o Options) (scpi.Dial, error) {
	r, err := resource.Parse(address)
	if err != nil {
		return nil, err
	}
	switch r.Kind {
	case resource.Socket:
		return scpi.TCP(r.Host, r.Port), nil
	case resource.VXI11:
		return vxi11.Dial(vxi11.Options{Host: r.Host, MapperPort: r.Port, Device: r.Device, Terminator: o.mark(),
			KeepInput: o.KeepInput}), nil
	case resource.HiSLIP:
		return hislip.Dial(hislip.Options{Host: r.Host, Port: r.Port, SubAddress: r.Device, Terminator: o.mark()}), nil
	case resource.USB:
		return usbtmc.Dial(r.Vendor, r.Product, r.SerialNumber, usbtmc.Options{KeepInput: o.KeepInput}), nil
	case resource.Serial:
		return serialline.Dial(r.Device, serialline.Options{Line: o.Line, Terminator: o.Terminator, Nonce: o.nonce(),
			Quiet: o.Quiet}), nil
	}
	return p.gpib(r, o)
}

// gpib finds the adapter that leads to the bus.
func (p *Opener) gpib(r resource.Resource, o Options) (scpi.Dial, error) {
	if o.Through == "" {
		return nil,
			fmt.Errorf("address %q: no adapter is named that leads to the GPIB bus; give the address of one that "+
				"takes ++ commands "+
				"(through: TCPIP::host::%d::SOCKET), or write a VXI-11 gateway as TCPIP::host::gpib0,%d::INSTR",
				r.Text, gpiblan.Port, r.Primary)
	}
	by, err := resource.Parse(o.Through)
	if err != nil {
		return nil, fmt.Errorf("the adapter of %s: %w", r.Text, err)
	}
	var open func(context.Context) (io.ReadWriteCloser, error)
	switch by.Kind {
	case resource.Socket:
		open = func(ctx context.Context) (io.ReadWriteCloser, error) { return scpi.DialTCP(ctx, by.Host, by.Port) }
	case resource.Serial:
		open = func(context.Context) (io.ReadWriteCloser, error) { return serialline.Open(by.Device, o.Line) }
	default:
		return nil,
			fmt.Errorf("the adapter of %s at %q: an adapter with ++ commands has a raw socket or a serial port, not %s",
				r.Text, by.Text, by.Kind)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	key := strings.ToUpper(by.Text)
	if p.adapters == nil {
		p.adapters = map[string]*gpiblan.Adapter{}
	}
	if p.adapters[key] == nil {
		p.adapters[key] = &gpiblan.Adapter{Open: open}
	}
	return p.adapters[key].Dial(gpiblan.Options{Primary: r.Primary, Secondary: r.Secondary, Terminator: o.Terminator,
		Nonce: o.nonce(), KeepInput: o.KeepInput, Quiet: o.Quiet, Unmarked: o.Unmarked, EOIOnly: o.EOIOnly}), nil
}
