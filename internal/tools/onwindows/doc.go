// Package onwindows holds no code: its tests run the binary for Windows, built here, under wine, an
// implementation of the Windows interfaces on Linux. What that cannot show stands in docs/safety.md.
package onwindows
