package main

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"provoke/internal/bench/scpi/discovery"
	"provoke/internal/terminal"
)

type findCommand struct {
	Interface string        `placeholder:"NAME" help:"Look on this network interface only; otherwise on all that are up."`
	Wait      time.Duration `default:"2s" help:"How long to wait for answers from the network (${default})."`
	Limit     time.Duration `default:"1s" help:"How long to wait for one instrument's answer to *IDN? (${default})."`
	Silent    bool          `help:"List only; ask nobody who it is."`
	JSON      bool          `name:"json" help:"Print as JSON."`
}

// Run looks everywhere. Nothing found is no error; a place where it could not look is told on standard
// error and is none either, because the rest of the list is good.
func (c *findCommand) Run(w *terminal.World) error {
	found, err := discovery.Look(w.Ctx, discovery.Options{Interface: c.Interface, Wait: c.Wait, Limit: c.Limit,
		Silent: c.Silent})
	if err != nil {
		for _, line := range strings.Split(err.Error(), "\n") {
			fmt.Fprintln(w.Stderr, "provoke: "+line)
		}
		if c.Interface != "" && errors.Is(err, discovery.ErrNoNetwork) && len(found) == 0 {
			return terminal.WithCode(terminal.ExitError,
				fmt.Errorf("nothing found, and the interface that was asked for could not be looked at"))
		}
	}
	if c.JSON {
		return terminal.PrintJSON(w.Stdout, discovery.JSON(found))
	}
	return discovery.Print(w.Stdout, found)
}
