package jig

import (
	"provoke/internal/files/problem"
	"provoke/internal/files/tabular"
	"provoke/internal/units/rf"
)

// ParseLevels reads own readings of drive and current: a table with columns of a frequency, a drive and a current,
// such as "f/MHz;drive/dBm;I/dBµA", and one row per reading. All problems come back at once.
func ParseLevels(name string, data []byte) ([]DriveLevel, problem.List) {
	t, columns := tabular.Named(name,
		data, "write a heading such as \"f/MHz;drive/dBm;I/dBµA\" and one row per reading",
		tabular.Wanted{Names: []string{"frequency", "f"}, Quantity: tabular.OfFrequency},
		tabular.Wanted{Names: []string{"drive", "generator", "level"}, Quantity: "power"},
		tabular.Wanted{Names: []string{"current", "i"}, Quantity: "current"})
	if columns == nil {
		return nil, t.Sorted()
	}
	var out []DriveLevel
	for _, r := range t.Rows {
		out = append(out, DriveLevel{t.Frequency(r, columns[0]), tabular.ValueOf[rf.Power](t, r, columns[1]),
			tabular.ValueOf[rf.Current](t, r, columns[2])})
	}
	if t.Problems.Err() != nil {
		out = nil
	}
	return out, t.Sorted()
}
