package main

// gearCommands are those for gear that is not wired, or not wired yet: exported traces and logs, and
// command tables of one's own.
type gearCommands struct {
	Trace traceCommand `cmd:"" help:"Read a trace that another instrument exported; turn it into cable current and join it to a run."`
	Log   logCommand   `cmd:"" help:"Join a log of the product with time stamps to a run."`
	Try   tryCommand   `cmd:"" help:"Prove the command table of one instrument with RF off; print a transcript that becomes its test."`
	Sweep sweepCommand `cmd:"" help:"Let a generator sweep by itself; find the bands in which the product upsets, with limits of error, and a stepped plan around them."`
}
