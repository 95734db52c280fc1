package camera

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"sync"
)

// Bounds of what a camera may send.
const (
	MostBytes  = 8 << 20     // of a picture
	MostPixels = 3840 * 2160 // of a picture
)

// Markers of a JPEG (ITU-T T.81, table B.1).
const (
	markSOI  = 0xd8
	markEOI  = 0xd9
	markSOS  = 0xda
	markDHT  = 0xc4
	markTEM  = 0x01
	markRST0 = 0xd0
)

// scanner finds whole JPEG pictures in a stream of bytes by their own markers. What stands between them, such as
// boundaries, headers and junk, is passed over, so it does not matter how a server parts its stream.
type scanner struct {
	kept []byte
	// at is how far kept has been walked; a picture begins at its first byte.
	at   int
	scan bool // within compressed data
	// cut counts pictures that ended before their end, over those that were longer than MostBytes.
	cut, over int
}

// add gives each picture that ends in a piece to each. The picture belongs to whom it is given.
func (s *scanner) add(piece []byte, each func(jpeg []byte)) {
	s.kept = append(s.kept, piece...)
	for s.step(each) {
	}
}

// step walks one marker or one segment on; false when more bytes are needed.
func (s *scanner) step(each func([]byte)) bool {
	if s.at == 0 {
		return s.begin()
	}
	if len(s.kept) > MostBytes {
		s.over++
		s.drop(len(s.kept))
		return true
	}
	i := s.at
	if s.scan {
		n := bytes.IndexByte(s.kept[i:], 0xff)
		if n < 0 {
			s.at = len(s.kept)
			return false
		}
		i += n
		s.at = i
	}
	if i+1 >= len(s.kept) {
		return false
	}
	mark := s.kept[i+1]
	switch {
	case s.kept[i] != 0xff: // no marker where one has to be: this was no picture, or it was cut short
		s.cut++
		s.drop(2)
	case mark == 0xff: // fill byte
		s.at = i + 1
	case mark == markSOI:
		s.cut++
		s.drop(i)
	case mark == markEOI:
		each(bytes.Clone(s.kept[:i+2]))
		s.drop(i + 2)
	case s.scan && (mark == 0 || mark >= markRST0 && mark < markSOI), mark == markTEM:
		s.at = i + 2
	case i+3 >= len(s.kept):
		return false
	default:
		end := i + 2 + int(s.kept[i+2])<<8 + int(s.kept[i+3])
		if end > len(s.kept) {
			return false
		}
		s.at, s.scan = end, mark == markSOS
	}
	return true
}

// begin looks for the first marker of a picture.
func (s *scanner) begin() bool {
	n := bytes.Index(s.kept, []byte{0xff, markSOI})
	if n < 0 {
		s.drop(max(len(s.kept)-1, 0))
		return false
	}
	s.drop(n)
	s.at = 2
	return true
}

// drop forgets the first n bytes and looks for a picture anew.
func (s *scanner) drop(n int) {
	s.kept = append(s.kept[:0], s.kept[n:]...)
	s.at, s.scan = 0, false
}

// standardTables are the Huffman tables of ITU-T T.81, annex K, as the encoder of the library writes them: many
// cameras leave them out of each picture of a stream.
var standardTables = sync.OnceValue(func() []byte {
	var b bytes.Buffer
	if jpeg.Encode(&b, image.NewYCbCr(image.Rect(0, 0, 8, 8), image.YCbCrSubsampleRatio420), nil) != nil {
		return nil
	}
	_, tables := segment(b.Bytes(), markDHT)
	return tables
})

// segment returns where a segment of a picture stands, and the segment; -1 where it is not found before the
// compressed data.
func segment(picture []byte, mark byte) (at int, whole []byte) {
	for i := 2; i+3 < len(picture) && picture[i] == 0xff; {
		end := i + 2 + int(picture[i+2])<<8 + int(picture[i+3])
		switch {
		case end > len(picture):
			return -1, nil
		case picture[i+1] == mark:
			return i, picture[i:end]
		case picture[i+1] == markSOS:
			return -1, nil
		}
		i = end
	}
	return -1, nil
}

// Measure tells how large a picture claims to be. One that claims more than MostPixels is refused.
func Measure(picture []byte) (image.Point, error) {
	size, err := jpeg.DecodeConfig(bytes.NewReader(picture))
	switch {
	case err != nil:
		return image.Point{}, fmt.Errorf("the camera sends what is no picture: %w", err)
	case size.Width <= 0 || size.Height <= 0 || size.Width > MostPixels/size.Height:
		return image.Point{}, fmt.Errorf("the camera sends pictures of %d × %d pixels; at most 3840 × 2160 are "+
			"taken: set a smaller picture at the camera", size.Width, size.Height)
	}
	return image.Pt(size.Width, size.Height), nil
}

// Decode decodes a picture. One that claims more than MostPixels is refused before any of it is decoded.
func Decode(picture []byte) (*image.YCbCr, error) {
	if _, err := Measure(picture); err != nil {
		return nil, err
	}
	if at, _ := segment(picture, markDHT); at < 0 {
		if at, _ = segment(picture, markSOS); at > 0 {
			picture = bytes.Join([][]byte{picture[:at], standardTables(), picture[at:]}, nil)
		}
	}
	m, err := jpeg.Decode(bytes.NewReader(picture))
	if err != nil {
		return nil, fmt.Errorf("the camera sent a damaged picture: %w", err)
	}
	switch m := m.(type) {
	case *image.YCbCr:
		return m, nil
	case *image.Gray:
		out := image.NewYCbCr(m.Rect, image.YCbCrSubsampleRatio420)
		for y := range m.Rect.Dy() {
			copy(out.Y[y*out.YStride:], m.Pix[y*m.Stride:][:m.Rect.Dx()])
		}
		for i := range out.Cb {
			out.Cb[i], out.Cr[i] = 128, 128
		}
		return out, nil
	}
	return nil, errors.New("the camera sends pictures in colours for printing: set it to plain JPEG")
}
