package result

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
)

// Integrity returns the integrity hash of a job: the SHA-256, in hexadecimal, of the line
// "run NUMBER HEAD\n" for each run in the order given, HEAD being the hash of its journal's head. It
// vouches for every record of the job, since each head does so for its run.
func Integrity(runs []Run) string {
	h := sha256.New()
	for _, r := range runs {
		fmt.Fprintf(h, "run %d %s\n", r.Number, r.Head)
	}
	return hex.EncodeToString(h.Sum(nil))
}
