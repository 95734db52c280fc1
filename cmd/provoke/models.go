package main

// modelCommands are the commands that compute: own gear from measurements, gear that is not built
// yet, and what would cure a product.
type modelCommands struct {
	Characterise characteriseCommand `cmd:"" help:"Work out a probe or a clamp of your own from measurements in a jig."`
	Design       designCommand       `cmd:"" help:"Compute a clamp before it is wound."`
}
