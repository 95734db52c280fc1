package dut

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"

	"provoke/internal/bench/access"
	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
)

const mqttLimit = 3 * time.Second // for connecting and subscribing

// topic listens to the messages of a topic (MQTT 3.1.1).
type topic struct {
	worker
	finder
	broker string
	login  access.Login
}

func newTopic(spec catalog.Monitor, _ Options) (Monitor, error) {
	f, err := newFinder(spec)
	if err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	r, err := resource.Parse(spec.Address)
	if err != nil {
		return nil, fmt.Errorf("monitor %s: %w", spec.ID, err)
	}
	if r.Kind != resource.Socket {
		return nil, fmt.Errorf("monitor %s: address %q asks for %s; a broker is reached at TCPIP::host::1883::SOCKET",
			spec.ID, r.Text, r.Kind)
	}
	return &topic{worker: worker{spec: spec}, finder: f, broker: "tcp://" + net.JoinHostPort(r.Host,
		strconv.Itoa(r.Port)),
		login: access.Login{From: spec.Credentials, Authority: spec.Authority}}, nil
}

// Start connects to the broker and subscribes.
func (t *topic) Start(ctx context.Context, deliver func(Sample)) error {
	heard := make(chan heard, 256)
	client, err := t.connect(heard)
	if err != nil {
		return fmt.Errorf("monitor %s: connect to the broker at %s: %w", t.spec.ID, t.spec.Address, err)
	}
	err = t.start(ctx, deliver, func(ctx context.Context) { t.listen(ctx, client, heard) })
	if err != nil {
		client.Disconnect(0)
	}
	return err
}

// heard is a sample, or the end of the connection.
type heard struct {
	sample Sample
	lost   error
}

// listen passes samples on until the context ends, and connects anew when the connection is lost.
func (t *topic) listen(ctx context.Context, client mqtt.Client, in chan heard) {
	defer func() { client.Disconnect(0) }()
	for {
		var h heard
		select {
		case <-ctx.Done():
			return
		case h = <-in:
		}
		if h.lost == nil {
			t.sample(h.sample)
			continue
		}
		for err := h.lost; err != nil; {
			t.sample(Sample{Lost: fmt.Sprintf("the connection to the broker is lost: %v", err)})
			select {
			case <-ctx.Done():
				return
			case <-time.After(redialPeriod):
			}
			client.Disconnect(0)
			var again mqtt.Client
			if again, err = t.connect(in); again != nil {
				client = again
			}
		}
	}
}

// connect connects and subscribes. The library does not connect anew by itself: that would go on
// behind the monitor's end.
func (t *topic) connect(out chan<- heard) (mqtt.Client, error) {
	name, password, err := t.login.NameAndPassword()
	if err != nil {
		return nil, err
	}
	var encryption *tls.Config
	if t.spec.Encrypted {
		if encryption, err = t.login.TLS(); err != nil {
			return nil, err
		}
	}
	o := mqtt.NewClientOptions().AddBroker(t.broker).SetClientID(fmt.Sprintf("provoke-%s-%d", t.spec.ID,
		time.Now().UnixNano())).
		SetConnectTimeout(mqttLimit).SetUsername(name).SetPassword(password).SetAutoReconnect(false).SetConnectRetry(
		false).SetKeepAlive(5 * time.Second).SetPingTimeout(2 * time.Second).
		SetConnectionLostHandler(func(_ mqtt.Client, err error) { tryTell(out, heard{lost: errorOr(err, "closed")}) })
	o.SetCustomOpenConnectionFn(func(broker *url.URL, o mqtt.ClientOptions) (net.Conn, error) {
		return openBroker(broker, o, encryption)
	})
	c := mqtt.NewClient(o)
	for _, step := range []func() mqtt.Token{c.Connect, func() mqtt.Token {
		return c.Subscribe(t.spec.Topic, 0, func(_ mqtt.Client, m mqtt.Message) { t.hear(m, out) })
	}} {
		token := step()
		if !token.WaitTimeout(mqttLimit) || token.Error() != nil {
			c.Disconnect(0)
			return c, errorOr(token.Error(), "no answer")
		}
	}
	return c, nil
}

// hear takes a message. One that the broker kept from before says nothing about now.
func (t *topic) hear(m mqtt.Message, out chan<- heard) {
	if m.Retained() {
		return
	}
	s := t.see(string(m.Payload()))
	s.At = time.Now()
	tryTell(out, heard{sample: s})
}

// tryTell drops what nobody takes: two hundred messages are waiting then.
func tryTell(out chan<- heard, h heard) {
	select {
	case out <- h:
	default:
	}
}

func errorOr(err error, otherwise string) error {
	if err != nil {
		return err
	}
	return errors.New(otherwise)
}
