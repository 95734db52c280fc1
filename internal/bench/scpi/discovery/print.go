package discovery

import (
	"fmt"
	"io"
	"strings"

	"provoke/internal/job/event"
	"provoke/internal/terminal"
)

// Print prints what was found.
func Print(out io.Writer, found []Found) error {
	if len(found) == 0 {
		fmt.Fprintln(out, "nothing found; an instrument without LXI can still be reached by its address "+
			"(TCPIP::host::5025::SOCKET)")
		return nil
	}
	t := terminal.Table(out)
	fmt.Fprintln(t, "address\twho\tfound by")
	for _, f := range found {
		fmt.Fprintf(t, "%s\t%s\t%s\n", event.Printable(f.Address), event.Printable(f.Who()), howOf(f))
	}
	return t.Flush()
}

// Who says who an instrument is, or why that is not known.
func (f Found) Who() string {
	switch {
	case f.Identity != "":
		return f.Identity
	case f.InUse != "":
		return "in use, left alone: " + f.InUse
	case f.Err != nil:
		return "does not say: " + f.Err.Error()
	case f.Name != "":
		return f.Name + " (not asked)"
	}
	return "(not asked)"
}

func howOf(f Found) string {
	var out []string
	for _, h := range f.How {
		out = append(out, string(h))
	}
	return strings.Join(out, ", ")
}

// FoundJSON is an instrument in the list of JSON.
type FoundJSON struct {
	Address  string `json:"address"`
	Identity string `json:"identity,omitempty"`
	Name     string `json:"name,omitempty"`
	How      []How  `json:"how"`
	InUse    string `json:"in_use,omitempty"`
	Error    string `json:"error,omitempty"`
}

// ListJSON is the shape of find --json.
type ListJSON struct {
	Found []FoundJSON `json:"found"`
}

// JSON returns what was found in its documented shape.
func JSON(found []Found) ListJSON {
	list := ListJSON{Found: []FoundJSON{}}
	for _, f := range found {
		j := FoundJSON{Address: f.Address, Identity: f.Identity, Name: f.Name, How: f.How, InUse: f.InUse}
		if f.Err != nil {
			j.Error = f.Err.Error()
		}
		list.Found = append(list.Found, j)
	}
	return list
}
