// Package docs holds what the program itself shows of its documents.
package docs

import (
	_ "embed"
	"fmt"
	"strings"
)

//go:embed glossary.md
var glossary string

// Word is one entry of glossary.md.
type Word struct {
	// Name is the word, or several with commas between them.
	Name string
	// Means is plain text in one line; what stands in backquotes there is typed or printed as it stands.
	Means string
}

// Words returns the entries of glossary.md. The error names a line that is none.
func Words() ([]Word, error) {
	var out []Word
	for i, line := range strings.Split(glossary, "\n") {
		name, means, entry := strings.Cut(strings.TrimPrefix(line, "- **"), "**: ")
		switch {
		case strings.HasPrefix(line, "- **") && entry:
			out = append(out, Word{name, means})
		case strings.HasPrefix(line, "  ") && len(out) > 0:
			out[len(out)-1].Means += " " + strings.TrimSpace(line)
		case line == "" || len(out) == 0:
		default:
			return nil, fmt.Errorf("glossary.md, line %d: want \"- **word**: what it means\", or two blanks and more of it", i+1)
		}
	}
	return out, nil
}
