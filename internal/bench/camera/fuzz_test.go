package camera

import (
	"bytes"
	"testing"
)

// FuzzPictures: what a camera sends is never kept beyond the bound, each picture that is found begins and ends as one,
// and in pieces of any size the same are found.
func FuzzPictures(f *testing.F) {
	a := picture(f, 90)
	f.Add(a, 7)
	f.Add(append([]byte("--x\r\n\r\n"), append(a[:200:200], a...)...), 1)
	f.Add([]byte{0xff, 0xd8, 0xff, 0xe0, 0xff, 0xff}, 2)
	f.Fuzz(func(t *testing.T, stream []byte, piece int) {
		whole, s := found(stream, len(stream))
		parts, _ := found(stream, max(piece%97, 1))
		if len(s.kept) > len(stream) || len(whole) != len(parts) {
			t.Fatalf("%d pictures at once, %d in pieces", len(whole), len(parts))
		}
		for i, p := range whole {
			if !bytes.Equal(p, parts[i]) || !bytes.HasPrefix(p, []byte{0xff, markSOI}) ||
				!bytes.HasSuffix(p, []byte{0xff, markEOI}) {
				t.Fatalf("%x", p)
			}
			if m, err := Decode(p); err == nil && m.Rect.Dx()*m.Rect.Dy() > MostPixels {
				t.Fatal("a picture over the bound was decoded")
			}
		}
	})
}
