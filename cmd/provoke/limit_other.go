//go:build !unix

package main

// ignoreFileLimit is for systems that signal a file which may not grow any more; here a write fails.
func ignoreFileLimit() {}
