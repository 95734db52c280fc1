//go:build !unix

package main

// ignoreFileLimit is for systems that signal a file which may not grow any more; here a write fails.
func ignoreFileLimit() {}

// fileLimit would be how many files and connections this process may have open; nothing says here.
func fileLimit() int { return 0 }
