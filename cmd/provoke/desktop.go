package main

import (
	"fmt"
	"os"
	"path/filepath"

	"provoke/internal/terminal"
)

// desktop is what a system with windows has: what it does not have is nil.
type desktop struct {
	alone     func() bool                // nobody typed the program's name: its window is its own and ends with it
	documents func() (string, error)     // the person's folder of documents
	show      func(address string) error // opens the browser
}

// open does what a double click on the program asks for: it serves the page on a folder among the documents. An error
// stays to be read until a key is pressed, since the window ends with the program.
func (d desktop) open(w *terminal.World) int {
	dir, err := d.documents()
	if err == nil {
		dir = filepath.Join(dir, "provoke")
		err = os.MkdirAll(dir, 0o755)
	}
	if err == nil {
		fmt.Fprintf(w.Stdout, "provoke opens its page in your browser, on the jobs in %s.\nLeave this window open "+
			"while you work. The program is also a command: open a prompt and type provoke help.\n\n", dir)
		err = (&serveCommand{Dir: dir, Listen: "127.0.0.1:0", show: d.show}).Run(w)
	}
	if err == nil {
		return terminal.ExitDone
	}
	code := terminal.Speak(w, err)
	fmt.Fprintln(w.Stderr, "Press Enter to close this window.")
	w.Line(w.Ctx)
	return code
}
