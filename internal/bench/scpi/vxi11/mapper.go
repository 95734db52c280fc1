package vxi11

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strconv"
	"time"

	"provoke/internal/bench/scpi"
)

// MapperPort is where a port mapper listens (RFC 1833).
const MapperPort = 111

// ErrNoServer is wrapped when the port mapper answers that nothing serves VXI-11 there.
var ErrNoServer = errors.New("its port mapper knows of no VXI-11 server")

var (
	errNoProcedure = errors.New("the procedure is not there")
	aLongTimeAgo   = time.Unix(1, 0)
)

// getPort asks the port mapper where the core program listens, over TCP and, where that is refused,
// over UDP: some instruments offer one only.
func getPort(ctx context.Context, host string, mapper int) (int, error) {
	conn, err := scpi.DialTCP(ctx, host, mapper)
	if err != nil {
		if ctx.Err() != nil {
			return 0, fmt.Errorf("asking the port mapper: %w", err)
		}
		port, errUDP := getPortUDP(ctx, host, mapper)
		if errUDP == nil || errors.Is(errUDP, ErrNoServer) {
			return port, errUDP
		}
		return 0, fmt.Errorf("asking the port mapper: %w", err)
	}
	c := newClient(conn, programMapper, mapperVersion)
	defer c.close()
	d, err := c.call(ctx, mapperGetPort, getPortArguments)
	if err != nil {
		return 0, fmt.Errorf("asking the port mapper: %w", err)
	}
	return portOf(d)
}

func getPortArguments(e encoder) encoder {
	const tcp = 6
	return e.uint(programCore, version, tcp, 0)
}

func portOf(d *decoder) (int, error) {
	port := d.uint()
	switch {
	case d.err != nil:
		return 0, fmt.Errorf("asking the port mapper: %w: %w", scpi.ErrGarbage, d.err)
	case port == 0:
		return 0, fmt.Errorf("asking the port mapper: %w", ErrNoServer)
	case port > 65535:
		return 0, fmt.Errorf("asking the port mapper: %w: port %d", scpi.ErrGarbage, port)
	}
	return int(port), nil
}

// getPortUDP asks once; a datagram lost means that the instrument is not reached this way.
func getPortUDP(ctx context.Context, host string, mapper int) (int, error) {
	var dialer net.Dialer
	conn, err := dialer.DialContext(ctx, "udp", net.JoinHostPort(host, strconv.Itoa(mapper)))
	if err != nil {
		return 0, err
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(500 * time.Millisecond))
	stop := context.AfterFunc(ctx, func() { conn.SetDeadline(aLongTimeAgo) })
	defer stop()
	const xid = 0x70726f76
	if _, err := conn.Write(getPortDatagram(xid)); err != nil {
		return 0, err
	}
	buf := make([]byte, 1500)
	n, err := conn.Read(buf)
	if err != nil {
		return 0, err
	}
	d, err := (&client{xid: xid, program: programMapper, version: mapperVersion}).results(buf[:n])
	if err != nil {
		return 0, err
	}
	return portOf(d)
}

// getPortDatagram is the call without the mark of a record (RFC 5531, section 11: only on streams).
func getPortDatagram(xid uint32) []byte {
	return getPortArguments(encoder(nil).uint(xid, 0, 2, programMapper, mapperVersion, mapperGetPort, 0, 0, 0, 0))
}

// Found is an answer to Broadcast.
type Found struct {
	Host string
	Port int // of the core program
}

// Broadcast asks every host that an address of broadcast reaches, from one interface's own address,
// whether it serves VXI-11, and reports each answer until the context ends. It opens no link, so
// it disturbs no instrument. The address is "192.168.1.255" for the interface's network; mapper 0
// means 111.
func Broadcast(ctx context.Context, own, address net.IP, mapper int, found func(Found)) error {
	if mapper == 0 {
		mapper = MapperPort
	}
	conn, err := net.ListenUDP("udp4", &net.UDPAddr{IP: own})
	if err != nil {
		return fmt.Errorf("broadcasting from %v: %w", own, err)
	}
	defer conn.Close()
	stop := context.AfterFunc(ctx, func() { conn.SetReadDeadline(aLongTimeAgo) })
	defer stop()
	const xid = 0x66696e64
	if _, err := conn.WriteToUDP(getPortDatagram(xid), &net.UDPAddr{IP: address, Port: mapper}); err != nil {
		return fmt.Errorf("broadcasting from %v to %v: %w", own, address, err)
	}
	buf := make([]byte, 1500)
	for {
		n, from, err := conn.ReadFromUDP(buf)
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, io.EOF) {
				return nil
			}
			return fmt.Errorf("listening on %v: %w", own, err)
		}
		d, err := (&client{xid: xid, program: programMapper, version: mapperVersion}).results(buf[:n])
		if err != nil {
			continue // some other program's datagram, or a mapper that does not know
		}
		if port, err := portOf(d); err == nil {
			found(Found{from.IP.String(), port})
		}
	}
}
