// Package discovery finds instruments: by multicast DNS (the service names that LXI gives, RFC 6762 and
// 6763), by broadcast to the port mapper that VXI-11 needs, and by this machine's own lists of USB
// instruments and serial ports. What is found can be asked who it is.
//
// It is careful with instruments that are at work. It changes nothing: no *CLS, no device clear. One
// that is locked, or has no link or session left, is told as in use and not spoken to; so is a USB
// instrument whose file another program has open. A serial port is listed and never opened, because
// opening one can already reset what is at its other end. Every connection is closed at once and
// cleanly: an instrument may allow only one.
package discovery

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/hislip"
	"provoke/internal/bench/scpi/serialline"
	"provoke/internal/bench/scpi/usbtmc"
	"provoke/internal/bench/scpi/vxi11"
	"provoke/internal/files/resource"
)

// ErrNoNetwork is wrapped when this machine has no network to look on.
var ErrNoNetwork = errors.New("no network")

// How something was found.
type How string

// The ways to find something.
const (
	ByMulticast How = "mDNS"
	ByBroadcast How = "VXI-11 broadcast"
	ByUSB       How = "USB"
	BySerial    How = "serial port"
)

// Found is an address at which something answers or is listed.
type Found struct {
	Address  string // resource string
	How      []How
	Name     string // what it calls itself without being asked
	Identity string // its answer to *IDN?
	// InUse says that another user has it, and how that shows; it was not spoken to.
	InUse string
	Err   error // why it could not be asked
}

// Options of Look. The zero value looks everywhere for two seconds and asks what it finds.
type Options struct {
	Interface string        // name of the network interface; "" means all that are up
	Wait      time.Duration // for answers from the network; 0 means 2 s
	Limit     time.Duration // to ask one instrument; 0 means 1 s
	Silent    bool          // list only, ask nobody
	// Mapper is the port mapper's port for the broadcast; 0 means 111.
	Mapper int
}

func (o Options) withDefaults() Options {
	if o.Wait <= 0 {
		o.Wait = 2 * time.Second
	}
	if o.Limit <= 0 {
		o.Limit = time.Second
	}
	return o
}

// Look looks everywhere at once. What it found is good whatever the error says: the error joins what
// could not be looked at, ErrNoNetwork among it.
func Look(ctx context.Context, o Options) ([]Found, error) {
	o = o.withDefaults()
	var g gathering
	g.look(func() ([]Found, error) { return network(ctx, o) })
	g.look(usb)
	g.look(ports)
	g.wg.Wait()
	found := merge(g.found)
	if !o.Silent {
		askAll(ctx, found, o.Limit)
	}
	return found, errors.Join(g.errs...)
}

// gathering collects from several goroutines.
type gathering struct {
	wg    sync.WaitGroup
	mu    sync.Mutex
	found []Found
	errs  []error
}

func (g *gathering) look(f func() ([]Found, error)) {
	g.wg.Go(func() {
		found, err := f()
		g.mu.Lock()
		defer g.mu.Unlock()
		g.found = append(g.found, found...)
		if err != nil {
			g.errs = append(g.errs, err)
		}
	})
}

func usb() ([]Found, error) {
	devices, err := usbtmc.List()
	if errors.Is(err, usbtmc.ErrLinuxOnly) {
		return nil, nil
	}
	var out []Found
	for _, d := range devices {
		f := Found{Address: d.Resource(), How: []How{ByUSB}, Name: d.Name}
		if who := holder("/dev/" + d.Name); who != "" {
			f.InUse = "another program has it open: " + who
		}
		out = append(out, f)
	}
	return out, err
}

func ports() ([]Found, error) {
	names, err := serialline.List()
	var out []Found
	for _, n := range names {
		f := Found{Address: "ASRL" + n + "::INSTR", How: []How{BySerial}}
		if who := holder(n); who != "" {
			f.InUse = "another program has it open: " + who
		}
		out = append(out, f)
	}
	return out, err
}

// merge makes one entry of each address and orders them.
func merge(all []Found) []Found {
	var out []Found
	for _, f := range all {
		i := slices.IndexFunc(out, func(g Found) bool { return strings.EqualFold(g.Address, f.Address) })
		if i < 0 {
			out = append(out, f)
			continue
		}
		for _, h := range f.How {
			if !slices.Contains(out[i].How, h) {
				out[i].How = append(out[i].How, h)
			}
		}
		if out[i].Name == "" {
			out[i].Name = f.Name
		}
	}
	slices.SortFunc(out, func(a, b Found) int { return strings.Compare(a.Address, b.Address) })
	return out
}

// askAll asks one host's addresses one after the other and different hosts at once: an instrument may
// take only one connection.
func askAll(ctx context.Context, found []Found, limit time.Duration) {
	hosts := map[string][]*Found{}
	for i := range found {
		r, err := resource.Parse(found[i].Address)
		if err != nil || r.Kind == resource.Serial || found[i].InUse != "" {
			continue
		}
		key := r.Host
		if key == "" {
			key = found[i].Address
		}
		hosts[key] = append(hosts[key], &found[i])
	}
	var wg sync.WaitGroup
	for _, list := range hosts {
		wg.Go(func() { askHost(ctx, list, limit) })
	}
	wg.Wait()
}

// askHost asks first where a lock shows. A host that has one is not spoken to by a raw socket, which
// would not show it.
func askHost(ctx context.Context, list []*Found, limit time.Duration) {
	slices.SortStableFunc(list, func(a, b *Found) int { return rank(a.Address) - rank(b.Address) })
	inUse := ""
	for _, f := range list {
		if inUse != "" && rank(f.Address) == rankRaw {
			f.InUse = inUse
			continue
		}
		Ask(ctx, f, limit)
		if f.InUse != "" {
			inUse = f.InUse
		}
	}
}

const rankRaw = 2

func rank(address string) int {
	r, _ := resource.Parse(address)
	switch r.Kind {
	case resource.HiSLIP:
		return 0
	case resource.VXI11:
		return 1
	}
	return rankRaw
}

// Ask asks one instrument who it is and closes the connection.
func Ask(ctx context.Context, f *Found, limit time.Duration) {
	ctx, cancel := context.WithTimeoutCause(ctx, limit, fmt.Errorf("%w (%v)", scpi.ErrTimeout, limit))
	defer cancel()
	identity, err := identify(ctx, f.Address)
	switch {
	case errors.Is(err, scpi.ErrInUse):
		f.InUse = err.Error()
	case err != nil:
		f.Err = err
	default:
		f.Identity = identity
	}
}

func identify(ctx context.Context, address string) (string, error) {
	r, err := resource.Parse(address)
	if err != nil {
		return "", err
	}
	port, err := open(ctx, r)
	if err != nil {
		return "", err
	}
	defer port.Close()
	if err := port.Send(ctx, []byte("*IDN?\n")); err != nil {
		return "", err
	}
	var answer []byte
	for {
		data, last, err := port.Receive(ctx)
		if err != nil {
			return "", err
		}
		answer = append(answer, data...)
		if line, _, ended := strings.Cut(string(answer), "\n"); last || ended {
			return strings.TrimSpace(strings.ToValidUTF8(line, "?")), nil
		}
		if len(answer) > 4096 {
			return "", fmt.Errorf("%w: %d bytes without an end", scpi.ErrGarbage, len(answer))
		}
	}
}

// open opens a port that has changed nothing at the instrument. Where a lock shows it looks first.
func open(ctx context.Context, r resource.Resource) (scpi.Port, error) {
	switch r.Kind {
	case resource.Socket:
		return scpi.TCP(r.Host, r.Port)(ctx)
	case resource.VXI11:
		return vxi11.Open(ctx, vxi11.Options{Host: r.Host, MapperPort: r.Port, Device: r.Device, KeepInput: true})
	case resource.USB:
		return usbtmc.Dial(r.Vendor, r.Product, r.SerialNumber, usbtmc.Options{KeepInput: true})(ctx)
	case resource.HiSLIP:
		s, err := hislip.Open(ctx, hislip.Options{Host: r.Host, Port: r.Port, SubAddress: r.Device, Overlap: true})
		if err != nil {
			return nil, err
		}
		locked, _, err := s.Locked(ctx)
		if err == nil && locked {
			err = fmt.Errorf("%w: it is locked", scpi.ErrInUse)
		}
		if err != nil {
			s.Close()
			return nil, err
		}
		return s, nil
	}
	return nil, fmt.Errorf("%s is listed and not asked", r.Kind)
}
