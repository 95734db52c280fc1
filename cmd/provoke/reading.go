package main

import (
	"os"

	"provoke/internal/document"
)

// readText reads a file that a person wrote: a bench, a plan, parts.
func readText(name string) ([]byte, error) { return readFile(name, document.MaximumSize) }

// readTable reads a file of figures: a curve, a trace, a sweep.
func readTable(name string) ([]byte, error) { return readFile(name, document.MaximumTable) }

func readFile(name string, most int64) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	return document.ReadFile(f, name, most)
}
