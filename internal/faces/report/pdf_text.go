package report

import (
	"fmt"
	"image/color"
	"strings"

	"codeberg.org/go-fonts/liberation/liberationmonoregular"
	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"

	"provoke/internal/tell"
)

// face is one of the typefaces that are embedded.
type face int

const (
	regular face = iota
	bold
	mono
)

// style is how a piece of text is set; size in points.
type style struct {
	face face
	size float64
	col  color.RGBA
}

// lead is the distance between lines.
func (s style) lead() float64 { return s.size * 1.32 }

// primaries are the parts of an opaque colour as the page wants them.
func primaries(c color.RGBA) (r, g, b int) { return int(c.R), int(c.G), int(c.B) }

var (
	accent   = rgb(0x0b6f8a)
	quietInk = rgb(0x566571)
	rule     = rgb(0xd5dbe0)
	white    = rgb(0xffffff)
	good     = rgb(0x1c6b40)
	careful  = rgb(0x8a5a00)
)

// markColour is the colour of a mark.
func markColour(mark string) color.RGBA {
	switch mark {
	case "good":
		return good
	case "warn":
		return careful
	case "bad":
		return alarm
	}
	return ink
}

// typefaces are the embedded fonts with what is known of their characters.
type typefaces struct {
	f        *fpdf.Fpdf
	fonts    [3]*sfnt.Font
	advances [3]map[rune]float64 // in parts of the size; negative where a typeface lacks a character
	buffer   sfnt.Buffer
}

var faceNames = [3]string{"sans", "sansbold", "mono"}

func newTypefaces(f *fpdf.Fpdf) (*typefaces, error) {
	t := &typefaces{f: f}
	for i, data := range [3][]byte{liberationsansregular.TTF, liberationsansbold.TTF, liberationmonoregular.TTF} {
		f.AddUTF8FontFromBytes(faceNames[i], "", data)
		parsed, err := sfnt.Parse(data)
		if err != nil {
			return nil, fmt.Errorf("write the report as PDF: read a typeface: %w", err)
		}
		t.fonts[i], t.advances[i] = parsed, map[rune]float64{}
	}
	return t, f.Error()
}

// set makes a style the current one.
func (t *typefaces) set(s style) {
	t.f.SetFont(faceNames[s.face], "", s.size)
	t.f.SetTextColor(primaries(s.col))
}

// plain returns a text as it can be set: what would hide or turn text is visible, and a character
// that the typeface does not have stands as its code point, never as nothing.
func (t *typefaces) plain(s string) string {
	s = tell.Tie(s)
	clean := true
	for _, r := range s {
		clean = clean && t.has(r)
	}
	if clean {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if t.has(r) {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// has reports that all typefaces have a character.
func (t *typefaces) has(r rune) bool {
	if r < 0x7f {
		return true
	}
	for f := range t.fonts {
		if t.advance(face(f), r) < 0 {
			return false
		}
	}
	return true
}

// advance is how far a character of a typeface takes the line, in parts of the size.
func (t *typefaces) advance(f face, r rune) float64 {
	if a, ok := t.advances[f][r]; ok {
		return a
	}
	a := -1.0
	em := fixed.Int26_6(t.fonts[f].UnitsPerEm()) << 6
	if g, err := t.fonts[f].GlyphIndex(&t.buffer, r); err == nil && g != 0 && r <= 0xffff {
		if w, err := t.fonts[f].GlyphAdvance(&t.buffer, g, em, font.HintingNone); err == nil {
			a = float64(w) / float64(em)
		}
	}
	t.advances[f][r] = a
	return a
}

// width is the width of a text that plain returned.
func (t *typefaces) width(s style, text string) float64 {
	w := 0.0
	for _, r := range text {
		w += t.advance(s.face, r)
	}
	return w * s.size
}

// cut returns one line of a text, shortened to a width.
func (t *typefaces) cut(s style, text string, width float64) string {
	text = t.plain(text)
	if t.width(s, text) <= width {
		return text
	}
	r := []rune(text)
	low, high := 0, len(r)
	for low < high {
		mid := (low + high + 1) / 2
		if t.width(s, string(r[:mid])+"…") <= width {
			low = mid
		} else {
			high = mid - 1
		}
	}
	return strings.TrimRight(string(r[:low]), " \u00a0") + "…"
}

// lines breaks a text into lines of a width: between words, and inside a word only where it is
// longer than a line.
func (t *typefaces) lines(s style, text string, width float64) []string {
	return t.broken(s, t.plain(text), width)
}

func (t *typefaces) broken(s style, text string, width float64) []string {
	if t.width(s, text) <= width {
		return []string{text}
	}
	var out []string
	space := t.width(s, " ")
	line, used := "", 0.0
	for word := range strings.SplitSeq(text, " ") {
		w := t.width(s, word)
		if line != "" && used+space+w <= width {
			line, used = line+" "+word, used+space+w
			continue
		}
		if line != "" {
			out = append(out, line)
		}
		for w > width {
			var head string
			head, word = t.split(s, word, width)
			out = append(out, head)
			w = t.width(s, word)
		}
		line, used = word, w
	}
	return append(out, line)
}

// split breaks a word that is longer than a line.
func (t *typefaces) split(s style, word string, width float64) (head, tail string) {
	r := []rune(word)
	low, high := 1, len(r)
	for low < high {
		mid := (low + high + 1) / 2
		if t.width(s, string(r[:mid])) <= width {
			low = mid
		} else {
			high = mid - 1
		}
	}
	return string(r[:low]), string(r[low:])
}

// write puts one line of text at a place, y being the top of the line. A tied space is an ordinary
// one in the file, so that a search for "90 dBµA" finds it.
func (d *printer) write(s style, x, y float64, text string) {
	if text == "" {
		return
	}
	d.faces.set(s)
	d.f.Text(x, y+s.lead()*0.5+s.size*0.35, strings.ReplaceAll(text, "\u00a0", " "))
}

// put writes lines at an indent, over as many pages as they need.
func (d *printer) put(s style, lines []string, indent float64) {
	for _, l := range lines {
		d.need(s.lead())
		d.write(s, d.left+indent, d.y, l)
		d.y += s.lead()
	}
}

// flow breaks a text into lines and writes them.
func (d *printer) flow(s style, text string, indent float64) {
	d.put(s, d.faces.lines(s, text, d.width-indent), indent)
}

// fill draws a filled rectangle.
func (d *printer) fill(c color.RGBA, x, y, w, h float64) {
	d.f.SetFillColor(primaries(c))
	d.f.Rect(x, y, w, h, "F")
}

// rule draws a line across the text.
func (d *printer) rule(w float64, c color.RGBA, y float64) {
	d.f.SetLineWidth(w)
	d.f.SetDrawColor(primaries(c))
	d.f.Line(d.left, y, d.left+d.width, y)
}
