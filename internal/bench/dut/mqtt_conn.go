package dut

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
)

// longestPacket is the longest that a broker may send; the library makes room for whatever a packet
// says of its length, up to 256 MiB.
const longestPacket = 1 << 20

// openBroker connects to a broker through bounded, encrypted where there is a configuration for it.
func openBroker(broker *url.URL, o mqtt.ClientOptions, encryption *tls.Config) (net.Conn, error) {
	c, err := net.DialTimeout("tcp", broker.Host, min(o.ConnectTimeout, mqttLimit))
	if err != nil {
		return nil, err
	}
	if encryption == nil {
		return &bounded{Conn: c}, nil
	}
	encryption = encryption.Clone()
	encryption.ServerName = broker.Hostname()
	ctx, cancel := context.WithTimeout(context.Background(), mqttLimit)
	defer cancel()
	secret := tls.Client(c, encryption)
	if err := secret.HandshakeContext(ctx); err != nil {
		c.Close()
		return nil, fmt.Errorf("encrypt the connection to the broker: %w", err)
	}
	return &bounded{Conn: secret}, nil
}

// bounded follows the fixed headers of packets (MQTT 3.1.1, section 2.2) and ends the connection at one
// that is too long.
type bounded struct {
	net.Conn
	left   int // bytes of the packet under way
	length int // as read so far
	digit  int // of the length; 0 before the first byte of a packet
	failed error
}

// Read passes on what keeps to the bound.
func (b *bounded) Read(p []byte) (int, error) {
	if b.failed != nil {
		return 0, b.failed
	}
	n, err := b.Conn.Read(p)
	for i := 0; i < n; {
		if b.left > 0 {
			skip := min(b.left, n-i)
			b.left, i = b.left-skip, i+skip
			continue
		}
		if b.failed = b.header(p[i]); b.failed != nil {
			b.Conn.SetDeadline(time.Unix(1, 0)) // nothing more goes out either
			return i, b.failed
		}
		i++
	}
	return n, err
}

// header takes the next byte of a fixed header.
func (b *bounded) header(x byte) error {
	if b.digit == 0 {
		b.digit = 1
		return nil
	}
	b.length |= int(x&0x7f) << (7 * (b.digit - 1))
	switch b.digit++; {
	case x&0x80 != 0 && b.digit > 4:
		return fmt.Errorf("the broker sends what is no MQTT packet")
	case x&0x80 != 0:
		return nil
	case b.length > longestPacket:
		return fmt.Errorf("the broker sends a packet of %d bytes; at most %d are taken", b.length, longestPacket)
	}
	b.left, b.length, b.digit = b.length, 0, 0
	return nil
}
