package dut

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"golang.org/x/net/icmp"
	"golang.org/x/net/ipv4"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

const pingLimit = time.Second

// echo asks a host for an echo (ICMP, RFC 792) and counts what comes back: silence is the upset.
type echo struct {
	worker
	address net.IP
	raw     bool // the system gives no unprivileged socket for echoes
	conn    *icmp.PacketConn
	number  int
}

// Start finds the host, opens the socket and asks once.
func (e *echo) Start(ctx context.Context, deliver func(Sample)) error {
	if err := e.open(ctx); err != nil {
		return fmt.Errorf("monitor %s: %w", e.spec.ID, err)
	}
	if _, err := e.ask(ctx); err != nil {
		e.conn.Close()
		return fmt.Errorf("monitor %s: %w", e.spec.ID, err)
	}
	return e.start(ctx, deliver, func(ctx context.Context) {
		defer e.conn.Close()
		stop := context.AfterFunc(ctx, func() { e.conn.SetReadDeadline(time.Now()) })
		defer stop()
		e.every(ctx, e.spec.Period().Std(), e.look)
	})
}

func (e *echo) open(ctx context.Context) error {
	all, err := net.DefaultResolver.LookupIP(ctx, "ip4", e.spec.Host)
	if err != nil || len(all) == 0 {
		return fmt.Errorf("find the host %s: %w", e.spec.Host, errorOr(err, "it has no IPv4 address"))
	}
	e.address = all[0]
	if e.conn, err = icmp.ListenPacket("udp4", "0.0.0.0"); err == nil {
		return nil
	}
	raw, rawErr := icmp.ListenPacket("ip4:icmp", "0.0.0.0")
	if rawErr != nil {
		return fmt.Errorf("this system lets only an administrator send echoes (%w); a monitor of kind command can run the system's own ping", errors.Join(err, rawErr))
	}
	e.conn, e.raw = raw, true
	return nil
}

func (e *echo) look(ctx context.Context) {
	took, err := e.ask(ctx)
	// No reply is no sample: the limit of silence says how long that may last.
	if err == nil && ctx.Err() == nil {
		e.sample(Sample{Text: fmt.Sprintf("reply after %v", rf.Duration(took.Round(time.Microsecond)))})
	}
}

// ask sends one echo and waits for its reply.
func (e *echo) ask(ctx context.Context) (time.Duration, error) {
	e.number = (e.number + 1) & 0xffff
	id := os.Getpid() & 0xffff
	m := icmp.Message{Type: ipv4.ICMPTypeEcho, Body: &icmp.Echo{ID: id, Seq: e.number, Data: []byte(e.spec.ID)}}
	b, err := m.Marshal(nil)
	if err != nil {
		return 0, err
	}
	var to net.Addr = &net.UDPAddr{IP: e.address}
	if e.raw {
		to = &net.IPAddr{IP: e.address}
	}
	began := time.Now()
	e.conn.SetReadDeadline(began.Add(orElse(e.spec.Timeout, pingLimit)))
	if ctx.Err() != nil {
		return 0, ctx.Err()
	}
	if _, err := e.conn.WriteTo(b, to); err != nil {
		return 0, fmt.Errorf("send an echo to %s: %w", e.spec.Host, err)
	}
	buf := make([]byte, 1500)
	for {
		n, from, err := e.conn.ReadFrom(buf)
		if err != nil {
			return 0, fmt.Errorf("no reply from %s: %w", e.spec.Host, err)
		}
		if e.isReply(buf[:n], from, id) {
			return time.Since(began), nil
		}
	}
}

// isReply reports that a packet answers the last echo. An unprivileged socket has an id of its own.
func (e *echo) isReply(packet []byte, from net.Addr, id int) bool {
	m, err := icmp.ParseMessage(ipv4.ICMPTypeEchoReply.Protocol(), packet)
	if err != nil || m.Type != ipv4.ICMPTypeEchoReply {
		return false
	}
	reply, ok := m.Body.(*icmp.Echo)
	return ok && reply.Seq == e.number && (!e.raw || reply.ID == id) && sameHost(from, e.address)
}

func sameHost(from net.Addr, ip net.IP) bool {
	switch a := from.(type) {
	case *net.UDPAddr:
		return a.IP.Equal(ip)
	case *net.IPAddr:
		return a.IP.Equal(ip)
	}
	return false
}

var _ Monitor = (*echo)(nil)

func newEcho(spec catalog.Monitor, _ Options) (Monitor, error) {
	return &echo{worker: worker{spec: spec}}, nil
}
