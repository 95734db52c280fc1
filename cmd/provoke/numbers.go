package main

import "provoke/internal/units/rf"

// numberOfDB returns a gain for --json: three decimals, nil where it is no finite number.
func numberOfDB(g rf.Gain) *float64 { return rf.OrNullRounded(g, 3) }

// rounded leaves four decimals.
func rounded(x float64) float64 { return rf.Round(x, 4) }

// finite returns nil for what has no number.
func finite(x float64) *float64 { return rf.OrNullRounded(x, 4) }

func hertz(f rf.Frequency) *float64 { return f.OrNull() }
