package main

// confidenceCommands are the commands that say how sure a number is.
type confidenceCommands struct {
	Uncertainty uncertaintyCommand `cmd:"" help:"Work out the uncertainty of the injected current, contribution by contribution."`
}
