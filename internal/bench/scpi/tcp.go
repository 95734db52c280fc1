package scpi

import (
	"context"
	"io"
	"net"
	"strconv"
	"time"
)

// TCP returns a Dial for a raw socket.
func TCP(host string, port int) Dial {
	return Streams(func(ctx context.Context) (io.ReadWriteCloser, error) { return DialTCP(ctx, host, port) })
}

// DialTCP connects to an instrument's TCP port. Small messages leave at once (TCP_NODELAY): a set and
// a query held back for one another cost 40 ms. Keepalive finds a dead peer while idle.
func DialTCP(ctx context.Context, host string, port int) (net.Conn, error) {
	d := net.Dialer{KeepAliveConfig: net.KeepAliveConfig{
		Enable: true, Idle: 15 * time.Second, Interval: 5 * time.Second, Count: 3,
	}}
	c, err := d.DialContext(ctx, "tcp", net.JoinHostPort(host, strconv.Itoa(port)))
	if err != nil {
		return nil, err
	}
	if t, ok := c.(*net.TCPConn); ok {
		if err := t.SetNoDelay(true); err != nil {
			t.Close()
			return nil, err
		}
	}
	return c, nil
}
