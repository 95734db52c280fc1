package models

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"

	"provoke/internal/findings/jig"
	"provoke/internal/units/curve"
	"provoke/internal/units/rf"
)

// File is a curve as a file for a bench file.
type File struct {
	Name, Text string
	line       string // of the bench file, which names it
}

// OriginOf says of a curve which program made it from which files.
func OriginOf(program string, sources []Source) jig.Origin {
	o := jig.Origin{Program: program}
	for _, s := range sources {
		line := s.Name
		if s.SHA256 != "" {
			line += ", SHA-256 " + s.SHA256
		}
		o.Sources = append(o.Sources, line)
	}
	return o
}

// curveAs writes a curve down under the key that it has in a bench file.
func curveAs[V curve.Value](name, key string, c curve.Curve[V], column string, o jig.Origin, r jig.Repeat) (File,
	error) {
	if r.Known() {
		o.Notes = append(o.Notes, fmt.Sprintf("mean of %d sweeps; standard deviation of one sweep %s", r.Sweeps,
			r.Pooled.Text(3)))
	}
	var text strings.Builder
	if err := jig.WriteCurve(&text, c, column, o); err != nil {
		return File{}, err
	}
	f := File{Name: name, Text: text.String()}
	if key != "" {
		f.line = fmt.Sprintf("  %s: {csv: %s}\n", key, filepath.Base(name))
	}
	return f, nil
}

// ProbeFiles is the transfer impedance of a probe as a file.
func ProbeFiles(name string, p jig.Probe, o jig.Origin) ([]File, error) {
	o.What = "transfer impedance of a monitoring probe, method " + string(p.Method)
	f, err := curveAs(name, "transfer_impedance", p.Curve, "Zt/dBΩ", o, p.Repeat)
	return []File{f}, err
}

// ClampFiles is what is known of a clamp as files.
func ClampFiles(prefix string, m jig.Clamp, o jig.Origin) ([]File, error) {
	var out []File
	for _, g := range []struct {
		what string
		gain curve.Curve[rf.Gain]
	}{{"insertion loss", m.InsertionLoss}, {"return loss", m.ReturnLoss}, {"directivity", m.Directivity}} {
		if g.gain.Absent() {
			continue
		}
		key := strings.ReplaceAll(g.what, " ", "_")
		column := key + "/dB"
		if g.what == "directivity" {
			key = "" // a bench file has no place for it
		}
		o.What = g.what + " of an injection clamp"
		f, err := curveAs(prefix+"-"+strings.ReplaceAll(g.what, " ", "-")+".csv", key, g.gain, column, o, m.Repeat)
		if err != nil {
			return nil, err
		}
		out = append(out, f)
	}
	if m.Series.Absent() {
		return out, nil
	}
	o.What = "series impedance of an injection clamp, magnitude, 50 Ω at its connector"
	f, err := curveAs(prefix+"-series-impedance.csv", "series_impedance", m.Series, "Z/dBΩ", o, jig.Repeat{})
	return append(out, f), err
}

// PrintFiles says under a heading what to write into the bench file.
func PrintFiles(out io.Writer, heading string, files []File, r jig.Repeat) {
	if len(files) == 0 {
		return
	}
	fmt.Fprintf(out, "\n%s:\n", heading)
	for _, f := range files {
		fmt.Fprint(out, f.line)
	}
	if r.Known() {
		fmt.Fprintf(out, "  uncertainty: {spread: %s, sweeps: %d}\n", r.Pooled.Text(3), r.Sweeps)
	}
}
