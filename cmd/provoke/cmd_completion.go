package main

import (
	"embed"
	"fmt"
	"strings"

	"github.com/alecthomas/kong"

	"provoke/internal/terminal"
)

//go:embed completion
var completionScripts embed.FS

type completionCommand struct {
	Shell string `arg:"" enum:"bash,zsh,fish,powershell" help:"bash, zsh, fish or powershell."`
}

// Help says where the script goes.
func (c *completionCommand) Help() string {
	return `Prints a script for your shell. With it the key that completes offers commands, flags with their help, the values
that a flag may have, and files of the right kind. For the shell at hand:

    bash         eval "$(provoke completion bash)"
    zsh          eval "$(provoke completion zsh)"
    fish         provoke completion fish | source
    powershell   provoke completion powershell | Out-String | Invoke-Expression

For every one, put that line into the shell's start-up file; in zsh behind the line with compinit.`
}

func (c *completionCommand) Run(w *terminal.World) error {
	ending := c.Shell
	if ending == "powershell" {
		ending = "ps1"
	}
	script, err := completionScripts.ReadFile("completion/provoke." + ending)
	if err != nil {
		return err
	}
	_, err = w.Stdout.Write(script)
	return err
}

// completeCommand tells a shell's script what may stand in the last of the words. That one is told with a "="
// before it, since not every shell hands on an empty word.
type completeCommand struct {
	Words []string `arg:"" passthrough:""`
}

// Run prints a line that says what follows or what the shell is to look for itself, "words", "folders", "files" or
// "files" with their ending; then words, each with a tab and its help.
func (c *completeCommand) Run(w *terminal.World, ctx *kong.Context) error {
	words := c.Words
	if words[0] == "--" && len(words) > 1 {
		words = words[1:]
	}
	last := len(words) - 1
	kind, found := wordsAt(ctx.Model.Node, words[:last], strings.TrimPrefix(words[last], "="))
	fmt.Fprintln(w.Stdout, strings.TrimSpace(kind))
	for _, f := range found {
		fmt.Fprintf(w.Stdout, "%s\t%s\n", f[0], f[1])
	}
	return nil
}

// wordsAt returns what may stand where cur is being typed after other words, and the words that begin so with their
// help. Of "--flag=value" only the value is returned. bash takes the "=" for a word of its own.
func wordsAt(node *kong.Node, before []string, cur string) (kind string, found [][2]string) {
	if len(before) > 0 && before[0] == "help" {
		before = before[1:]
	}
	var flag *kong.Value // waits for its value
	place, flags := 0, true
	for _, word := range before {
		switch {
		case word == "=":
		case flag != nil:
			flag = nil
		case word == "--":
			flags = false
		case flags && strings.HasPrefix(word, "-"):
			flag = flagOf(node, word)
		default:
			if child := childOf(node, word); child != nil {
				node = child
			} else {
				place++
			}
		}
	}
	if flag != nil {
		cur = strings.TrimPrefix(cur, "=")
	} else if name, value, is := strings.Cut(cur, "="); is && flags && strings.HasPrefix(name, "-") {
		if flag = flagOf(node, name); flag == nil {
			return "words", nil
		}
		cur = value
	}
	add := func(word, help string) {
		if strings.HasPrefix(word, cur) {
			found = append(found, [2]string{word, help})
		}
	}
	value := flag
	if flag == nil && !(flags && strings.HasPrefix(cur, "-")) {
		for _, child := range node.Children {
			if !child.Hidden {
				add(child.Name, child.Help)
			}
		}
		if n := len(node.Positional); place < n {
			value = node.Positional[place]
		} else if n > 0 && node.Positional[n-1].IsCumulative() {
			value = node.Positional[n-1]
		}
	}
	if value != nil {
		if kind = kindOf(value); kind != "words" {
			return kind, nil
		}
		for _, v := range valuesOf(value) {
			add(v, "")
		}
	}
	if flag == nil && flags && len(found) == 0 && (value == nil || cur == "") {
		for _, group := range node.AllFlags(true) {
			for _, f := range group {
				add("--"+f.Name, f.Help)
			}
		}
	}
	return "words", found
}

func childOf(node *kong.Node, name string) *kong.Node {
	for _, child := range node.Children {
		if child.Name == name {
			return child
		}
	}
	return nil
}

// flagOf is the flag that a word names when the next word is its value, else nil.
func flagOf(node *kong.Node, word string) *kong.Value {
	for _, group := range node.AllFlags(false) {
		for _, f := range group {
			if (word == "--"+f.Name || f.Short != 0 && word == "-"+string(f.Short)) && !f.IsBool() {
				return f.Value
			}
		}
	}
	return nil
}

// valuesOf are the words that a value may be, where there are few.
func valuesOf(v *kong.Value) (out []string) {
	list := v.EnumSlice()
	if v.Enum == "" && v.Flag != nil && strings.Contains(v.Flag.PlaceHolder, "|") {
		list = strings.Split(v.Flag.PlaceHolder, "|")
	}
	for _, word := range list {
		if word != "" {
			out = append(out, word)
		}
	}
	return out
}

// kindOf says which files a value names, by its name or what stands for it in the help: "JOB.provoke", "bench.yaml",
// "dir".
func kindOf(v *kong.Value) string {
	name := strings.ToLower(v.Name)
	if v.Flag != nil {
		name = strings.ToLower(v.Flag.PlaceHolder)
		if name == "" {
			name = v.Name
		}
	}
	switch name {
	case "job":
		return "files .provoke"
	case "bench", "plan", "sweep":
		return "files .yaml"
	case "dir":
		return "folders"
	case "file", "files":
		if v.Enum == "" {
			return "files"
		}
	}
	for _, ending := range []string{".provoke", ".yaml", ".csv", ".zip"} {
		if strings.HasSuffix(name, ending) {
			return "files " + ending
		}
	}
	if v.Tag.Type == "path" {
		return "files"
	}
	return "words"
}
