package tell

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"provoke/internal/job/result"
)

// Integrity returns the integrity hash of a job: the SHA-256, in hexadecimal, of the line
// "run NUMBER HEAD\n" for each run in the order given, HEAD being the hash of its journal's head. It
// vouches for every record of the job, since each head does so for its run.
func Integrity(runs []result.Run) string {
	h := sha256.New()
	for _, r := range runs {
		fmt.Fprintf(h, "run %d %s\n", r.Number, r.Head)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// LastRecord returns the time of the newest record of any run: what a report of the job is dated,
// so that the same job gives the same bytes whenever it is written.
func LastRecord(runs []result.Run) time.Time {
	var last time.Time
	for _, r := range runs {
		if r.LastAt.After(last) {
			last = r.LastAt
		}
	}
	return last
}
