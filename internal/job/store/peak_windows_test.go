package store

import "os"

// peakOf is not told by the system call that ends a process.
func peakOf(*os.ProcessState) int64 { return 0 }

func forgetPeak() {}
