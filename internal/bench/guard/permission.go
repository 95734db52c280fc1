package guard

import (
	"fmt"
	"sync"
	"time"

	"provoke/internal/units/rf"
)

// Cleared is a permission to raise RF. Only this package makes one that works: the zero value is
// refused. It is good once, for a short time, for one Setting, and only until the guard trips,
// silences or disarms.
type Cleared struct{ permit *permit }

type permit struct {
	guard   *Guard
	epoch   int
	made    time.Time
	setting Setting
	purpose purpose
	route   string

	mu   sync.Mutex
	used bool
}

// purpose is what a permission is for; it works for nothing else.
type purpose int

const (
	toSet purpose = iota
	toOperate
	toRoute
)

func (g *Guard) issue(s Setting, want purpose) Cleared {
	g.mu.Lock()
	defer g.mu.Unlock()
	return Cleared{&permit{guard: g, epoch: g.epoch, made: g.now(), setting: s, purpose: want}}
}

// Take uses the permission up and returns the setting that it allows. The caller sends exactly
// that, at once.
func (c Cleared) Take() (Setting, error) {
	if err := c.take(toSet); err != nil {
		return Setting{}, err
	}
	g := c.permit.guard
	g.mu.Lock()
	g.last = c.permit.setting
	g.mu.Unlock()
	if g.cfg.Watcher != nil {
		g.cfg.Watcher.At(c.permit.setting.Frequency)
	}
	return c.permit.setting, nil
}

// Still returns nil while what was taken may still be carried out. A driver that needs several messages asks
// before each: this process may have been stopped between two of them, and the bench silenced meanwhile.
func (c Cleared) Still() error {
	g := c.permit.guard
	if err := g.Watched(); err != nil {
		return fmt.Errorf("raise RF: %w", err)
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case g.cause != "":
		return fmt.Errorf("raise RF: %w: %s", ErrTripped, g.cause)
	case c.permit.epoch != g.epoch:
		return fmt.Errorf("raise RF: %w: the bench was silenced while the setting was being sent", ErrRefused)
	}
	return nil
}

// TakeOperate uses up a permission of ClearOperate.
func (c Cleared) TakeOperate() error { return c.take(toOperate) }

// TakeRoute uses up a permission of ClearRoute and returns the route that it allows.
func (c Cleared) TakeRoute() (string, error) {
	if err := c.take(toRoute); err != nil {
		return "", err
	}
	return c.permit.route, nil
}

func (c Cleared) take(want purpose) error {
	p := c.permit
	if p == nil {
		return fmt.Errorf("raise RF: %w: no permission", ErrRefused)
	}
	g := p.guard
	// This process may have stood still since the permission was made.
	if err := g.Watched(); err != nil {
		return fmt.Errorf("raise RF: %w", err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case p.used:
		return fmt.Errorf("raise RF: %w: this permission was used before", ErrRefused)
	case p.purpose != want:
		return fmt.Errorf("raise RF: %w: this permission is for something else", ErrRefused)
	case g.cause != "":
		return fmt.Errorf("raise RF: %w: %s", ErrTripped, g.cause)
	case p.epoch != g.epoch:
		return fmt.Errorf("raise RF: %w: the permission was made before the bench was silenced", ErrRefused)
	case g.now().Sub(p.made) > g.cfg.Lifetime:
		return fmt.Errorf("raise RF: %w: the permission is older than %v", ErrRefused, rf.Duration(g.cfg.Lifetime))
	}
	p.used, g.pending = true, true
	return nil
}

// Confirmed tells the guard that the instrument has confirmed the setting of the permission that was
// used last, so that nothing of it is on its way any more.
func (g *Guard) Confirmed() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.pending = false
}

// Lowered tells the guard that the source's level was lowered, so that the next change of
// frequency is judged from there. It only ever lowers what the guard believes.
func (g *Guard) Lowered(to rf.Power) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.last.Level = g.last.Level.Lower(to)
}

// WentOff tells the guard that the source's output was switched off and read back as off.
func (g *Guard) WentOff() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.last.Output = false
}
