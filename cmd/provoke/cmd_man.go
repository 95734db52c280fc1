package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/alecthomas/kong"
)

type manCommand struct {
	Dir string `arg:"" type:"path" help:"Folder; made when it is not there."`
}

// Run writes one page of section 1 for the program and for each command.
func (c *manCommand) Run(ctx *kong.Context) error {
	if err := os.MkdirAll(c.Dir, 0o755); err != nil {
		return fmt.Errorf("make the folder of the manual pages: %w", err)
	}
	return writeManuals(c.Dir, ctx.Model.Node)
}

func writeManuals(dir string, node *kong.Node) error {
	if err := os.WriteFile(filepath.Join(dir, manualOf(node)+".1"), []byte(manual(node)), 0o644); err != nil {
		return fmt.Errorf("write a manual page: %w", err)
	}
	for _, child := range node.Children {
		if !child.Hidden {
			if err := writeManuals(dir, child); err != nil {
				return err
			}
		}
	}
	return nil
}

// manualOf is the name of a command's page, such as "provoke-design-clamp".
func manualOf(node *kong.Node) string { return strings.ReplaceAll(node.FullPath(), " ", "-") }

// exitCodes tell what the README's table tells.
var exitCodes = [][2]string{
	{"0", "Done."}, {"1", "Error."}, {"2", "Wrong command line."},
	{"3", "Problems in an input file, or fields that a report lacks (report --check)."},
	{"4", "Refused before RF by a rating."},
	{"10", "The product upset; only with --fail-on-upset."}, {"11", "Stopped by the operator, RF verified off."},
	{"12", "Not all points closed, the plan's time is up, or a level not reached."}, {"20", "Tripped."},
	{"21", "RF not known to be off."}, {"22", "Journal or attachment does not verify."},
}

// manual is the page of a command in the language of man(7).
func manual(node *kong.Node) string {
	var b strings.Builder
	name := manualOf(node)
	fmt.Fprintf(&b, ".TH %s 1 \"\" \"provoke %s\" \"provoke\"\n.ad l\n.nh\n", strings.ToUpper(roff(name)),
		roff(version))
	fmt.Fprintf(&b, ".SH NAME\n%s \\- %s\n", roff(name), roff(strings.TrimSuffix(node.Help, ".")))
	summary := node.Summary()
	if node.Parent == nil {
		summary = "<command> [flags]"
	}
	fmt.Fprintf(&b, ".SH SYNOPSIS\n.B provoke\n%s\n.SH DESCRIPTION\n%s\n", roff(summary), roff(node.Help))
	roffText(&b, node.Detail)
	section := func(title string, pairs [][2]string) {
		if len(pairs) > 0 {
			fmt.Fprintf(&b, ".SH %s\n", title)
		}
		for _, p := range pairs {
			fmt.Fprintf(&b, ".TP\n\\fB%s\\fR\n%s\n", roff(p[0]), roff(p[1]))
		}
	}
	var arguments, options, commands [][2]string
	for _, p := range node.Positional {
		arguments = append(arguments, [2]string{p.Summary(), p.Help})
	}
	for _, group := range node.AllFlags(true) {
		for _, f := range group {
			options = append(options, [2]string{f.Summary(), f.Help})
			if f.Short != 0 {
				options[len(options)-1][0] = fmt.Sprintf("-%c, %s", f.Short, f.Summary())
			}
		}
	}
	for _, child := range node.Children {
		if !child.Hidden {
			commands = append(commands, [2]string{manualOf(child) + "(1)", child.Help})
		}
	}
	section("ARGUMENTS", arguments)
	section("OPTIONS", options)
	section("COMMANDS", commands)
	if node.Parent == nil {
		section("EXIT STATUS", exitCodes)
	} else {
		fmt.Fprintf(&b, ".SH SEE ALSO\n\\fB%s\\fR(1)\n", roff(manualOf(node.Parent)))
	}
	return b.String()
}

// roffText writes paragraphs; lines that are indented stay as they are.
func roffText(b *strings.Builder, text string) {
	for _, part := range strings.Split(strings.TrimSpace(text), "\n\n") {
		if part == "" {
			continue
		}
		b.WriteString(".PP\n")
		as := false
		for _, line := range strings.Split(part, "\n") {
			if indented := strings.HasPrefix(line, " ") || strings.HasPrefix(line, "\t"); indented != as {
				as = indented
				b.WriteString(map[bool]string{true: ".nf\n", false: ".fi\n"}[as])
			}
			b.WriteString(roff(line) + "\n")
		}
		if as {
			b.WriteString(".fi\n")
		}
	}
}

// roff writes a text so that none of it is taken for a command, and so that a list without blanks can be broken.
func roff(text string) string {
	text = strings.NewReplacer(`\`, `\e`, "-", `\-`, `,"`, `,\:"`, `,{`, `,\:{`, `:[`, `:\:[`).Replace(text)
	if strings.HasPrefix(text, ".") || strings.HasPrefix(text, "'") {
		text = `\&` + text
	}
	return text
}
