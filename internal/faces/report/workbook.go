package report

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"math"
	"slices"
	"sort"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"

	"provoke/internal/findings/analysis"
	"provoke/internal/job/event"
	"provoke/internal/tell"
	"provoke/internal/units/english"
	"provoke/internal/units/rf"
)

// Limits of a sheet.
const (
	mostRows      = 1_048_576
	mostCharacter = 32_767 // of a cell
	mostName      = 31     // of a sheet, in characters
)

// Workbook writes the report's tables as a workbook (XLSX, ISO/IEC 29500): a sheet with the summary
// and the immunity profiles as charts, and a sheet for every table, numbers as numbers with their
// unit in the head and their bound in a column of its own.
func Workbook(w io.Writer, j tell.Job) (err error) {
	p, err := tell.Tell(j)
	if err != nil {
		return err
	}
	b, err := newBook(p)
	if err != nil {
		return fmt.Errorf("write the workbook: %w", err)
	}
	defer func() {
		if cerr := b.f.Close(); err == nil && cerr != nil {
			err = fmt.Errorf("write the workbook: %w", cerr)
		}
	}()
	if err := b.fill(p); err != nil {
		return fmt.Errorf("write the workbook: %w", err)
	}
	// The library lists the kinds of picture in the order of a map, which is another one each time.
	kinds := b.f.ContentTypes.Defaults
	sort.Slice(kinds, func(i, j int) bool { return kinds[i].Extension < kinds[j].Extension })
	if err := b.inOrder(w); err != nil {
		return fmt.Errorf("write the workbook: %w", err)
	}
	return nil
}

// inOrder writes the workbook with its parts by name: the library writes sheets in the order of a map, too.
func (b *book) inOrder(w io.Writer) error {
	var whole bytes.Buffer
	if err := b.f.Write(&whole); err != nil {
		return err
	}
	r, err := zip.NewReader(bytes.NewReader(whole.Bytes()), int64(whole.Len()))
	if err != nil {
		return err
	}
	slices.SortFunc(r.File, func(a, b *zip.File) int { return strings.Compare(a.Name, b.Name) })
	z := zip.NewWriter(w)
	for _, f := range r.File {
		if err := z.Copy(f); err != nil {
			return err
		}
	}
	return z.Close()
}

// book is a workbook under way.
type book struct {
	f                                       *excelize.File
	used                                    map[string]bool // names of sheets, in lower case
	head, bold, wrapped, bad, warn, largest int
}

const (
	summarySheet = "Summary"
	sheetFont    = "Calibri" // that of a new workbook
)

func newBook(p *tell.Report) (*book, error) {
	b := &book{f: excelize.NewFile(), used: map[string]bool{strings.ToLower(summarySheet): true}}
	if err := b.f.SetSheetName("Sheet1", summarySheet); err != nil {
		return nil, err
	}
	made := tell.LastRecord(p.Job.Runs).UTC().Format("2006-01-02T15:04:05Z")
	if err := b.f.SetDocProps(&excelize.DocProperties{Title: field(p.Title), Creator: "provoke " + field(p.Job.Program),
		Created: made, Modified: made}); err != nil {
		return nil, err
	}
	var err error
	add := func(to *int, s excelize.Style) {
		if err == nil {
			*to, err = b.f.NewStyle(&s)
		}
	}
	colour := func(hex string) *excelize.Font { return &excelize.Font{Bold: true, Color: hex, Family: sheetFont} }
	add(&b.head, excelize.Style{Font: &excelize.Font{Bold: true, Family: sheetFont},
		Fill:      excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"E3E9ED"}},
		Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	add(&b.bold, excelize.Style{Font: &excelize.Font{Bold: true, Family: sheetFont},
		Alignment: &excelize.Alignment{Vertical: "top"}})
	add(&b.wrapped, excelize.Style{Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	add(&b.bad, excelize.Style{Font: colour("A81C1B")})
	add(&b.warn, excelize.Style{Font: colour("8A5A00")})
	add(&b.largest, excelize.Style{Font: &excelize.Font{Bold: true, Family: sheetFont, Size: 36, Color: "FFFFFF"},
		Fill: excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{"A81C1B"}}})
	return b, err
}

func (b *book) fill(p *tell.Report) error {
	row, err := b.summary(p)
	if err != nil {
		return err
	}
	if err := b.charts(p, row); err != nil {
		return err
	}
	for _, t := range p.Tables() {
		if err := b.table(t); err != nil {
			return fmt.Errorf("table %s: %w", t.ID, err)
		}
	}
	return nil
}

// summary fills the first sheet and returns the row below it.
func (b *book) summary(p *tell.Report) (row int, err error) {
	row = 1
	put := func(style int, cells ...string) {
		for i, c := range cells {
			at, _ := excelize.CoordinatesToCellName(i+1, row)
			if err == nil {
				err = b.f.SetCellStr(summarySheet, at, field(c))
			}
			if err == nil {
				err = b.f.SetCellStyle(summarySheet, at, at, style)
			}
		}
		if err == nil {
			err = b.f.SetRowHeight(summarySheet, row, b.height(style, cells))
		}
		row++
	}
	if err := b.printed(summarySheet); err != nil {
		return 0, err
	}
	if err := b.f.SetColWidth(summarySheet, "A", "A", 34); err != nil {
		return 0, err
	}
	if err := b.f.SetColWidth(summarySheet, "B", "B", 110); err != nil {
		return 0, err
	}
	if len(p.RFUnknown) > 0 {
		put(b.largest, "RF NOT KNOWN TO BE OFF", "")
		put(b.bad, p.RFWords())
	}
	put(b.bold, english.FirstUpper(p.Title))
	put(b.wrapped, "job in a sentence", p.Sentence)
	for _, f := range slices.Concat(p.Facts, p.About, []tell.Fact{{Name: "note", Text: p.AboutNote}}) {
		if f.Text != "" {
			put(b.wrapped, f.Name, f.Text)
		}
	}
	if p.Comparison != nil {
		put(b.wrapped, "verdict", p.Comparison.Words)
	}
	for _, o := range p.Setup.Overdue {
		put(b.bad, "out of date", o)
	}
	put(b.wrapped, "job file", p.Job.Name)
	put(b.wrapped, "as of", p.Made)
	put(b.wrapped, "written by", "provoke "+p.Job.Program)
	put(b.wrapped, "integrity hash", p.Integrity)
	for _, c := range p.Cautions {
		put(b.wrapped, "caution", c)
	}
	return row, err
}

// height is that of a row of the summary: the text of its second column is broken into lines.
func (b *book) height(style int, cells []string) float64 {
	const line, characters = 15.0, 118
	switch {
	case style == b.largest:
		return 50
	case len(cells) < 2:
		return line
	}
	lines := 1 + (len([]rune(cells[1]))-1)/characters
	return min(line*float64(max(lines, 1)), 400)
}

// printed makes a sheet print across one page.
func (b *book) printed(sheet string) error {
	fit, one, any := true, 1, 0
	if err := b.f.SetSheetProps(sheet, &excelize.SheetPropsOptions{FitToPage: &fit}); err != nil {
		return err
	}
	landscape := "landscape"
	return b.f.SetPageLayout(sheet, &excelize.PageLayoutOptions{Orientation: &landscape, FitToWidth: &one,
		FitToHeight: &any})
}

// charts draws the immunity profile of each run told in full beside its level wanted.
func (b *book) charts(p *tell.Report, row int) error {
	drawn := 0
	for _, r := range p.Detailed {
		c := chartOf(r.Findings)
		if len(c.table.Rows) == 0 {
			continue
		}
		sheet := b.name(fmt.Sprintf("chart-run-%d", r.Findings.Run))
		if err := b.stream(sheet, c.table, c.table.Rows); err != nil {
			return err
		}
		chart, err := c.chart(sheet, r.Heading())
		if err != nil {
			return err
		}
		at, _ := excelize.CoordinatesToCellName(1, row+1)
		if err := b.f.AddChart(summarySheet, at, chart); err != nil {
			return err
		}
		drawn++
		if err := b.overFrequency(drawn); err != nil {
			return err
		}
		row += 26
	}
	return nil
}

// logarithmic turns what the library writes for a scatter chart into one over a logarithmic axis:
// it knows a logarithmic vertical axis only, takes the values of the horizontal one for words, and
// gives that axis four elements that the standard has for axes of categories only (ISO/IEC 29500-1,
// 21.2.2.226, CT_ValAx).
var logarithmic = strings.NewReplacer(
	`<axId val="100000000"></axId><scaling>`, `<axId val="100000000"></axId><scaling><logBase val="10"></logBase>`,
	`<auto val="1"></auto><lblAlgn val="ctr"></lblAlgn><lblOffset val="100"></lblOffset><noMultiLvlLbl val="0"></noMultiLvlLbl>`, `<crossBetween val="midCat"></crossBetween>`,
	`<crosses val="autoZero">`, `<crosses val="min">`,
	`<xVal><strRef>`, `<xVal><numRef>`, `</strRef></xVal>`, `</numRef></xVal>`,
	`<scatterStyle val="smoothMarker">`, `<scatterStyle val="lineMarker">`,
)

// overFrequency gives a chart that was added its logarithmic frequency axis.
func (b *book) overFrequency(chart int) error {
	part := fmt.Sprintf("xl/charts/chart%d.xml", chart)
	content, ok := b.f.Pkg.Load(part)
	text, isBytes := content.([]byte)
	if !ok || !isBytes {
		return fmt.Errorf("the chart %s is not there", part)
	}
	changed := logarithmic.Replace(string(text))
	if !strings.Contains(changed, `<logBase val="10">`) || strings.Contains(changed, "<xVal><strRef>") {
		return fmt.Errorf("the chart %s has no frequency axis", part)
	}
	b.f.Pkg.Store(part, []byte(changed))
	return nil
}

// chartTable is a profile as a chart wants it: one column for each kind of sign.
type chartTable struct {
	table   tell.Table
	columns []chartColumn
}

type chartColumn struct {
	name, symbol, colour string
	line                 bool
	value                func(analysis.Point) rf.Current
}

// chartOf splits a profile by what a value is, so that a bound never looks like an onset.
func chartOf(f analysis.Findings) chartTable {
	onset := func(b rf.Bound) func(analysis.Point) rf.Current {
		return func(p analysis.Point) rf.Current {
			if p.Onset.Known() && p.Onset.Bound() == b {
				return p.Onset
			}
			return rf.Current{}
		}
	}
	all := []chartColumn{
		{tell.WantedWords(f), "none", "1B2730", true, func(p analysis.Point) rf.Current { return p.Wanted }},
		{"onset", "circle", "B4451F", false, onset(rf.Exactly)},
		{"no upset up to", "triangle", "0B6F8A", false, onset(rf.AtLeast)},
		{"upset at or below", "diamond", "A81C1B", false, onset(rf.AtMost)},
	}
	c := chartTable{table: tell.Table{ID: "chart", Columns: []tell.Column{tell.FrequencyIn("frequency")}}}
	for _, column := range all {
		for _, p := range f.Points {
			if column.value(p).Known() {
				c.columns = append(c.columns, column)
				c.table.Columns = append(c.table.Columns, tell.Column{Name: column.name, Unit: "dBµA", Right: true})
				break
			}
		}
	}
	if len(c.columns) == 0 {
		return chartTable{}
	}
	for _, p := range f.Points {
		row := []tell.Cell{tell.Frequency(p.Frequency)}
		for _, column := range c.columns {
			row = append(row, tell.Amount(column.value(p)))
		}
		c.table.Add(row...)
	}
	return c
}

// chart is a scatter chart over a logarithmic frequency axis.
func (c chartTable) chart(sheet, title string) (*excelize.Chart, error) {
	rows := len(c.table.Rows) + 1
	span := func(column int) (string, error) {
		name, err := excelize.ColumnNumberToName(column)
		return fmt.Sprintf("'%s'!$%s$2:$%s$%d", sheet, name, name, rows), err
	}
	out := &excelize.Chart{
		Type: excelize.Scatter, Title: excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: field(
			"Immunity profile, " + title)}}},
		Dimension: excelize.ChartDimension{Width: 1000, Height: 480}, Legend: excelize.ChartLegend{Position: "bottom"},
		ShowBlanksAs: "gap",
	}
	for i, column := range c.columns {
		x, err := span(1)
		if err != nil {
			return nil, err
		}
		y, err := span(i + 2)
		if err != nil {
			return nil, err
		}
		head, err := excelize.CoordinatesToCellName(i+2, 1, true)
		if err != nil {
			return nil, err
		}
		s := excelize.ChartSeries{Name: fmt.Sprintf("'%s'!%s", sheet, head), Categories: x, Values: y,
			Marker: excelize.ChartMarker{Symbol: column.symbol, Size: 6, Fill: solid(column.colour)}}
		s.Fill = solid(column.colour)
		if column.line {
			s.Line = excelize.LineOptions{Type: excelize.LineSolid, Width: 1.5, Fill: solid(column.colour)}
		} else {
			s.Line = excelize.LineOptions{Type: excelize.LineNone}
		}
		out.Series = append(out.Series, s)
	}
	low, high := c.decades()
	words := func(text string) excelize.ChartTitle {
		return excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: text}}}
	}
	dark := excelize.Font{Color: "1B2730", Size: 9}
	out.XAxis = excelize.ChartAxis{Font: dark, Minimum: &low, Maximum: &high, MajorGridLines: true,
		Title:  words("frequency (Hz)"),
		NumFmt: excelize.ChartNumFmt{CustomNumFmt: `[>=1000000]0.###,," M";[>=1000]0.###," k";0`}}
	out.YAxis = excelize.ChartAxis{Font: dark, MajorGridLines: true, Title: words("current on the cable (dBµA)")}
	if least, most, ok := c.levels(); ok {
		out.YAxis.Minimum, out.YAxis.Maximum = &least, &most
	}
	return out, nil
}

func solid(colour string) excelize.Fill {
	return excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{colour}}
}

// decades returns the decades that hold every frequency.
func (c chartTable) decades() (low, high float64) {
	low, high = math.Inf(1), 0
	for _, row := range c.table.Rows {
		if x, err := strconv.ParseFloat(row[0].Number, 64); err == nil && x > 0 {
			low, high = min(low, x), max(high, x)
		}
	}
	if !(high >= low) {
		return 1, 10
	}
	low, high = math.Pow(10, math.Floor(math.Log10(low))), math.Pow(10, math.Ceil(math.Log10(high)))
	if high <= low {
		high = 10 * low
	}
	return low, high
}

// levels returns whole tens that hold every level.
func (c chartTable) levels() (low, high float64, ok bool) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, row := range c.table.Rows {
		for _, cell := range row[1:] {
			if x, err := strconv.ParseFloat(cell.Number, 64); err == nil {
				low, high = min(low, x), max(high, x)
			}
		}
	}
	if !(high >= low) {
		return 0, 0, false
	}
	return math.Floor(low/10) * 10, math.Floor(high/10)*10 + 10, true
}

// name returns a name for a sheet that no other has and that every program takes.
func (b *book) name(wish string) string {
	wish = strings.Map(func(r rune) rune {
		if strings.ContainsRune(`[]:*?/\'`, r) || r < ' ' {
			return '-'
		}
		return r
	}, event.Printable(wish))
	if wish == "" {
		wish = "table"
	}
	for n := 1; ; n++ {
		tail := ""
		if n > 1 {
			tail = fmt.Sprintf(" (%d)", n)
		}
		r := []rune(wish)
		name := string(r[:min(len(r), mostName-len(tail))]) + tail
		if key := strings.ToLower(name); !b.used[key] {
			b.used[key] = true
			return name
		}
	}
}

// table writes a table into a sheet, or into several where it is longer than one.
func (b *book) table(t tell.Table) error {
	rows := t.Rows
	for {
		n := min(len(rows), mostRows-1)
		if err := b.stream(b.name(t.ID), t, rows[:n]); err != nil {
			return err
		}
		if rows = rows[n:]; len(rows) == 0 {
			return nil
		}
	}
}

// stream writes the rows of a table into a new sheet.
func (b *book) stream(sheet string, t tell.Table, rows [][]tell.Cell) error {
	if _, err := b.f.NewSheet(sheet); err != nil {
		return err
	}
	if err := b.printed(sheet); err != nil {
		return err
	}
	w, err := b.f.NewStreamWriter(sheet)
	if err != nil {
		return err
	}
	heads := t.Header()
	for i, width := range sheetWidths(t, rows) {
		if err := w.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2",
		ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	values := make([]any, len(heads))
	for i, h := range heads {
		values[i] = excelize.Cell{StyleID: b.head, Value: field(h)}
	}
	if err := w.SetRow("A1", values); err != nil {
		return err
	}
	for n, row := range rows {
		if err := w.SetRow("A"+strconv.Itoa(n+2), b.values(values[:0], t, row)); err != nil {
			return err
		}
	}
	return w.Flush()
}

// values are the cells of a row: numbers as numbers, words as words.
func (b *book) values(out []any, t tell.Table, row []tell.Cell) []any {
	for i, c := range t.Columns {
		var v any
		cell := row[i]
		switch number, isNumber := numberIn(cell, c); {
		case isNumber:
			v = number
		case cell.Number != "":
			v = field(cell.Number)
		}
		if style := b.style(cell); style != 0 {
			v = excelize.Cell{StyleID: style, Value: v}
		}
		out = append(out, v)
		if c.Bounded {
			var bound any
			if cell.Bound != "" {
				bound = cell.Bound
			}
			out = append(out, bound)
		}
	}
	return out
}

func (b *book) style(c tell.Cell) int {
	switch c.Mark {
	case "bad":
		return b.bad
	case "warn":
		return b.warn
	}
	return 0
}

// numberIn returns a cell of a column of numbers as one; never NaN or an infinity.
func numberIn(c tell.Cell, of tell.Column) (float64, bool) {
	if !of.Right && of.Unit == "" {
		return 0, false
	}
	x, err := strconv.ParseFloat(c.Number, 64)
	return x, err == nil && !math.IsNaN(x) && !math.IsInf(x, 0)
}

// sheetWidths are widths of columns in characters, from the first rows.
func sheetWidths(t tell.Table, rows [][]tell.Cell) []float64 {
	var out []float64
	for i, c := range t.Columns {
		w := len([]rune(c.Name)) + len([]rune(c.Unit)) + 3
		w = min(w, 24)
		for _, row := range rows[:min(len(rows), 100)] {
			w = max(w, len([]rune(row[i].Number))+2)
		}
		out = append(out, float64(min(w, 60)))
		if c.Bounded {
			out = append(out, 12)
		}
	}
	return out
}

// field makes a text harmless for a workbook: what is hidden becomes visible, what a spreadsheet
// would take for a formula gets an apostrophe, and what is too long for a cell says that it was cut.
func field(s string) string {
	s = tell.InSpreadsheet(s)
	if r := []rune(s); len(r) > mostCharacter {
		s = string(r[:mostCharacter-1]) + "…"
	}
	return s
}
