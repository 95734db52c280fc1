package engine

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"strings"
	"testing"

	"provoke/internal/bench/dut"
	"provoke/internal/job/event"
)

// seenFrom are pictures one in 40 ms, from and to so many milliseconds of noon.
func seenFrom(t *testing.T, from, to, bytesEach int) (out []dut.Shot) {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 32, 32)), nil); err != nil {
		t.Fatal(err)
	}
	for ms := from; ms <= to; ms += 40 {
		out = append(out, dut.Shot{At: at(ms), JPEG: append(b.Bytes(), make([]byte, bytesEach)...),
			Drawn: func() ([]byte, error) { return b.Bytes(), nil }})
	}
	return out
}

func TestBeforeDuringAndAfterAnUpsetAreThoseThreePictures(t *testing.T) {
	x := upsetSeen{"CAM", "", seenFrom(t, -1000, 2000, 0), at(-300), at(0)}
	for i, want := range []int{-320, 0, 2000} {
		if got := x.phases()[i].At; !got.Equal(at(want)) {
			t.Errorf("picture %d is of %v, not %v", i+1, got, at(want))
		}
	}
	x.on = at(200) // RF at the level, after the upset on the way up
	if got := x.phases()[0].At; !got.Equal(at(-40)) {
		t.Errorf("the picture before is of %v", got)
	}
}

func TestPicturesOfARunAreBoundedAndThatIsTold(t *testing.T) {
	for _, size := range []int{0, 1 << 20} {
		var p pictures
		kept, drawn, bytes := 0, 0, 0
		seen := upsetSeen{"CAM", "at 2 MHz", seenFrom(t, -1000, 2000, size), at(-300), at(0)}
		for range 300 {
			p.keep(func(name string, data []byte) (event.Attachment, error) {
				kept, bytes = kept+1, bytes+len(data)
				if strings.Contains(name, "drawn") {
					drawn++
				}
				return event.Attachment{Name: name, SHA256: fmt.Sprint(kept)}, nil
			}, seen)
		}
		// However many there are as they came, the drawn picture of an upset is what people look at.
		if kept > 300 || bytes > 64<<20 || drawn < 60 || kept < drawn+15 {
			t.Errorf("%d pictures, %d of them drawn, %d bytes are kept", kept, drawn, bytes)
		}
		told := 0
		for _, e := range p.ready {
			if n, ok := e.(event.Note); ok && strings.Contains(n.Text, "at most 300, and 64 MiB") {
				told++
			}
		}
		if told != 1 {
			t.Errorf("the bound is told %d times", told)
		}
	}
}
