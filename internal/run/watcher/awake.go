package watcher

import "time"

// Awake keeps the machine from going to sleep by itself, until Release. Where nothing does, RF that is on
// in a sleep stays on until the machine wakes: only an off of the instrument's own bounds that.
type Awake struct {
	words   string
	release func()
}

// awakeWithin is how long the system may take to grant it. A run is armed without it.
const awakeWithin = 2 * time.Second

// KeepAwake asks the system not to sleep, and to sleep when a person asks for it only where it cannot be
// kept from that. It always returns an Awake, whose Words say what was got.
func KeepAwake() *Awake {
	words, release, err := inhibit()
	if err != nil {
		return &Awake{words: "suspend is not inhibited: " + err.Error() +
			"; keep this machine awake by its own settings while RF is on"}
	}
	return &Awake{words: "suspend is inhibited" + words, release: release}
}

// Words says whether suspend is inhibited, and where not, why; nothing for a nil Awake.
func (a *Awake) Words() string {
	if a == nil {
		return ""
	}
	return a.words
}

// Release lets the machine sleep again. It may be called more than once.
func (a *Awake) Release() {
	if a.release != nil {
		a.release()
		a.release = nil
	}
}
