package simbench

import (
	"bytes"
	"image"
	"image/jpeg"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"os"
	"testing"
	"testing/synctest"
	"time"
)

// drawn is a picture as it is seen.
func drawn(t *testing.T, p []byte) *image.YCbCr {
	t.Helper()
	m, err := jpeg.Decode(bytes.NewReader(p))
	if err != nil {
		t.Fatal(err)
	}
	return m.(*image.YCbCr)
}

// mean is the brightness of a part of a picture.
func mean(m *image.YCbCr, r image.Rectangle) float64 {
	sum := 0.0
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			sum += float64(m.Y[m.YOffset(x, y)])
		}
	}
	return sum / float64(r.Dx()*r.Dy())
}

// place is where a character of the row stands.
func place(i int) image.Rectangle {
	return image.Rect(0, 0, placeWidth, placeHeight).Add(rowBox.Min).Add(image.Pt(i*placeWidth, 0))
}

func TestTheCameraSeesTheSegmentsThatAreLit(t *testing.T) {
	e := newEye(CameraView{Rate: 25}, 1)
	m := drawn(t, e.draw(shown{text: "8.1"}, 0))
	if dir := os.Getenv("PROVOKE_PICTURES"); dir != "" {
		for i, s := range []shown{{text: "12.34"}, {"Err07", true}} {
			os.WriteFile(dir+"/"+string(rune('a'+i))+".jpg", e.draw(s, 0), 0o644)
		}
	}
	dark, one, eight := mean(m, place(2)), mean(m, place(4)), mean(m, place(3))
	if dark > 40 || one < dark+10 || eight < dark+2*(one-dark) {
		t.Errorf("brightness of nothing %.0f, of 1 %.0f, of 8 %.0f", dark, one, eight)
	}
	if off, on := mean(m, lampBox), mean(drawn(t, e.draw(shown{lamp: true}, 0)), lampBox); on < off+40 {
		t.Errorf("lamp off %.0f, on %.0f", off, on)
	}
}

func TestEachTroubleOfACameraShows(t *testing.T) {
	quiet := drawn(t, newEye(CameraView{Rate: 25}, 1).draw(shown{text: "12.34"}, 5*time.Second))
	for _, trouble := range CameraTroubles {
		at := 5 * time.Second
		if trouble == "hand" {
			at = handEvery - handTakes/2
		}
		m := drawn(t, newEye(CameraView{Rate: 25, Trouble: []string{trouble}}, 1).draw(shown{text: "12.34"}, at))
		off := 0
		for i, v := range m.Y {
			if d := int(v) - int(quiet.Y[i]); d > 12 || d < -12 {
				off++
			}
		}
		if off < 150 {
			t.Errorf("%s changes %d pixels", trouble, off)
		}
	}
}

// In the time of a bubble: what is measured is the camera's delay, and not how busy the machine is that runs the tests.
func TestTheCameraFollowsTheProductAndIsLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const delay, period = 300 * time.Millisecond, time.Second / 30
		b := New(Config{Camera: &CameraView{Rate: 30, Delay: delay}})
		defer b.Close()
		e := newEye(*b.config.Camera, 1)
		var lit, seen float64
		var off time.Time
		b.late(nil, period, delay, func() []byte { return b.exposes(e) }, func(p []byte) bool {
			switch seen = mean(drawn(t, p), rowBox); {
			case off.IsZero():
				lit, off = seen, time.Now()
				b.do(func(p *plant) { p.product.power(false) })
			case seen < (lit+darkest)/2:
				return false
			}
			return time.Since(off) < 5*time.Second
		})
		if lit < darkest+10 {
			t.Fatalf("the display is not lit: %.0f", lit)
		}
		if took := time.Since(off); took < delay || took > delay+period {
			t.Errorf("the display went dark %v after the product", took)
		}
	})
}

const darkest = 32.0 // brightness of the window behind the display

func TestTheCameraIsServed(t *testing.T) {
	b := New(Config{Camera: &CameraView{Rate: 30}})
	defer b.Close()
	if err := b.Listen("127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	answer, err := http.Get(b.CameraURL() + "/stream")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	_, how, err := mime.ParseMediaType(answer.Header.Get("Content-Type"))
	if err != nil {
		t.Fatal(err)
	}
	parts := multipart.NewReader(answer.Body, how["boundary"])
	bright := func() float64 {
		p, err := parts.NextPart()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(p)
		if err != nil {
			t.Fatal(err)
		}
		return mean(drawn(t, data), rowBox)
	}
	lit := bright()
	if lit < darkest+10 {
		t.Fatalf("the display is not lit: %.0f", lit)
	}
	b.do(func(p *plant) { p.product.power(false) })
	for n := 0; bright() > (lit+darkest)/2; n++ {
		if n > 1000 {
			t.Fatal("a display without power stays lit in the stream")
		}
	}
	still, err := http.Get(b.CameraURL() + "/still")
	if err != nil {
		t.Fatal(err)
	}
	defer still.Body.Close()
	if data, _ := io.ReadAll(still.Body); mean(drawn(t, data), rowBox) > (lit+darkest)/2 {
		t.Error("the still picture shows a display that is off as lit")
	}
}

func TestACameraThatCannotBeDrawnIsRefused(t *testing.T) {
	for _, v := range []CameraView{{Rate: 4}, {Rate: 61}, {Rate: 25, Delay: -1}, {Rate: 25, Trouble: []string{"fog"}}} {
		if v.Check() == nil {
			t.Errorf("%+v was taken", v)
		}
	}
}
