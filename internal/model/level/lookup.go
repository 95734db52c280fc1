package level

import (
	"fmt"
	"strings"
)

func normalID(id string) string { return strings.ToLower(strings.TrimSpace(id)) }

// unknownID says that an id is not known and names those nearest to it.
func unknownID(kind, id string, known []string) error {
	want := normalID(id)
	if len(want) > 80 {
		return fmt.Errorf("unknown %s %.20q…", kind, id)
	}
	best, at := 1<<30, ""
	for _, k := range known {
		d := distance(want, k)
		if strings.HasPrefix(k, want) && want != "" {
			d = 1
		}
		if d < best {
			best, at = d, k
		}
	}
	if at != "" && best <= 2+len(at)/4 {
		return fmt.Errorf("unknown %s %q: did you mean %q?", kind, id, at)
	}
	return fmt.Errorf("unknown %s %q (\"provoke level --profiles\" lists them)", kind, id)
}

// distance counts the letters that must be changed, added or left out to turn a into b.
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i, r := range x {
		before := row[0]
		row[0] = i + 1
		for j, s := range y {
			cost := 1
			if r == s {
				cost = 0
			}
			before, row[j+1] = row[j+1], min(before+cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(y)]
}
