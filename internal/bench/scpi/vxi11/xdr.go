package vxi11

import (
	"encoding/binary"
	"errors"
)

// encoder puts XDR items (RFC 4506) behind one another.
type encoder []byte

func (e encoder) uint(values ...uint32) encoder {
	for _, v := range values {
		e = binary.BigEndian.AppendUint32(e, v)
	}
	return e
}

// opaque writes variable-length bytes or a string, padded to four (RFC 4506, 4.10 and 4.11).
func (e encoder) opaque(data []byte) encoder {
	e = append(e.uint(uint32(len(data))), data...)
	return append(e, make([]byte, -len(data)&3)...)
}

func flag(b bool) uint32 {
	if b {
		return 1
	}
	return 0
}

var errShort = errors.New("the reply is shorter than it must be")

// decoder takes XDR items from a reply; after the first that is not there every one is zero.
type decoder struct {
	rest []byte
	err  error
}

func (d *decoder) uint() uint32 {
	if len(d.rest) < 4 {
		d.rest, d.err = nil, errShort
		return 0
	}
	v := binary.BigEndian.Uint32(d.rest)
	d.rest = d.rest[4:]
	return v
}

// opaque returns bytes that share the reply's memory.
func (d *decoder) opaque() []byte {
	n := uint64(d.uint())
	if n+uint64(-n&3) > uint64(len(d.rest)) {
		if d.err == nil && n > 0 {
			// some instruments leave the padding of the last item out
			if n <= uint64(len(d.rest)) {
				out := d.rest[:n]
				d.rest = nil
				return out
			}
			d.rest, d.err = nil, errShort
		}
		return nil
	}
	out := d.rest[:n]
	d.rest = d.rest[n+uint64(-n&3):]
	return out
}
