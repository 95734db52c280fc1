package simbench

// Commands returns the headers that an instrument of the bench understands beside the common commands of IEEE
// 488.2, in SCPI notation: "HEADer" is set, "HEADer?" asked, "HEADer(?)" both.
func (b *Bench) Commands(name string) []string {
	f := b.faces[name]
	if f == nil || f.in == nil {
		return nil
	}
	var out []string
	for _, c := range f.in.commands {
		switch {
		case c.set == nil:
			out = append(out, c.header+"?")
		case c.query == nil:
			out = append(out, c.header)
		default:
			out = append(out, c.header+"(?)")
		}
	}
	return out
}
