package report

import (
	"bytes"
	"encoding/gob"
	"fmt"
	"image"
	_ "image/jpeg" // pictures are read before they are put into a page
	"image/png"
	"math"

	"codeberg.org/go-pdf/fpdf"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"provoke/internal/tell"
)

// figureShrink is how much smaller than drawn a figure is printed.
const figureShrink = 0.84

// figureSize returns the size of a figure as drawn, and the scale that brings it to the page. A plot
// is drawn for the width of the page; a figure with places of its own is scaled as it is.
func (d *printer) figureSize(f *Figure) (w, h vg.Length, scale float64) {
	if f.Fixed {
		return f.Width, f.Height, d.width / float64(f.Width)
	}
	w = vg.Length(d.width / figureShrink)
	return w, f.Height, figureShrink
}

var captionStyle = style{regular, 8.4, quietInk}

func (d *printer) figureCaption(f *Figure) []string {
	return d.faces.lines(captionStyle, fmt.Sprintf("Figure %d. %s. %s", f.Number, f.Title, f.Caption), d.width)
}

// figureHeight is the height of a figure with legend and caption.
func (d *printer) figureHeight(f *Figure) float64 {
	_, h, scale := d.figureSize(f)
	height := float64(h)*scale + float64(len(d.figureCaption(f)))*captionStyle.lead() + 22
	_, rows := d.places(f)
	return height + float64(rows)*legendLead
}

// figure draws a figure with its legend and caption, all on one page.
func (d *printer) figure(f *Figure) {
	d.y += 6
	d.need(d.figureHeight(f))
	d.faces.set(captionStyle)
	d.f.Bookmark(d.faces.plain(fmt.Sprintf("Figure %d. %s", f.Number, f.Title)), 1, d.y-4)
	d.legend(f)
	w, h, scale := d.figureSize(f)
	f.draw(draw.NewCanvas(newCanvas(d, d.left, d.y, h, scale), w, h))
	d.y += float64(h)*scale + 5
	d.put(captionStyle, d.figureCaption(f), 0)
	d.y += 11
}

const legendLead = 13.0

var legendStyle = style{regular, 8, ink}

const signRoom = float64(signWidth)*0.9 + 5

// legendEntry is where an entry of a legend stands: its distance from the left, its first row, its lines.
type legendEntry struct {
	x     float64
	row   int
	lines []string
}

// places returns where the entries of a legend stand, and how many rows they take.
func (d *printer) places(f *Figure) (out []legendEntry, rows int) {
	at, row := 0.0, 0
	for _, s := range f.Legend {
		lines := d.faces.lines(legendStyle, s.Text, d.width-signRoom)
		w := signRoom + d.faces.width(legendStyle, lines[0])
		if at > 0 && (at+w > d.width || len(lines) > 1) {
			at, row = 0, rows
		}
		out = append(out, legendEntry{at, row, lines})
		rows = max(rows, row+len(lines))
		if at += w + 15; len(lines) > 1 {
			at, row = 0, rows
		}
	}
	return out, rows
}

func (d *printer) legend(f *Figure) {
	places, rows := d.places(f)
	for i, p := range places {
		y := d.y + float64(p.row)*legendLead
		f.Legend[i].draw(draw.NewCanvas(newCanvas(d, d.left+p.x, y, signHeight, 0.9), signWidth, signHeight))
		for n, l := range p.lines {
			d.write(legendStyle, d.left+p.x+signRoom, y+0.2+float64(n)*legendLead, l)
		}
	}
	if rows > 0 {
		d.y += float64(rows)*legendLead + 2
	}
}

const (
	tallestPicture  = 300.0 // points
	largestPixels   = 60e6  // of a picture that is read
	pictureCaptions = 34.0
)

// picture puts a photograph into the page, upright as its camera meant it.
func (d *printer) picture(p *tell.Picture) {
	turn, w, h, err := d.register(p)
	if err != nil {
		d.warning(fmt.Sprintf("The picture %s (%s) cannot be printed: %v", p.Name, p.Caption, err))
		return
	}
	if turn.sideways() {
		w, h = h, w
	}
	scale := math.Min(d.width/w, tallestPicture/h)
	scale = math.Min(scale, 0.75*96/72) // at most as large as at 72 points for 96 dots
	w, h = w*scale, h*scale
	d.need(h + pictureCaptions)
	turn.place(d.f, p.Hash, d.left, d.y, w, h)
	d.y += h + 4
	d.flow(captionStyle, p.Caption, 0)
	d.flow(style{mono, 6.4, quietInk}, p.Name+"  SHA-256 "+p.Hash, 0)
	d.y += 12
}

// register reads a picture whole, so that a broken one breaks no page, and hands it to the file.
func (d *printer) register(p *tell.Picture) (turn orientation, w, h float64, err error) {
	c, kind, err := image.DecodeConfig(bytes.NewReader(p.Bytes))
	if err != nil {
		return 0, 0, 0, err
	}
	if float64(c.Width)*float64(c.Height) > largestPixels || c.Width < 1 || c.Height < 1 {
		return 0, 0, 0, fmt.Errorf("it has %d × %d dots", c.Width, c.Height)
	}
	w, h = float64(c.Width), float64(c.Height)
	data, name := p.Bytes, "JPG"
	if kind == "jpeg" {
		turn = orientationOf(p.Bytes)
	}
	if d.pictures[p.Hash] {
		return turn, w, h, nil
	}
	img, _, err := image.Decode(bytes.NewReader(p.Bytes))
	if err != nil {
		return 0, 0, 0, err
	}
	if kind != "jpeg" {
		name = "PNG"
		if data, err = plainPNG(img); err != nil {
			return 0, 0, 0, err
		}
	}
	info := d.f.RegisterImageOptionsReader(p.Hash, fpdf.ImageOptions{ImageType: name}, bytes.NewReader(data))
	if err := d.f.Error(); err != nil {
		d.f.ClearError()
		return 0, 0, 0, err
	}
	d.pictures[p.Hash] = true
	return turn, w, h, apart(info, len(d.pictures))
}

// apart makes the widths of pictures differ by far less than a dot. The library puts pictures into
// the file in the order of their widths, and those of the same width, as one camera makes them, in
// an order that differs from one time to the next; it writes the width as a whole number.
func apart(info *fpdf.ImageInfoType, n int) error {
	data, err := info.GobEncode()
	if err != nil {
		return err
	}
	// The fields in the order of the library's GobEncode.
	var body, mask, palette []byte
	var number, bits int
	var w, h, scale, dots float64
	var space, filter, parameters string
	var transparent []int
	fields := []any{&body, &mask, &number, &w, &h, &space, &palette, &bits, &filter, &parameters, &transparent,
		&scale, &dots}
	decoder := gob.NewDecoder(bytes.NewReader(data))
	for _, f := range fields {
		if err := decoder.Decode(f); err != nil {
			return err
		}
	}
	w += float64(n) * 1e-4
	var out bytes.Buffer
	encoder := gob.NewEncoder(&out)
	for _, f := range fields {
		if err := encoder.Encode(f); err != nil {
			return err
		}
	}
	return info.GobDecode(out.Bytes())
}

// plainPNG writes a picture as opaque PNG of eight bits on white, which every reader of PDF shows
// alike.
func plainPNG(img image.Image) ([]byte, error) {
	b := img.Bounds()
	out := image.NewRGBA(image.Rect(0, 0, b.Dx(), b.Dy()))
	for y := range b.Dy() {
		for x := range b.Dx() {
			r, g, bl, a := img.At(b.Min.X+x, b.Min.Y+y).RGBA()
			i := out.PixOffset(x, y)
			white := 0xffff - a
			out.Pix[i], out.Pix[i+1], out.Pix[i+2], out.Pix[i+3] = uint8((r+white)>>8), uint8((g+white)>>8),
				uint8((bl+white)>>8), 0xff
		}
	}
	var w bytes.Buffer
	err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&w, out)
	return w.Bytes(), err
}
