package remedy

import _ "embed"

// SampleParts is the commented sample of a parts file, invented; it names a cable file cable.yaml and a table of
// permeability demo-nizn.csv.
//
//go:embed testdata/parts.yaml
var SampleParts string
