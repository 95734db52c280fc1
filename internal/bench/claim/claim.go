// Package claim keeps two programs from driving one bench, and ends the one that drives it when somebody
// wants RF off. A bench is claimed by its instruments: by maker, model and serial number where they say one,
// so that another job file, another bench file, another address and another user of the computer change
// nothing, and by address, so that a bench can be asked for before anything is sent to it. An address of this
// computer itself names a program here and no instrument: it counts with its port and not by what answers.
//
// A claim ends with the process that has it, however that ends, and with the watcher that inherited it.
// Beside each lock lie a file that says who has it, and the latch: whoever wants the bench writes into it,
// and the holder, who looks at it before each permission and every few milliseconds, trips.
//
// Two computers on one bench do not see each other's claims.
package claim

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
	"provoke/internal/job/lockfile"
)

// Holder is who has a bench.
type Holder struct {
	Process Process
	Role    Role
	Job     string // file, with its folder; empty for none
	User    string
	Since   time.Time
}

// Role is what a holder does with the bench.
type Role string

// The roles.
const (
	Runs     Role = "run"
	Watches  Role = "watcher" // its run is over, and RF is not known to be off
	Checks   Role = "rehearsal"
	Silences Role = "off"
)

// String says who it is.
func (h Holder) String() string {
	what := map[Role]string{Runs: "a run",
		Watches: "a watcher that an earlier run left, because RF was not known to be off",
		Checks:  "a rehearsal", Silences: "provoke off"}[h.Role]
	if h.Job != "" {
		what += " of job " + h.Job
	}
	return fmt.Sprintf("%s (process %d, %s, since %s)", what, h.Process.ID,
		h.User, h.Since.Local().Format("2006-01-02 15:04:05"))
}

// HeldError says that somebody else has an instrument of the bench.
type HeldError struct{ Holder }

// Error says who, and what to do.
func (e *HeldError) Error() string {
	if !e.Process.Lives() {
		return "this bench is in use: " + e.String() + "; that process has gone, and a provoke watch that it started " +
			"has the bench still and does not answer; end that one, then try again"
	}
	return "this bench is in use: " + e.String() + "; wait for its end, or end it with provoke off"
}

// Folder returns where claims lie: one folder for all users of the computer where the system has a place for
// that, else one of this user. PROVOKE_CLAIMS names another one.
func Folder() (string, error) {
	if dir := os.Getenv("PROVOKE_CLAIMS"); dir != "" {
		return dir, os.MkdirAll(dir, 0o777)
	}
	shared := "/tmp/provoke-claims"
	if runtime.GOOS == "windows" {
		shared = filepath.Join(os.Getenv("ProgramData"), "provoke", "claims")
	}
	err := os.MkdirAll(shared, 0o777)
	if err == nil {
		os.Chmod(shared, 0o777|os.ModeSticky) // fails where another user made it, who did that
		if info, lerr := os.Lstat(shared); lerr == nil && info.IsDir() {
			return shared, nil
		}
	}
	own, uerr := os.UserCacheDir()
	if uerr != nil {
		return "", errors.Join(err, uerr)
	}
	own = filepath.Join(own, "provoke", "claims")
	return own, os.MkdirAll(own, 0o700)
}

// Keys names the instruments of a bench that nobody else may use meanwhile: by address, and by who they say
// they are where that is known, by their id.
func Keys(b *catalog.Bench, identified map[string]string) []string {
	var out []string
	add := func(id string, c catalog.Connection) {
		if !c.Present() {
			return
		}
		out = append(out, "at "+strings.ToUpper(c.Address+" "+c.Through))
		if who := identityOf(identified[id]); who != "" && !isHere(c.Address) {
			out = append(out, "is "+who)
		}
	}
	add(b.Source.ID, b.Source.Connection)
	if a := b.Amplifier; a != nil {
		add(a.ID, a.Connection)
	}
	if a := b.Analyser; a != nil {
		add(a.ID, a.Connection)
	}
	if m := b.PowerMeter; m != nil {
		add(m.ID, m.Connection)
	}
	if x := b.Switch; x != nil {
		add(x.ID, x.Connection)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// identityOf returns maker, model and serial number of an answer to *IDN?; "" where there is no serial number
// (IEEE 488.2, 10.14: 0 stands for none).
func identityOf(idn string) string {
	f := strings.Split(strings.ToUpper(idn), ",")
	if len(f) != 4 {
		return ""
	}
	for i := range f {
		f[i] = strings.TrimSpace(f[i])
	}
	if strings.Trim(f[2], "0") == "" {
		return ""
	}
	return strings.Join(f[:3], ",")
}

// isHere reports that an address leads to this computer itself.
func isHere(address string) bool {
	r, err := resource.Parse(address)
	if err != nil {
		return false
	}
	ip := net.ParseIP(r.Host)
	return r.Host == "localhost" || ip != nil && ip.IsLoopback()
}

// Claim is a bench that this process has, or that a watcher inherited.
type Claim struct {
	folder string
	holder Holder
	keys   []string
	locks  []*lockfile.File
	seen   map[string]string // what the latches said when the bench was claimed
}

// Take claims the instruments of those keys for this process, all of them or none. *HeldError says who has
// one of them.
func Take(keys []string, role Role, job string) (*Claim, error) {
	folder, err := Folder()
	if err != nil {
		return nil, fmt.Errorf("claim the bench: %w", err)
	}
	h := Holder{Process: ThisProcess(), Role: role, Job: job, User: "user " + UserName(), Since: time.Now()}
	c := &Claim{folder: folder, holder: h, seen: map[string]string{}}
	if err := c.Add(keys); err != nil {
		return nil, err
	}
	return c, nil
}

// UserName is who runs this program, as far as the system tells.
func UserName() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return "unknown"
}

// Add claims more instruments, once they have said who they are. On failure everything is let go.
func (c *Claim) Add(keys []string) error {
	for _, k := range keys {
		if slices.Contains(c.keys, k) {
			continue
		}
		lock, err := lockfile.Take(c.path(k, "-lock"), c.holder.String())
		if err != nil {
			held := holderOf(c.folder, k)
			c.Release()
			var taken *lockfile.HeldError
			if errors.As(err, &taken) {
				return &HeldError{held}
			}
			return fmt.Errorf("claim the bench: %w", err)
		}
		c.locks, c.keys = append(c.locks, lock), append(c.keys, k)
		c.seen[k] = c.latch(k)
		openToAll(c.path(k, "-lock"))
		c.tell(k)
	}
	return nil
}

// openToAll lets every user of the computer ask for the bench; it fails for the file of another user, who
// did that.
func openToAll(path string) { os.Chmod(path, 0o666) }

func (c *Claim) tell(key string) {
	if data, err := json.Marshal(c.holder); err == nil {
		write(c.path(key, "-who"), data)
	}
}

// write replaces what a file of the folder says; it may be another user's.
func write(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_TRUNC, 0)
	if errors.Is(err, os.ErrNotExist) {
		f, err = os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
	}
	if err != nil {
		return err
	}
	openToAll(path)
	_, err = f.Write(data)
	return errors.Join(err, f.Close())
}

// Is changes what this process says of itself, as a watcher does whose run is over.
func (c *Claim) Is(role Role) {
	c.holder.Role, c.holder.Process, c.holder.Since = role, ThisProcess(), time.Now()
	for _, k := range c.keys {
		c.tell(k)
	}
}

// Keys names what is claimed.
func (c *Claim) Keys() []string { return c.keys }

// Holder says who claimed it.
func (c *Claim) Holder() Holder { return c.holder }

// Inherit lets a process that is about to be started keep the claim until it ends; what is returned is called once it
// has been started.
func (c *Claim) Inherit(cmd *exec.Cmd) (started func() error) {
	var all []func() error
	for _, l := range c.locks {
		all = append(all, l.Inherit(cmd))
	}
	return func() (err error) {
		for _, f := range all {
			err = errors.Join(err, f())
		}
		return err
	}
}

// Inherited is the claim as the process sees it that inherited it.
func Inherited(keys []string, h Holder) *Claim {
	folder, err := Folder()
	c := &Claim{folder: folder, holder: h, keys: keys, seen: map[string]string{}}
	if err != nil {
		c.keys = nil
	}
	for _, k := range c.keys {
		c.seen[k] = c.latch(k)
	}
	return c
}

// Release lets the bench go, which nobody inherited, or whose heir has ended.
func (c *Claim) Release() {
	for i, l := range c.locks {
		os.Remove(c.path(c.keys[i], "-who"))
		l.Remove()
	}
	c.locks, c.keys = nil, nil
}

// Leave leaves the bench to the watcher that inherited it.
func (c *Claim) Leave() {
	for _, l := range c.locks {
		l.Leave()
	}
	c.locks, c.keys = nil, nil
}

// Check returns why the claim is over: somebody asked for the bench. It reads a few small files.
func (c *Claim) Check() error {
	r := c.Wanted()
	if r == nil {
		return nil
	}
	return fmt.Errorf("%s asked for the bench (process %d, %s)",
		map[Role]string{Runs: "a new run", Checks: "a rehearsal", Silences: "provoke off"}[r.By.Role], r.By.Process.ID,
		r.By.User)
}

// Wanted returns who asked for the bench since it was claimed; nil for nobody.
func (c *Claim) Wanted() *Request {
	for _, k := range c.keys {
		if text := c.latch(k); text != "" && text != c.seen[k] {
			r := &Request{By: Holder{Role: Silences, User: "user unknown"}} // a latch that is being written counts
			json.Unmarshal([]byte(text), r)
			return r
		}
	}
	return nil
}

// Refuse takes what the latches say for settled: who asked has gone without an end.
func (c *Claim) Refuse() {
	for _, k := range c.keys {
		c.seen[k] = c.latch(k)
	}
}

func (c *Claim) latch(key string) string {
	data, _ := os.ReadFile(c.path(key, "-latch"))
	return string(data)
}

func (c *Claim) path(key, what string) string { return path(c.folder, key, what) }

func path(folder, key, what string) string {
	sum := sha256.Sum256([]byte(key))
	return filepath.Join(folder, hex.EncodeToString(sum[:12])+what)
}

func holderOf(folder, key string) Holder {
	h := Holder{Role: Runs, User: "user unknown"}
	if data, err := os.ReadFile(path(folder, key, "-who")); err == nil {
		json.Unmarshal(data, &h)
	}
	return h
}
