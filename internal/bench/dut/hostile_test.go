package dut

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"math"
	"net"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"provoke/internal/files/catalog"
)

// FuzzMessage: whatever a product publishes or answers, a reading is bounded text and a number that is
// one, or it says why there is none.
func FuzzMessage(f *testing.F) {
	f.Add(`{"weight":{"kg":[12.34]}}`, uint8(1))
	f.Add(`{"weight":1e999}`, uint8(1))
	f.Add(strings.Repeat(`{"weight":`, 20000), uint8(1))
	f.Add("12.34 kg\x1b[2J", uint8(2))
	f.Add("E07", uint8(3))
	f.Fuzz(func(t *testing.T, text string, kind uint8) {
		spec := catalog.Monitor{Identity: catalog.Identity{ID: "m"}, Tolerance: float64(kind % 2)}
		switch kind % 4 {
		case 1:
			spec.Field = "weight.kg[0]"
		case 2:
			spec.Pattern = `([-+0-9.,eE]+) kg`
		case 3:
			spec.Field, spec.ErrorPattern = "weight", "E[0-9]+"
		}
		found, err := newFinder(spec)
		must(t, err)
		w := worker{spec: spec}
		var got []Sample
		w.deliver = func(s Sample) { got = append(got, s) }
		w.sample(found.see(text))
		if len(got) != 1 {
			t.Fatalf("%d samples", len(got))
		}
		checkSample(t, got[0])
	})
}

func checkSample(t *testing.T, s Sample) {
	t.Helper()
	if !utf8.ValidString(s.Text) || utf8.RuneCountInString(s.Text) > longestText || len(s.Lost) > 1200 || !utf8.ValidString(s.Lost) {
		t.Errorf("text %q, lost %q", s.Text, s.Lost)
	}
	if s.HasValue && (math.IsNaN(s.Value) || math.IsInf(s.Value, 0)) {
		t.Errorf("the value is %v", s.Value)
	}
	if s.HasValue && s.Lost != "" {
		t.Errorf("%v although %q", s.Value, s.Lost)
	}
}

// pieces is a connection that gives bytes in pieces of a length.
type pieces struct {
	net.Conn
	data  []byte
	piece int
}

func (p *pieces) Read(b []byte) (int, error) {
	if len(p.data) == 0 {
		return 0, io.EOF
	}
	n := copy(b[:min(len(b), p.piece)], p.data)
	p.data = p.data[n:]
	return n, nil
}

func (p *pieces) SetDeadline(time.Time) error { return nil }

// FuzzPackets: what a broker sends is passed on unchanged up to a packet that is too long, the library
// that reads it never makes room for more, and what a message says is a bounded sample.
func FuzzPackets(f *testing.F) {
	publish := func(payload string) []byte {
		p := packets.NewControlPacket(packets.Publish).(*packets.PublishPacket)
		p.TopicName, p.Payload = "belt/weight", []byte(payload)
		var b bytes.Buffer
		p.Write(&b)
		return b.Bytes()
	}
	f.Add(publish("12.34"), uint8(3))
	f.Add([]byte{0x20, 2, 0, 0, 0x90, 3, 0, 1, 0}, uint8(1))
	f.Add([]byte{0x30, 0xff, 0xff, 0xff, 0x7f, 'x'}, uint8(2)) // 256 MiB
	f.Add([]byte{0x30, 0xff, 0xff, 0xff, 0xff, 0xff}, uint8(5))
	f.Add([]byte{0x30, 2, 0xff, 0xff}, uint8(9)) // a topic longer than the packet
	f.Add([]byte{0x34, 3, 0, 1, 'a'}, uint8(9))  // no room for the number of the packet
	f.Fuzz(func(t *testing.T, sent []byte, piece uint8) {
		b := &bounded{Conn: &pieces{data: sent, piece: int(piece)%64 + 1}}
		var passed bytes.Buffer
		in := io.TeeReader(b, &passed)
		for {
			p, err := packets.ReadPacket(in)
			if err != nil {
				break
			}
			if m, ok := p.(*packets.PublishPacket); ok {
				if len(m.Payload) > longestPacket {
					t.Fatalf("a message of %d bytes", len(m.Payload))
				}
				w := worker{}
				w.deliver = func(s Sample) { checkSample(t, s) }
				w.sample(finder{}.see(string(m.Payload)))
			}
		}
		if !bytes.HasPrefix(sent, passed.Bytes()) {
			t.Fatal("what was sent is not what was passed on")
		}
	})
}

func TestABrokerThatAnnouncesAQuarterOfAGigabyteIsLeft(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	go func() {
		c, err := l.Accept()
		if err != nil {
			return
		}
		defer c.Close()
		packets.ReadPacket(c)
		c.Write([]byte{0x20, 2, 0, 0})                     // connected
		packets.ReadPacket(c)                              // subscribe
		c.Write([]byte{0x30, 0xff, 0xff, 0xff, 0x7f})      // a message of 256 MiB
		c.SetReadDeadline(time.Now().Add(5 * time.Second)) // until the other end hangs up
		io.Copy(io.Discard, c)
	}()
	host, port, _ := net.SplitHostPort(l.Addr().String())
	m, err := newTopic(catalog.Monitor{Identity: catalog.Identity{ID: "m"}, Connection: catalog.Connection{Address: "TCPIP::" + host + "::" + port + "::SOCKET"}, Topic: "belt/weight"}, Options{})
	must(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := m.Start(ctx, func(Sample) {}); err == nil {
		t.Error("it was accepted")
	} else if !strings.Contains(err.Error(), "at most 1048576 are taken") && !strings.Contains(err.Error(), "onnection lost") {
		t.Errorf("%v", err)
	}
}

// FuzzModbus: whatever a station answers, a register is a finite number or an error, within the limit.
func FuzzModbus(f *testing.F) {
	answer := func(pdu ...byte) []byte {
		return append(binary.BigEndian.AppendUint16([]byte{0, 1, 0, 0}, uint16(len(pdu)+1)), append([]byte{1}, pdu...)...)
	}
	f.Add(answer(3, 4, 0x7f, 0xc0, 0, 0), uint8(0)) // not a number
	f.Add(answer(3, 2, 0, 7), uint8(1))
	f.Add(answer(0x83, 2), uint8(0))
	f.Add(answer(1, 1, 1), uint8(2))
	f.Add([]byte{0, 1, 0, 0, 0xff, 0xff, 1, 3, 250}, uint8(0))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(f, err)
	f.Cleanup(func() { l.Close() })
	say := make(chan []byte, 1)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			c.SetDeadline(time.Now().Add(2 * time.Second))
			io.ReadFull(c, make([]byte, 12))
			c.Write(<-say)
			c.Close()
		}
	}()
	host, port, _ := net.SplitHostPort(l.Addr().String())
	f.Fuzz(func(t *testing.T, sent []byte, kind uint8) {
		r := catalog.ModbusRegister{Station: 1, Table: "holding", Format: "float32", Scale: 1}
		switch kind % 3 {
		case 1:
			r.Format = "uint16"
		case 2:
			r.Table = catalog.Coil
		}
		m, err := newRegisters(catalog.Monitor{Identity: catalog.Identity{ID: "m"}, Connection: catalog.Connection{Address: "TCPIP::" + host + "::" + port + "::SOCKET"}, Modbus: r}, Options{})
		must(t, err)
		x := m.(*registers)
		defer x.hangUp()
		say <- sent
		begun := time.Now()
		v, err := x.read()
		if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Errorf("%x is %v", sent, v)
		}
		if took := time.Since(begun); took > 5*modbusLimit {
			t.Errorf("%x took %v", sent, took)
		}
	})
}
