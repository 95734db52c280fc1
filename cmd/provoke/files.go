package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"provoke/internal/catalog"
	"provoke/internal/plan"
	"provoke/internal/problem"
)

// maximumInput is the largest file that a command reads into memory, in bytes.
const maximumInput = 64 << 20

// readInput reads a file of bounded size. Anything but a plain file is refused.
func readInput(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, withoutPath(err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, withoutPath(err)
	case info.IsDir():
		return nil, errors.New("it is a folder")
	case !info.Mode().IsRegular():
		return nil, errors.New("it is not a plain file")
	case info.Size() > maximumInput:
		return nil, fmt.Errorf("it has %d bytes; at most %d are read", info.Size(), maximumInput)
	}
	return io.ReadAll(io.LimitReader(f, maximumInput))
}

// withoutPath drops operation and path from an error, for messages that name the file themselves.
func withoutPath(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// beside returns a function that reads files by names that count from the folder of a file.
func beside(file string) func(string) ([]byte, error) {
	folder := filepath.Dir(file)
	return func(name string) ([]byte, error) { return readInput(filepath.Join(folder, filepath.FromSlash(name))) }
}

// readBench reads a bench file. The list holds its warnings when the error is nil.
func readBench(path string) (*catalog.Bench, problem.List, error) {
	data, err := readInput(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the bench file %s: %w", path, err)
	}
	b, list := catalog.Parse(path, data, beside(path))
	return b, list, list.Err()
}

// readPlan reads a plan file. The list holds its warnings when the error is nil.
func readPlan(path string) (*plan.Plan, problem.List, error) {
	data, err := readInput(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the plan file %s: %w", path, err)
	}
	p, list := plan.Parse(path, data, beside(path))
	return p, list, list.Err()
}

// benchOf returns the path of the bench file that a plan names.
func benchOf(p *plan.Plan) string {
	if filepath.IsAbs(p.BenchFile) {
		return p.BenchFile
	}
	return filepath.Join(filepath.Dir(p.File), filepath.FromSlash(p.BenchFile))
}

// warn prints warnings to standard error.
func warn(w *world, list problem.List) {
	for _, p := range list.Warnings() {
		fmt.Fprintln(w.stderr, p)
	}
}
