package tabular

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"strings"
	"unicode/utf16"
	"unicode/utf8"
)

// Line is one line of the file with its number from 1.
type Line struct {
	Number int
	Text   string
}

// Lines turns the bytes of a file into lines that are not blank.
func (r *Reader) Lines(data []byte) []Line {
	if len(data) > MaximumFile {
		r.Fail(0, 0, fmt.Sprintf("the file has %d bytes; the largest that is read has %d", len(data), MaximumFile), "")
		return nil
	}
	text := r.evenOut(r.decode(data))
	var out []Line
	number := 0
	for l := range strings.SplitSeq(text, "\n") {
		number++
		switch {
		case strings.TrimSpace(l) == "":
			continue
		case len(l) > longestLine:
			r.Fail(number, 1, fmt.Sprintf("the line has %d bytes; at most %d are read", len(l), longestLine),
				"export one point to a line")
			return nil
		case len(out) == mostLines:
			r.Fail(number, 1, fmt.Sprintf("more than %d lines; no more are read", mostLines),
				"export fewer points, or the part that matters")
			return nil
		}
		out = append(out, Line{number, l})
	}
	if len(out) == 0 && r.Problems.Err() == nil {
		r.Fail(0, 0, "the file has no rows", "export the trace as text or CSV")
	}
	return out
}

// decode turns bytes into text, whatever mark stands before them.
func (r *Reader) decode(data []byte) string {
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}):
		return r.wide(data[2:], binary.LittleEndian)
	case bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		return r.wide(data[2:], binary.BigEndian)
	case bytes.HasPrefix(data, []byte{'P', 'K', 3, 4}):
		r.Fail(1, 1, "the file is a packed workbook, not text", "save the table as CSV")
		return ""
	}
	if order := unmarked(data); order != nil {
		r.Warn(1, 1, "the file is UTF-16 without a mark", "save it as UTF-8")
		return r.wide(data, order)
	}
	return r.narrow(bytes.TrimPrefix(data, []byte("\ufeff")))
}

// unmarked recognises UTF-16 without a mark: of the first bytes, nearly every second one is a NUL and
// none of the others is.
func unmarked(data []byte) binary.ByteOrder {
	head := data[:min(len(data), 512)&^1]
	var nul [2]int
	for i, b := range head {
		if b == 0 {
			nul[i%2]++
		}
	}
	half := len(head) / 2
	switch {
	case half < 8:
	case nul[1] > half*9/10 && nul[0] == 0:
		return binary.LittleEndian
	case nul[0] > half*9/10 && nul[1] == 0:
		return binary.BigEndian
	}
	return nil
}

func (r *Reader) wide(data []byte, order binary.ByteOrder) string {
	if len(data)%2 != 0 {
		r.Warn(0, 0, "the UTF-16 text ends in half a character", "")
	}
	units := make([]uint16, len(data)/2)
	for i := range units {
		units[i] = order.Uint16(data[2*i:])
	}
	return string(utf16.Decode(units))
}

// narrow reads UTF-8, and bytes that are not as Windows-1252 in the range that it shares with
// Latin-1, where µ, ° and ² are.
func (r *Reader) narrow(data []byte) string {
	if utf8.Valid(data) {
		return string(data)
	}
	var b strings.Builder
	b.Grow(len(data) + len(data)/8)
	line, column, told := 1, 1, false
	for len(data) > 0 {
		c, n := utf8.DecodeRune(data)
		if c == utf8.RuneError && n == 1 {
			c = rune(data[0])
			if !told {
				told = true
				r.Warn(line, column, fmt.Sprintf("the byte %02X is not UTF-8; the file is read as Windows-1252",
					data[0]), "save it as UTF-8")
			}
		}
		b.WriteRune(c)
		if column++; c == '\n' {
			line, column = line+1, 1
		}
		data = data[n:]
	}
	return b.String()
}

// evenOut makes every line end a line feed and leaves out NULs, marks inside the text and other
// control characters, which it tells once.
func (r *Reader) evenOut(text string) string {
	text = strings.ReplaceAll(strings.ReplaceAll(text, "\r\n", "\n"), "\r", "\n")
	if strings.IndexFunc(text, stray) < 0 {
		return text
	}
	var b strings.Builder
	b.Grow(len(text))
	line, column := 1, 1
	nuls, others, nulAt, otherAt := 0, 0, [2]int{}, [2]int{}
	for _, c := range text {
		switch {
		case c == 0:
			if nuls++; nuls == 1 {
				nulAt = [2]int{line, column}
			}
		case stray(c):
			if c != '\ufeff' && c != 0x1a {
				if others++; others == 1 {
					otherAt = [2]int{line, column}
				}
			}
		default:
			b.WriteRune(c)
		}
		if column++; c == '\n' {
			line, column = line+1, 1
		}
	}
	if nuls > 0 {
		r.Warn(nulAt[0], nulAt[1], fmt.Sprintf("%d NUL characters are left out, the first one here", nuls), "")
	}
	if others > 0 {
		r.Warn(otherAt[0], otherAt[1], fmt.Sprintf("%d control characters are left out, the first one here", others),
			"")
	}
	return b.String()
}

// stray are characters that belong into no table.
func stray(c rune) bool {
	return c < 0x20 && c != '\n' && c != '\t' || c == 0x7f || c == '\ufeff' || c == '\u200b' || c == utf8.RuneError
}
