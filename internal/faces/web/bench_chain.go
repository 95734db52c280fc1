package web

import (
	"fmt"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/model/chain"
	"provoke/internal/units/english"
)

// chainPart is the chain drawn as a person at the bench sees it: the path out to the product, the meter at the
// coupler, and the probe's path below the cable.
type chainPart struct {
	At, Drive, Setting, Current, Range, Estimate string
	Out, Meter, Back                             []chainBlock
	Rows                                         []chainRow
	Within                                       bool
	Fits                                         string // class of a path that can stand in one row; empty otherwise
}

// chainBlock is one piece, with the rating of it that has the least headroom.
type chainBlock struct {
	ID, Kind, Figure, Small string
	Worst, Over             bool
	Place                   string // classes: column and row where the path fits in one row, and its lines
}

// chainRow is one rating along the chain, in full.
type chainRow struct {
	ID, Place, Carrier, Peak, Mean, Rating, RatedAs, Headroom, Note string
	Worst, Over                                                     bool
}

// chainPartOf words a prediction. The rating with the least headroom is marked.
func chainPartOf(b *catalog.Bench, p chain.Prediction) *chainPart {
	out := &chainPart{At: p.Frequency.String(), Drive: p.Drive.String(), Setting: b.Source.Setting(p.Drive),
		Current: p.Current.String(),
		Range:   p.Low.String() + " to " + p.High.String(), Estimate: p.Estimate, Within: p.Within()}
	worst := p.Tightest()
	for _, n := range p.Nodes {
		row := chainRow{ID: n.ID, Place: n.Place, Carrier: n.Carrier.String(), Peak: n.Peak.String(),
			Mean: n.Mean.String(), Rating: n.Rating.String(), RatedAs: n.Counted(),
			Headroom: headroom(n), Note: n.Remark(), Over: !n.Within, Worst: n.ID == worst.ID && n.Place == worst.Place}
		if n.Rating.Absent() {
			row.Rating = "none given"
		}
		out.Rows = append(out.Rows, row)
	}
	d := drawn{nodes: p.Nodes, worst: worst}
	d.path(b, out)
	return out
}

// drawn makes the blocks of a chain.
type drawn struct {
	nodes []chain.Node
	worst chain.Node
}

// path lays the blocks out.
func (d drawn) path(b *catalog.Bench, out *chainPart) {
	passives := func(list []catalog.Passive) (blocks []chainBlock) {
		for _, q := range list {
			blocks = append(blocks, d.block(q.Identity, q.Kind))
		}
		return blocks
	}
	out.Out = append([]chainBlock{d.block(b.Source.Identity, "generator")}, passives(b.ToAmplifier)...)
	if b.Amplifier != nil {
		out.Out = append(out.Out, d.block(b.Amplifier.Identity, "amplifier"))
	}
	out.Out = append(out.Out, passives(b.ToClamp)...)
	coupler := 0
	if b.Coupler != nil {
		out.Out = append(out.Out, d.block(b.Coupler.Identity, "coupler"))
		coupler = len(out.Out)
	}
	out.Out = append(out.Out, d.block(b.Clamp.Identity, "injection clamp"), d.block(b.Cable.Identity, "cable"))
	cable := len(out.Out)
	product := chainBlock{ID: b.DUT.ID, Kind: "product", Small: english.Count(len(b.Monitors), "monitor", "monitors")}
	if b.DUT.Port != "" {
		product.Kind += ", " + b.DUT.Port
	}
	out.Out = append(out.Out, product)
	if b.PowerMeter != nil && coupler > 0 {
		out.Meter = []chainBlock{d.block(b.PowerMeter.Identity, "power meter at "+b.Coupler.ID)}
	}
	if b.Probe != nil {
		out.Back = append([]chainBlock{d.block(b.Probe.Identity, "current probe on "+b.Cable.ID)},
			passives(b.ToAnalyser)...)
		if b.Analyser != nil {
			out.Back = append(out.Back, d.block(b.Analyser.Identity, "analyser"))
		}
	}
	out.place(coupler, cable)
}

// place gives the blocks their columns and rows: the probe's path goes to the right below the cable, then turns.
func (c *chainPart) place(coupler, cable int) {
	n := len(c.Out)
	for most, class := range map[int]string{8: "short", 10: "middle", 12: "long"} {
		if n <= most && n > most-2 || n <= 8 && most == 8 {
			c.Fits = fmt.Sprintf("n%d %s", n, class)
		}
	}
	if len(c.Back) > 6 {
		c.Fits = ""
	}
	put := func(b *chainBlock, column, row int, right, down bool) {
		b.Place = fmt.Sprintf("c%d r%d", column, row)
		if right {
			b.Place += " right"
		}
		if down {
			b.Place += " down"
		}
	}
	for i := range c.Out {
		put(&c.Out[i], i+1, 1, i < n-1, i+1 == coupler && c.Meter != nil || i+1 == cable && c.Back != nil)
	}
	for i := range c.Meter {
		put(&c.Meter[i], coupler, 2, false, false)
	}
	column, row, step := cable, 2, 1
	for i := range c.Back {
		last := i == len(c.Back)-1
		turns := step > 0 && column == n && !last
		put(&c.Back[i], column, row, step > 0 && !turns && !last || step < 0 && column < n, turns)
		if turns {
			row, step = row+1, -1
		} else {
			column += step
		}
	}
}

// block is a piece with the least headroom of its ratings.
func (d drawn) block(id catalog.Identity, kind string) chainBlock {
	b := chainBlock{ID: id.ID, Kind: kind}
	var tight *chain.Node
	for i, n := range d.nodes {
		if n.ID != id.ID {
			continue
		}
		b.Worst = b.Worst || n.ID == d.worst.ID
		b.Over = b.Over || !n.Within
		if tight == nil || !n.Within && tight.Within || n.Within == tight.Within && n.Headroom.Finite() &&
			!(tight.Headroom <= n.Headroom) {
			tight = &d.nodes[i]
		}
	}
	if tight == nil {
		b.Figure, b.Small = "–", "no rating looked at"
		return b
	}
	b.Figure, b.Small = headroom(*tight), leftOf(*tight)
	return b
}

// leftOf words a level and its rating: "34.3 of 37.1 dBm", with what is not measured where that counts.
func leftOf(n chain.Node) string {
	if n.Rating.Absent() {
		return n.Note
	}
	rating, unit, _ := strings.Cut(n.Rating.String(), " ")
	at := strings.TrimSuffix(n.Compared().String(), " "+unit)
	if n.Unsure >= 0.05 {
		at += fmt.Sprintf(" + %.1f", n.Unsure.DB())
	}
	return strings.ReplaceAll(at+" of "+rating+" "+unit, "-", "−")
}
