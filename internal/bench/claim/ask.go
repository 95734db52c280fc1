package claim

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"provoke/internal/job/lockfile"
)

// Request is what lies in the latch of a bench that somebody asked for.
type Request struct {
	By Holder
	At time.Time
	// Off: who asked has read back that RF is off; a watcher that is still at it may end.
	Off bool
	// GaveUp: who asked could not read that back, and does not try any more.
	GaveUp bool

	folder string
	keys   []string
}

// Held returns who has instruments of those keys now; none where they are free.
func Held(keys []string) []Holder {
	folder, err := Folder()
	if err != nil {
		return nil
	}
	var out []Holder
	for _, k := range keys {
		if !lockfile.Held(path(folder, k, "-lock")) {
			continue
		}
		if h := holderOf(folder, k); !slices.ContainsFunc(out, func(o Holder) bool { return o.Process == h.Process }) {
			out = append(out, h)
		}
	}
	return out
}

// Ask trips whatever run has an instrument of those keys, and makes a watcher that is left there stand back.
func Ask(keys []string, role Role) (*Request, error) {
	folder, err := Folder()
	if err != nil {
		return nil, fmt.Errorf("ask for the bench: %w", err)
	}
	r := &Request{By: Holder{Process: ThisProcess(), Role: role, User: "user " + UserName(), Since: time.Now()},
		At: time.Now(), folder: folder, keys: keys}
	return r, r.write()
}

// Add asks for more instruments.
func (r *Request) Add(keys []string) error {
	r.keys = append(r.keys, keys...)
	return r.write()
}

func (r *Request) write() error {
	data, err := json.Marshal(r)
	for _, k := range r.keys {
		err = errors.Join(err, write(path(r.folder, k, "-latch"), data))
	}
	if err != nil {
		return fmt.Errorf("ask for the bench: %w", err)
	}
	return nil
}

// IsOff says that RF was read back as off.
func (r *Request) IsOff() error {
	r.Off = true
	return r.write()
}

// GiveUp says that it could not be.
func (r *Request) GiveUp() error {
	r.GaveUp = true
	return r.write()
}

// Clear takes the latches away where nobody has the bench who would look at them.
func (r *Request) Clear() {
	for _, k := range r.keys {
		if !lockfile.Held(path(r.folder, k, "-lock")) {
			os.Remove(path(r.folder, k, "-latch"))
		}
	}
}

// Free waits until nobody else has the bench, at most so long; it returns who has it still.
func (r *Request) Free(most time.Duration) []Holder {
	for end := time.Now().Add(most); ; time.Sleep(10 * time.Millisecond) {
		held := Held(r.keys)
		if len(held) == 0 || !time.Now().Before(end) {
			return held
		}
	}
}
