package simbench

import (
	"errors"
	"fmt"
	"net"
	"slices"
	"strconv"
)

// Transport is a way to reach an instrument of the bench over TCP.
type Transport string

// The transports.
const (
	Raw    Transport = "raw"
	VXI11  Transport = "vxi11"
	HiSLIP Transport = "hislip"
)

// Transports lists every transport.
var Transports = []Transport{Raw, VXI11, HiSLIP}

// mapperPort is where every client of VXI-11 asks (RFC 1833); only root may listen there.
const mapperPort = 111

// Serving says where and how a bench is served.
type Serving struct {
	// Address is host and port of the first socket. With port 0 each face gets free ports, else they
	// get consecutive ones in the order of Names: eight for raw sockets, then eight for HiSLIP, then
	// two for VXI-11, then the camera's and the microphone's. The product's text output always has a raw socket.
	Address string
	// Transports that are served; none means Raw.
	Transports []Transport
	// Primary is the one that the bench file names; "" means the first of Transports.
	Primary Transport
	// Mapper is the port of VXI-11's port mapper; 0 means 111 where that can be had, else a free one.
	Mapper int
	// Overlap makes the HiSLIP servers prefer overlap mode.
	Overlap bool
}

// network is what belongs to the bench and to no face alone.
type network struct {
	vxi11  *vxi11Server
	mapper int
	closes []func()
}

// close ends the listeners and returns the connections still open. The caller holds the lock.
func (n *network) close() []net.Conn {
	for _, f := range n.closes {
		f()
	}
	n.closes = nil
	if n.vxi11 == nil {
		return nil
	}
	return n.vxi11.open()
}

// Listen opens a raw socket for every face. With port 0 each gets a free port, else they get
// consecutive ones in the order of Names.
func (b *Bench) Listen(address string) error { return b.Serve(Serving{Address: address}) }

// Serve opens the bench to clients over TCP. It is called once.
func (b *Bench) Serve(s Serving) error {
	if len(s.Transports) == 0 {
		s.Transports = []Transport{Raw}
	}
	if s.Primary == "" {
		s.Primary = s.Transports[0]
	}
	if err := s.check(); err != nil {
		return err
	}
	b.mu.Lock()
	b.serving = s
	b.mu.Unlock()
	err := b.serve(s)
	if err != nil {
		b.Close()
		return fmt.Errorf("listening for the simulated %w", err)
	}
	return nil
}

func (s Serving) check() error {
	for _, t := range append(slices.Clone(s.Transports), s.Primary) {
		if !slices.Contains(Transports, t) {
			return fmt.Errorf("the simulated bench has no transport %q; it has %v", t, Transports)
		}
	}
	if !slices.Contains(s.Transports, s.Primary) {
		return fmt.Errorf("the bench file cannot name %s, which is not served", s.Primary)
	}
	return nil
}

func (b *Bench) serve(s Serving) error {
	host, portText, err := net.SplitHostPort(s.Address)
	if err != nil {
		return fmt.Errorf("bench: %w", err)
	}
	first, err := strconv.Atoi(portText)
	if err != nil {
		return fmt.Errorf("bench: port %q is not a number", portText)
	}
	at := func(offset int) string {
		if first == 0 {
			return net.JoinHostPort(host, "0")
		}
		return net.JoinHostPort(host, strconv.Itoa(first+offset))
	}
	for i, name := range Names {
		f := b.faces[name]
		if f.in == nil || slices.Contains(s.Transports, Raw) {
			if f.port, err = b.listen(f, at(i), b.attend); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		if f.in != nil && slices.Contains(s.Transports, HiSLIP) {
			if f.hislip, err = b.listen(f, at(len(Names)+i), newHiSLIPServer(b, f, s.Overlap).attend); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
	}
	if b.config.Camera != nil {
		if err := b.serveCamera(at(2*len(Names) + 2)); err != nil {
			return err
		}
	}
	if b.config.Sound != nil {
		if err := b.serveSound(at(2*len(Names) + 3)); err != nil {
			return err
		}
	}
	if slices.Contains(s.Transports, VXI11) {
		return b.serveVXI11(host, at(2*len(Names)), at(2*len(Names)+1), s.Mapper)
	}
	return nil
}

// listen opens a listener of a face and returns its port.
func (b *Bench) listen(f *face, address string, attend func(*face, net.Conn) bool) (int, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return 0, err
	}
	b.mu.Lock()
	f.listeners = append(f.listeners, l)
	b.mu.Unlock()
	b.running.Go(func() { accept(l, func(c net.Conn) { attend(f, c) }) })
	return l.Addr().(*net.TCPAddr).Port, nil
}

func accept(l net.Listener, attend func(net.Conn)) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		attend(c)
	}
}

// Address returns the open VISA resource string of a face over the primary transport; "" for an
// unknown name.
func (b *Bench) Address(name string) string { return b.AddressOver("", name) }

// AddressOver returns the resource string of a face over a transport; "" where there is none. The
// product's text output has a raw socket only.
func (b *Bench) AddressOver(t Transport, name string) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	f := b.faces[name]
	if f == nil {
		return ""
	}
	if t == "" {
		t = b.serving.Primary
	}
	host := b.reachedAt()
	switch {
	case f.in == nil, t == Raw, t == "":
		return fmt.Sprintf("TCPIP::%s::%d::SOCKET", host, f.port)
	case t == HiSLIP && f.hislip != 0:
		return fmt.Sprintf("TCPIP::%s::hislip0,%d::INSTR", host, f.hislip)
	case t == VXI11 && b.network.mapper == mapperPort:
		return fmt.Sprintf("TCPIP::%s::inst%d::INSTR", host, slices.Index(Names, name))
	case t == VXI11 && b.network.mapper != 0:
		return fmt.Sprintf("TCPIP::%s:%d::inst%d::INSTR", host, b.network.mapper, slices.Index(Names, name))
	}
	return ""
}

// reachedAt is where clients find the bench. The caller holds the lock.
func (b *Bench) reachedAt() string {
	h, _, err := net.SplitHostPort(b.serving.Address)
	if err != nil || h == "" || net.ParseIP(h).IsUnspecified() {
		return "127.0.0.1"
	}
	return h
}

// MapperPort returns where VXI-11's port mapper listens, 0 for nowhere.
func (b *Bench) MapperPort() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.network.mapper
}

// closeLater closes something with the bench.
func (b *Bench) closeLater(f func()) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.closed {
		f()
		return errors.New("bench: it is closed")
	}
	b.network.closes = append(b.network.closes, f)
	return nil
}
