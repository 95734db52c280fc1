package simbench

import (
	"encoding/binary"
	"errors"
	"io"
)

// Remote procedure calls as VXI-11 needs them: ONC RPC version 2 (RFC 5531) with XDR (RFC 4506), over
// records (RFC 5531, section 11) and datagrams.

// rpcCall is one call.
type rpcCall struct {
	xid, program, version, procedure uint32
	args                             xdr
}

// xdr takes items; after the first that is missing, bad is set and every item is zero.
type xdr struct {
	rest []byte
	bad  bool
}

func (x *xdr) word() uint32 {
	if len(x.rest) < 4 {
		x.rest, x.bad = nil, true
		return 0
	}
	w := binary.BigEndian.Uint32(x.rest)
	x.rest = x.rest[4:]
	return w
}

func (x *xdr) bytes() []byte {
	n := int(x.word())
	padded := (n + 3) / 4 * 4
	if n < 0 || padded > len(x.rest) {
		x.rest, x.bad = nil, true
		return nil
	}
	out := x.rest[:n]
	x.rest = x.rest[padded:]
	return out
}

func putWords(b []byte, words ...uint32) []byte {
	for _, w := range words {
		b = binary.BigEndian.AppendUint32(b, w)
	}
	return b
}

func putBytes(b, data []byte) []byte {
	b = append(putWords(b, uint32(len(data))), data...)
	return append(b, make([]byte, (4-len(data)%4)%4)...)
}

var errCall = errors.New("this is no call")

// parseCall reads a call message with any credentials.
func parseCall(message []byte) (rpcCall, error) {
	x := xdr{rest: message}
	c := rpcCall{xid: x.word()}
	kind, rpcVersion := x.word(), x.word()
	c.program, c.version, c.procedure = x.word(), x.word(), x.word()
	for range 2 { // credentials and verifier
		x.word()
		x.bytes()
	}
	if x.bad || kind != 0 || rpcVersion != 2 {
		return c, errCall
	}
	c.args = x
	return c, nil
}

// The states of an accepted call.
const (
	rpcSuccess      = 0
	rpcNoProgram    = 1
	rpcMismatch     = 2
	rpcNoProcedure  = 3
	rpcBadArguments = 4
)

// reply writes the head of a reply behind b.
func (c rpcCall) reply(b []byte, state uint32) []byte {
	b = putWords(b, c.xid, 1, 0, 0, 0, state)
	if state == rpcMismatch {
		b = putWords(b, 2, 2) // the only mismatch there is: of the port mapper
	}
	return b
}

const rpcLast = 1 << 31

// readRPC reads one record of at most 4 MiB.
func readRPC(in io.Reader) ([]byte, error) {
	var out []byte
	for {
		var head [4]byte
		if _, err := io.ReadFull(in, head[:]); err != nil {
			return nil, err
		}
		mark := binary.BigEndian.Uint32(head[:])
		n := int(mark & (rpcLast - 1))
		if len(out)+n > 4<<20 {
			return nil, errCall
		}
		piece := make([]byte, n)
		if _, err := io.ReadFull(in, piece); err != nil {
			return nil, err
		}
		if out = append(out, piece...); mark&rpcLast != 0 {
			return out, nil
		}
	}
}

// writeRPC sends a record that was begun with four bytes of room.
func writeRPC(out io.Writer, record []byte) error {
	binary.BigEndian.PutUint32(record, uint32(len(record)-4)|rpcLast)
	_, err := out.Write(record)
	return err
}
