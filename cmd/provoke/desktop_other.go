//go:build !windows

package main

// thisDesktop is a system on which a double click starts no program of a terminal, or leaves its window open.
var thisDesktop = desktop{alone: func() bool { return false }}
