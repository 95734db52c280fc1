package report

import (
	"fmt"
	"html/template"
	"image/color"
)

// legend turns signs into the entries of a legend, leaving out those with show false.
func legend(entries ...entry) []Sign {
	var out []Sign
	for _, e := range entries {
		if e.show {
			out = append(out, Sign{template.HTML(`<svg class="sign" aria-hidden="true" viewBox="0 0 22 12">` + e.svg + `</svg>`), e.text})
		}
	}
	return out
}

type entry struct {
	show      bool
	text, svg string
}

func dotSign(c color.RGBA, filled bool) string {
	if filled {
		return fmt.Sprintf(`<circle cx="11" cy="6" r="3.6" fill="%s"/>`, hex(c))
	}
	return fmt.Sprintf(`<path d="M11 8V0M8.5 3L11 0L13.5 3" fill="none" stroke="%s"/><circle cx="11" cy="8" r="3" fill="#fff" stroke="%s"/>`, hex(soft), hex(soft))
}

func squareSign(c color.RGBA) string {
	return fmt.Sprintf(`<rect x="8" y="3" width="6.4" height="6.4" fill="%s"/>`, hex(c))
}

func crossSign(c color.RGBA) string {
	return fmt.Sprintf(`<path d="M7.5 2.5L14.5 9.5M7.5 9.5L14.5 2.5" stroke="%s" stroke-width="1.8"/>`, hex(c))
}

func dashSign() string {
	return fmt.Sprintf(`<path d="M0 6H22" stroke="%s" stroke-width="1.6" stroke-dasharray="6 3"/>`, hex(ink))
}

func barSign(c color.RGBA) string {
	return fmt.Sprintf(`<rect x="3" y="1" width="16" height="10" fill="%s"/>`, hex(c))
}

func lineSign(c color.RGBA) string {
	return fmt.Sprintf(`<path d="M11 0V12" stroke="%s" stroke-width="1.6"/>`, hex(c))
}
