// Package budget is what the commands print of a bench before anything is switched on: what its pieces do and stand,
// the
// levels along the chain, the dry run of a plan, and how well the injected current is known.
package budget

import (
	"errors"
	"fmt"

	"provoke/internal/faces/calculator"
	"provoke/internal/files/catalog"
	"provoke/internal/files/problem"
	"provoke/internal/findings/uncertainty"
	"provoke/internal/job/plan"
	"provoke/internal/model/chain"
	"provoke/internal/model/level"
	"provoke/internal/terminal"
	"provoke/internal/units/rf"
)

// Budget is the chain of a bench, as it is to be driven.
type Budget struct {
	bench      *catalog.Bench
	chain      *chain.Chain
	plan       *plan.Plan      // whose frequencies and level are wanted; may be nil
	Fixture    catalog.Fixture // what the clamp is closed around
	modulation level.Modulation
	crest      chain.Crest
}

// Of is the budget of a bench with the fixture and the modulation of a plan, which may be nil.
func Of(bench *catalog.Bench, p *plan.Plan) *Budget {
	b := &Budget{bench: bench, chain: chain.New(bench), plan: p, Fixture: catalog.OnCable}
	if p != nil {
		b.Fixture, b.modulation = p.Fixture, p.Profile.Convention(p.Modulation)
	}
	b.crest = chain.CrestOfLevel(b.modulation)
	return b
}

// Modulate takes another modulation, in words or as the depth of an amplitude modulation.
func (b *Budget) Modulate(depth rf.Fraction, words string) error {
	switch {
	case depth != 0 && words != "":
		return errors.New("--am and --modulation say the same thing; give one")
	case depth != 0:
		if depth < 0 || depth > 1 {
			return fmt.Errorf("--am %v is not between 0 %% and 100 %%", depth)
		}
		b.modulation = level.Modulation{Kind: level.AM, Depth: depth, Rate: rf.Kilohertz, Hold: level.CarrierHeld}
	case words != "":
		m, err := level.ParseEnvelope(words)
		if err != nil {
			return err
		}
		b.modulation = m
	}
	if b.plan != nil {
		b.modulation = b.plan.Profile.Convention(b.modulation)
	}
	b.crest = chain.CrestOfLevel(b.modulation)
	return nil
}

// Sheet computes the safe setting at each frequency, those of at also node by node at a setting, which may be left
// out. Refused is not nil where that setting is more than the bench stands, or no setting is safe anywhere.
func (b *Budget) Sheet(at []rf.Frequency, setting string, warnings problem.List) (s Sheet, refused, err error) {
	s = Sheet{Bench: b.bench.Name, Hash: b.bench.Hash, Fixture: string(b.Fixture),
		Modulation: b.modulation.String(), Points: []point{}, At: []nodesAt{},
		Warnings: append(problem.List{}, warnings...)}
	for _, f := range b.frequencies(at) {
		s.Points = append(s.Points, b.point(f))
	}
	for _, f := range at {
		at, over, err := b.closely(f, setting)
		if err != nil {
			return s, nil, err
		}
		if setting != "" && over != nil {
			refused = errors.Join(refused, fmt.Errorf("%s at %v is more than the bench stands:\n%w", setting, f, over))
		}
		s.At = append(s.At, at)
	}
	if s.nowhere() && refused == nil {
		refused = errors.New("no generator setting is shown to be safe at any frequency")
	}
	return s, terminal.WithCode(terminal.ExitRefused, refused), nil
}

// frequencies returns those that were asked for, else the plan's, else 1-2-5 steps over the band.
func (b *Budget) frequencies(asked []rf.Frequency) []rf.Frequency {
	switch {
	case len(asked) > 0:
		return asked
	case b.plan != nil:
		return b.plan.Grid
	}
	band, _, _ := b.chain.Span(b.Fixture)
	if !band.Low.Known() {
		return nil
	}
	return calculator.Steps(band.Low, band.High, 1, 1.5, 2, 3, 5, 7)
}

// point computes one line of the table over frequency.
func (b *Budget) point(f rf.Frequency) point {
	p := point{Frequency: f.Quantity()}
	var wanted rf.Current
	if b.plan != nil && b.plan.Mode != plan.ConstantDrive {
		if ask, err := b.plan.Profile.At(f); err == nil {
			wanted = ask.Current
			p.Wanted = wanted.Quantity()
		}
		if drive, err := b.chain.DriveFor(f, wanted, b.Fixture); err == nil {
			p.DriveWanted, p.SettingWanted = drive.Quantity(), b.bench.Source.Setting(drive)
		}
	}
	drive, limit, err := b.chain.SafeDrive(f, b.crest, b.Fixture)
	if limit.ID != "" {
		p.LimitedBy = &heldBy{limit.ID, limit.Place, limit.Note}
	}
	if err != nil {
		p.Error = err.Error()
		return p
	}
	p.Drive, p.Setting = drive.Quantity(), b.bench.Source.Setting(drive)
	got, err := b.chain.Predict(f, drive, b.crest, b.Fixture)
	if err != nil {
		p.Error = err.Error()
		return p
	}
	if u, err := uncertainty.OfCurrent(b.bench, f, uncertainty.Conditions{},
		uncertainty.DefaultConfidence); err == nil {
		p.U, p.Assumed = rf.OrNullRounded(u.U(), 3), len(u.Assumed())
	}
	p.Current, p.Low, p.High, p.Estimate = got.Current.Quantity(), got.Low.Quantity(), got.High.Quantity(), got.Estimate
	p.Compression = rf.OrNullRounded(got.Compression, 3)
	reached := got.Current
	if b.plan != nil && b.plan.Mode == plan.ClosedLoop {
		if p.Looped, reached, err = b.looped(f); err != nil {
			p.Error = err.Error()
			return p
		}
	}
	margin, _ := reached.Minus(wanted)
	p.Margin = rf.OrNullRounded(margin, 3)
	return p
}

// looped computes how far a closed loop may go, and the current that is expected there.
func (b *Budget) looped(f rf.Frequency) (*closedLoop, rf.Current, error) {
	drive, limit, err := b.chain.SafeDriveLooped(f, b.crest, b.Fixture)
	if err != nil {
		return nil, rf.Current{}, err
	}
	got, err := b.chain.Predict(f, drive, b.crest, b.Fixture)
	return &closedLoop{drive.Quantity(), b.bench.Source.Setting(drive), heldBy{limit.ID, limit.Place, limit.Note},
		got.Current.Quantity()}, got.Current, err
}

// closely computes every node at one frequency; over names the nodes that are not within a rating.
func (b *Budget) closely(f rf.Frequency, setting string) (at nodesAt, over, failed error) {
	var drive rf.Power
	var err error
	if setting != "" {
		if drive, err = b.bench.Source.ParseSetting(setting); err != nil {
			return at, nil, terminal.WithCode(terminal.ExitUsage, fmt.Errorf("--drive: %w", err))
		}
	} else if drive, _, err = b.chain.SafeDrive(f, b.crest, b.Fixture); errors.Is(err, chain.ErrForbidden) {
		drive = b.bench.Source.Minimum
	} else if err != nil {
		return at, nil, err
	}
	p, err := b.chain.Predict(f, drive, b.crest, b.Fixture)
	if err != nil {
		return at, nil, err
	}
	at = nodesAt{Frequency: f.Quantity(), Drive: drive.Quantity(), Setting: b.bench.Source.Setting(drive),
		Forward: p.Forward.Quantity(),
		Current: p.Current.Quantity(), Low: p.Low.Quantity(), High: p.High.Quantity(), Reading: p.Reading.Quantity(),
		Compression: rf.OrNullRounded(p.Compression, 3), Within: p.Within(), Estimate: p.Estimate}
	for _, n := range p.Nodes {
		at.Nodes = append(at.Nodes, node{n.ID, n.Place, n.Carrier.Quantity(), n.Peak.Quantity(), n.Mean.Quantity(),
			n.RatedAs, n.Rating.Quantity(), rf.OrNullRounded(n.Unsure, 3), rf.OrNullRounded(n.Headroom, 3), n.Within,
			n.Note})
		over = errors.Join(over, n.Refusal())
	}
	return at, over, nil
}
