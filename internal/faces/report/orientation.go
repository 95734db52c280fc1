package report

import (
	"bytes"
	"encoding/binary"

	"codeberg.org/go-pdf/fpdf"
)

// orientation says how a camera was held, as tag 0x0112 of Exif counts it: 1 is upright, 3 upside
// down, 6 and 8 turned by a quarter, the even ones below 5 and the odd ones from 5 on mirrored. A
// browser turns a picture by it; a PDF does not by itself.
type orientation int

// sideways reports that width and height change places.
func (o orientation) sideways() bool { return o >= 5 }

// orientationOf finds the orientation in a JPEG file; 1 where none is stated.
func orientationOf(data []byte) orientation {
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		marker, size := data[at+1], int(binary.BigEndian.Uint16(data[at+2:]))
		end := at + 2 + size
		if size < 2 || end > len(data) || marker == 0xda {
			break
		}
		if body, ok := bytes.CutPrefix(data[at+4:end], []byte("Exif\x00\x00")); ok && marker == 0xe1 {
			return orientationIn(body)
		}
		at = end
	}
	return 1
}

// orientationIn looks through the first directory of a TIFF structure.
func orientationIn(tiff []byte) orientation {
	if len(tiff) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.LittleEndian
	if string(tiff[:2]) == "MM" {
		order = binary.BigEndian
	}
	at := int(order.Uint32(tiff[4:]))
	if at < 8 || at+2 > len(tiff) {
		return 1
	}
	for i := range int(order.Uint16(tiff[at:])) {
		entry := at + 2 + 12*i
		if entry+12 > len(tiff) {
			break
		}
		if order.Uint16(tiff[entry:]) == 0x0112 {
			if o := orientation(order.Uint16(tiff[entry+8:])); o >= 1 && o <= 8 {
				return o
			}
		}
	}
	return 1
}

// place draws a registered picture upright into a rectangle.
func (o orientation) place(f *fpdf.Fpdf, name string, x, y, w, h float64) {
	turns := map[orientation]float64{3: 180, 4: 180, 5: 90, 6: 270, 7: 270, 8: 90}
	mirrored := o == 2 || o == 4 || o == 5 || o == 7
	cx, cy := x+w/2, y+h/2
	f.TransformBegin()
	if angle := turns[o]; angle != 0 {
		f.TransformRotate(angle, cx, cy)
	}
	if mirrored {
		f.TransformMirrorHorizontal(cx)
	}
	if o.sideways() {
		w, h = h, w
	}
	f.ImageOptions(name, cx-w/2, cy-h/2, w, h, false, fpdf.ImageOptions{AllowNegativePosition: true}, 0, "")
	f.TransformEnd()
}
