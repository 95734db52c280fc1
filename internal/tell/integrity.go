package tell

import (
	"time"

	"provoke/internal/job/result"
)

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
