// Package report sets what package tell tells: a PDF for the client and the laboratory, one self-contained HTML file
// that prints well, and a workbook. It decides nothing: words, tables and charts come as they are. It writes to an
// io.Writer and reads no clock, so the same journal gives the same bytes.
package report
