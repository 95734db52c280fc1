package simbench

import (
	"bytes"
	"encoding/binary"
	"testing"
)

// FuzzCall: a record of the bench is bounded, a call is refused or answered, and the answer is a reply to
// that call.
func FuzzCall(f *testing.F) {
	call := func(words ...uint32) []byte {
		return append(putWords(nil, uint32(4*len(words))|rpcLast), putWords(nil, words...)...)
	}
	f.Add(call(7, 0, 2, portMapper, 2, 3, 0, 0, 0, 0, vxi11Core, 1, 6, 0))
	f.Add(call(7, 0, 2, vxi11Core, 1, 10, 0, 0, 0, 0))
	f.Add([]byte{0xff, 0xff, 0xff, 0xff})
	f.Add(bytes.Repeat([]byte{0, 0, 0, 0}, 50))
	f.Fuzz(func(t *testing.T, sent []byte) {
		record, err := readRPC(bytes.NewReader(sent))
		if len(record) > len(sent) {
			t.Fatalf("a record of %d bytes out of %d", len(record), len(sent))
		}
		if err != nil {
			return
		}
		c, err := parseCall(record)
		if err != nil {
			return
		}
		reply := mapperAnswer(c, nil, 4711)
		if len(reply) < 24 || len(reply) > 40 || binary.BigEndian.Uint32(reply) != c.xid ||
			binary.BigEndian.Uint32(reply[4:]) != 1 {
			t.Errorf("%x is answered by %x", record, reply)
		}
	})
}

// FuzzMessages: whatever is sent to the instruments of the bench, it goes on, and an answer is bounded.
func FuzzMessages(f *testing.F) {
	for _, s := range []string{"*IDN?", "FREQ 27 MHZ;POW -20 DBM;:OUTP ON", "POW 1E999", "FREQ NAN",
		"READ?;READ?;*ESR?", ":SYST:ERR?", "#0", "\x00\xff", "OUTP", "POW?;;;POW"} {
		f.Add(s, uint8(0))
		f.Add(s, uint8(1))
	}
	b := New(Config{Seed: 1})
	f.Cleanup(func() { b.Close() })
	if err := b.Listen("127.0.0.1:0"); err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, message string, to uint8) {
		face := b.faces[Names[int(to)%len(Names)]]
		if face.in == nil {
			return
		}
		answer, _ := b.handle(face, message)
		if answer != nil && len(answer.onStream()) > 1<<21 {
			t.Errorf("an answer of %d bytes", len(answer.onStream()))
		}
	})
}

// FuzzHiSLIP: a message of the bench's HiSLIP is bounded and writes itself as it came.
func FuzzHiSLIP(f *testing.F) {
	f.Add(hsMessage{kind: hsInitialize, parameter: 2 << 24, payload: []byte("hislip0")}.bytes())
	f.Add([]byte("HS\x00\x00\x00\x00\x00\x00\xff\xff\xff\xff\xff\xff\xff\xff"))
	f.Fuzz(func(t *testing.T, sent []byte) {
		m, ok, err := readHS(bytes.NewReader(sent))
		if len(m.payload) > hsLongest {
			t.Fatalf("%d bytes", len(m.payload))
		}
		if ok && err == nil && !bytes.HasPrefix(sent, m.bytes()) {
			t.Errorf("%x came as %x", sent, m.bytes())
		}
	})
}
