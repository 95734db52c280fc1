package cable

import _ "embed"

// The commented samples, invented: a cable, its decoupling, and the tables of permeability that they name.
var (
	//go:embed testdata/belt-weigher-cable.yaml
	SampleCable string
	//go:embed testdata/belt-weigher-decoupling.yaml
	SampleDecoupling string
	//go:embed testdata/demo-nizn.csv
	SampleNickelZinc string
	//go:embed testdata/invented-mnzn.csv
	SampleManganeseZinc string
)
