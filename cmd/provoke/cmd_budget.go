package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

type budgetCommand struct {
	Bench      string         `arg:"" name:"bench.yaml" help:"Bench file."`
	Plan       string         `arg:"" optional:"" name:"plan.yaml" help:"Plan file: its frequencies, level, modulation and fixture."`
	At         []rf.Frequency `placeholder:"FREQUENCY" help:"Look at this frequency closely, at every node. May be repeated."`
	Drive      string         `placeholder:"LEVEL" help:"Generator setting for --at, as the generator counts it (default: the safe setting)."`
	AM         rf.Fraction    `name:"am" placeholder:"DEPTH" help:"Amplitude modulation of this depth, e.g. 80%."`
	Modulation string         `placeholder:"TEXT" help:"Modulation in words, e.g. \"pulse 1 kHz 50 %\"."`
	Fixture    string         `enum:"cable,jig50,jig150," default:"" help:"What the clamp is closed around: cable, jig50, jig150 (default: the plan's, else cable)."`
	All        bool           `help:"Print every frequency."`
	JSON       bool           `name:"json" help:"Print the documented JSON shape."`
}

// Help is the long help.
func (budgetCommand) Help() string {
	return `Computes only; touches no instrument. For each frequency: the largest generator setting at which every rating is kept
(at the crest of the modulation's envelope: of a current its r.m.s. value there; at the high end of the cable's range), what stands in the way of more, the current
that it gives, and with a plan the level wanted and how far the current is above it. A closed loop reads the current before
each raise and may go further where the reading allows: how far, at the expected current, stands beside the safe setting, and
the margin is that of the closed loop. The level means the unmodulated carrier. With --at every node of the chain is shown with its headroom.

Ends with exit code 4 when --drive exceeds a rating, or when no setting is shown to be safe at any frequency.

--json prints {"bench","hash","fixture","modulation","points":[{"frequency","drive","setting","limited_by":{"id","place",
"note"},"current","low","high","looped":{"drive","setting","limited_by","current"},"wanted","margin_db","compression_db","u_db","u_assumed","drive_wanted","setting_wanted","error","estimate"}],"at":[{"frequency",
"drive","setting","forward","current","low","high","reading","compression_db","within","nodes":[{"id","place","carrier",
"peak","mean","rated_as","rating","headroom_db","within","note"}]}],"warnings":[...]}. looped is null without a closed loop. Quantities are null where they are
not known; headroom_db is null where a rating is not given.`
}

// budget is what the command works with.
type budget struct {
	bench      *catalog.Bench
	chain      *chain.Chain
	plan       *plan.Plan
	fixture    catalog.Fixture
	modulation level.Modulation
	crest      chain.Crest
	warnings   problem.List
}

// Run computes and prints the budget.
func (c *budgetCommand) Run(w *terminal.World) error {
	b, err := c.load()
	if err != nil {
		return err
	}
	sheet := budgetSheet{Bench: b.bench.Name, Hash: b.bench.Hash, Fixture: string(b.fixture), Modulation: b.modulation.String(),
		Points: []budgetPoint{}, At: []budgetAt{}, Warnings: b.warnings}
	for _, f := range b.frequencies(c.At) {
		sheet.Points = append(sheet.Points, b.point(f))
	}
	var refused error
	for _, f := range c.At {
		at, over, err := b.closely(f, c.Drive)
		if err != nil {
			return err
		}
		if c.Drive != "" && over != nil {
			refused = terminal.WithCode(terminal.ExitRefused, errors.Join(refused, fmt.Errorf("%s at %v is more than the bench stands:\n%w", c.Drive, f, over)))
		}
		sheet.At = append(sheet.At, at)
	}
	if sheet.nowhere() && refused == nil {
		refused = terminal.WithCode(terminal.ExitRefused, errors.New("no generator setting is shown to be safe at any frequency"))
	}
	if c.JSON {
		err = terminal.PrintJSON(w.Stdout, sheet)
	} else {
		err = terminal.OnPage(w.Stdout, func(out io.Writer) error { return sheet.print(out, c.All) })
	}
	return errors.Join(err, refused)
}

func (c *budgetCommand) load() (*budget, error) {
	if c.Drive != "" && len(c.At) == 0 {
		return nil, terminal.WithCode(terminal.ExitUsage, errors.New("--drive says nothing without --at FREQUENCY"))
	}
	bench, list, err := loadBench(c.Bench)
	if err != nil {
		return nil, err
	}
	b := &budget{bench: bench, chain: chain.New(bench), fixture: catalog.OnCable, warnings: list.Warnings()}
	if b.warnings == nil {
		b.warnings = problem.List{}
	}
	if c.Plan != "" {
		if b.plan, list, err = loadPlanAlone(c.Plan); err != nil {
			return nil, err
		}
		b.warnings = append(b.warnings, list.Warnings()...)
		b.fixture, b.modulation = b.plan.Fixture, b.plan.Modulation
	}
	if c.Fixture != "" {
		b.fixture = catalog.Fixture(c.Fixture)
	}
	if err := c.modulate(b); err != nil {
		return nil, terminal.WithCode(terminal.ExitUsage, err)
	}
	b.crest = chain.CrestOfLevel(b.modulation)
	return b, nil
}

// loadPlanAlone reads a plan file without the bench that it names.
func loadPlanAlone(file string) (*plan.Plan, problem.List, error) {
	data, err := terminal.ReadText(file)
	if err != nil {
		return nil, nil, fmt.Errorf("read the plan file: %w", err)
	}
	p, list := plan.Parse(file, data, beside(file))
	return p, list, list.Err()
}

func (c *budgetCommand) modulate(b *budget) error {
	switch {
	case c.AM != 0 && c.Modulation != "":
		return errors.New("--am and --modulation say the same thing; give one")
	case c.AM != 0:
		if c.AM < 0 || c.AM > 1 {
			return fmt.Errorf("--am %v is not between 0 %% and 100 %%", c.AM)
		}
		b.modulation = level.Modulation{Kind: level.AM, Depth: c.AM, Rate: rf.Kilohertz, Hold: level.CarrierHeld}
	case c.Modulation != "":
		m, err := level.ParseEnvelope(c.Modulation)
		if err != nil {
			return err
		}
		b.modulation = m
	}
	if b.plan != nil {
		b.modulation = b.plan.Profile.Convention(b.modulation)
	}
	return nil
}

// frequencies returns those that were asked for, else the plan's, else 1-2-5 steps over the band.
func (b *budget) frequencies(asked []rf.Frequency) []rf.Frequency {
	switch {
	case len(asked) > 0:
		return asked
	case b.plan != nil:
		return b.plan.Grid
	}
	band, _, _ := b.chain.Span(b.fixture)
	if !band.Low.Known() {
		return nil
	}
	out := []rf.Frequency{band.Low}
	for e := math.Floor(math.Log10(band.Low.Hz())); e <= math.Log10(band.High.Hz()); e++ {
		for _, m := range []float64{1, 1.5, 2, 3, 5, 7} {
			if f := rf.Frequency(m * math.Pow(10, e)); f > band.Low*1.001 && f < band.High*0.999 {
				out = append(out, f)
			}
		}
	}
	if band.High > band.Low {
		out = append(out, band.High)
	}
	return out
}

// budgetSheet is the budget as it is printed.
type budgetSheet struct {
	Bench      string        `json:"bench"`
	Hash       string        `json:"hash"`
	Fixture    string        `json:"fixture"`
	Modulation string        `json:"modulation"`
	Points     []budgetPoint `json:"points"`
	At         []budgetAt    `json:"at"`
	Warnings   problem.List  `json:"warnings"`
}

// budgetPoint is the safe setting at one frequency and what it gives.
type budgetPoint struct {
	Frequency     *rf.Quantity `json:"frequency"`
	Drive         *rf.Quantity `json:"drive"`
	Setting       string       `json:"setting,omitempty"`
	LimitedBy     *budgetLimit `json:"limited_by"`
	Current       *rf.Quantity `json:"current"`
	Low           *rf.Quantity `json:"low"`
	High          *rf.Quantity `json:"high"`
	Looped        *budgetLoop  `json:"looped"`
	Wanted        *rf.Quantity `json:"wanted"`
	Margin        *float64     `json:"margin_db"`
	Compression   *float64     `json:"compression_db"`
	U             *float64     `json:"u_db"` // of the current once it is measured; null without probe and analyser
	Assumed       int          `json:"u_assumed"`
	DriveWanted   *rf.Quantity `json:"drive_wanted"`
	SettingWanted string       `json:"setting_wanted,omitempty"`
	Error         string       `json:"error,omitempty"`
	Estimate      string       `json:"estimate,omitempty"`
}

// budgetLoop is how far a closed loop may go beyond the safe setting, as its reading allows.
type budgetLoop struct {
	Drive     *rf.Quantity `json:"drive"`
	Setting   string       `json:"setting"`
	LimitedBy budgetLimit  `json:"limited_by"`
	Current   *rf.Quantity `json:"current"`
}

// limit is what holds more: of the closed loop, where there is one.
func (p budgetPoint) limit() *budgetLimit {
	if p.Looped != nil {
		return &p.Looped.LimitedBy
	}
	return p.LimitedBy
}

type budgetLimit struct {
	ID    string `json:"id"`
	Place string `json:"place"`
	Note  string `json:"note,omitempty"`
}

// budgetAt is the whole chain at one frequency and drive.
type budgetAt struct {
	Frequency   *rf.Quantity `json:"frequency"`
	Drive       *rf.Quantity `json:"drive"`
	Setting     string       `json:"setting"`
	Forward     *rf.Quantity `json:"forward"`
	Current     *rf.Quantity `json:"current"`
	Low         *rf.Quantity `json:"low"`
	High        *rf.Quantity `json:"high"`
	Reading     *rf.Quantity `json:"reading"`
	Compression *float64     `json:"compression_db"`
	Within      bool         `json:"within"`
	Estimate    string       `json:"estimate,omitempty"`
	Nodes       []budgetNode `json:"nodes"`
}

type budgetNode struct {
	ID       string       `json:"id"`
	Place    string       `json:"place"`
	Carrier  *rf.Quantity `json:"carrier"`
	Peak     *rf.Quantity `json:"peak"`
	Mean     *rf.Quantity `json:"mean"`
	RatedAs  string       `json:"rated_as"`
	Rating   *rf.Quantity `json:"rating"`
	Unsure   *float64     `json:"not_measured_db"`
	Headroom *float64     `json:"headroom_db"`
	Within   bool         `json:"within"`
	Note     string       `json:"note,omitempty"`
}

// point computes one line of the table over frequency.
func (b *budget) point(f rf.Frequency) budgetPoint {
	p := budgetPoint{Frequency: f.Quantity()}
	var wanted rf.Current
	if b.plan != nil && b.plan.Mode != plan.ConstantDrive {
		if ask, err := b.plan.Profile.At(f); err == nil {
			wanted = ask.Current
			p.Wanted = wanted.Quantity()
		}
		if drive, err := b.chain.DriveFor(f, wanted, b.fixture); err == nil {
			p.DriveWanted, p.SettingWanted = drive.Quantity(), b.bench.Source.Setting(drive)
		}
	}
	drive, limit, err := b.chain.SafeDrive(f, b.crest, b.fixture)
	if limit.ID != "" {
		p.LimitedBy = &budgetLimit{limit.ID, limit.Place, limit.Note}
	}
	if err != nil {
		p.Error = err.Error()
		return p
	}
	p.Drive, p.Setting = drive.Quantity(), b.bench.Source.Setting(drive)
	got, err := b.chain.Predict(f, drive, b.crest, b.fixture)
	if err != nil {
		p.Error = err.Error()
		return p
	}
	if u, err := uncertainty.OfCurrent(b.bench, f, uncertainty.Conditions{}, uncertainty.DefaultConfidence); err == nil {
		p.U, p.Assumed = rf.OrNull(u.U(), 3), len(u.Assumed())
	}
	p.Current, p.Low, p.High, p.Estimate = got.Current.Quantity(), got.Low.Quantity(), got.High.Quantity(), got.Estimate
	p.Compression = rf.OrNull(got.Compression, 3)
	reached := got.Current
	if b.plan != nil && b.plan.Mode == plan.ClosedLoop {
		if p.Looped, reached, err = b.looped(f); err != nil {
			p.Error = err.Error()
			return p
		}
	}
	margin, _ := reached.Minus(wanted)
	p.Margin = rf.OrNull(margin, 3)
	return p
}

// looped computes how far a closed loop may go, and the current that is expected there.
func (b *budget) looped(f rf.Frequency) (*budgetLoop, rf.Current, error) {
	drive, limit, err := b.chain.SafeDriveLooped(f, b.crest, b.fixture)
	if err != nil {
		return nil, rf.Current{}, err
	}
	got, err := b.chain.Predict(f, drive, b.crest, b.fixture)
	return &budgetLoop{drive.Quantity(), b.bench.Source.Setting(drive), budgetLimit{limit.ID, limit.Place, limit.Note}, got.Current.Quantity()}, got.Current, err
}

// closely computes every node at one frequency; over names the nodes that are not within a rating.
func (b *budget) closely(f rf.Frequency, setting string) (at budgetAt, over, failed error) {
	var drive rf.Power
	var err error
	if setting != "" {
		if drive, err = b.bench.Source.ParseSetting(setting); err != nil {
			return at, nil, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--drive: %w", err))
		}
	} else if drive, _, err = b.chain.SafeDrive(f, b.crest, b.fixture); errors.Is(err, chain.ErrForbidden) {
		drive = b.bench.Source.Minimum
	} else if err != nil {
		return at, nil, err
	}
	p, err := b.chain.Predict(f, drive, b.crest, b.fixture)
	if err != nil {
		return at, nil, err
	}
	at = budgetAt{Frequency: f.Quantity(), Drive: drive.Quantity(), Setting: b.bench.Source.Setting(drive), Forward: p.Forward.Quantity(),
		Current: p.Current.Quantity(), Low: p.Low.Quantity(), High: p.High.Quantity(), Reading: p.Reading.Quantity(),
		Compression: rf.OrNull(p.Compression, 3), Within: p.Within(), Estimate: p.Estimate}
	for _, n := range p.Nodes {
		at.Nodes = append(at.Nodes, budgetNode{n.ID, n.Place, n.Carrier.Quantity(), n.Peak.Quantity(), n.Mean.Quantity(),
			n.RatedAs, n.Rating.Quantity(), rf.OrNull(n.Unsure, 3), rf.OrNull(n.Headroom, 3), n.Within, n.Note})
		over = errors.Join(over, n.Refusal())
	}
	return at, over, nil
}

// nowhere reports that no frequency has a safe setting.
func (s budgetSheet) nowhere() bool {
	for _, p := range s.Points {
		if p.Drive != nil {
			return false
		}
	}
	return true
}

// mostRows is how many frequencies are printed without --all.
const mostRows = 12

// rows thins the points for print: of each group of neighbours the one that is worst.
func (s budgetSheet) rows(all bool) []budgetPoint {
	if all || len(s.Points) <= mostRows {
		return s.Points
	}
	size := (len(s.Points) + mostRows - 1) / mostRows
	var out []budgetPoint
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
func (p budgetPoint) badness() float64 {
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
func (s budgetSheet) answer(out io.Writer) {
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
		fmt.Fprintf(out, "the level wanted is not reached at %d of %d frequencies; most is missing at %s: %.1f dB%s\n", short, computed, p.Frequency.Text, -*p.Margin, limit)
	default:
		fmt.Fprintf(out, "the level wanted is reached at %s; least to spare at %s: %.1f dB%s\n", english.Count(computed, "frequency", "frequencies"), p.Frequency.Text, *p.Margin, limit)
	}
	if n := len(s.Points) - computed; n > 0 {
		fmt.Fprintf(out, "no safe setting at %s\n", english.Count(n, "frequency", "frequencies"))
	}
	fmt.Fprintln(out)
}

func (s budgetSheet) print(out io.Writer, all bool) error {
	s.answer(out)
	fmt.Fprintf(out, "budget of %s, clamp %s, %s\n", s.Bench, map[string]string{"cable": "on the cable", "jig50": "in a jig of 50 + 50 Ω", "jig150": "in a jig of 150 + 150 Ω"}[s.Fixture], s.Modulation)
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
		fmt.Fprintln(out, "safe setting: within every rating at the high end of the cable's range; closed loop, as the reading allows: up to the setting beside it, at the expected current")
	}
	if s := s.sureness(); s != "" {
		fmt.Fprintln(out, s)
	}
	if len(rows) < len(s.Points) {
		fmt.Fprintf(out, "%d frequencies computed; of each group of neighbours the worst is shown, --all shows every one\n", len(s.Points))
	}
	for _, at := range s.At {
		if err := at.print(out); err != nil {
			return err
		}
	}
	if e := s.estimate(); e != "" {
		fmt.Fprintf(out, "\n%s\n", e)
	}
	for _, p := range folded(s.Warnings) {
		fmt.Fprintln(out, p)
	}
	return nil
}

// setFor is what every setting of the table says of the load it is set for: it then stands in the
// heading.
func (s budgetSheet) setFor() string {
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
func (s budgetSheet) wants() bool {
	for _, p := range s.Points {
		if p.Wanted != nil {
			return true
		}
	}
	return false
}

// looped reports that a closed loop levels.
func (s budgetSheet) looped() bool {
	return slices.ContainsFunc(s.Points, func(p budgetPoint) bool { return p.Looped != nil })
}

// sureness says what U is.
func (s budgetSheet) sureness() string {
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
	return fmt.Sprintf("U: of the current once it is measured, confidence 95 %%; %s assumed, not the bench's own: provoke uncertainty names them", english.Count(most, "contribution is", "contributions are"))
}

func (s budgetSheet) estimate() string {
	for _, p := range s.Points {
		if p.Estimate != "" {
			return p.Estimate
		}
	}
	return ""
}

// row is a point as cells; what stands in the heading already is left out of the settings.
func (p budgetPoint) row(inHeading string) string {
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
	row := fmt.Sprintf("%s\t%s\t%s\t%s\t%s\t%s\t%s", p.Frequency.Text, strings.TrimSuffix(p.Setting, inHeading), p.Drive.Text, limit, quantityText(p.Current), rangeText(p.Low, p.High), u)
	if l := p.Looped; l != nil {
		row += fmt.Sprintf("\t%s\t%s\t%s, %s", strings.TrimSuffix(l.Setting, inHeading), quantityText(l.Current), l.LimitedBy.ID, l.LimitedBy.Place)
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

func quantityText(q *rf.Quantity) string {
	if q == nil {
		return "–"
	}
	return q.Text
}

func rangeText(low, high *rf.Quantity) string {
	if low == nil || high == nil || low.Value == high.Value {
		return ""
	}
	return low.Text + " to " + high.Text
}

// counted says in words how the rating counts.
func (n budgetNode) counted() string {
	if n.RatedAs == chain.RatedPeak && n.Rating.Unit == "A" {
		return "r.m.s. " + chain.AtCrest
	}
	return chain.Counted(n.RatedAs, chain.Value{})
}

func (a budgetAt) print(out io.Writer) error {
	fmt.Fprintf(out, "\nat %s with the generator at %s = %s into 50 Ω: %s", a.Frequency.Text, a.Setting, a.Drive.Text, quantityText(a.Current))
	if s := rangeText(a.Low, a.High); s != "" {
		fmt.Fprintf(out, " (%s)", s)
	}
	fmt.Fprintln(out)
	if a.Low != nil && a.High != nil && a.Low.Value != a.High.Value {
		fmt.Fprintln(out, "crest and mean from the current on are at the high end of that range")
	}
	tw := terminal.Table(out)
	fmt.Fprintln(tw, "  id\tplace\tcarrier\tat the crest\tmean\trating\tnot measured\theadroom\t")
	for _, n := range a.Nodes {
		rating, unsure, headroom := "–", "–", "–"
		if n.Rating != nil {
			rating = n.Rating.Text + " " + n.counted()
			unsure = fmt.Sprintf("%.1f dB", *n.Unsure)
		}
		if n.Headroom != nil {
			headroom = fmt.Sprintf("%.1f dB", *n.Headroom)
		}
		note := n.Note
		if !n.Within {
			note = "NOT WITHIN " + note
		}
		fmt.Fprintf(tw, "  %s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", n.ID, n.Place, quantityText(n.Carrier), quantityText(n.Peak), quantityText(n.Mean), rating, unsure, headroom, note)
	}
	return tw.Flush()
}
