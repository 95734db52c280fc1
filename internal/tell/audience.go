package tell

// Audience is one or several faces.
type Audience uint8

// The faces that tell blocks. Workbook and CSV files take every table that is told in print.
const (
	OnTerminal Audience = 1 << iota
	OnPage
	InPrint // PDF and HTML
)

// Kind names a kind of block that not every face tells.
type Kind string

// The kinds of blocks that not every face tells.
const (
	KindHeadline  Kind = "headline"
	KindSentence  Kind = "headline as a sentence"
	KindLevel     Kind = "level and modulation"
	KindRests     Kind = "what uncertainties rest on"
	KindStability Kind = "stability at the check point"
	KindUnproved  Kind = "levels not proved"
	KindHint      Kind = "hint at an option"
	KindChart     Kind = "chart"
	KindProfile   Kind = "every frequency"
	KindDrive     Kind = "generator settings"
	KindSafing    Kind = "how the bench was silenced"
	KindShort     Kind = "where the level was not reached"
	KindFolded    Kind = "rows that say the same, folded"
	KindGain      Kind = "gain as a chart"
	KindSides     Kind = "the runs compared"
	KindCounts    Kind = "how many failures met which fate"
	KindProof     Kind = "how to prove what is in place"
)

// Kinds says which faces tell a kind, and why the others do not. Every gap between faces stands here.
var Kinds = map[Kind]struct {
	For Audience
	Why string
}{
	KindHeadline:  {OnTerminal | OnPage, "the report says it on its first page and as the first sentences of the run"},
	KindSentence:  {InPrint, "terminal and page begin with it"},
	KindLevel:     {OnTerminal | OnPage, "the report has a table of level and exposure"},
	KindRests:     {OnTerminal | OnPage, "the report has a section on uncertainty"},
	KindStability: {OnTerminal | OnPage, "the report's section on uncertainty says it"},
	KindUnproved:  {OnTerminal | OnPage, "the report says it on its first page"},
	KindHint:      {OnTerminal, "an option of the command; page and report have every row"},
	KindChart:     {OnPage | InPrint, "a terminal draws nothing; its numbers are in the tables"},
	KindProfile:   {OnPage | InPrint, "hundreds of rows; --json has them, and the CSV files of the report"},
	KindDrive: {InPrint,
		"for whoever repeats the run by hand; the page shows the drive of each attempt, --json of provoke journal " +
			"each step"},
	KindSafing: {OnPage | InPrint, "provoke journal prints it; the sentence on the end of the run says the outcome"},
	KindShort:  {OnTerminal | OnPage, "the report lists it among the deviations"},
	KindFolded: {OnTerminal, "page and report have a row for each frequency"},
	KindGain:   {OnPage, "the report draws both profiles in one chart; the gain stands in its table"},
	KindProof:  {OnTerminal | OnPage, "a command for whoever stands at the bench; the report tells what was proved"},
	KindCounts: {OnTerminal | OnPage, "the report has them row by row on the same page"},
	KindSides:  {OnTerminal | OnPage, "the report says it under the verdict"},
}

// Reaches reports that a face tells a kind.
func (k Kind) Reaches(a Audience) bool { return k == "" || Kinds[k].For&a != 0 }
