// Package report writes what runs show for people and for other programs: a PDF for the client and
// the laboratory, one self-contained HTML file that prints well, a workbook, a CSV file for every
// table, and the stable JSON shapes of the commands. PDF and HTML are written from the same
// sections. It computes nothing about immunity (package analysis does) and invents no word that the
// findings do not carry: a bound is printed as a bound, an estimate as an estimate, an unverified
// level profile with its mark. It writes to an io.Writer and reads no clock, so the same journal
// gives the same bytes.
package report
