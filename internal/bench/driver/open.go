package driver

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"time"

	"provoke/internal/bench/scpi"
	"provoke/internal/bench/scpi/serialline"
	"provoke/internal/bench/scpi/transport"
	"provoke/internal/files/catalog"
	"provoke/internal/files/resource"
)

// Options say how instruments are reached. The zero value will do.
type Options struct {
	// Dial replaces the resource's own way of connecting by a byte stream.
	Dial func(ctx context.Context, address string) (io.ReadWriteCloser, error)
	// Trace is told every message; it must not block.
	Trace func(scpi.Exchange)
	// Timeout for one exchange; 0 means the bench file's, else the table's, else 2 s.
	Timeout time.Duration
	// Default replaces the last of these.
	Default time.Duration
	// Tables are the user's own command tables; they come before the built-in ones of the same name.
	Tables []Table
	// ForSilencing opens what can be opened: a source whose load or unit is not what the bench file
	// says can then be switched off, but not raised; and OpenBench returns a Rig of the
	// instruments that answered together with the error about the others.
	ForSilencing bool

	// Identified holds, by the id on the bench, who an instrument is known to be: one that says another
	// name is not opened for silencing, and the error wraps scpi.ErrAnother.
	Identified map[string]string

	// Person answers for the pieces that are set or read by hand; nil: such a piece does not open.
	Person Person

	// DummyLoad says that a person confirmed that nothing but a dummy load hangs on the source's output:
	// Try then proves that off changes it.
	DummyLoad bool

	// wrap changes the way of connecting, to record a conversation or to play one; nil leaves it.
	wrap func(scpi.Dial) scpi.Dial

	// opener is shared by the instruments of a bench: those behind one GPIB adapter share its
	// connection.
	opener *transport.Opener
}

// instrument is what all roles have in common.
type instrument struct {
	conn  *scpi.Conn
	table Table
	id    string // on the bench
	name  string // "source SG1 at TCPIP::…"
	idn   string // its own answer when it was opened
}

// Identify asks the instrument who it is.
func (i *instrument) Identify(ctx context.Context) (string, error) {
	if !i.table.has(Identify) {
		return "", i.hold(ctx, func(h *speech) error { return h.Connect() })
	}
	var idn string
	err := i.hold(ctx, func(h *speech) (err error) {
		idn, err = h.askOne(Identify)
		return err
	})
	return idn, err
}

// Close closes the connection for good.
func (i *instrument) Close() error { return i.conn.Close() }

func (i *instrument) connections() (id string, n uint64) { return i.id, i.conn.Generation() }

func (i *instrument) whoAmI() (id, idn string) { return i.id, i.idn }

// canBeAnother reports that an address may be given to another instrument, and that this one can be asked
// who it is without being told first how to answer.
func (i *instrument) canBeAnother(address string) bool {
	r, err := resource.Parse(address)
	return err == nil && r.Host != "" && i.table.has(Identify) && len(i.table.Start) == 0
}

// identity is what an answer to the question who it is says.
func (i *instrument) identity(answer string) string {
	text, err := i.table.picked(Identify, i.table.heard(i.table.say(Identify), answer))
	if err != nil {
		return answer
	}
	return text
}

// recognise refuses an instrument that is not the one that answered at first: by maker, model and serial
// number, which IEEE 488.2, 10.14 has in that order. An answer that is none of that kind tells nothing.
func (i *instrument) recognise(identity string) error {
	was, is := strings.Split(i.idn, ","), strings.Split(i.identity(identity), ",")
	if len(was) != 4 || len(is) != 4 || slices.Equal(was[:3], is[:3]) {
		return nil
	}
	return fmt.Errorf("%w: %q, where %q was", scpi.ErrAnother, identity, i.idn)
}

// open connects and asks who is there.
func open(ctx context.Context, role Role, id string, c catalog.Connection, counts catalog.CountsIn,
	o Options) (*instrument, error) {
	name := fmt.Sprintf("%s %s at %s", role, id, c.Address)
	table, err := tableFor(role, c.Table, counts, o.Tables)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", name, err)
	}
	dial, err := dialOf(c, table, o)
	if err != nil {
		return nil, fmt.Errorf("open %s %s: %w", role, id, err)
	}
	timeout := o.Timeout
	for _, t := range []time.Duration{c.Timeout.Std(), table.Timeout.Std(), o.Default} {
		if timeout <= 0 {
			timeout = t
		}
	}
	dial = awake(dial, &table, timeout)
	if o.wrap != nil {
		dial = o.wrap(dial)
	}
	i := &instrument{table: table, id: id, name: name}
	so := scpi.Options{Name: name, Dial: quirky(dial, &i.table), Timeout: timeout, Terminator: table.terminator(),
		Trace: o.Trace, NoClear: table.NoClear || table.answersAll()}
	if o.ForSilencing && i.canBeAnother(c.Address) { // it may be at it for minutes
		so.Identify, so.Recognise = table.say(Identify), i.recognise
	}
	i.conn = scpi.New(so)
	if i.idn, err = i.Identify(ctx); err == nil && so.Recognise != nil && o.Identified[id] != "" {
		is := i.idn
		i.idn = o.Identified[id]
		if err = i.recognise(is); err != nil {
			err = fmt.Errorf("%s: %w", name, err)
		}
	}
	if err != nil {
		i.conn.Close()
		return nil, fmt.Errorf("open %w", err)
	}
	return i, nil
}

func dialOf(c catalog.Connection, table Table, o Options) (scpi.Dial, error) {
	if o.Dial != nil {
		return scpi.Streams(func(ctx context.Context) (io.ReadWriteCloser, error) { return o.Dial(ctx, c.Address) }),
			nil
	}
	if o.opener == nil {
		o.opener = &transport.Opener{}
	}
	line, err := serialline.ParseLine(c.SerialLine)
	if err != nil {
		return nil, err
	}
	var quiet time.Duration
	if table.Echo { // which tells old answers from new; see awake
		quiet = 50 * time.Millisecond
	}
	return o.opener.Dial(c.Address, transport.Options{Line: line, Quiet: quiet, Through: c.Through,
		Terminator: table.terminator(),
		Unmarked:   table.EndsBy == EndsByTerminator, EOIOnly: table.EndsBy == EndsByEOI, KeepInput: table.KeepInput,
		Nonce: table.nonce()})
}

// Rig is the instruments of a bench that have a remote interface; the others are nil.
type Rig struct {
	Source     Source
	Amplifier  Amplifier
	Analyser   Analyser
	PowerMeter PowerMeter
	Interlock  Interlock
	Meters     map[string]Meter // by the monitor's id
	Captures   map[string]Capture
	Switch     PathSwitch
	PowerRelay Relay
	DeadMan    DeadMan // fed by the run's guard alone
	// Identified holds each instrument's own answer to *IDN?, by its id on the bench.
	Identified map[string]string
}

// Close closes every instrument. It switches nothing.
func (r *Rig) Close() error {
	var errs []error
	closeOne := func(c io.Closer, open bool) {
		if open {
			errs = append(errs, c.Close())
		}
	}
	closeOne(r.Source, r.Source != nil)
	closeOne(r.Amplifier, r.Amplifier != nil)
	closeOne(r.Analyser, r.Analyser != nil)
	closeOne(r.PowerMeter, r.PowerMeter != nil)
	closeOne(r.Interlock, r.Interlock != nil)
	closeOne(r.Switch, r.Switch != nil)
	closeOne(r.PowerRelay, r.PowerRelay != nil)
	closeOne(r.DeadMan, r.DeadMan != nil)
	for _, m := range r.Meters {
		errs = append(errs, m.Close())
	}
	for _, c := range r.Captures {
		errs = append(errs, c.Close())
	}
	return errors.Join(errs...)
}

// For returns the options for opening the instruments of a bench one by one: with the bench's own tables,
// and with one connection for those behind one adapter.
func (o Options) For(b *catalog.Bench) Options {
	o.opener = &transport.Opener{}
	own, _ := TablesOf(b)
	o.Tables = append(own, o.Tables...)
	return o
}

// Connections asks the instruments that can end RF, or show it, who they are, and returns for each the
// count of its connections so far, by its id. A count that grows without need tells of an instrument that
// closes a connection when another one is opened.
func (r *Rig) Connections(ctx context.Context) map[string]uint64 {
	out := map[string]uint64{}
	for _, x := range []any{r.Source, r.Amplifier, r.Analyser} {
		i, ok := x.(interface {
			Identify(context.Context) (string, error)
			connections() (string, uint64)
		})
		if !ok {
			continue
		}
		if _, err := i.Identify(ctx); err != nil {
			i.Identify(ctx) // on a connection of its own, where the old one was closed
		}
		id, n := i.connections()
		out[id] = n
	}
	return out
}

// OpenBench opens every instrument of the bench that has a remote interface, all at once. When one
// fails all are closed and the error names every one that failed; see Options.ForSilencing for
// the exception. It changes no setting of any instrument.
func OpenBench(ctx context.Context, b *catalog.Bench, o Options) (*Rig, error) {
	r := &Rig{Meters: map[string]Meter{}, Captures: map[string]Capture{}, Identified: map[string]string{}}
	_, list := TablesOf(b)
	if err := list.Err(); err != nil && !o.ForSilencing {
		return nil, err // for silencing the other instruments are good enough
	}
	o = o.For(b)
	var g opening
	r.byHand(&g, b, o)
	if b.Source.Present() {
		g.add(func() (err error) { return set(&r.Source)(OpenSource(ctx, b.Source, o)) })
	}
	if a := b.Amplifier; a != nil && a.Present() {
		g.add(func() error { return set(&r.Amplifier)(OpenAmplifier(ctx, *a, o)) })
	}
	if a := b.Analyser; a != nil && a.Present() {
		g.add(func() error { return set(&r.Analyser)(OpenAnalyser(ctx, *a, o)) })
	}
	if m := b.PowerMeter; m != nil && m.Present() {
		g.add(func() error { return set(&r.PowerMeter)(OpenPowerMeter(ctx, *m, o)) })
	}
	if i := b.Interlock; i != nil && i.Present() {
		g.add(func() error { return set(&r.Interlock)(OpenInterlock(ctx, *i, o)) })
	}
	if x := b.Switch; x != nil && x.Present() {
		g.add(func() error { return set(&r.Switch)(OpenSwitch(ctx, *x, o)) })
	}
	if x := b.PowerRelay; x != nil && x.Present() {
		g.add(func() error { return set(&r.PowerRelay)(OpenRelay(ctx, *x, o)) })
	}
	if x := b.HardwareDeadMan; x != nil {
		g.add(func() error { return set(&r.DeadMan)(OpenDeadMan(ctx, *x, o)) })
	}
	for _, m := range b.Monitors {
		if m.Kind == catalog.MonitorAnalogue && m.Present() {
			g.add(func() error {
				c, err := OpenCapture(ctx, m, o)
				if err == nil {
					g.mu.Lock()
					r.Captures[m.ID] = c
					g.mu.Unlock()
				}
				return err
			})
		}
		if m.Kind == catalog.MonitorMeter && m.Present() {
			g.add(func() error {
				meter, err := OpenMeter(ctx, m, o)
				if err == nil {
					g.mu.Lock()
					r.Meters[m.ID] = meter
					g.mu.Unlock()
				}
				return err
			})
		}
	}
	err := g.wait()
	r.identify()
	if err != nil && !o.ForSilencing {
		r.Close()
		return nil, err
	}
	return r, err
}

// errNobody is why a piece that is set by hand does not open.
var errNobody = errors.New("it is set by hand, and nobody can be asked here")

// byHand opens the pieces that a person sets or reads.
func (r *Rig) byHand(g *opening, b *catalog.Bench, o Options) {
	add := func(hand bool, id string, open func() error) {
		if !hand {
			return
		}
		g.add(func() error {
			if o.Person == nil {
				return fmt.Errorf("open %s: %w", id, errNobody)
			}
			return open()
		})
	}
	add(b.Source.ByHand, b.Source.ID, func() error { r.Source = NewHandSource(b.Source, o.Person); return nil })
	if a := b.Analyser; a != nil {
		add(a.ByHand, a.ID, func() error { return set(&r.Analyser)(NewHandAnalyser(*a, o.Person)) })
	}
	if m := b.PowerMeter; m != nil {
		add(m.ByHand, m.ID, func() error { return set(&r.PowerMeter)(NewHandPowerMeter(*m, o.Person)) })
	}
	for _, m := range b.Monitors {
		add(m.ByHand && m.Kind == catalog.MonitorMeter, m.ID, func() error {
			g.mu.Lock()
			defer g.mu.Unlock()
			r.Meters[m.ID] = NewHandMeter(m, o.Person)
			return nil
		})
	}
}

// set stores what was opened, unless it was not.
func set[T any](into *T) func(T, error) error {
	return func(v T, err error) error {
		if err == nil {
			*into = v
		}
		return err
	}
}

type opening struct {
	wg   sync.WaitGroup
	mu   sync.Mutex
	errs []error // in the order of the bench file
}

func (g *opening) add(f func() error) {
	g.mu.Lock()
	n := len(g.errs)
	g.errs = append(g.errs, nil)
	g.mu.Unlock()
	g.wg.Go(func() {
		err := f()
		g.mu.Lock()
		g.errs[n] = err
		g.mu.Unlock()
	})
}

func (g *opening) wait() error {
	g.wg.Wait()
	return errors.Join(g.errs...)
}

// identify gathers the answers to *IDN?.
func (r *Rig) identify() {
	for _, x := range []any{r.Source, r.Amplifier, r.Analyser, r.PowerMeter, r.Interlock, r.Switch, r.PowerRelay} {
		r.identifyOne(x)
	}
	for _, c := range r.Captures {
		r.identifyOne(c)
	}
	for _, m := range r.Meters {
		r.identifyOne(m)
	}
}

func (r *Rig) identifyOne(x any) {
	if id, idn := IdentityOf(x); id != "" {
		r.Identified[id] = idn
	}
}

// IdentityOf returns the id on the bench and the answer to *IDN? of an instrument of this package; both
// empty for a piece that is set by hand.
func IdentityOf(x any) (id, idn string) {
	if i, ok := x.(interface{ whoAmI() (id, idn string) }); ok {
		return i.whoAmI()
	}
	return "", ""
}
