package report

import (
	"cmp"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/recorder"

	"provoke/internal/files/catalog"
	"provoke/internal/units/rf"
)

// The setup sketch is a side view over the reference plane: the product on the left, its cable to
// the auxiliary equipment on the right, clamp and probe in their order on it, and above them the
// chain back to the generator and to the analyser. It is not to scale; every distance stands beside
// it as the bench file states it, and what the file does not state is called so.

const (
	sketchWidth  = 225 * vg.Millimeter
	sketchHeight = 117 * vg.Millimeter
)

// Heights of the sketch above its lower edge, in points.
const (
	planeY  = vg.Length(36)
	cableY  = vg.Length(104)
	lowRow  = vg.Length(206) // middle of the chain to the analyser
	highRow = vg.Length(290) // middle of the chain from the generator
	boxHigh = vg.Length(44)
)

// Places along the cable, in points from the left edge.
const (
	dutLeft, dutRight = vg.Length(8), vg.Length(118)
	aeLeft, aeRight   = vg.Length(540), vg.Length(sketchRight)
	innerX, outerX    = vg.Length(268), vg.Length(372)
	leftX, rightX     = vg.Length(346), vg.Length(436) // where the clamp is nearer to the product
	sketchRight       = 630
)

var (
	paper   = rgb(0xf5f7f8)
	planeIn = rgb(0xb9c2c9)
	gearIn  = rgb(0xeaf3f6)
	partIn  = rgb(0xffffff)
	dutIn   = rgb(0xfff4e6)
)

// sketch draws the setup of a bench with the clamp on the given fixture.
func sketch(b *catalog.Bench, fixture catalog.Fixture) Figure {
	title, caption := "Setup of the bench",
		"Side view over the reference plane, drawn from the bench file; not to scale."
	if fixture == catalog.Jig50 || fixture == catalog.Jig150 {
		title += ", clamp in the calibration jig"
	}
	if missing := notStated(b, fixture); missing != "" {
		caption += " The bench file does not state " + missing + "."
	}
	var notes []string
	sketcher{draw.NewCanvas(&recorder.Canvas{}, sketchWidth, sketchHeight), b, fixture, &notes}.draw()
	for i, n := range notes {
		caption += fmt.Sprintf(" %s %s.", noteMark(i), strings.TrimSuffix(n, "."))
	}
	return Figure{
		ID: "figure-setup", Title: title, Caption: caption, Width: sketchWidth, Height: sketchHeight, Fixed: true,
		draw: func(c draw.Canvas) { sketcher{c, b, fixture, new([]string)}.draw() },
	}
}

// notStated names the distances that the bench file leaves out.
func notStated(b *catalog.Bench, fixture catalog.Fixture) string {
	if fixture != catalog.OnCable && fixture != "" {
		return ""
	}
	var out []string
	for _, d := range []struct {
		l    rf.Length
		name string
		need bool
	}{
		{b.Cable.Length, "the length of the cable", true}, {b.Cable.Height, "the height of the cable over the plane",
			true},
		{b.Cable.ClampToDUT, "the distance from clamp to product", true}, {b.Cable.ProbeToDUT,
			"the distance from probe to product", b.Probe != nil},
	} {
		if d.need && d.l <= 0 {
			out = append(out, d.name)
		}
	}
	if b.Cable.Decoupling == "" {
		out = append(out, "how the auxiliary equipment is decoupled")
	}
	if len(out) > 1 {
		return strings.Join(out[:len(out)-1], ", ") + " and " + out[len(out)-1]
	}
	return strings.Join(out, "")
}

// sketcher draws one sketch.
type sketcher struct {
	c       draw.Canvas
	b       *catalog.Bench
	fixture catalog.Fixture
	notes   *[]string // texts that do not fit; they stand under the figure
}

func noteMark(i int) string { return fmt.Sprintf("(%d)", i+1) }

func (s sketcher) onCable() bool { return s.fixture != catalog.Jig50 && s.fixture != catalog.Jig150 }

func (s sketcher) draw() {
	s.plane()
	clamp, probe := s.places()
	if s.onCable() {
		s.cable()
		s.product()
		s.auxiliary(max(clamp, probe))
		s.distances(clamp, probe)
	} else {
		s.jig(clamp, probe)
	}
	s.injection(clamp)
	s.measurement(probe, clamp)
	s.clampBody(clamp)
	if s.b.Probe != nil {
		s.probeBody(probe)
	}
}

// places returns where clamp and probe stand along the cable: the one that is nearer to the product
// on the left.
func (s sketcher) places() (clamp, probe vg.Length) {
	if s.b.Probe != nil && s.b.Cable.ProbeToDUT > s.b.Cable.ClampToDUT && s.b.Cable.ClampToDUT > 0 {
		return leftX, rightX
	}
	return outerX, innerX
}

func (s sketcher) plane() {
	fillBox(s.c, dutLeft, planeY-7, sketchRight-dutLeft, 7, planeIn)
	s.line(1.2, ink, dutLeft, planeY, sketchRight, planeY)
	s.text(dutLeft, planeY-18, draw.XLeft, soft, 8.5, "reference plane")
}

// cable draws the line from the product to the auxiliary equipment.
func (s sketcher) cable() {
	s.line(2.6, ink, dutRight, cableY, aeLeft, cableY)
}

func (s sketcher) product() {
	const low, high = cableY - 34, cableY + 34
	s.block(dutLeft, low, dutRight-dutLeft, high-low, dutIn)
	s.words(dutLeft, low, dutRight-dutLeft, high-low, []string{name(s.b.DUT.ID, "DUT"), s.b.DUT.Description,
		prefixed("port ", s.b.DUT.Port)})
	s.watch(high)
}

// watch draws how the product is watched, above it.
func (s sketcher) watch(from vg.Length) {
	var list []string
	for _, m := range s.b.Monitors {
		list = append(list, fmt.Sprintf("%s (%s)", name(m.ID, "monitor"), m.Kind))
	}
	if len(list) == 0 {
		return
	}
	if len(list) > 4 {
		list = append(list[:3:3], fmt.Sprintf("and %d more", len(list)-3))
	}
	y := from + 12
	s.dashed(dutLeft+20, from, dutLeft+20, y)
	s.text(dutLeft+6, y+4+vg.Length(len(list))*10.5, draw.XLeft, soft, 8.5, "watched by")
	for i, w := range list {
		s.text(dutLeft+6, y+2+vg.Length(len(list)-1-i)*10.5, draw.XLeft, ink, 8.5, s.cut(w, 8.5, 118))
	}
}

// auxiliary draws the far end of the cable with its decoupling; last is where the last of clamp and
// probe stands.
func (s sketcher) auxiliary(last vg.Length) {
	s.block(aeLeft, cableY-34, aeRight-aeLeft, 68, paper)
	s.words(aeLeft, cableY-34, aeRight-aeLeft, 68, []string{"AE", "auxiliary equipment"})
	if s.b.Cable.Decoupling == "" {
		return
	}
	s.block(462, cableY-15, 64, 30, rgb(0xe3e7ea))
	s.words(462, cableY-15, 64, 30, []string{"decoupling"})
	lines := s.wrap(s.b.Cable.Decoupling, 8.5, min(530-last-8, 134), 5)
	for i, l := range lines {
		s.text(530, cableY+21+vg.Length(len(lines)-1-i)*10.5, draw.XRight, ink, 8.5, l)
	}
}

// distances draws height, length, and where clamp and probe stand.
func (s sketcher) distances(clamp, probe vg.Length) {
	c := s.b.Cable
	s.across(dutRight, aeLeft, planeY-26, "cable "+name(c.ID, "")+lengthOr(", ", c.Length))
	s.upright(533, planeY, cableY, lengthOr("", c.Height))
	rows := []struct {
		x vg.Length
		l rf.Length
		n string
	}{{clamp, c.ClampToDUT, "clamp to product"}}
	if s.b.Probe != nil {
		rows = append(rows, struct {
			x vg.Length
			l rf.Length
			n string
		}{probe, c.ProbeToDUT, "probe to product"})
	}
	if len(rows) == 2 && rows[1].x > rows[0].x {
		rows[0], rows[1] = rows[1], rows[0]
	}
	y := planeY + 14
	for i := range rows {
		r := rows[i] // the longer one lies lower
		s.across(dutRight, r.x, y, r.n+lengthOr(" ", r.l))
		y += 21
	}
}

// jig draws the calibration jig with its two ports, clamp and probe between them.
func (s sketcher) jig(clamp, probe vg.Length) {
	left, right := min(clamp, probe)-64, max(clamp, probe)+64
	s.block(left, planeY, 12, cableY-planeY+16, planeIn)
	s.block(right-12, planeY, 12, cableY-planeY+16, planeIn)
	s.line(2.6, ink, left+12, cableY, right-12, cableY)
	port := []string{"port, 50 Ω"}
	if s.fixture == catalog.Jig150 {
		port = []string{"port, 150 Ω", "through an adaptor"}
	}
	for i, l := range port {
		y := cableY - 3 - vg.Length(i)*10.5
		s.text(left-6, y, draw.XRight, ink, 8.5, l)
		s.text(right+6, y, draw.XLeft, ink, 8.5, l)
	}
	s.text((left+right)/2, planeY+12, draw.XCenter, soft, 8.5,
		fmt.Sprintf("calibration jig, loop of %v", s.fixture.LoopImpedance()))
}

func (s sketcher) clampBody(x vg.Length) {
	s.block(x-25, cableY-16, 50, 32, rgb(0xcfe3ea))
	s.line(2.6, ink, x-25, cableY, x+25, cableY)
	s.text(x, cableY-27, draw.XCenter, ink, 8.5, s.cut(name(s.b.Clamp.ID, "clamp"), 8.5, 96))
}

func (s sketcher) probeBody(x vg.Length) {
	s.block(x-11, cableY-16, 22, 32, rgb(0xf3dfd2))
	s.line(2.6, ink, x-11, cableY, x+11, cableY)
	s.text(x, cableY-27, draw.XCenter, ink, 8.5, s.cut(name(s.b.Probe.ID, "probe"), 8.5, 96))
}

// piece is one box of a chain.
type piece struct {
	lines []string
	wide  bool // an instrument, not a part
}

func instrument(id catalog.Identity, what string) piece {
	return piece{[]string{name(id.ID, what), cmp.Or(id.Description, what)}, true}
}

// parts returns the passive parts of a list in at most so many boxes; the last of them stands for
// those that have none of their own.
func parts(list []catalog.Passive, most int) []piece {
	var out []piece
	for i, p := range list {
		if i == most-1 && len(list) > most {
			var ids []string
			for _, q := range list[i:] {
				ids = append(ids, q.ID)
			}
			return append(out, piece{[]string{fmt.Sprintf("%d parts", len(list)-i), strings.Join(ids, ", ")}, false})
		}
		out = append(out, piece{[]string{name(p.ID, p.Kind), p.Kind}, false})
	}
	return out
}

// roomy returns the chain that build makes of parts in three boxes a list, or in fewer where the
// boxes would get too narrow for an identifier.
func roomy(width vg.Length, build func(most int) []piece) []piece {
	const narrowest = vg.Length(40)
	for most := 3; ; most-- {
		list := build(most)
		unit := (width - boxGap*vg.Length(len(list)-1)) / vg.Length(total(list))
		if most == 1 || unit*vg.Length(weight(piece{})) >= narrowest {
			return list
		}
	}
}

// injection draws the chain from the generator down to the clamp.
func (s sketcher) injection(clamp vg.Length) {
	b := s.b
	chain := roomy(clamp-dutLeft+boxWide/3, func(most int) []piece {
		list := append([]piece{instrument(b.Source.Identity, "generator")}, parts(b.ToAmplifier, most)...)
		if b.Amplifier != nil {
			list = append(list, instrument(b.Amplifier.Identity, "amplifier"))
		}
		list = append(list, parts(b.ToClamp, most)...)
		if b.Coupler != nil {
			list = append(list, instrument(b.Coupler.Identity, "coupler"))
		}
		return list
	})
	boxes := s.row(chain, dutLeft, clamp, highRow)
	last := boxes[len(boxes)-1]
	s.lineArrow(after, clamp, highRow-boxHigh/2, clamp, cableY+16)
	if b.PowerMeter != nil && b.Coupler != nil {
		p := s.row([]piece{instrument(b.PowerMeter.Identity, "power meter")}, last.right+30, last.right+84, highRow)[0]
		s.line(1.2, soft, last.right, highRow+6, p.left, highRow+6)
		s.line(1.2, soft, last.right, highRow-6, p.left, highRow-6)
	}
	if b.Interlock != nil {
		s.text(sketchRight, highRow+boxHigh/2+12, draw.XRight, soft, 8.5,
			s.cut("interlock "+name(b.Interlock.ID, "")+prefixed(", ", b.Interlock.Description), 8.5, 320))
	}
}

// measurement draws the chain from the probe up to the analyser.
func (s sketcher) measurement(probe, clamp vg.Length) {
	b := s.b
	if b.Probe == nil {
		return
	}
	chain := roomy(sketchRight-rightX+boxWide/3, func(most int) []piece {
		list := parts(b.ToAnalyser, most)
		if b.Analyser != nil {
			list = append(list, instrument(b.Analyser.Identity, "analyser"))
		}
		return list
	})
	if len(chain) == 0 {
		return
	}
	s.lineArrow(before, probe, cableY+16, probe, lowRow-boxHigh/2)
	if probe < clamp {
		s.row(reversed(chain), dutLeft+80, probe, lowRow)
		return
	}
	s.rowOn(chain, probe, sketchRight, lowRow)
}

func reversed(list []piece) []piece {
	out := slices.Clone(list)
	slices.Reverse(out)
	return out
}

// placed is where a box stands.
type placed struct{ left, middle, right vg.Length }

const (
	boxGap  = vg.Length(15)
	boxWide = vg.Length(104) // of an instrument, at most
)

// row draws boxes from left to right, joined by lines, so that the middle of the last one stands at
// an end and none lies left of a limit.
func (s sketcher) row(list []piece, left, end, y vg.Length) []placed {
	half := vg.Length(weight(list[len(list)-1]) / 2)
	rest := vg.Length(total(list)) - half
	unit := min((end-left-boxGap*vg.Length(len(list)-1))/rest, boxWide)
	return s.boxes(list, end-unit*rest-boxGap*vg.Length(len(list)-1), unit, y)
}

// rowOn draws boxes from left to right so that the middle of the first one stands at a start and
// none lies right of a limit.
func (s sketcher) rowOn(list []piece, start, right, y vg.Length) []placed {
	half := vg.Length(weight(list[0]) / 2)
	unit := min((right-start-boxGap*vg.Length(len(list)-1))/(vg.Length(total(list))-half), boxWide)
	return s.boxes(list, start-unit*half, unit, y)
}

func (s sketcher) boxes(list []piece, x, unit, y vg.Length) []placed {
	var out []placed
	for i, p := range list {
		w := unit * vg.Length(weight(p))
		fill := partIn
		if p.wide {
			fill = gearIn
		}
		s.block(x, y-boxHigh/2, w, boxHigh, fill)
		s.words(x, y-boxHigh/2, w, boxHigh, p.lines)
		if i > 0 {
			s.line(1.4, ink, x-boxGap, y, x, y)
		}
		out = append(out, placed{x, x + w/2, x + w})
		x += w + boxGap
	}
	return out
}

func total(list []piece) (sum float64) {
	for _, p := range list {
		sum += weight(p)
	}
	return sum
}

func weight(p piece) float64 {
	if p.wide {
		return 1
	}
	return 0.62
}

// words writes lines into a box, the first in ink and the others softer, each as long as fits.
func (s sketcher) words(x, y, w, h vg.Length, texts []string) {
	const size, lead = 8.2, vg.Length(9.6)
	var lines []string
	room := int((h - 4) / lead)
	for i, t := range texts {
		if t == "" {
			continue
		}
		most := room - len(lines) - (count(texts[i+1:]))
		if i == 0 {
			most = 1
		}
		lines = append(lines, s.wrap(t, size, w-6, most)...)
	}
	top := y + h/2 + lead*vg.Length(len(lines))/2 - lead + 2.2
	for i, l := range lines {
		col := soft
		if i == 0 {
			col = ink
		}
		s.text(x+w/2, top-lead*vg.Length(i), draw.XCenter, col, size, l)
	}
}

func count(texts []string) (n int) {
	for _, t := range texts {
		if t != "" {
			n++
		}
	}
	return n
}

// wrap breaks a text into at most so many lines of a width. One that does not fit ends in the number of the note that
// has it whole.
func (s sketcher) wrap(text string, size float64, w vg.Length, most int) []string {
	text = printable(text, len(text))
	list := strings.Fields(text)
	if most < 1 || len(list) == 0 {
		return nil
	}
	if lines := s.broken(list, size, w); len(lines) <= most && lines != nil {
		return lines
	}
	note := slices.Index(*s.notes, text)
	if note < 0 {
		note = len(*s.notes)
		*s.notes = append(*s.notes, text)
	}
	for n := min(len(list)-1, 40); n > 0; n-- {
		if lines := s.broken(append(list[:n:n], noteMark(note)), size, w); len(lines) <= most && lines != nil {
			return lines
		}
	}
	return []string{noteMark(note)}
}

// broken breaks words into lines of a width; nil where one of them is wider.
func (s sketcher) broken(list []string, size float64, w vg.Length) (lines []string) {
	style := draw.TextStyle{Font: lettering(size), Handler: textHandler}
	line := ""
	for _, word := range list {
		if len(word) > 160 || style.Width(word) > w {
			return nil
		}
		if longer := strings.TrimSpace(line + " " + word); style.Width(longer) <= w {
			line = longer
			continue
		}
		lines, line = append(lines, line), word
	}
	return append(lines, line)
}

// cut is wrap for one line.
func (s sketcher) cut(text string, size float64, w vg.Length) string {
	return strings.Join(s.wrap(text, size, w, 1), "")
}

func (s sketcher) text(x, y vg.Length, align draw.XAlignment, col color.Color, size float64, text string) {
	style := draw.TextStyle{Color: col, Font: lettering(size), XAlign: align, Handler: textHandler}
	s.c.FillText(style, vg.Point{X: x, Y: y}, printable(text, len(text)))
}

func (s sketcher) block(x, y, w, h vg.Length, fill color.Color) {
	fillBox(s.c, x, y, w, h, fill)
	s.c.SetLineStyle(draw.LineStyle{Color: ink, Width: 0.8})
	s.c.Stroke(box(x, y, w, h))
}

func (s sketcher) line(w vg.Length, col color.Color, x0, y0, x1, y1 vg.Length) {
	s.c.StrokeLine2(draw.LineStyle{Color: col, Width: w}, x0, y0, x1, y1)
}

func (s sketcher) dashed(x0, y0, x1, y1 vg.Length) {
	s.c.StrokeLine2(draw.LineStyle{Color: soft, Width: 1, Dashes: []vg.Length{3, 2}}, x0, y0, x1, y1)
}

// lineArrow draws a line with a head at its end.
func (s sketcher) lineArrow(col color.Color, x0, y0, x1, y1 vg.Length) {
	s.line(1.4, col, x0, y0, x1, y1)
	s.head(col, x0, y0, x1, y1)
}

func (s sketcher) head(col color.Color, x0, y0, x1, y1 vg.Length) {
	const long, wide = 5.0, 2.3
	a := math.Atan2(float64(y1-y0), float64(x1-x0))
	at := func(along, aside float64) vg.Point {
		return vg.Point{
			X: x1 - vg.Length(along*math.Cos(a)+aside*math.Sin(a)),
			Y: y1 - vg.Length(along*math.Sin(a)-aside*math.Cos(a)),
		}
	}
	var p vg.Path
	p.Move(vg.Point{X: x1, Y: y1})
	p.Line(at(long, wide))
	p.Line(at(long, -wide))
	p.Close()
	s.c.SetColor(col)
	s.c.Fill(p)
}

// across draws a distance along the cable with its words above the line.
func (s sketcher) across(x0, x1, y vg.Length, words string) {
	s.line(0.6, soft, x0, y-4, x0, y+4)
	s.line(0.6, soft, x1, y-4, x1, y+4)
	s.line(0.6, soft, x0, y, x1, y)
	s.head(soft, x1, y, x0, y)
	s.head(soft, x0, y, x1, y)
	s.text((x0+x1)/2, y+3, draw.XCenter, ink, 8.5, s.cut(words, 8.5, x1-x0-8))
}

// upright draws a height with its words beside the line.
func (s sketcher) upright(x, y0, y1 vg.Length, words string) {
	s.line(0.6, soft, x, y0, x, y1)
	s.head(soft, x, y0, x, y1)
	s.head(soft, x, y1, x, y0)
	s.text(x-5, (y0+y1)/2-6, draw.XRight, ink, 8.5, "height "+words)
}

func name(id, other string) string { return cmp.Or(id, other) }

func prefixed(prefix, s string) string {
	if s == "" {
		return ""
	}
	return prefix + s
}

// lengthOr prints a length, or that it is not stated.
func lengthOr(prefix string, l rf.Length) string {
	if l <= 0 {
		return prefix + "not stated"
	}
	return prefix + l.String()
}
