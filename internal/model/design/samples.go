package design

import _ "embed"

// SampleClamp is the commented sample of a clamp file, invented; it names a table of permeability demo-nizn.csv.
//
//go:embed testdata/clamp.yaml
var SampleClamp string
