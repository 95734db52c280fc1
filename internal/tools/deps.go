//go:build deps

// Package tools keeps the chosen libraries in go.mod until the packages that use them are written.
package tools

import (
	_ "codeberg.org/go-fonts/liberation/liberationsansregular"
	_ "github.com/chromedp/chromedp"
	_ "github.com/goccy/go-yaml"
	_ "github.com/google/go-cmp/cmp"
	_ "github.com/rogpeppe/go-internal/testscript"
	_ "go.bug.st/serial"
	_ "go.uber.org/goleak"
	_ "gonum.org/v1/gonum/stat"
	_ "gonum.org/v1/plot"
	_ "modernc.org/sqlite"
	_ "pgregory.net/rapid"
)
