package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"provoke/internal/bench/scpi/discovery"
	"provoke/internal/job/event"
	"provoke/internal/terminal"
)

type findCommand struct {
	Interface string        `placeholder:"NAME" help:"Look on this network interface only; otherwise on all that are up."`
	Wait      time.Duration `default:"2s" help:"How long to wait for answers from the network (${default})."`
	Limit     time.Duration `default:"1s" help:"How long to wait for one instrument's answer to *IDN? (${default})."`
	Silent    bool          `help:"List only; ask nobody who it is."`
	JSON      bool          `name:"json" help:"Print as JSON."`
}

// foundJSON is one entry of --json.
type foundJSON struct {
	Address  string          `json:"address"`
	Identity string          `json:"identity,omitempty"`
	Name     string          `json:"name,omitempty"`
	How      []discovery.How `json:"how"`
	InUse    string          `json:"in_use,omitempty"`
	Error    string          `json:"error,omitempty"`
}

// Run looks everywhere. Nothing found is no error; a place where it could not look is told on standard
// error and is none either, because the rest of the list is good.
func (c *findCommand) Run(w *terminal.World) error {
	found, err := discovery.Look(w.Ctx, discovery.Options{Interface: c.Interface, Wait: c.Wait, Limit: c.Limit, Silent: c.Silent})
	if err != nil {
		for _, line := range strings.Split(err.Error(), "\n") {
			fmt.Fprintln(w.Stderr, "provoke: "+line)
		}
		if c.Interface != "" && errors.Is(err, discovery.ErrNoNetwork) && len(found) == 0 {
			return terminal.WithCode(terminal.ExitError, fmt.Errorf("nothing found, and the interface that was asked for could not be looked at"))
		}
	}
	if c.JSON {
		return c.asJSON(w, found)
	}
	if len(found) == 0 {
		fmt.Fprintln(w.Stdout, "nothing found; an instrument without LXI can still be reached by its address (TCPIP::host::5025::SOCKET)")
		return nil
	}
	t := terminal.Table(w.Stdout)
	fmt.Fprintln(t, "address\twho\tfound by")
	for _, f := range found {
		fmt.Fprintf(t, "%s\t%s\t%s\n", event.Printable(f.Address), event.Printable(who(f)), how(f))
	}
	return t.Flush()
}

// who says who an instrument is, or why that is not known.
func who(f discovery.Found) string {
	switch {
	case f.Identity != "":
		return f.Identity
	case f.InUse != "":
		return "in use, left alone: " + f.InUse
	case f.Err != nil:
		return "does not say: " + f.Err.Error()
	case f.Name != "":
		return f.Name + " (not asked)"
	}
	return "(not asked)"
}

func how(f discovery.Found) string {
	var out []string
	for _, h := range f.How {
		out = append(out, string(h))
	}
	return strings.Join(out, ", ")
}

func (c *findCommand) asJSON(w *terminal.World, found []discovery.Found) error {
	list := []foundJSON{}
	for _, f := range found {
		j := foundJSON{Address: f.Address, Identity: f.Identity, Name: f.Name, How: f.How, InUse: f.InUse}
		if f.Err != nil {
			j.Error = f.Err.Error()
		}
		list = append(list, j)
	}
	data, err := json.MarshalIndent(struct {
		Found []foundJSON `json:"found"`
	}{list}, "", "  ")
	if err != nil {
		return fmt.Errorf("printing what was found: %w", err)
	}
	_, err = fmt.Fprintln(w.Stdout, string(data))
	return err
}
