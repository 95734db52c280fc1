package web_test

import (
	"bytes"
	"fmt"
	"image"
	"image/jpeg"
	"strings"
	"testing"

	"provoke/internal/faces/web/browser"
	"provoke/internal/job/event"
	"provoke/internal/job/store"
)

// What a camera saw of the upsets is looked at on the findings, also on a telephone; what is kept as it came is not
// shown besides, and a file that is no picture is a link.
func TestPicturesOfUpsetsStandOnTheFindings(t *testing.T) {
	p := browser.Open(t)
	s := serve(t, true)
	j := must(store.Open(s.job))
	attach := func(name string, data []byte, raw bool) {
		a := must(j.Attach(name, data))
		must(j.Annotate(3, at(900), event.Attached{Attachment: a, Raw: raw,
			Caption: "CAM1 saw the upset " + strings.Repeat("at_a_frequency_without_a_space_", 8)}))
	}
	const upsets = 25
	for i := range upsets {
		for _, raw := range []bool{false, true} {
			m := image.NewGray(image.Rect(0, 0, 976, 192+i))
			if raw {
				m = image.NewGray(image.Rect(0, 0, 320, 192+i))
			}
			var b bytes.Buffer
			if err := jpeg.Encode(&b, m, nil); err != nil {
				t.Fatal(err)
			}
			attach(fmt.Sprintf("CAM1-upset-%d-%v.JPG", i+1, raw), b.Bytes(), raw)
		}
	}
	attach("drawn.svg", []byte("<svg/>"), false)
	j.Close()
	s.enter(p)
	for _, width := range []int{390, 1280, 1920} {
		p.Size(width, 900)
		p.Go(s.URL + "/findings?run=3")
		p.Wait(`document.readyState === "complete" && globalThis.provoke`)
		p.Eval(`document.querySelectorAll(".photos img").forEach(i => i.loading = "eager")`)
		p.Wait(`[...document.querySelectorAll(".photos img")].every(i => i.complete)`)
		type figures struct {
			Shown, Broken, Listed int
			Widest, Page          float64
		}
		f := browser.Value[figures](p, `(() => {
			const all = [...document.querySelectorAll(".photos img")];
			return {Shown: all.length, Broken: all.filter(i => i.naturalWidth !== 976).length,
				Listed: document.querySelectorAll(".photos li").length,
				Widest: Math.max(...all.map(i => i.getBoundingClientRect().right)), Page: document.documentElement.scrollWidth};
		})()`)
		if f.Shown != upsets || f.Broken != 0 || f.Listed != upsets+1 || f.Widest > float64(width) ||
			f.Page > float64(width) {
			t.Errorf("%d pixels wide: %+v", width, f)
		}
	}
	if c := p.Complaints(); len(c) > 0 {
		t.Error(c)
	}
}
