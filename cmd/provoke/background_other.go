//go:build !unix

package main

// ignoreTerminalStop has nothing to do here: no system but Unix stops a program that reads in the background.
func ignoreTerminalStop() {}
