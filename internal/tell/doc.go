// Package tell works out what a job shows, once for every face: sections of blocks as data (text, tables of typed
// cells,
// verdicts, charts as series, pictures), the words of each judgement, and the shapes of the JSON output. It draws
// nothing and writes to nothing; terminal, page, PDF, HTML, workbook and CSV are made from what it returns.
package tell
