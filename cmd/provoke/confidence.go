package main

// confidenceCommands are the commands that say how sure a number is.
type confidenceCommands struct {
	Uncertainty uncertaintyCommand `cmd:"" help:"Work out the uncertainty of the injected current, contribution by contribution."`
	Study       studyCommand       `cmd:"" help:"Random thresholds, time to upset, modulation, repeatability: expose as a study asks, and say what was shown."`
	Laboratory  laboratoryCommand  `cmd:"" help:"Hold a laboratory's failures against a run of the bench, and say what a fix must show."`
}
