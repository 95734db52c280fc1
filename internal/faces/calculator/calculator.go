// Package calculator is what the commands that only compute have in common. What each of them works out and prints
// stands below it: levels is the desk calculator, budget the bench and the plan before anything is switched on, models
// the gear and the cable, readings the files of other instruments, keys the keys of the program's own files.
package calculator

import (
	"fmt"
	"math"
	"slices"

	"provoke/internal/units/rf"
)

// Rows is how many rows are printed of what has many.
const Rows = 11

// Spread returns up to most of n indexes, first and last among them.
func Spread(n, most int) []int {
	m := min(n, most)
	if m == 1 {
		return []int{0}
	}
	var out []int
	for k := range m {
		out = append(out, k*(n-1)/(m-1))
	}
	return out
}

// Steps are the ends of a band and what lies between them of the digits in each decade.
func Steps(low, high rf.Frequency, digits ...float64) []rf.Frequency {
	out := []rf.Frequency{low}
	for decade := math.Floor(math.Log10(low.Hz())); decade <= math.Log10(high.Hz()); decade++ {
		for _, digit := range digits {
			if f := rf.Frequency(digit * math.Pow(10, decade)); f > low*1.001 && f < high*0.999 {
				out = append(out, f)
			}
		}
	}
	if high > low {
		out = append(out, high)
	}
	return out
}

// Frequencies reads what a flag was given.
func Frequencies(flag string, texts []string) ([]rf.Frequency, error) {
	var out []rf.Frequency
	for _, t := range texts {
		f, err := rf.ParseFrequency(t)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", flag, err)
		}
		out = append(out, f)
	}
	return out, nil
}

// Ascending is Frequencies in ascending order and each once.
func Ascending(flag string, texts []string) ([]rf.Frequency, error) {
	out, err := Frequencies(flag, texts)
	slices.Sort(out)
	return slices.Compact(out), err
}
