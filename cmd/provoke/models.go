package main

// modelCommands are the commands that compute: own gear from measurements, gear that is not built
// yet, and what would cure a product.
type modelCommands struct {
	Characterise characteriseCommand `cmd:"" help:"Work out a probe or a clamp of your own from measurements in a jig."`
	Design       designCommand       `cmd:"" help:"Compute a clamp before it is wound."`
	Cable        cableCommand        `cmd:"" help:"Compute the current on the cable under test: connector, probe, AE, resonances; estimate it from a run."`
	Decoupling   decouplingCommand   `cmd:"" help:"Judge the ferrites toward the auxiliary equipment."`
	Explain      explainCommand      `cmd:"" help:"Say what the runs of a job show about the cause of each failing band."`
	Remedy       remedyCommand       `cmd:"" help:"Say which parts on the cable or at the connector would give the missing dB."`
}
