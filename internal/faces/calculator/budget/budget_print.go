package budget

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// mostRows is how many frequencies are printed without --all.
const mostRows = 12

// rows thins the points for print: of each group of neighbours the one that is worst.
func (s Sheet) rows(all bool) []point {
	if all || len(s.Points) <= mostRows {
		return s.Points
	}
	size := (len(s.Points) + mostRows - 1) / mostRows
	var out []point
	for i := 0; i < len(s.Points); i += size {
		group := s.Points[i:min(i+size, len(s.Points))]
		worst := group[0]
		for _, p := range group {
			if p.badness() > worst.badness() {
				worst = p
			}
		}
		out = append(out, worst)
	}
	return out
}

// badness orders points: no safe setting first, then the least margin, then the least current.
func (p point) badness() float64 {
	switch {
	case p.Drive == nil:
		return math.Inf(1)
	case p.Margin != nil:
		return 1000 - *p.Margin
	case p.Current != nil:
		return -p.Current.Value
	}
	return math.Inf(-1)
}

// answer is the budget in a line or two: is the level reached, where is least to spare, and what stands in the way.
func (s Sheet) answer(out io.Writer) {
	worst, short, computed := -1, 0, 0
	for i, p := range s.Points {
		if p.Drive == nil {
			continue
		}
		computed++
		if p.Margin != nil && *p.Margin < 0 {
			short++
		}
		if worst < 0 || p.badness() > s.Points[worst].badness() {
			worst = i
		}
	}
	if worst < 0 {
		return // the table says why at each frequency
	}
	p := s.Points[worst]
	limit := ""
	if by := p.limit(); by != nil {
		limit = fmt.Sprintf("; more is held by %s, %s", by.ID, by.Place)
	}
	switch {
	case p.Margin == nil:
		fmt.Fprintf(out, "least is reached at %s: %s%s\n", p.Frequency.Text, p.Current.Text, limit)
	case short > 0:
		fmt.Fprintf(out, "%s%s\n", reach(short, computed, p.Frequency.Text, rf.Gain(-*p.Margin)), limit)
	default:
		fmt.Fprintf(out, "%s; least to spare at %s: %.1f dB%s\n", reach(0, computed, "", 0), p.Frequency.Text,
			*p.Margin, limit)
	}
	if n := len(s.Points) - computed; n > 0 {
		fmt.Fprintf(out, "no safe setting at %s\n", english.Count(n, "frequency", "frequencies"))
	}
	fmt.Fprintln(out)
}

// Print writes the budget for a person: the answer, the table over frequency, then what was looked at closely.
func (s Sheet) Print(out io.Writer, all bool) error {
	s.answer(out)
	fmt.Fprintf(out, "budget of %s, clamp %s, %s\n", s.Bench, map[string]string{"cable": "on the cable",
		"jig50": "in a jig of 50 + 50 Ω", "jig150": "in a jig of 150 + 150 Ω"}[s.Fixture], s.Modulation)
	fmt.Fprint(out, "settings and currents are of the unmodulated carrier\n\n")
	rows := s.rows(all)
	tw := terminal.Table(out)
	set := s.setFor()
	header := "frequency\tsafe setting" + set + "\tinto 50 Ω\tlimited by\tgives\trange\tU"
	if s.looped() {
		header += "\tclosed loop: up to" + set + "\tgives\tlimited by"
	}
	if s.wants() {
		header += "\twanted\tmargin\tneeds" + set
	}
	fmt.Fprintln(tw, header)
	for _, p := range rows {
		fmt.Fprintln(tw, p.row(set))
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	if s.looped() {
		fmt.Fprintln(out,
			"safe setting: within every rating at the high end of the cable's range; closed loop, as the "+
				"reading allows: up to the setting beside it, at the expected current")
	}
	if s := s.sureness(); s != "" {
		fmt.Fprintln(out, s)
	}
	if len(rows) < len(s.Points) {
		fmt.Fprintf(out, "%d frequencies computed; of each group of neighbours the worst is shown, --all shows every "+
			"one\n", len(s.Points))
	}
	for _, at := range s.At {
		if err := at.print(out); err != nil {
			return err
		}
	}
	if e := s.estimate(); e != "" {
		fmt.Fprintf(out, "\n%s\n", e)
	}
	for _, p := range s.Warnings.Folded() {
		fmt.Fprintln(out, p)
	}
	return nil
}

// setFor is what every setting of the table says of the load it is set for: it then stands in the
// heading.
func (s Sheet) setFor() string {
	common := ""
	for i, p := range s.Points {
		if p.Setting == "" {
			continue
		}
		at := strings.Index(p.Setting, " (")
		if at < 0 || i > 0 && common != "" && p.Setting[at:] != common {
			return ""
		}
		common = p.Setting[at:]
	}
	return common
}

// wants reports that a level is wanted at any frequency.
func (s Sheet) wants() bool {
	for _, p := range s.Points {
		if p.Wanted != nil {
			return true
		}
	}
	return false
}

// looped reports that a closed loop levels.
func (s Sheet) looped() bool {
	return slices.ContainsFunc(s.Points, func(p point) bool { return p.Looped != nil })
}

// sureness says what U is.
func (s Sheet) sureness() string {
	most := 0
	for _, p := range s.Points {
		if p.U == nil {
			continue
		}
		most = max(most, p.Assumed)
		if p.Assumed == 0 {
			return "U: of the current once it is measured, confidence 95 %, from the bench file's own data"
		}
	}
	if most == 0 {
		return ""
	}
	return fmt.Sprintf("U: of the current once it is measured, confidence 95 %%; %s assumed, not the bench's own: "+
		"provoke uncertainty names them", english.Count(most, "contribution is", "contributions are"))
}

func (s Sheet) estimate() string {
	for _, p := range s.Points {
		if p.Estimate != "" {
			return p.Estimate
		}
	}
	return ""
}

// row is a point as cells; what stands in the heading already is left out of the settings.
func (p point) row(inHeading string) string {
	if p.Error != "" {
		return fmt.Sprintf("%s\tnone\t\t%s", p.Frequency.Text, p.Error)
	}
	limit := ""
	if p.LimitedBy != nil {
		limit = p.LimitedBy.ID + ", " + p.LimitedBy.Place
	}
	// Beyond the 1 dB point the current no longer follows the drive and harmonics rise: advice.
	if p.Compression != nil && *p.Compression > 1 {
		limit += fmt.Sprintf("; compressed by %.1f dB", *p.Compression)
	}
	u := "–"
	if p.U != nil {
		u = fmt.Sprintf("± %.1f dB", *p.U)
	}
	row := fmt.Sprintf("%s\t%s\t%s\t%s\t%s\t%s\t%s", p.Frequency.Text, strings.TrimSuffix(p.Setting, inHeading),
		p.Drive.Text, limit, p.Current.Words(), rangeText(p.Low, p.High), u)
	if l := p.Looped; l != nil {
		row += fmt.Sprintf("\t%s\t%s\t%s, %s", strings.TrimSuffix(l.Setting, inHeading), l.Current.Words(),
			l.LimitedBy.ID, l.LimitedBy.Place)
	}
	if p.Wanted == nil {
		return row
	}
	margin, needs := "", "more than the generator and amplifier give"
	if p.Margin != nil {
		margin = fmt.Sprintf("%+.1f dB", *p.Margin)
	}
	if p.SettingWanted != "" {
		needs = strings.TrimSuffix(p.SettingWanted, inHeading)
	}
	return row + fmt.Sprintf("\t%s\t%s\t%s", p.Wanted.Text, margin, needs)
}

func (a nodesAt) print(out io.Writer) error {
	fmt.Fprintf(out, "\nat %s with the generator at %s = %s into 50 Ω: %s", a.Frequency.Text, a.Setting, a.Drive.Text,
		a.Current.Words())
	if s := rangeText(a.Low, a.High); s != "" {
		fmt.Fprintf(out, " (%s)\ncrest and mean from the current on are at the high end of that range", s)
	}
	fmt.Fprintln(out)
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "  id\tplace\tcarrier\tat the crest\tmean\trating\tnot measured\theadroom\t")
	for _, n := range a.Nodes {
		rating, unsure, headroom := "–", "–", "–"
		if n.Rating != nil {
			rating = n.Rating.Text + " " + counted(n.RatedAs, n.Rating)
			unsure = fmt.Sprintf("%.1f dB", *n.Unsure)
		}
		if n.Headroom != nil {
			headroom = fmt.Sprintf("%.1f dB", *n.Headroom)
		}
		note := n.Note
		if !n.Within {
			note = "NOT WITHIN " + note
		}
		fmt.Fprintf(tw, "  %s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", n.ID, n.Place, n.Carrier.Words(), n.Peak.Words(),
			n.Mean.Words(), rating, unsure, headroom, note)
	}
	return tw.Flush()
}
